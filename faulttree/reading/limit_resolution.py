"""From the ``limits`` of a step to figures a reading can be judged by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.limit_beside import with_beside
from faulttree.reading.limit_figures import KnownValues, LimitFigure, read_holds_at
from faulttree.reading.limit_forms import BESIDE, entry_of, form_of, outcomes_of
from faulttree.reading.limits import Limits
from faulttree.reading.mains import STANDARD_MAINS
from faulttree.reading.quantity import Quantity, show
from faulttree.reading.units import UNITS

__all__ = ["resolve_limits"]


def resolve_limits(
    spec: Mapping[str, Any],
    *,
    unit: str | None = None,
    readings: Mapping[str, Quantity] | None = None,
    ratings: Mapping[str, Quantity] | None = None,
    mains: Mapping[str, Quantity] = STANDARD_MAINS,
) -> Limits:
    """Work the limits of a step out.

    Args:
        spec: the plain mapping of the file, in one of the four forms: ``{nominal,
            tolerance}``, ``{min, max}``, ``{component, quantity, …}`` or ``{bands}``.
        unit: the unit of the step, where the limits themselves name none.
        readings: readings of the walk by step, for formulas.
        ratings: values that differ by model, by name, for formulas.
        mains: what formulas read as ``mains.voltage`` and ``mains.frequency``.

    Raises:
        ReadingError: they cannot be understood or are impossible; ``key`` leads to the
            spot inside ``spec``.
    """
    form = form_of(spec)
    desk = KnownValues(spec, unit, {**mains, **(ratings or {}), **(readings or {})})
    try:
        limits = _resolve(form, spec, desk)
    except ReadingError as error:
        if not desk.computed:
            raise
        return _unworkable(form, spec, desk, error.message)
    return with_beside(limits, spec) if BESIDE & spec.keys() else limits


def _resolve(form: str, spec: Mapping[str, Any], desk: KnownValues) -> Limits:
    if form == "component":
        from faulttree.reading.ratings.rated_limits import resolve_rated

        return resolve_rated(spec, entry_of(spec), desk.figure)
    if form == "bands":
        from faulttree.reading.bands import bands_of

        limits = bands_of(spec, desk)
    else:
        limits = _nominal(spec, desk) if form == "nominal" else _range(spec, desk)
    if desk.bare_unit or desk.spelt:
        limits = replace(limits, bare_unit=desk.bare_unit, spelt=desk.spelt)
    holds_at = read_holds_at(spec)
    if holds_at is None:
        return limits
    return replace(limits, holds_at=holds_at, notes=(f"holds at {show(holds_at, 'Hz')}",))


def _unworkable(form: str, spec: Mapping[str, Any], desk: KnownValues, problem: str) -> Limits:
    """Limits that these very readings allow none of: a walk goes on, undecided."""
    if form == "component":
        entry = entry_of(spec)
        unit, kind = entry.unit, entry.kind
    else:
        unit, kind = desk.unit_of()
    source = str(spec.get("source", ""))
    return Limits(None, None, unit, kind, outcomes_of(spec), source=source, problem=problem)


def _range(spec: Mapping[str, Any], desk: KnownValues) -> Limits:
    desk.settle((spec.get("min"), ("min",)), (spec.get("max"), ("max",)))
    low = desk.figure(spec["min"], ("min",)) if "min" in spec else LimitFigure(None)
    high = desk.figure(spec["max"], ("max",)) if "max" in spec else LimitFigure(None)
    desk.refuse_bare((low, "min"), (high, "max"))
    unit, kind = desk.unit_of(low, high)
    _refuse_negative(unit, (low.value, "min"), (high.value, "max"))
    if low.value is not None and high.value is not None and low.value > high.value:
        raise ReadingError(
            "min is above max: no reading could be inside",
            remedy="Exchange them, or correct the figure that is wrong.",
            key=("min",),
        )
    return Limits(
        lower=low.value,
        upper=high.value,
        unit=unit,
        kind=kind,
        outcomes=outcomes_of(spec),
        source=str(spec.get("source", "")),
        prefix=desk.prefix,
        missing=tuple(dict.fromkeys((*low.missing, *high.missing))),
        lower_uncertainty=low.uncertainty,
        upper_uncertainty=high.uncertainty,
    )


def _refuse_negative(unit: str, *figures: tuple[Decimal | None, str]) -> None:
    if UNITS[unit].signed:
        return
    for value, key in figures:
        if value is not None and value < 0:
            raise ReadingError(
                f"a {UNITS[unit].name} cannot be below zero",
                remedy="Correct the figure.",
                key=(key,),
            )


def _nominal(spec: Mapping[str, Any], desk: KnownValues) -> Limits:
    from faulttree.reading.tolerance import read_tolerance

    for key in ("nominal", "tolerance"):
        if spec.get(key) is None:
            raise ReadingError(
                f"'{key}' is missing", remedy="Give nominal and tolerance together.", key=()
            )
    desk.settle((spec["nominal"], ("nominal",)))
    middle = desk.figure(spec["nominal"], ("nominal",))
    unit, kind = desk.unit_of(middle)
    _refuse_negative(unit, (middle.value, "nominal"))
    tolerance = read_tolerance(spec["tolerance"], unit, kind, middle.value)
    prefix = desk.prefix
    if middle.value is None:
        return Limits(
            None, None, unit, kind, ("low", "inside", "high"),
            source=str(spec.get("source", "")), prefix=prefix, missing=middle.missing,
        )  # fmt: skip
    lower, upper = tolerance.around(middle.value)
    return Limits(
        lower=lower,
        upper=upper,
        unit=unit,
        kind=kind,
        outcomes=("low", "inside", "high"),
        nominal=middle.value,
        source=str(spec.get("source", "")),
        prefix=prefix,
        lower_uncertainty=middle.uncertainty * tolerance.growth(lower, middle.value),
        upper_uncertainty=middle.uncertainty * tolerance.growth(upper, middle.value),
    )
