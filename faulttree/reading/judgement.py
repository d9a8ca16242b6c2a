"""The judgement: a reading, its limits and the meter's uncertainty into one verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from math import inf, sqrt

from faulttree.errors import ReadingError
from faulttree.reading.impossible import refuse_impossible
from faulttree.reading.instruments import Instrument
from faulttree.reading.limits import Limits, same_frequency, side_of
from faulttree.reading.quantity import EXACT, Quantity, show
from faulttree.reading.uncertainty import below, conformance, effective_freedom, type_a
from faulttree.reading.units import unit_text
from faulttree.reading.verdict import DEFAULT_RULE, Rule, Verdict

__all__ = ["check_reading", "judge"]

UNDECIDED = "undecided"
FINER = "repeat with a finer meter, or take several readings"


def judge(
    reading: Quantity | Sequence[Quantity],
    limits: Limits,
    *,
    instrument: Instrument | None = None,
    in_circuit: bool | None = None,
    never_in_circuit: bool = False,
    neighbours: Sequence[str] = (),
    rule: Rule = DEFAULT_RULE,
) -> Verdict:
    """Judge a reading.

    Args:
        reading: one reading, or several of the same thing, which are judged by their mean.
        limits: what it is judged by.
        instrument: what it was read with; without it the verdict is plain acceptance.
        in_circuit: whether the part was still in circuit; None applies no such rule.
        never_in_circuit: an in-circuit reading proves nothing at all here.
        neighbours: parts across the same two points, named where a short is read.
        rule: how sure the verdict must be.

    Raises:
        ReadingError: the reading is of another unit or kind than the limits, it is
            impossible, the instrument is of a kind that cannot read this quantity, or there
            is no reading.
    """
    one, several, spread, freedom = _mean((reading,) if isinstance(reading, Quantity) else reading)
    check_reading(several or (one,), limits, instrument=instrument)
    if limits.missing or limits.problem:
        return _without_limits(one, limits, several)
    other = _other_frequency(several or (one,), instrument, limits)
    if other:
        return Verdict(
            UNDECIDED, one, limits, rule="frequency", advice=other, readings=several,
            instrument=instrument.id if instrument else "",
        )  # fmt: skip
    if in_circuit:
        from faulttree.reading.in_circuit import proves

        advice = proves(one, limits, never=never_in_circuit, neighbours=neighbours)
        if advice:
            return Verdict(
                UNDECIDED, one, limits, rule="in circuit", advice=advice, readings=several,
                instrument=instrument.id if instrument else "",
            )  # fmt: skip
    if one.value is None:
        from faulttree.reading.over_range import judge_over_range

        return judge_over_range(one, limits, several, instrument)
    u, freedom = _combine(one, limits, instrument, spread, freedom)
    name = instrument.id if instrument else ""
    if limits.bands:
        return _judge_bands(one, limits, u, freedom, rule, several, name)
    verdict = _judge_limits(one, limits, u, freedom, rule, several, name)
    if in_circuit and verdict.outcome in {"inside", "low"}:
        from faulttree.reading.in_circuit import hidden

        return replace(verdict, advice=hidden(limits, verdict.outcome))
    return verdict


def check_reading(
    readings: Sequence[Quantity], limits: Limits, *, instrument: Instrument | None = None
) -> None:
    """Refuse readings that cannot be judged, before anything else is asked about them.

    Raises:
        ReadingError: as :func:`judge` does for the unit, an impossible value or the instrument.

    Example:
        >>> from faulttree.reading import parse_quantity, resolve_limits
        >>> check_reading([parse_quantity("4 V")], resolve_limits({"min": "10 V"}))
    """
    for reading in readings:
        _check_unit(reading, limits)
        refuse_impossible(reading, limits)
    if not (limits.missing or limits.problem):
        _check_method(instrument, limits)


def _mean(
    readings: Sequence[Quantity],
) -> tuple[Quantity, tuple[Quantity, ...], float, float]:
    several = tuple(readings)
    if not several:
        raise ReadingError("there is no reading to judge", remedy="Give at least one.")
    first = several[0]
    if len(several) == 1:
        return first, (), first.uncertainty or 0.0, inf
    for other in several[1:]:
        if (other.unit, other.kind) != (first.unit, first.kind):
            raise ReadingError(
                f"the readings are in {unit_text(first.unit, first.kind)} and "
                f"{unit_text(other.unit, other.kind)}",
                remedy="Judge readings of one thing together, in one unit.",
            )
    for reading in several:
        if reading.value is None:
            return reading, several, 0.0, inf
    values = [reading.value for reading in several if reading.value is not None]
    total = Decimal(0)
    for value in values:
        total = EXACT.add(total, value)
    mean = EXACT.divide(total, Decimal(len(values)))
    _, spread, freedom = type_a([float(value) for value in values])
    text = ", ".join(reading.text for reading in several)
    return (
        Quantity(mean, first.unit, first.kind, text=text, prefix=first.prefix),
        several,
        spread,
        float(freedom),
    )


def _check_unit(reading: Quantity, limits: Limits) -> None:
    if reading.unit == limits.unit and (
        reading.kind == limits.kind
        or not reading.kind
        or (not limits.kind and reading.kind not in {"pp", "pk"})
    ):
        return
    raise ReadingError(
        f"the reading is in {unit_text(reading.unit, reading.kind) or 'no unit'} and the limits "
        f"are in {unit_text(limits.unit, limits.kind) or 'no unit'}",
        remedy="Measure the quantity that is asked for, or name the limits in its unit.",
    )


def _check_method(instrument: Instrument | None, limits: Limits) -> None:
    """Refuse an instrument whose method does not measure what the rating means."""
    method = limits.method
    if instrument is None or method is None or limits.takes(instrument.kind):
        return
    raise ReadingError(
        f"{instrument.id} is of the kind {instrument.kind}, and {method.text}: {method.reason}",
        remedy="Measure with such an instrument, or correct kind in bench.yaml: "
        f"{' or '.join(method.kinds)}.",
    )


def _other_frequency(
    readings: Sequence[Quantity], instrument: Instrument | None, limits: Limits
) -> str:
    """Why a limit at one frequency does not judge a reading at another; empty where it does."""
    if limits.holds_at is None:
        return ""
    wanted = show(limits.holds_at, "Hz")
    typed = {reading.frequency for reading in readings} - {None}
    read_at = tuple(one for one in typed if one) or ((limits.read_at,) if limits.read_at else ())
    if not read_at and instrument is not None:
        read_at = instrument.frequencies
        if len(read_at) > 1 and instrument.reads_at(limits.holds_at):
            return (
                f"{instrument.id} has several test frequencies, and the limit holds at {wanted}: "
                f"set it to {wanted}, and write that behind the reading, such as 1 ohm at {wanted}"
            )
    if all(same_frequency(one, limits.holds_at) for one in read_at):
        return ""
    shown = " and ".join(show(one, "Hz") for one in sorted(read_at))
    return (
        f"the limit holds at {wanted} and the meter reads at {shown}: read at {wanted}, or give "
        f"max from a data sheet at {shown}"
    )


def _without_limits(reading: Quantity, limits: Limits, several: tuple[Quantity, ...]) -> Verdict:
    return Verdict(
        UNDECIDED, reading, limits, rule="no limits", readings=several,
        advice=limits.problem
        or f"take {', '.join(limits.missing)} first: the limits follow from it",
    )  # fmt: skip


def _combine(
    reading: Quantity,
    limits: Limits,
    instrument: Instrument | None,
    spread: float,
    freedom: float,
) -> tuple[float | None, float]:
    """Standard uncertainty of meter and scatter together, and its degrees of freedom."""
    assert reading.value is not None
    if instrument is None:
        return (spread, freedom) if spread else (None, inf)
    kind = reading.kind or limits.kind
    meter = instrument.standard_uncertainty(reading.value, reading.unit, kind)
    if meter is None:
        raise ReadingError(
            f"{instrument.id} has no range for {show(reading.value, reading.unit, kind)}",
            remedy="Name the instrument that was used, or add the range to bench.yaml.",
        )
    if freedom == inf or not spread:
        return sqrt(meter * meter + spread * spread), inf
    return sqrt(meter**2 + spread**2), effective_freedom([(meter, inf), (spread, freedom)])


def _judge_limits(
    reading: Quantity,
    limits: Limits,
    u: float | None,
    freedom: float,
    rule: Rule,
    several: tuple[Quantity, ...],
    instrument: str,
) -> Verdict:
    value = reading.value
    assert value is not None
    lower, upper = limits.last_lower, limits.last_upper
    plain = side_of(value, lower, upper)
    named = _named(plain, limits)
    if limits.lower_uncertainty or limits.upper_uncertainty:
        u = u or 0.0
    tired = plain == 0 and side_of(value, limits.lower, limits.upper) != 0
    if u is None or (not u and not limits.lower_uncertainty and not limits.upper_uncertainty):
        likelihoods = dict.fromkeys(limits.outcomes, 0.0)
        likelihoods[named] = 1.0
        return Verdict(
            named, reading, limits, u, None if u is None else float(plain == 0), likelihoods,
            tired=tired, readings=several, instrument=instrument, confidence=rule.confidence,
        )  # fmt: skip
    low, inside, high = _probabilities(float(value), u, limits, freedom)
    names = (_named(-1, limits), "inside", _named(1, limits))
    likelihoods = {
        name: p for name, p in zip(names, (low, inside, high), strict=True)
        if name in limits.outcomes
    }  # fmt: skip
    if rule.simple:
        outcome = named
    else:
        outcome = next((n for n, p in likelihoods.items() if p >= rule.confidence), UNDECIDED)
    return Verdict(
        outcome, reading, limits, u, inside, likelihoods,
        _name(rule),
        tired and outcome == "inside",
        "" if outcome != UNDECIDED else FINER,
        several, instrument, rule.confidence,
    )  # fmt: skip


def _name(rule: Rule) -> str:
    return "simple acceptance" if rule.simple else "conformance probability"


def _named(side: int, limits: Limits) -> str:
    if side == 0:
        return "inside"
    if limits.negative:
        side = -side
    return "low" if side < 0 else "high"


def _probabilities(
    value: float, u: float, limits: Limits, freedom: float
) -> tuple[float, float, float]:
    lower, upper = limits.last_lower, limits.last_upper
    low_at = None if lower is None else float(lower)
    high_at = None if upper is None else float(upper)
    if not limits.lower_uncertainty and not limits.upper_uncertainty:
        return conformance(value, u, low_at, high_at, freedom)
    low = high = 0.0
    if low_at is not None:
        both = sqrt(u * u + limits.lower_uncertainty**2)
        low = below((low_at - value) / both, freedom) if both else float(value < low_at)
    if high_at is not None:
        both = sqrt(u * u + limits.upper_uncertainty**2)
        high = below((value - high_at) / both, freedom) if both else float(value > high_at)
    return low, max(0.0, 1.0 - low - high), high


def _judge_bands(
    reading: Quantity,
    limits: Limits,
    u: float | None,
    freedom: float,
    rule: Rule,
    several: tuple[Quantity, ...],
    instrument: str,
) -> Verdict:
    value = reading.value
    assert value is not None
    plain = next(
        (
            band.name
            for band in limits.bands
            if (band.lower is None or value >= band.lower)
            and (band.upper is None or value < band.upper)
        ),
        UNDECIDED,
    )
    if not u:
        likelihoods = {band.name: float(band.name == plain) for band in limits.bands}
        return Verdict(
            plain, reading, limits, u, None, likelihoods if plain != UNDECIDED else {},
            advice="" if plain != UNDECIDED else "outside every band: measure again",
            readings=several, instrument=instrument, confidence=rule.confidence,
        )  # fmt: skip
    likelihoods = {
        band.name: conformance(
            float(value), u,
            None if band.lower is None else float(band.lower),
            None if band.upper is None else float(band.upper), freedom,
        )[1]
        for band in limits.bands
    }  # fmt: skip
    sure = next((n for n, p in likelihoods.items() if p >= rule.confidence), UNDECIDED)
    outcome = plain if rule.simple else sure
    return Verdict(
        outcome, reading, limits, u, None, likelihoods,
        _name(rule),
        advice="" if outcome != UNDECIDED else FINER,
        readings=several, instrument=instrument, confidence=rule.confidence,
    )  # fmt: skip
