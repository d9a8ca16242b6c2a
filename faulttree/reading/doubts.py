"""The question to ask before a reading counts: did you mean another prefix, unit or sign?"""

from __future__ import annotations

from decimal import Decimal

from faulttree.reading.limits import Limits, limits_text, side_of
from faulttree.reading.possible import is_possible
from faulttree.reading.quantity import EXACT, Quantity, show_exact
from faulttree.reading.units import EXPONENTS, unit_text

__all__ = ["doubt"]

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
    if not is_possible(reading, limits):
        return None
    if _lacks_sign(reading, value, limits):
        return f"Did you mean {_say(-value, limits)}? Both limits are below zero."
    if side_of(value, limits.last_lower, limits.last_upper) != 0:
        for shift in SHIFTS:
            shifted = EXACT.multiply(value, shift)
            if side_of(shifted, limits.lower, limits.upper) == 0 and _is_far(value, limits):
                return (
                    f"Did you mean {_say(shifted, limits)}? "
                    f"{_say(value, limits)} is far off the limits, {limits_text(limits)}."
                )
    return _bare(reading, limits)


def _lacks_sign(reading: Quantity, value: Decimal, limits: Limits) -> bool:
    """A rail below zero cannot turn over; a freezer can be warm, so there the size must fit."""
    if not limits.below_zero or value <= 0 or reading.text.lstrip()[:1] == "+":
        return False
    return limits.negative or side_of(-value, limits.last_lower, limits.last_upper) == 0


def _say(value: Decimal, limits: Limits) -> str:
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
    meant = EXACT.scaleb(reading.value, Decimal(EXPONENTS[limits.prefix]))
    return (
        f"Did you mean {_say(meant, limits)}? A number alone is taken as {taken}, "
        f"and the limits are written with a prefix."
    )


def _bare_in_bands(reading: Quantity, limits: Limits) -> str | None:
    return _bare(reading, limits) if limits.bands else None
