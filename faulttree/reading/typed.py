"""A quantity as typed: the number with its unit, and what stands beside it."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.notation import MAX_TEXT, join_power_of_ten, parse_alone
from faulttree.reading.quantity import Quantity, Taken

_BOUND = re.compile(
    r"\s*(?P<word>[<>≤≥]=?|above|over|more than|below|under|less than)\s*(?=[-+−]?[0-9.,])",
    re.IGNORECASE,
)
_ABOVE = frozenset({">", ">=", "≥", "≥=", "above", "over", "more than"})
_MARK = re.compile(
    r"\s*(?P<at>@)\s*"
    r"|\s+(?P<word>at|null|input|burden)\s+"
    r"|\s+(?P<four>four-wire|4-wire)(?!\w)"
    r"|\s+(?P<probe>[x×] ?10|10 ?[x×])(?: probe)?(?!\w)",
    re.IGNORECASE,
)
_UNITS = {"null": "ohm", "input": "ohm", "burden": "V"}
_REMEDY = {
    "null": "Write it like 0.35 ohm null 0.2 ohm.",
    "input": "Write it like 4.5 V input 10 Mohm.",
    "burden": "Write it like 95 mA burden 0.2 V.",
    "at": "Write it like 0.3 ohm at 100 kHz, or 12.4 ohm at 45 °C for a winding.",
}


def parse_quantity(text: str | int | float | Decimal, unit: str | None = None) -> Quantity:
    """Read a quantity as people at a bench write it.

    Args:
        text: such as ``150 µF``, ``33R``, ``4k7``, ``12,5 V``, ``3 mVpp``, ``OL``; or a number.
            A bound may stand before it (``> 999 Mohm``), and behind it how it was taken:
            ``at 100 kHz``, ``at 45 °C``, ``null 0.2 ohm``, ``four-wire``, ``x10``,
            ``input 10 Mohm``, ``burden 0.2 V``.
        unit: the unit the place expects. A bare number takes it, with its prefix if it has
            one; another unit is refused with both named. None expects nothing.

    Raises:
        ReadingError: it cannot be read, has two readings, is of another unit, or says a thing
            twice.

    Example:
        >>> parse_quantity("4k7").value
        Decimal('4700')
        >>> parse_quantity("4.7 mH at 1 kHz").frequency
        Decimal('1000')
        >>> parse_quantity("> 999 Mohm").above
        Decimal('9.99E+8')
    """
    if not isinstance(text, str) or len(text) > MAX_TEXT:
        return parse_alone(text, unit)
    bound = _BOUND.match(text)
    plain = join_power_of_ten(text[bound.end() :] if bound else text)
    marks = list(_MARK.finditer(plain))
    read = parse_alone(plain[: marks[0].start()] if marks else plain, unit)
    if not marks and bound is None:
        return read
    ends = [*(mark.start() for mark in marks), len(plain)][1:]
    for mark, end in zip(marks, ends, strict=True):
        read = _with(read, mark, plain[mark.end() : end].strip())
    read = replace(read, text=text)
    return _bounded(read, bound["word"].lower() in _ABOVE) if bound else read


def parse_duration(text: str | int | float) -> float:
    """Seconds of a duration such as ``2 min``, ``90 s`` or ``1.5 h``; a bare number is seconds.

    Raises:
        ReadingError: it is no duration, or a negative one.
    """
    read = parse_quantity(text, "s")
    if read.value is None or read.value < 0:
        raise ReadingError(
            f"'{str(text)[:40]}' is no duration", remedy="Write it like 90 s, 2 min or 1 h."
        )
    return float(read.value)


def _bounded(read: Quantity, above: bool) -> Quantity:
    if read.value is None:
        raise ReadingError(
            f"'{read.text[:40]}' is a bound without a number", remedy="Write it like > 999 Mohm."
        )
    if above:
        return replace(read, value=None, over_range=True, above=read.value)
    return replace(read, value=None, below=read.value)


def _with(read: Quantity, mark: re.Match[str], value: str) -> Quantity:
    taken = read.taken or Taken()
    name = "at" if mark["at"] else (mark["word"] or "").lower()
    if not name:
        if value:
            raise ReadingError(
                f"'{value[:40]}' behind '{mark[0].strip()}' has no meaning", remedy="Leave it out."
            )
        _once(not (taken.four_wire if mark["four"] else taken.tenfold), mark[0].strip())
        four, tenfold = taken.four_wire or bool(mark["four"]), taken.tenfold or bool(mark["probe"])
        return replace(read, taken=taken._replace(four_wire=four, tenfold=tenfold))
    if name == "at":
        return _at(read, taken, value)
    _once(getattr(taken, name) is None, name)
    figures: dict[str, Any] = {name: _figure(name, value)}
    return replace(read, taken=taken._replace(**figures))


def _once(first: bool, name: str) -> None:
    if not first:
        raise ReadingError(f"'{name}' stands there twice", remedy="Write it once.")


def _figure(name: str, value: str) -> Decimal:
    try:
        read = parse_alone(value, _UNITS[name])
    except ReadingError:
        read = None
    if read is None or read.value is None or read.value < 0 or read.bare:
        raise ReadingError(f"'{value[:40]}' is no {name}", remedy=_REMEDY[name])
    return read.value


def _at(read: Quantity, taken: Taken, value: str) -> Quantity:
    """A test frequency, or the temperature of a winding."""
    for unit in ("Hz", "degC"):
        try:
            found = parse_alone(value, unit)
        except ReadingError:
            continue
        if found.value is None or found.bare or (unit == "Hz" and found.value <= 0):
            continue
        if unit == "Hz":
            _once(read.frequency is None, "at")
            return replace(read, frequency=found.value)
        _once(taken.temperature is None, "at")
        return replace(read, taken=taken._replace(temperature=found.value))
    raise ReadingError(f"'{value[:40]}' is no test frequency", remedy=_REMEDY["at"])
