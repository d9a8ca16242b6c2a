"""From a ``{component: …, quantity: …}`` mapping to limits, by the register."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.limit_figures import read_holds_at
from faulttree.reading.limit_forms import ALWAYS
from faulttree.reading.limits import Limits, same_frequency
from faulttree.reading.quantity import show
from faulttree.reading.ratings.register import ComponentRating, Figures, Parameter
from faulttree.reading.tolerance import read_tolerance
from faulttree.reading.units import parse_unit

__all__ = ["resolve_rated"]

Figure = Callable[[object, tuple[str | int, ...], str | None], Any]
KEYS = frozenset({"component", "quantity"}) | ALWAYS


def resolve_rated(spec: Mapping[str, Any], entry: ComponentRating, figure: Figure) -> Limits:
    """The limits of one part by its rating.

    Args:
        spec: the mapping of the file.
        entry: what the register says of its component and quantity.
        figure: reads one figure, written or computed; its arguments are the value, the keys
            that lead to it and the unit it must be of.

    Raises:
        ReadingError: a parameter is missing, unknown or outside the range of validity.
    """
    _check_keys(spec, entry)
    given: dict[str, Any] = {}
    missing: list[str] = []
    for parameter in sorted(entry.parameters, key=lambda p: p.tolerance):
        given[parameter.name] = _one(spec, parameter, entry, figure, given, missing)
    empty = Limits(
        None, None, entry.unit, entry.kind, entry.outcomes,
        source=str(spec.get("source") or entry.source), missing=tuple(missing),
        component=entry.component, quantity=entry.quantity, symbol=entry.symbol,
        method=entry.method,
    )  # fmt: skip
    if missing:
        return empty
    figures = entry.function(**entry.fixed, **given)
    holds_at = _holds_at(spec, figures)
    told = () if figures.holds_at or not holds_at else (f"holds at {show(holds_at, 'Hz')}",)
    return replace(
        empty, lower=figures.lower, upper=figures.upper, nominal=figures.nominal,
        worn_lower=figures.worn_lower, worn_upper=figures.worn_upper, part=figures.part,
        notes=(*figures.notes, *told), holds_at=holds_at, read_at=figures.read_at,
        copper_at=figures.copper_at, prefix=_prefix(spec, entry),
    )  # fmt: skip


def _check_keys(spec: Mapping[str, Any], entry: ComponentRating) -> None:
    """Refuse keys that this rating does not take, and a unit that is not its own."""
    known = {parameter.name: parameter for parameter in entry.parameters}
    for key in spec:
        if key not in known and key not in KEYS:
            raise ReadingError(
                f"{entry.component} {entry.quantity} has no '{key}'",
                remedy=f"It takes {', '.join(known) or 'nothing else'}.",
                key=(str(key),),
            )
    _check_unit(spec, entry)


def _holds_at(spec: Mapping[str, Any], figures: Figures) -> Decimal | None:
    """The frequency of the limit: as the rating gives it, else as the step says."""
    said = read_holds_at(spec)
    if said is None or figures.holds_at is None:
        return said or figures.holds_at
    if not same_frequency(said, figures.holds_at):
        raise ReadingError(
            f"this limit holds at {show(figures.holds_at, 'Hz')}, not at {show(said, 'Hz')}",
            remedy="Leave holds_at out, or give the figure of the data sheet that holds there.",
            key=("holds_at",),
        )
    return figures.holds_at


def _prefix(spec: Mapping[str, Any], entry: ComponentRating) -> str:
    """The prefix a rating of the reading's own unit was written with."""
    from faulttree.reading.typed import parse_quantity

    for parameter in entry.parameters:
        if parameter.unit == entry.unit and isinstance(spec.get(parameter.name), str):
            return parse_quantity(spec[parameter.name], parameter.unit).prefix
    return ""


def _check_unit(spec: Mapping[str, Any], entry: ComponentRating) -> None:
    if spec.get("unit") is None:
        return
    said = parse_unit(str(spec["unit"]))
    if said.unit != entry.unit:
        raise ReadingError(
            f"{entry.component} {entry.quantity} is read in {entry.unit}, not in {said.text}",
            remedy="Leave unit out.",
            key=("unit",),
        )


def _one(
    spec: Mapping[str, Any],
    parameter: Parameter,
    entry: ComponentRating,
    figure: Figure,
    given: Mapping[str, Any],
    missing: list[str],
) -> Any:
    value = spec.get(parameter.name, parameter.default)
    if value is None:
        if parameter.required:
            raise ReadingError(
                f"{entry.component} {entry.quantity} needs {parameter.name}",
                remedy=f"Give {parameter.name}: {parameter.text}.",
                key=(),
            )
        return None
    if parameter.tolerance:
        return read_tolerance(value, entry.unit, "", _rated_value(entry, given))
    if parameter.unit is None:
        return _word(value, parameter)
    read = figure(value, (parameter.name,), parameter.unit)
    missing += read.missing
    _check_sign(read.value, parameter)
    return read.value


def _check_sign(value: Decimal | None, parameter: Parameter) -> None:
    if value is None or parameter.sign == "any" or value > 0:
        return
    if parameter.sign == "not-negative" and value == 0:
        return
    raise ReadingError(
        f"{parameter.name} must {'not be below' if parameter.sign != 'positive' else 'be above'} "
        "zero",
        remedy="Correct the figure.",
        key=(parameter.name,),
    )


def _rated_value(entry: ComponentRating, given: Mapping[str, Any]) -> Any:
    """The rated value the tolerance belongs to: the first parameter of the reading's unit."""
    for parameter in entry.parameters:
        if parameter.unit == entry.unit:
            return given.get(parameter.name)
    return None


def _word(value: object, parameter: Parameter) -> str:
    word = str(value).strip()
    if parameter.choices and word not in parameter.choices:
        raise ReadingError(
            f"'{word[:40]}' is no {parameter.name} known here",
            remedy=f"Choose one of {', '.join(parameter.choices)}.",
            key=(parameter.name,),
        )
    return word
