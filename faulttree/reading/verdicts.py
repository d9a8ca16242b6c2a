"""The judgement: a reading, its limits and the meter's uncertainty into one verdict."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from math import inf, sqrt
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.instruments import Bench, Instrument, instrument_text
from faulttree.reading.limits import Limits, limits_text
from faulttree.reading.quantity import EXACT, Quantity, show
from faulttree.reading.uncertainty import below, conformance, effective_freedom, type_a
from faulttree.reading.units import unit_text

__all__ = ["Rule", "Verdict", "ask_before", "doubt", "judge"]

UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Rule:
    """How sure a verdict must be.

    Attributes:
        confidence: the probability an outcome needs, above 0.5 and below 1.
        simple: accept by the plain comparison, whatever the uncertainty.
    """

    confidence: float = 0.95
    simple: bool = False

    def __post_init__(self) -> None:
        if not 0.5 < self.confidence < 1:
            raise ReadingError(
                f"a confidence of {self.confidence} decides nothing",
                mend="Take one above 0.5 and below 1, such as 0.95.",
            )


DEFAULT_RULE = Rule()


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a reading means.

    Attributes:
        outcome: ``low``, ``inside``, ``high``, the name of a band, or ``undecided``.
        reading: as judged; the mean where several were taken.
        limits: what it was judged by.
        uncertainty: standard uncertainty of the reading, in its unit; None without an
            instrument or repeated readings.
        probability_inside: that the true value lies within the limits; None without
            uncertainty, or where there are bands.
        likelihoods: outcome → probability that the true value lies there. Empty where the
            reading proves nothing.
        rule: which rule decided: ``simple acceptance``, ``conformance probability``,
            ``over range``, ``in circuit`` or ``no limits``.
        tired: a used part beyond a new part's limit and not beyond a worn part's.
        advice: what to do, where the reading proves nothing or proves it but barely.
        readings: the single readings, where several were taken.
        instrument: id of the instrument, or empty.
        confidence: what the rule asked for.
    """

    outcome: str
    reading: Quantity
    limits: Limits
    uncertainty: float | None = None
    probability_inside: float | None = None
    likelihoods: Mapping[str, float] = field(default_factory=dict)
    rule: str = "simple acceptance"
    tired: bool = False
    advice: str = ""
    readings: tuple[Quantity, ...] = ()
    instrument: str = ""
    confidence: float = 0.95

    @property
    def lower(self) -> Decimal | None:
        """The lower limit, in the base unit."""
        return self.limits.lower

    @property
    def upper(self) -> Decimal | None:
        """The upper limit, in the base unit."""
        return self.limits.upper

    @property
    def source(self) -> str:
        """Where the limits come from."""
        return self.limits.source

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        from faulttree.reading.sentences import sentence

        return sentence(self)

    @property
    def scale(self) -> str:
        """The reading and its limits as one small line of text."""
        from faulttree.reading.sentences import scale

        return scale(self)

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, values in the base unit and not rounded."""
        limits = self.limits
        return {
            "verdict": self.outcome,
            "value": _number(self.reading.value),
            "unit": self.reading.unit,
            "kind": self.reading.kind,
            "over_range": self.reading.over_range,
            "lower": _number(limits.lower),
            "upper": _number(limits.upper),
            "worn_lower": _number(limits.worn_lower),
            "worn_upper": _number(limits.worn_upper),
            "uncertainty": self.uncertainty,
            "probability_inside": self.probability_inside,
            "likelihoods": dict(self.likelihoods),
            "tired": self.tired,
            "rule": self.rule,
            "confidence": self.confidence,
            "instrument": self.instrument,
            "advice": self.advice,
            "source": limits.source,
            "readings": [_number(reading.value) for reading in self.readings],
            "text": self.sentence,
        }


def _number(value: Decimal | None) -> float | int | None:
    if value is None:
        return None
    return int(value) if value == value.to_integral_value() and abs(value) < 2**53 else float(value)


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
        ReadingError: the reading is of another unit or kind than the limits, or there is
            none.
    """
    one, several, spread, freedom = _mean((reading,) if isinstance(reading, Quantity) else reading)
    _check_unit(one, limits)
    if limits.missing or limits.problem:
        return _without_limits(one, limits, several)
    if in_circuit:
        from faulttree.reading.incircuit import proves

        advice = proves(one, limits, never=never_in_circuit, neighbours=neighbours)
        if advice:
            return Verdict(
                UNDECIDED, one, limits, rule="in circuit", advice=advice, readings=several,
                instrument=instrument.id if instrument else "",
            )  # fmt: skip
    if one.value is None:
        return _over_range(one, limits, several, instrument)
    u, freedom = _combine(one, limits, instrument, spread, freedom)
    name = instrument.id if instrument else ""
    if limits.bands:
        return _judge_bands(one, limits, u, freedom, rule, several, name)
    return _judge_limits(one, limits, u, freedom, rule, several, name)


def _mean(
    readings: Sequence[Quantity],
) -> tuple[Quantity, tuple[Quantity, ...], float, float]:
    several = tuple(readings)
    if not several:
        raise ReadingError("there is no reading to judge", mend="Give at least one.")
    first = several[0]
    if len(several) == 1:
        return first, (), first.uncertainty or 0.0, inf
    for other in several[1:]:
        if (other.unit, other.kind) != (first.unit, first.kind):
            raise ReadingError(
                f"the readings are in {unit_text(first.unit, first.kind)} and "
                f"{unit_text(other.unit, other.kind)}",
                mend="Judge readings of one thing together, in one unit.",
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
        mend="Measure the quantity that is asked for, or name the limits in its unit.",
    )


def _without_limits(reading: Quantity, limits: Limits, several: tuple[Quantity, ...]) -> Verdict:
    return Verdict(
        UNDECIDED, reading, limits, rule="no limits", readings=several,
        advice=limits.problem
        or f"take {', '.join(limits.missing)} first: the limits follow from it",
    )  # fmt: skip


def _over_range(
    reading: Quantity,
    limits: Limits,
    several: tuple[Quantity, ...],
    instrument: Instrument | None,
) -> Verdict:
    """Over range lies above every limit."""
    if limits.bands:
        last = limits.bands[-1]
        outcome = last.name if last.upper is None else UNDECIDED
    else:
        outcome = "high" if limits.upper is not None else "inside"
    likelihoods = {name: float(name == outcome) for name in limits.outcomes}
    return Verdict(
        outcome, reading, limits, likelihoods={} if outcome == UNDECIDED else likelihoods,
        rule="over range", readings=several, instrument=instrument.id if instrument else "",
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
            mend="Name the instrument that was used, or add the range to bench.yaml.",
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
    plain = _side(value, lower, upper)
    named = _named(plain, limits)
    if limits.lower_uncertainty or limits.upper_uncertainty:
        u = u or 0.0
    tired = plain == 0 and _side(value, limits.lower, limits.upper) != 0
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
        "simple acceptance" if rule.simple else "conformance probability",
        tired and outcome == "inside",
        "" if outcome != UNDECIDED else "repeat with a finer meter, or "
        "take several readings",
        several, instrument, rule.confidence,
    )  # fmt: skip


def _side(value: Decimal, lower: Decimal | None, upper: Decimal | None) -> int:
    if lower is not None and value < lower:
        return -1
    return 1 if upper is not None and value > upper else 0


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
        "simple acceptance" if rule.simple else "conformance probability",
        advice="" if outcome != UNDECIDED else "repeat "
        "with a finer meter, or take several readings",
        readings=several, instrument=instrument, confidence=rule.confidence,
    )  # fmt: skip


SHIFTS = (Decimal("1E3"), Decimal("1E-3"), Decimal("1E6"), Decimal("1E-6"))
THOUSAND = Decimal(1000)


def doubt(reading: Quantity, limits: Limits) -> str | None:
    """The question to ask before a reading counts, or None.

    It is asked where the reading a thousand or a million times larger or smaller would lie
    inside the limits; where a bare number meets limits written with a prefix; and where a
    sign seems missing because both limits are negative. With one limit only, a reading
    beyond it by less than a thousandfold is never asked about: any such fault would
    "fit" after a shift, and the question would say nothing.
    """
    value = reading.value
    if value is None or value.is_zero() or limits.bands or limits.missing or limits.problem:
        return _bare_in_bands(reading, limits)
    if limits.negative and value > 0 and not (reading.signed and reading.text.lstrip()[:1] == "+"):
        return f"Did you mean {_say(-value, limits)}? Both limits are below zero."
    if _side(value, limits.last_lower, limits.last_upper) != 0:
        for shift in SHIFTS:
            shifted = EXACT.multiply(value, shift)
            if _side(shifted, limits.lower, limits.upper) == 0 and _is_far(value, limits):
                return (
                    f"Did you mean {_say(shifted, limits)}? "
                    f"{_say(value, limits)} is far off the limits, {limits_text(limits)}."
                )
    return _bare(reading, limits)


def _say(value: Decimal, limits: Limits) -> str:
    from faulttree.reading.quantity import show_exact

    return show_exact(value, limits.unit, limits.kind)


def _is_far(value: Decimal, limits: Limits) -> bool:
    """With two limits every slip counts; with one, only a thousandfold excess."""
    if limits.lower is not None and limits.upper is not None:
        return True
    limit = limits.upper if limits.lower is None else limits.lower
    assert limit is not None
    size, edge = abs(value), abs(limit)
    if not edge:
        return False
    return size >= edge * THOUSAND if size > edge else size * THOUSAND <= edge


def _bare(reading: Quantity, limits: Limits) -> str | None:
    if not reading.bare or not reading.value or not (limits.prefix or limits.spelt):
        return None
    taken = unit_text(limits.unit, limits.kind) or "it stands"
    if limits.spelt:
        return (
            f"Did you mean {reading.text} {limits.spelt}? A number alone is taken as {taken}, "
            f"and the limits are written in {limits.spelt}."
        )
    from faulttree.reading.units import EXPONENTS

    meant = EXACT.scaleb(reading.value, Decimal(EXPONENTS[limits.prefix]))
    return (
        f"Did you mean {_say(meant, limits)}? A number alone is taken as {taken}, "
        f"and the limits are written with a prefix."
    )


def _bare_in_bands(reading: Quantity, limits: Limits) -> str | None:
    return _bare(reading, limits) if limits.bands else None


def ask_before(
    limits: Limits,
    instruments: Bench | Sequence[Instrument],
    *,
    using: Instrument | str | None = None,
    rule: Rule = DEFAULT_RULE,
) -> str | None:
    """What to say before the reading is taken, where the meter cannot decide these limits.

    Args:
        limits: what the reading will be judged by.
        instruments: what stands on the bench.
        using: the instrument in hand, or its id; None asks whether any will do.
        rule: how sure the verdict must be.

    Returns:
        One sentence that names an instrument on the bench that could decide, where there
        is one; None where the instrument in hand will do, or nothing is declared.
    """
    bench = instruments if isinstance(instruments, Bench) else Bench({i.id: i for i in instruments})
    if limits.missing or limits.problem:
        return None
    able = [i for i in bench.instruments.values() if _can_decide(i, limits, rule)]
    if using is None:
        fitting = [i for i in bench.instruments.values() if i.measures(limits.unit, limits.kind)]
        if able or not fitting:
            return None
        return f"No instrument on the bench can decide {limits_text(limits)} here."
    held = bench.instrument(using) if isinstance(using, str) else using
    if held.id in {i.id for i in able} or _can_decide(held, limits, rule):
        return None
    why = (
        f"its uncertainty is larger than the limits allow ({limits_text(limits)})"
        if held.measures(limits.unit, limits.kind)
        else f"it does not read {unit_text(limits.unit, limits.kind)}"
    )
    other = (
        f"Take {instrument_text(able[0], limits.unit, limits.kind)} instead."
        if able
        else "No instrument on the bench could."
    )
    return f"{held.title or held.id} cannot decide this: {why}. {other}"


def _can_decide(instrument: Instrument, limits: Limits, rule: Rule) -> bool:
    """Whether any reading at all would be called inside (or each band, for bands)."""
    if limits.bands:
        return all(
            _reaches(instrument, limits, band.lower, band.upper, rule) for band in limits.bands
        )
    return _reaches(instrument, limits, limits.last_lower, limits.last_upper, rule)


def _reaches(
    instrument: Instrument,
    limits: Limits,
    lower: Decimal | None,
    upper: Decimal | None,
    rule: Rule,
) -> bool:
    from faulttree.reading.units import UNITS

    never_negative = not UNITS[limits.unit].signed or limits.kind in {"ac", "rms", "pk", "pp"}
    if lower is None and upper is not None and upper > 0 and never_negative:
        lower_end: Decimal | None = Decimal(0)
    else:
        lower_end = lower
    if lower_end is not None and upper is not None:
        best = (lower_end + upper) / 2 if lower is not None else lower_end
    else:
        edge = upper if upper is not None else lower
        assert edge is not None
        return instrument.range_for(edge, limits.unit, limits.kind) is not None
    u = instrument.standard_uncertainty(best, limits.unit, limits.kind)
    if u is None:
        return False
    if not u:
        return True
    p = conformance(float(best), u, None if lower is None else float(lower), float(upper))[1]
    return p >= rule.confidence
