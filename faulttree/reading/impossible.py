"""Readings that no part can give, and the likely cause of each."""

from __future__ import annotations

from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.limits import Limits
from faulttree.reading.quantity import Quantity
from faulttree.reading.units import UNITS, unit_text

__all__ = ["is_possible", "refuse_impossible"]

ABSOLUTE_ZERO = {"degC": Decimal("-273.15"), "K": Decimal(0)}
ALTERNATING = frozenset({"ac", "rms", "pp"})
# The meter sends a current through these parts: a voltage on the part disturbs it.
PASSIVE = frozenset({"ohm", "F", "H"})
# A plain number has a sign in general; these quantities never do.
UNSIGNED = {"tan-delta": "tan δ"}


def is_possible(reading: Quantity, limits: Limits) -> bool:
    """Whether a part can give this reading at all."""
    return not _why(reading, limits)


def refuse_impossible(reading: Quantity, limits: Limits) -> None:
    """Refuse a reading that no part can give.

    Args:
        reading: as taken.
        limits: what it would be judged by; only the quantity and the kind count.

    Raises:
        ReadingError: a resistance, capacitance, inductance, frequency, tan δ, a.c. value or the
            like below zero, or a temperature below absolute zero. The message names the
            likely cause.
    """
    why = _why(reading, limits)
    if why:
        text, remedy = why
        raise ReadingError(f"'{reading.text[:40] or reading}' is impossible: {text}", remedy=remedy)


def _why(reading: Quantity, limits: Limits) -> tuple[str, str] | None:
    if reading.value is None:
        return None
    zero = ABSOLUTE_ZERO.get(reading.unit)
    if zero is not None:
        if reading.value >= zero:
            return None
        return (
            "it lies below absolute zero",
            "Check the sensor for a break or exchanged wires, and the type set on the meter.",
        )
    if reading.value >= 0:
        return None
    if (reading.kind or limits.kind) in ALTERNATING:
        return (
            f"a value in {unit_text(reading.unit, reading.kind or limits.kind)} has no sign",
            "Check that the meter is not set to d.c., repeat its null, then measure again.",
        )
    known = UNITS[reading.unit]
    if not reading.unit and reading.prefix:
        return (
            f"a number with {reading.prefix} and without a unit is a resistance in most markings, "
            "and a resistance cannot be below zero",
            "Write its unit, or measure that no voltage is left on the part.",
        )
    if known.signed and limits.quantity not in UNSIGNED:
        return None
    name = UNSIGNED.get(limits.quantity) or limits.quantity.replace("-", " ") or known.name
    text = f"{name} cannot be below zero"
    if reading.unit in PASSIVE or limits.quantity in UNSIGNED:
        return (
            f"{text}; either there is a voltage on the part, or the null of the meter is wrong",
            "Switch off, discharge the part and measure that no voltage is left. Then repeat the "
            "null with the leads and measure again.",
        )
    return f"{text}; the null of the meter is wrong", "Repeat the null, then measure again."
