"""What a reading over range proves: more than the top range of the meter, and nothing else."""

from __future__ import annotations

from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.instruments import Instrument
from faulttree.reading.limits import Limits
from faulttree.reading.quantity import Quantity, show
from faulttree.reading.units import unit_text
from faulttree.reading.verdict import Verdict

__all__ = ["judge_over_range"]

# Top range that almost every handheld meter has at least. Common practice, no source.
USUAL_TOP = {"ohm": Decimal("2E6"), "V": Decimal(600), "A": Decimal(10)}
# Many diode ranges end at 2 V. Common practice, no source.
DIODE_TOP = Decimal(2)
DIODE_RANGE = frozenset({"junction"})


def judge_over_range(
    reading: Quantity,
    limits: Limits,
    several: tuple[Quantity, ...],
    instrument: Instrument | None,
) -> Verdict:
    """The verdict on a reading over range.

    Args:
        reading: without a value.
        limits: what it is judged by.
        several: the single readings, where several were taken.
        instrument: what it was read with. Without it the top range that almost every
            handheld meter has is taken, and the verdict says so.

    Raises:
        ReadingError: the instrument has no range for this unit.
    """
    top, why = _top(limits, instrument)
    outcome = "undecided" if top is None else _outcome(top, limits)
    likelihoods = {name: float(name == outcome) for name in limits.outcomes}
    decided = outcome != "undecided"
    return Verdict(
        outcome, reading, limits, likelihoods=likelihoods if decided else {},
        rule="over range", advice=why if decided else f"{why}; {_better(limits)}",
        readings=several, instrument=instrument.id if instrument else "",
    )  # fmt: skip


def _top(limits: Limits, instrument: Instrument | None) -> tuple[Decimal | None, str]:
    """The value that the reading exceeds, None where nothing is known; and how it is known."""
    says = "over range proves only"
    if limits.component in DIODE_RANGE:
        return DIODE_TOP, f"{says} more than {show(DIODE_TOP, 'V')}, where many diode ranges end"
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
    usual = USUAL_TOP.get(limits.unit)
    unknown = f"{says} more than the top range of the meter, and no instrument is declared"
    if usual is None:
        return Decimal("Infinity"), unknown
    return usual, f"{unknown}; {_show(usual, limits)} is assumed"


def _show(value: Decimal, limits: Limits) -> str:
    return show(value, limits.unit, limits.kind)


def _outcome(top: Decimal, limits: Limits) -> str:
    if limits.bands:
        last = limits.bands[-1]
        is_last = last.upper is None and (last.lower is None or last.lower <= top)
        return last.name if is_last else "undecided"
    if limits.last_upper is not None:
        return "high" if limits.last_upper <= top else "undecided"
    assert limits.last_lower is not None
    return "inside" if limits.last_lower <= top else "undecided"


def _better(limits: Limits) -> str:
    if limits.bands:
        return "measure with a meter that shows a value here"
    if limits.method is not None:
        return "name the instrument that was used"
    edge = limits.last_upper if limits.last_upper is not None else limits.last_lower
    assert edge is not None
    return f"declare or take a meter whose ranges reach {_show(edge, limits)}"
