"""The forms that the ``limits`` of a step can take, and the outcomes each can give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from faulttree.errors import ReadingError

if TYPE_CHECKING:
    from faulttree.reading.ratings.register import ComponentRating

__all__ = ["band_list", "entry_of", "form_of", "key_of", "outcomes_of"]

NOMINAL = frozenset({"nominal", "tolerance"})
RANGE = frozenset({"min", "max"})
BESIDE = frozenset(
    {
        *("basis", "good", "holds_at", "requires", "source_resistance", "driving_voltage"),
        *("copper_at", "crest_factor", "neighbours"),
    }
)
"""What limits say beside their figures: no figure depends on it."""
ALWAYS = frozenset({"unit", "source"}) | BESIDE
MAX_BANDS = 50


def outcomes_of(spec: Mapping[str, Any]) -> tuple[str, ...]:
    """The outcomes these limits can give, without working any figure out.

    Args:
        spec: the plain mapping of a step's ``limits``.

    Raises:
        ReadingError: it is in none of the four forms, or names no known rating.
    """
    form = form_of(spec)
    if form == "bands":
        return tuple(
            str(key_of(band, "name", ("bands", at)))
            for at, band in enumerate(band_list(spec["bands"]))
        )
    if form == "component":
        return entry_of(spec).outcomes
    if form == "range":
        if "max" not in spec:
            return ("low", "inside")
        if "min" not in spec:
            return ("inside", "high")
    return ("low", "inside", "high")


def form_of(spec: Mapping[str, Any]) -> str:
    if not isinstance(spec, Mapping):
        raise ReadingError("limits must be a mapping", remedy="Write {nominal: …, tolerance: …}.")
    forms = {
        "nominal": NOMINAL & spec.keys(),
        "range": RANGE & spec.keys(),
        "bands": {"bands"} & spec.keys(),
    }
    if "component" in spec:
        return "component"
    found = [form for form, keys in forms.items() if keys]
    if not found:
        raise ReadingError(
            "the limits say nothing to judge by",
            remedy="Give nominal and tolerance, min or max, component and quantity, or bands.",
        )
    if len(found) > 1:
        raise ReadingError(
            f"the limits mix {' and '.join(found)}",
            remedy="Keep one form: nominal and tolerance, min and max, or bands.",
            key=(sorted(forms[found[1]])[0],),
        )
    allowed = ALWAYS | {"nominal": NOMINAL, "range": RANGE, "bands": {"bands"}}[found[0]]
    for key in spec:
        if key not in allowed:
            raise ReadingError(
                f"'{key}' has no meaning beside {', '.join(sorted(allowed - ALWAYS))}",
                remedy=f"Known here are {', '.join(sorted(allowed))}.",
                key=(str(key),),
            )
    return found[0]


def entry_of(spec: Mapping[str, Any]) -> ComponentRating:
    from faulttree.reading.ratings.entries import find_rating

    return find_rating(spec)


def key_of(mapping: object, key: str, path: tuple[str | int, ...]) -> Any:
    if not isinstance(mapping, Mapping) or mapping.get(key) in (None, ""):
        raise ReadingError(f"'{key}' is missing", remedy=f"Give {key}.", key=path)
    return mapping[key]


def band_list(value: object) -> Sequence[Any]:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) < 2:
        raise ReadingError(
            "bands must be a list of at least two",
            remedy="Write bands: [{name: …, below: …}, {name: …, from: …}].",
            key=("bands",),
        )
    if len(value) > MAX_BANDS:
        raise ReadingError("there are too many bands", remedy="Keep fewer.", key=("bands",))
    return value
