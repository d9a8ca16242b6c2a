"""What a one-sided reading proves: over range, ``> 999 Mohm``, ``< 0.1 ohm``."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.instruments import Instrument
from faulttree.reading.limits import Limits
from faulttree.reading.quantity import show
from faulttree.reading.units import UNITS, unit_text
from faulttree.reading.verdict import Verdict

# Top range that almost every handheld meter has at least. Common practice, no source.
_USUAL_TOP = {"ohm": Decimal("2E6"), "V": Decimal(600), "A": Decimal(10)}
# Many diode ranges end at 2 V. Common practice, no source.
_DIODE_TOP = Decimal(2)
_DIODE_RANGE = frozenset({"junction"})


def judge_one_sided(verdict: Verdict, instrument: Instrument | None) -> Verdict:
    """The verdict on a reading that has a bound only, or is over range.

    It is decided only where every value beyond the bound would give the same outcome.

    Args:
        verdict: undecided as yet, with the reading, its limits and what else it keeps.
        instrument: what it was read with. Over range without it means the top range that
            almost every handheld meter has, and the verdict says so.

    Raises:
        ReadingError: the instrument has no range for this unit.
    """
    reading, limits = verdict.reading, verdict.limits
    if reading.below is not None:
        outcome, why = _below(reading.below, limits), "the meter shows a bound, not a value"
    elif reading.above is not None:
        outcome, why = _above(reading.above, limits), "the meter shows a bound, not a value"
    else:
        top, why = _top(limits, instrument)
        outcome = "undecided" if top is None else _above(top, limits, over_range=True)
    decided = outcome != "undecided"
    bounded = reading.above is not None or reading.below is not None
    return replace(
        verdict,
        outcome=outcome,
        likelihoods={name: float(name == outcome) for name in limits.outcomes} if decided else {},
        rule="one-sided" if bounded else "over range",
        advice=("" if bounded else why) if decided else f"{why}; {_better(limits, bounded)}",
    )


def _top(limits: Limits, instrument: Instrument | None) -> tuple[Decimal | None, str]:
    """The value that the reading exceeds, None where nothing is known; and how it is known."""
    says = "over range proves only"
    if limits.component in _DIODE_RANGE:
        return _DIODE_TOP, f"{says} more than {show(_DIODE_TOP, 'V')}, where many diode ranges end"
    if instrument is not None:
        top = instrument.top(limits.unit, limits.kind)
        if top is None:
            raise ReadingError(
                f"{instrument.id} has no range for {unit_text(limits.unit, limits.kind)}",
                remedy="Name the instrument that was used, or add the range to bench.yaml.",
            )
        return top, f"{says} more than {_show(top, limits)}, the top range of {instrument.id}"
    if limits.method is not None:
        if limits.method.any_top is None:
            return None, f"no instrument is declared, and {limits.method.text}"
        return limits.method.any_top, f"no instrument is declared, and {limits.method.text}"
    usual = _USUAL_TOP.get(limits.unit)
    unknown = f"{says} more than the top range of the meter, and no instrument is declared"
    if usual is None:
        return Decimal("Infinity"), unknown
    return usual, f"{unknown}; {_show(usual, limits)} is assumed"


def _show(value: Decimal, limits: Limits) -> str:
    return show(value, limits.unit, limits.kind)


def _above(bound: Decimal, limits: Limits, *, over_range: bool = False) -> str:
    """The outcome that every value above the bound has; undecided where they differ."""
    if limits.bands:
        last = limits.bands[-1]
        is_last = last.upper is None and (last.lower is None or last.lower <= bound)
        return last.name if is_last else "undecided"
    if limits.last_upper is not None:
        if limits.last_upper > bound:
            return "undecided"
        # Over range has no sign: of a negative rail it is more, whichever way the leads are.
        return "low" if limits.negative and not over_range else "high"
    assert limits.last_lower is not None
    return "inside" if limits.last_lower <= bound else "undecided"


def _below(bound: Decimal, limits: Limits) -> str:
    """The outcome that every value below the bound has; undecided where they differ."""
    never_negative = not UNITS[limits.unit].signed or limits.kind in {"ac", "rms", "pk", "pp"}
    if limits.bands:
        first = limits.bands[0]
        open_below = first.lower is None or (never_negative and first.lower <= 0)
        fits = open_below and first.upper is not None and first.upper >= bound
        return first.name if fits else "undecided"
    lower, upper = limits.last_lower, limits.last_upper
    if lower is not None and not (never_negative and lower <= 0):
        if lower < bound:
            return "undecided"
        return "high" if limits.negative else "low"
    return "inside" if upper is None or upper >= bound else "undecided"


def _better(limits: Limits, bounded: bool) -> str:
    if limits.bands or bounded:
        return "measure with a meter that shows a value here"
    if limits.method is not None:
        return "name the instrument that was used"
    edge = limits.last_upper if limits.last_upper is not None else limits.last_lower
    assert edge is not None
    return f"declare or take a meter whose ranges reach {_show(edge, limits)}"
