"""Named bands, which meet without gap or overlap."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.limit_figures import KnownValues
from faulttree.reading.limit_forms import band_list, key_of
from faulttree.reading.limits import Band, Limits

__all__ = ["bands_of"]

RESERVED = frozenset({"undecided", "outside", "skip", "back", "note", "repair", "taken", "done"})
"""Words that a walk needs for itself."""


def bands_of(spec: Mapping[str, Any], desk: KnownValues) -> Limits:
    listed = band_list(spec["bands"])
    edges = [
        (band.get(key), ("bands", at, key))
        for at, band in enumerate(listed)
        if isinstance(band, Mapping)
        for key in ("from", "below")
    ]
    desk.settle(*edges)
    bands: list[Band] = []
    missing: dict[str, None] = {}
    for at, entry in enumerate(listed):
        band, unknown = _band(entry, at, at == len(listed) - 1, desk)
        if not missing and not unknown:
            _meets(band, bands[-1] if bands else None, at)
        missing.update(dict.fromkeys(unknown))
        bands.append(band)
    unit, kind = desk.unit_of()
    if missing:
        return Limits(
            None, None, unit, kind, tuple(band.name for band in bands),
            source=str(spec.get("source", "")), prefix=desk.prefix, missing=tuple(missing),
        )  # fmt: skip
    return Limits(
        None, None, unit, kind, tuple(band.name for band in bands),
        source=str(spec.get("source", "")), bands=tuple(bands), prefix=desk.prefix,
    )  # fmt: skip


def _band(entry: object, at: int, is_last: bool, desk: KnownValues) -> tuple[Band, tuple[str, ...]]:
    """A band, and the readings and ratings that its ends need and are not known."""
    name = key_of(entry, "name", ("bands", at))
    assert isinstance(entry, Mapping)
    for key in entry:
        if key not in {"name", "from", "below"}:
            raise ReadingError(
                f"a band has no '{key}'", remedy="It has name, from and below.",
                key=("bands", at, str(key)),
            )  # fmt: skip
    if not isinstance(name, str) or name in RESERVED:
        raise ReadingError(
            f"'{name}' cannot name a band", remedy="Choose another word.", key=("bands", at, "name")
        )
    missing: tuple[str, ...] = ()
    edges: dict[str, Decimal | None] = {"from": None, "below": None}
    for key in edges:
        if entry.get(key) is not None:
            figure = desk.figure(entry[key], ("bands", at, key))
            desk.refuse_bare((figure, key))
            missing += figure.missing
            edges[key] = figure.value
        elif (key == "from" and at > 0) or (key == "below" and not is_last):
            raise ReadingError(
                f"the band '{name}' has no '{key}'", remedy=f"Add {key}.", key=("bands", at)
            )
    return Band(name, edges["from"], edges["below"]), missing


def _meets(band: Band, before: Band | None, at: int) -> None:
    if band.lower is not None and band.upper is not None and band.lower >= band.upper:
        raise ReadingError(
            f"the band '{band.name}' is empty",
            remedy="Its 'from' must lie below its 'below'.",
            key=("bands", at, "from"),
        )
    if before is None:
        return
    if band.lower != before.upper:
        assert band.lower is not None
        assert before.upper is not None
        what = "leave a gap" if band.lower > before.upper else "overlap"
        raise ReadingError(
            f"the bands '{before.name}' and '{band.name}' {what}",
            remedy="Begin each where the one before ends, in rising order.",
            key=("bands", at, "from"),
        )
