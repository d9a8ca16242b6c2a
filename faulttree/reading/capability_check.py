"""What to say before a reading is taken, where the meter could not decide its limits."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from faulttree.reading.instruments import Bench, Instrument, instrument_text
from faulttree.reading.limits import Limits, limits_text
from faulttree.reading.quantity import show
from faulttree.reading.uncertainty import conformance
from faulttree.reading.units import UNITS, unit_text
from faulttree.reading.verdict import DEFAULT_RULE, Rule

__all__ = ["ask_before"]


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
    why = _why(held, limits)
    other = (
        f"Take {instrument_text(able[0], limits.unit, limits.kind)} instead."
        if able
        else "No instrument on the bench could."
    )
    return f"{held.title or held.id} cannot decide this: {why}. {other}"


def _why(held: Instrument, limits: Limits) -> str:
    if limits.method is not None and not limits.takes(held.kind, held.offers):
        return f"{limits.method.text}; {limits.method.reason}"
    if limits.holds_at is not None and not held.reads_at(limits.holds_at):
        return f"the limit holds at {show(limits.holds_at, 'Hz')}, where it does not measure"
    return (
        f"its uncertainty is larger than the limits allow ({limits_text(limits)})"
        if held.measures(limits.unit, limits.kind)
        else f"it does not read {unit_text(limits.unit, limits.kind)}"
    )


def _can_decide(instrument: Instrument, limits: Limits, rule: Rule) -> bool:
    """Whether any reading at all would be called inside (or each band, for bands)."""
    if not limits.takes(instrument.kind, instrument.offers):
        return False
    if limits.holds_at is not None and not instrument.reads_at(limits.holds_at):
        return False
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
