"""What limits say beside their figures: basis, good units, instrument, the place measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.limit_figures import placed
from faulttree.reading.limits import Limits
from faulttree.reading.method import Method
from faulttree.reading.typed import parse_quantity

BASIS: Mapping[str, str] = {
    "standard": "a published standard",
    "formula": "a formula",
    "practice": "common practice",
    "asked": "a value that was asked for",
    "shop": "the shop's own figures",
}
"""What a limit can rest on, in words."""

# Key → its unit, and the units of the limits that it belongs to.
_PLACES = {
    "source_resistance": ("ohm", ("V",)),
    "driving_voltage": ("V", ("A",)),
    "copper_at": ("degC", ("ohm",)),
    "crest_factor": ("", ("V", "A")),
}


def with_beside(limits: Limits, spec: Mapping[str, Any]) -> Limits:
    """The limits with what their mapping says beside the figures.

    Raises:
        ReadingError: it cannot be understood; ``key`` leads to the spot inside ``spec``.
    """
    basis = spec.get("basis") or ""
    if basis and basis not in BASIS:
        raise ReadingError(
            f"'{str(basis)[:40]}' is no basis of a limit",
            remedy=f"Choose one of {', '.join(BASIS)}.",
            key=("basis",),
        )
    return replace(
        limits,
        basis=basis,
        good=_good(limits, spec.get("good")),
        method=_method(limits.method, spec.get("requires")),
        source_resistance=_place(limits, spec, "source_resistance"),
        driving_voltage=_place(limits, spec, "driving_voltage"),
        copper_at=_place(limits, spec, "copper_at") or limits.copper_at,
        crest_factor=_place(limits, spec, "crest_factor"),
        neighbours=_neighbours(spec.get("neighbours")),
    )


def _good(limits: Limits, listed: object) -> tuple[Decimal, Decimal] | None:
    """The least and the largest reading of the good units that were measured."""
    if listed is None:
        return None
    if not isinstance(listed, list | tuple) or not listed:
        raise ReadingError(
            "good is a list of readings", remedy="Write good: [45 ohm, 70 ohm].", key=("good",)
        )
    values: list[Decimal] = []
    for number, text in enumerate(listed):
        try:
            read = parse_quantity(text, limits.place)
            if read.value is None:
                raise ReadingError(
                    f"'{text}' has no value", remedy="Give a figure, or leave this unit out."
                )
        except ReadingError as error:
            raise placed(error, ("good", number)) from None
        values.append(read.value)
    return min(values), max(values)


def _neighbours(listed: object) -> tuple[str, ...]:
    if listed is None:
        return ()
    if not isinstance(listed, list | tuple) or not all(isinstance(one, str) for one in listed):
        raise ReadingError(
            "neighbours is a list of parts", remedy="Write neighbours: [C2, R4].",
            key=("neighbours",),
        )  # fmt: skip
    return tuple(listed)


def _method(rated: Method | None, required: object) -> Method | None:
    """The method of the rating, with what the step itself requires in its place."""
    if required is None:
        return rated
    if not isinstance(required, Mapping) or not required:
        raise ReadingError(
            "requires is a mapping",
            remedy="Write requires: {test_voltage: 500 V}.",
            key=("requires",),
        )
    needs = {str(name): str(value) for name, value in required.items()}
    words = " and ".join(f"a {name.replace('_', ' ')} of {value}" for name, value in needs.items())
    return Method(
        name=rated.name if rated is not None else "-".join(needs).replace("_", "-"),
        kinds=rated.kinds if rated is not None else (),
        text=f"this limit requires {words}",
        reason="a reading with another setting is not judged by it",
        any_top=rated.any_top if rated is not None else None,
        needs=needs,
        required=True,
    )


def _place(limits: Limits, spec: Mapping[str, Any], name: str) -> Decimal | None:
    if spec.get(name) is None:
        return None
    unit, of = _PLACES[name]
    try:
        if limits.unit not in of:
            raise ReadingError(
                f"{name} belongs to a limit in {' or '.join(of)}", remedy="Leave it out here."
            )
        read = parse_quantity(spec[name], unit).value
        if read is None or (read <= 0 and unit != "degC"):
            raise ReadingError(f"{name} must be above zero", remedy="Correct the figure.")
    except ReadingError as error:
        raise placed(error, (name,)) from None
    return read
