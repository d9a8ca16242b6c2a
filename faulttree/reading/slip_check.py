"""The question to ask before a reading counts: did you mean another prefix, unit or sign?"""

from __future__ import annotations

import re
from decimal import Decimal

from faulttree.reading.impossible import is_possible
from faulttree.reading.limits import Limits, limits_text, side_of
from faulttree.reading.quantity import EXACT, Quantity, show_exact
from faulttree.reading.units import EXPONENTS, KIND_WORDS, UNITS, unit_text

__all__ = ["Doubt", "doubt"]

SHIFTS = (Decimal("1E3"), Decimal("1E-3"), Decimal("1E6"), Decimal("1E-6"))
THOUSAND = Decimal(1000)
TEN = Decimal(10)
# A lost decimal point makes a reading ten or a hundred times too large.
POINTS = (Decimal("1E-1"), Decimal("1E-2"))
# Where a value ten times too large is no usual fault; a resistance may well be.
POINTED = frozenset({"V", "A", "Hz", "F"})
# Limits this close together, as ratio, are seldom met by chance.
CLOSE = Decimal("1.25")
# Peak and peak-to-peak value of a sine over its r.m.s. value: √2 and 2√2.
PEAKS = {"pk": Decimal(2).sqrt(), "pp": Decimal(8).sqrt()}
# The most that handheld meters take. Common practice, no source.
MOST = {"V": Decimal(1000), "A": Decimal(1000)}


class Doubt(str):
    """The question whether a reading was meant otherwise.

    Attributes:
        meant: the reading that the question suggests, as it would be typed.
    """

    meant: str

    def __new__(cls, meant: str, rest: str) -> Doubt:
        """The question that suggests a reading, with the rest of its words."""
        question = super().__new__(cls, f"Did you mean {meant}{rest}")
        question.meant = meant
        return question


def doubt(reading: Quantity, limits: Limits) -> Doubt | None:
    """The question to ask before a reading counts, or None.

    It is asked where the reading a thousand or a million times larger or smaller would lie
    inside the limits; where one typed without a decimal point would do so with one; where a
    voltage would do so at ten times its size, as behind a ×10 probe, or an a.c. value as peak
    or peak-to-peak value of a sine; where it is more than any handheld meter takes; where a
    bare number meets limits written with a prefix; and where a sign seems missing because both
    limits are negative. With one limit only, or limits that include zero, a reading beyond it
    by less than a thousandfold is never asked about: any such fault would "fit" after a shift,
    and the question would say nothing. Units that take no prefix (°C, %, rpm) are not asked
    about prefixes.
    """
    value = reading.value
    if value is None or value.is_zero() or limits.bands or limits.missing or limits.problem:
        return _bare_in_bands(reading, limits)
    if not is_possible(reading, limits):
        return None
    if _lacks_sign(reading, value, limits):
        return Doubt(_say(-value, limits), "? Both limits are below zero.")
    if side_of(value, limits.last_lower, limits.last_upper) != 0:
        return _slip(reading, value, limits) or _bare(reading, limits)
    return _bare(reading, limits)


def _slip(reading: Quantity, value: Decimal, limits: Limits) -> Doubt | None:
    """A slip of the prefix or of the decimal point, or a value that no such place shows."""
    if not UNITS[limits.unit].prefixes:
        return None
    off = f"{_say(value, limits)} is far off the limits, {limits_text(limits)}."
    for shift in SHIFTS:
        shifted = EXACT.multiply(value, shift)
        if side_of(shifted, limits.lower, limits.upper) == 0 and _is_far(value, limits):
            return Doubt(_say(shifted, limits), f"? {off}")
    if limits.unit not in POINTED or not _is_narrow(limits, Decimal(2)):
        return _beyond_any(value, limits)
    for shift in POINTS:
        shifted = EXACT.multiply(value, shift)
        typed = not re.search("[.,]", reading.text)
        if typed and side_of(shifted, limits.lower, limits.upper) == 0:
            return Doubt(_say(shifted, limits), f", with a decimal point? {off}")
    return _probe_or_peak(reading, value, limits) or _beyond_any(value, limits)


def _probe_or_peak(reading: Quantity, value: Decimal, limits: Limits) -> Doubt | None:
    """A ×10 probe on a meter that does not multiply, or a peak taken for the r.m.s. value."""
    if reading.taken is not None or not _is_narrow(limits, CLOSE):
        return None
    here = _say(value, limits)
    if limits.unit == "V" and side_of(value * TEN, limits.lower, limits.upper) == 0:
        return Doubt(f"{reading.text} x10", f"? {here} behind a ×10 probe lies inside the limits.")
    if limits.kind not in {"ac", "rms"}:
        return None
    for kind, ratio in PEAKS.items():
        effective = EXACT.divide(value, ratio).quantize(value.scaleb(-1), context=EXACT)
        if side_of(effective, limits.lower, limits.upper) == 0:
            return Doubt(
                _say(effective, limits), f"? {here} would be its {KIND_WORDS[kind]} value, if sine."
            )
    return None


def _beyond_any(value: Decimal, limits: Limits) -> Doubt | None:
    """More than any handheld meter takes, at a place whose limits lie well below that."""
    most = MOST.get(limits.unit)
    edge = limits.last_upper if limits.last_upper is not None else limits.last_lower
    if most is None or edge is None or abs(value) <= most or abs(edge) * TEN > most:
        return None
    return Doubt(
        _say(value, limits),
        f"? Handheld meters take {_say(most, limits)} at most, "
        f"and the limits are {limits_text(limits)}.",
    )


def _is_narrow(limits: Limits, most: Decimal) -> bool:
    """Limits so close that a multiple does not fall inside them by chance."""
    low, high = limits.last_lower, limits.last_upper
    if low is None or high is None or low.is_signed() != high.is_signed() or not low:
        return False
    small, large = sorted((abs(low), abs(high)))
    return large <= most * small


def _lacks_sign(reading: Quantity, value: Decimal, limits: Limits) -> bool:
    """A rail below zero cannot turn over; a freezer can be warm, so there the size must fit."""
    if not limits.below_zero or value <= 0 or reading.text.lstrip()[:1] == "+":
        return False
    return limits.negative or side_of(-value, limits.last_lower, limits.last_upper) == 0


def _say(value: Decimal, limits: Limits) -> str:
    return show_exact(value, limits.unit, limits.kind)


def _is_far(value: Decimal, limits: Limits) -> bool:
    """With two limits every slip counts; with one, only a thousandfold excess.

    Limits that include zero count as one: every reading fits between them after a shift.
    """
    low, high = limits.lower, limits.upper
    if low is not None and high is not None and (low > 0 or high < 0):
        return True
    limit = low if high is None or (low is not None and value < 0) else high
    assert limit is not None
    size, edge = abs(value), abs(limit)
    if not edge:
        return False
    return size >= edge * THOUSAND if size > edge else size * THOUSAND <= edge


def _bare(reading: Quantity, limits: Limits) -> Doubt | None:
    if not reading.bare or not reading.value or not (limits.prefix or limits.spelt):
        return None
    taken = unit_text(limits.unit, limits.kind) or "it stands"
    if limits.spelt:
        return Doubt(
            f"{reading.text} {limits.spelt}",
            f"? A number alone is taken as {taken}, and the limits are written in {limits.spelt}.",
        )
    meant = EXACT.scaleb(reading.value, Decimal(EXPONENTS[limits.prefix]))
    return Doubt(
        _say(meant, limits),
        f"? A number alone is taken as {taken}, and the limits are written with a prefix.",
    )


def _bare_in_bands(reading: Quantity, limits: Limits) -> Doubt | None:
    return _bare(reading, limits) if limits.bands else None
