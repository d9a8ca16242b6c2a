"""What a reading taken in circuit proves, and what it does not. Common practice, no source.

Other parts across the same two points lie in parallel. They make a resistance or a junction's
voltage read lower than the part alone would, never higher. ESR within its limits may be a
neighbour's; above them it is real if the part is discharged and nothing inductive is in series.
A capacitance reads higher with another capacitor across it, and lower with a winding or a low
resistance: 1 µF and 100 mH at 1 kHz together read
1 - 1/(2πf)²LC = 0.75 µF. An inductance reads lower with another winding across it, and higher
with a capacitor: 10 mH and 1 µF at 1 kHz read L/(1 - (2πf)²LC) = 16.5 mH.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from faulttree.reading.limits import Limits, side_of
from faulttree.reading.quantity import Quantity

__all__ = ["hidden", "proves"]

LIFT = "lift one lead and repeat"
LOWERED = frozenset({"ohm"})
# These sit across a motor winding where they are fitted.
ACROSS_WINDING = frozenset({"run-capacitor", "start-capacitor"})
# A winding straight across one would short the direct voltage that it smooths.
ON_DIRECT_VOLTAGE = frozenset({"electrolytic"})
JUNCTION = frozenset({"junction"})
LEAKAGE = frozenset({"leakage"})
LOSS = frozenset({"tan-delta"})
# A part that reads below a hundredth of its limit, or under an ohm, is called shorted.
SHORT = Decimal("0.01")
SHORT_OHM = Decimal(1)


def proves(
    reading: Quantity, limits: Limits, *, never: bool = False, neighbours: Sequence[str] = ()
) -> str:
    """What to do where an in-circuit reading proves nothing; empty where it stands.

    Args:
        reading: as taken.
        limits: what it would be judged by.
        never: no in-circuit reading counts at this step.
        neighbours: parts across the same two points.
    """
    if limits.bands:
        return f"{LIFT}: in circuit other parts add to the reading" if never else ""
    if not limits.unit and not limits.component:
        return "name the unit: what an in-circuit reading proves depends on the quantity"
    side = _side(reading, limits)
    if _is_lowered(limits):
        if never or side < 0 or (side == 0 and limits.lower is None):
            return _say_lowered(reading, limits, neighbours)
        return ""
    if limits.unit == "H" and (never or side or limits.lower is None or limits.upper is None):
        return f"{LIFT}: in circuit a winding makes it read low, a capacitor makes it read high"
    if limits.unit == "F":
        return _say_capacitance(reading, limits, side, neighbours, never=never)
    if limits.quantity in LEAKAGE and (never or side > 0):
        return f"{LIFT}: in circuit the current may flow through a neighbour"
    if never or limits.quantity in LOSS:
        return f"{LIFT}: in circuit other parts add to the reading"
    return ""


def _say_capacitance(
    reading: Quantity, limits: Limits, side: int, neighbours: Sequence[str], *, never: bool
) -> str:
    if never or side > 0 or (side == 0 and limits.upper is None):
        return f"{LIFT}: in circuit other capacitors add to the reading"
    if side == 0 and limits.lower is not None and neighbours:
        return f"{LIFT}: in circuit other capacitors hide a part that reads low{_named(neighbours)}"
    edge = limits.lower if limits.lower is not None else limits.upper
    if reading.value is not None and edge is not None and reading.value <= edge * SHORT:
        return (
            f"{LIFT}: a short in any part across the same two points reads so{_named(neighbours)}"
        )
    if side < 0 and limits.component in ACROSS_WINDING:
        return f"{LIFT}: in circuit the winding across it makes it read low"
    if side < 0 and limits.component not in ON_DIRECT_VOLTAGE:
        return f"{LIFT}: in circuit a winding or a low resistance across it makes it read low"
    return ""


def hidden(limits: Limits, outcome: str) -> str:
    """What an in-circuit reading that stands leaves open, or depends on; empty where nothing."""
    if limits.unit == "F" and outcome == "low":
        return "in circuit a low resistance across the same two points would make it read low too"
    if limits.quantity == "ESR" and outcome == "high":
        return "real only if the part is discharged and nothing inductive is in series with it"
    if limits.unit == "ohm" and outcome == "high":
        return "real only if the unit is unpowered and its capacitors are discharged"
    if outcome != "inside":
        return ""
    if limits.lower is None or limits.upper is None:
        return ""
    if _is_lowered(limits):
        return "in circuit a parallel path could hide a part that reads high alone"
    if limits.unit == "F":
        return "in circuit other capacitors could hide a part that reads low alone"
    if limits.unit == "H":
        return "in circuit a winding and a capacitor could hide a part that is off alone"
    return ""


def _is_lowered(limits: Limits) -> bool:
    return limits.unit in LOWERED or limits.component in JUNCTION


def _side(reading: Quantity, limits: Limits) -> int:
    if reading.below is not None:
        lower = limits.last_lower
        return -1 if lower is not None and reading.below <= lower else 0
    if reading.above is not None:
        upper = limits.last_upper
        return 1 if upper is not None and reading.above >= upper else 0
    if reading.value is None:
        return 1 if limits.upper is not None else 0
    return side_of(reading.value, limits.last_lower, limits.last_upper)


def _say_lowered(reading: Quantity, limits: Limits, neighbours: Sequence[str]) -> str:
    if not _is_short(reading, limits):
        return f"{LIFT}: in circuit a parallel path can make it read low"
    return f"{LIFT}: the short may be in any part across the same two points{_named(neighbours)}"


def _named(neighbours: Sequence[str]) -> str:
    return f" ({', '.join(neighbours)})" if neighbours else ""


def _is_short(reading: Quantity, limits: Limits) -> bool:
    if reading.value is None or reading.unit != "ohm" or limits.lower is None:
        return False
    return reading.value <= max(limits.lower * SHORT, min(SHORT_OHM, limits.lower / 2))
