"""The judgement: a reading, its limits and the meter's uncertainty into one verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import inf, sqrt
from typing import TYPE_CHECKING, Any

from faulttree.errors import ReadingError
from faulttree.reading.impossible import refuse_impossible
from faulttree.reading.limits import Limits, same_frequency, side_of
from faulttree.reading.quantity import EXACT, Quantity, show
from faulttree.reading.uncertainty import below, conformance, effective_freedom, type_a
from faulttree.reading.units import unit_text
from faulttree.reading.verdict import DEFAULT_RULE, Rule, Verdict

if TYPE_CHECKING:
    from faulttree.reading.instruments import Instrument

_UNDECIDED = "undecided"
_FINER = "repeat with a finer meter, or take several readings"


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
        neighbours: parts across the same two points; those of the limits where none are given.
        rule: how sure the verdict must be.

    Raises:
        ReadingError: the reading is of another unit or kind than the limits, it is
            impossible, the instrument is of a kind that cannot read this quantity, or there
            is no reading.
    """
    raw = (reading,) if isinstance(reading, Quantity) else tuple(reading)
    sample = _sample(raw, limits, instrument, rule)
    barred = _barred(sample, raw, instrument)
    if barred is not None:
        return barred
    if not in_circuit:
        return _decided(sample, instrument, rule)
    beside = tuple(neighbours) or limits.neighbours
    return _in_circuit(sample, limits, instrument, rule, beside, never=never_in_circuit)


def _in_circuit(
    sample: _Sample,
    limits: Limits,
    instrument: Instrument | None,
    rule: Rule,
    beside: tuple[str, ...],
    *,
    never: bool,
) -> Verdict:
    """The verdict on a part still in circuit, where parts beside it can change the reading."""
    from faulttree.reading.in_circuit import hidden, proves

    advice = proves(sample.one, limits, never=never, neighbours=beside)
    if advice:
        return sample.undecided("in circuit", advice)
    verdict = _decided(sample, instrument, rule)
    return verdict if verdict.advice else replace(verdict, advice=hidden(limits, verdict.outcome))


def _barred(
    sample: _Sample, raw: Sequence[Quantity], instrument: Instrument | None
) -> Verdict | None:
    """Undecided where there are no limits to judge by, they hold at another frequency, or the
    meter does not show this waveform.
    """
    limits = sample.limits
    if limits.missing or limits.problem:
        first = f"take {', '.join(limits.missing)} first: the limits follow from it"
        return sample.undecided("no limits", limits.problem or first)
    other = _other_frequency(raw, instrument, limits)
    if other:
        return sample.undecided("frequency", other)
    if instrument is None or limits.crest_factor is None:
        return None
    from faulttree.reading.waveform import wrong_waveform

    wrong = wrong_waveform(raw[0], limits, instrument)
    return sample.undecided("waveform", wrong) if wrong else None


def _decided(sample: _Sample, instrument: Instrument | None, rule: Rule) -> Verdict:
    """The verdict on a value, or on a bound."""
    value = sample.one.value
    if value is not None:
        return _contradiction(_judged(sample, rule), value)
    from faulttree.reading.over_range import judge_one_sided

    return judge_one_sided(sample.verdict(_UNDECIDED), instrument)


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
    if instrument is not None and not (limits.missing or limits.problem):
        check_method(limits, instrument.kind, instrument.offers, name=instrument.id)


def check_method(limits: Limits, kind: str, offers: Any = None, *, name: str = "") -> None:
    """Refuse a kind of instrument that does not measure what these limits mean.

    Args:
        limits: what a reading would be judged by.
        kind: of the instrument, by ``instruments.yaml``.
        offers: what the library says that this kind offers; None where it does not know it.
        name: of an instrument in ``bench.yaml``; empty where none is declared.

    Raises:
        ReadingError: it does not measure so; the message says why, and what does.
    """
    method = limits.method
    if method is None or limits.takes(kind, offers):
        return
    able = f": {' or '.join(method.kinds)}" if method.kinds else ""
    where = "in bench.yaml" if name else "of the meter"
    raise ReadingError(
        f"{name or 'the meter'} is of the kind {kind}, and {method.text}: {method.reason}",
        remedy=f"Measure with such an instrument, or correct the kind {where}{able}.",
    )


# -- the reading ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Sample:
    """What is judged: one value, corrected, with its standard uncertainty."""

    one: Quantity
    limits: Limits
    common: dict[str, Any]
    u: float | None = None
    freedom: float = inf

    def verdict(self, outcome: str, **more: Any) -> Verdict:
        return Verdict(
            outcome, self.one, self.limits, **{**self.common, "freedom": self.freedom, **more}
        )

    def undecided(self, rule: str, advice: str) -> Verdict:
        return self.verdict(_UNDECIDED, rule=rule, advice=advice)


def _sample(
    raw: tuple[Quantity, ...], limits: Limits, instrument: Instrument | None, rule: Rule
) -> _Sample:
    _check_alike(raw)
    check_reading(raw, limits, instrument=instrument)
    gain, null, readings = 1.0, None, raw
    texts: tuple[str, ...] = ()
    if _has_corrections(raw, limits):
        from faulttree.reading.corrections import corrected

        done = [corrected(each, limits, instrument) for each in raw]
        readings = tuple(each.reading for each in done)
        gain, null, texts = done[0].gain, done[0].null, done[0].texts
    if instrument is not None and instrument.responds:
        from faulttree.reading.waveform import sine_only

        texts += sine_only(raw[0], limits, instrument)
    one, spread, freedom = _mean(readings)
    common = {
        "readings": readings if len(readings) > 1 else (),
        "instrument": instrument.id if instrument is not None else "",
        "confidence": rule.confidence,
        "corrections": texts,
    }
    unjudged = one.value is None or limits.missing or limits.problem
    if unjudged or instrument is None:
        return _Sample(one, limits, common, spread or None, freedom)
    meter = gain * _meter_uncertainty(instrument, _mean(raw)[0], limits)
    if null is not None:
        meter = sqrt(meter**2 + _meter_uncertainty(instrument, null, limits) ** 2)
    if not spread:
        return _Sample(one, limits, common, meter)
    freedom = effective_freedom([(meter, inf), (spread, freedom)])
    return _Sample(one, limits, common, sqrt(meter**2 + spread**2), freedom)


def _has_corrections(raw: Sequence[Quantity], limits: Limits) -> bool:
    """Whether anything was said that corrects a reading."""
    if limits.source_resistance is not None or limits.driving_voltage is not None:
        return not (limits.missing or limits.problem)
    return any(reading.taken is not None for reading in raw)


def _check_alike(readings: Sequence[Quantity]) -> None:
    if not readings:
        raise ReadingError("there is no reading to judge", remedy="Give at least one.")
    first = readings[0]
    for other in readings[1:]:
        if (other.unit, other.kind) != (first.unit, first.kind):
            raise ReadingError(
                f"the readings are in {unit_text(first.unit, first.kind)} and "
                f"{unit_text(other.unit, other.kind)}",
                remedy="Judge readings of one thing together, in one unit.",
            )


def _mean(readings: Sequence[Quantity]) -> tuple[Quantity, float, float]:
    """The mean as a reading, its standard uncertainty by scatter, and degrees of freedom."""
    first = readings[0]
    if len(readings) == 1:
        return first, first.uncertainty or 0.0, inf
    total, values = Decimal(0), []
    for reading in readings:
        if reading.value is None:
            return reading, 0.0, inf
        total = EXACT.add(total, reading.value)
        values.append(float(reading.value))
    mean = EXACT.divide(total, Decimal(len(values)))
    _, spread, degrees = type_a(values)
    freedom = float(degrees)
    if first.uncertainty and spread:
        freedom = effective_freedom([(first.uncertainty, inf), (spread, freedom)])
    spread = sqrt(spread**2 + (first.uncertainty or 0.0) ** 2)
    text = ", ".join(reading.text for reading in readings)
    made = replace(first, value=mean, text=text, uncertainty=None, bare=False, signed=False)
    return made, spread, freedom


def _meter_uncertainty(instrument: Instrument, value: Quantity | Decimal, limits: Limits) -> float:
    """Standard uncertainty of one reading of the meter [unit of the limits]."""
    kind: str = limits.kind
    frequency = None
    if isinstance(value, Quantity):
        assert value.value is not None
        frequency = value.frequency or limits.holds_at
        kind = value.kind or kind
        value = value.value
    found = instrument.standard_uncertainty(value, limits.unit, kind, frequency)
    if found is None:
        at = "" if frequency is None else f" at {show(frequency, 'Hz')}"
        raise ReadingError(
            f"{instrument.id} has no range for {show(value, limits.unit, kind)}{at}",
            remedy="Name the instrument that was used, or add the range to bench.yaml.",
        )
    return found


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


# -- the decision --------------------------------------------------------------------------


def _judged(sample: _Sample, rule: Rule) -> Verdict:
    """The verdict on a value: by comparison, or by the probability of each outcome."""
    limits, value = sample.limits, sample.one.value
    assert value is not None
    plain = _plain(value, limits)
    tired = plain == "inside" and side_of(value, limits.lower, limits.upper) != 0
    if not (sample.u or limits.lower_uncertainty or limits.upper_uncertainty):
        decided = plain in limits.outcomes
        inside = None if limits.bands or sample.u is None else float(plain == "inside")
        return sample.verdict(
            plain, uncertainty=sample.u, probability_inside=inside, tired=tired,
            likelihoods={n: float(n == plain) for n in limits.outcomes} if decided else {},
            advice="" if decided else "outside every band: measure again",
        )  # fmt: skip
    u = sample.u or 0.0
    shares = _shares(float(value), u, limits, sample.freedom)
    sure = next((name for name, p in shares.items() if p >= rule.confidence), _UNDECIDED)
    outcome = plain if rule.simple else sure
    return sample.verdict(
        outcome,
        uncertainty=u,
        probability_inside=None if limits.bands else shares["inside"],
        likelihoods=shares,
        rule="simple acceptance" if rule.simple else "conformance probability",
        tired=tired and outcome == "inside",
        advice="" if outcome != _UNDECIDED else _FINER,
    )


def _plain(value: Decimal, limits: Limits) -> str:
    """The outcome by comparison alone."""
    if not limits.bands:
        return side_name(side_of(value, limits.last_lower, limits.last_upper), limits)
    for band in limits.bands:
        if (band.lower is None or value >= band.lower) and (
            band.upper is None or value < band.upper
        ):
            return band.name
    return _UNDECIDED


def side_name(side: int, limits: Limits) -> str:
    """The outcome on a side of the limits: -1 below, 0 inside, 1 above."""
    if side == 0:
        return "inside"
    if limits.negative:
        side = -side
    return "low" if side < 0 else "high"


def _shares(value: float, u: float, limits: Limits, freedom: float) -> dict[str, float]:
    """Outcome → probability that the true value lies there (JCGM 106, 7)."""
    if limits.bands:
        return {
            band.name: conformance(value, u, _edge(band.lower), _edge(band.upper), freedom)[1]
            for band in limits.bands
        }
    lower, upper = _edge(limits.last_lower), _edge(limits.last_upper)
    low = _outside(value, lower, -1, u, limits.lower_uncertainty, freedom)
    high = _outside(value, upper, 1, u, limits.upper_uncertainty, freedom)
    named = {
        side_name(-1, limits): low, "inside": max(0.0, 1.0 - low - high),
        side_name(1, limits): high,
    }  # fmt: skip
    return {name: named[name] for name in limits.outcomes}


def _edge(edge: Decimal | None) -> float | None:
    return None if edge is None else float(edge)


def _outside(
    value: float, edge: float | None, side: int, u: float, edge_u: float, freedom: float
) -> float:
    """Probability that the true value lies beyond a limit, which may be uncertain itself."""
    if edge is None:
        return 0.0
    distance, both = side * (value - edge), sqrt(u * u + edge_u * edge_u)
    return below(distance / both, freedom) if both else float(distance > 0)


def _contradiction(verdict: Verdict, value: Decimal) -> Verdict:
    """Undecided where the limit calls a reading bad that good units of the tree give too."""
    limits = verdict.limits
    if limits.good is None or limits.bands or verdict.outcome in {"inside", _UNDECIDED}:
        return verdict
    least, most = limits.good
    side = side_of(value, limits.last_lower, limits.last_upper)
    if side == 0 or (value < least if side < 0 else value > most):
        return verdict
    seen = show(least, limits.unit, limits.kind)
    if most != least:
        seen = f"{seen} to {show(most, limits.unit, limits.kind)}"
    return replace(
        verdict, outcome=_UNDECIDED, rule="good units", likelihoods={}, tired=False,
        advice=f"the tree contradicts itself: good units read {seen}, and its limit calls that "
        f"{verdict.outcome}; correct the limit, or the reading of the good unit",
    )  # fmt: skip
