"""Tolerances as they are written: ``10 %``, ``±2 V``, ``[-20 %, +80 %]``, or a letter."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.quantity import EXACT
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import UNITS, unit_text

__all__ = ["LETTERS", "SMALL_LETTERS", "Tolerance", "read_tolerance"]

# IEC 60062, from memory: tolerance letters of resistors and capacitors, in per cent.
LETTERS: dict[str, tuple[Decimal, Decimal]] = {
    letter: (Decimal(low), Decimal(high))
    for letter, low, high in (
        ("B", "-0.1", "0.1"),
        ("C", "-0.25", "0.25"),
        ("D", "-0.5", "0.5"),
        ("F", "-1", "1"),
        ("G", "-2", "2"),
        ("J", "-5", "5"),
        ("K", "-10", "10"),
        ("M", "-20", "20"),
        ("N", "-30", "30"),
        ("Q", "-10", "30"),
        ("T", "-10", "50"),
        ("S", "-20", "50"),
        ("Z", "-20", "80"),
    )
}
# The same standard: below 10 pF the letters mean picofarads.
SMALL_LETTERS: dict[str, Decimal] = {
    "B": Decimal("0.1E-12"),
    "C": Decimal("0.25E-12"),
    "D": Decimal("0.5E-12"),
    "F": Decimal("1E-12"),
    "G": Decimal("2E-12"),
}
TEN_PICOFARAD = Decimal("10E-12")
HUNDRED = Decimal(100)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a value may lie from its nominal.

    Attributes:
        low, high: ``low`` not above zero, ``high`` not below it.
        relative: they are shares of the nominal; else they are in its unit.
    """

    low: Decimal
    high: Decimal
    relative: bool

    def around(self, nominal: Decimal) -> tuple[Decimal, Decimal]:
        """The lower and upper limit; lower is below upper for a negative nominal too."""
        if not self.relative:
            return EXACT.add(nominal, self.low), EXACT.add(nominal, self.high)
        one = EXACT.multiply(nominal, EXACT.add(Decimal(1), self.low))
        other = EXACT.multiply(nominal, EXACT.add(Decimal(1), self.high))
        return (one, other) if one <= other else (other, one)

    def growth(self, limit: Decimal, nominal: Decimal) -> float:
        """How much of the nominal's uncertainty the limit takes over."""
        return abs(float(limit / nominal)) if self.relative and nominal else 1.0


def read_tolerance(
    value: object, unit: str, kind: str = "", nominal: Decimal | None = None
) -> Tolerance:
    """Read a tolerance.

    Args:
        value: ``10 %``, ``±2 V``, a pair of such with signs (also as one text, ``-20 % +80 %``),
            or a letter of IEC 60062.
        unit, kind: of the nominal value.
        nominal: in the base unit; a share of zero is refused, and below 10 pF the letters
            mean picofarads.

    Raises:
        ReadingError: it cannot be understood; ``key`` begins with ``tolerance``.
    """
    if isinstance(value, Sequence) and not isinstance(value, str):
        return _pair(value, unit, kind, nominal)
    text = str(value).strip()
    pair = _pair_in_one(text)
    if pair is not None:
        return _pair(pair, unit, kind, nominal)
    letter = text.upper() if unit in {"ohm", "F"} and len(text) == 1 else ""
    if letter in LETTERS:
        return _by_letter(letter, unit, nominal)
    for sign in ("±", "+/-", "+-"):
        text = text.removeprefix(sign).strip()
    if text.startswith("+"):
        raise ReadingError(
            f"the tolerance {text[:40]} reaches to one side only",
            remedy=f"Write ±{text[1:].strip()[:40]}, or a pair like [0 %, +25 %].",
            key=("tolerance",),
        )
    size, relative = _size(text if isinstance(value, str) else value, unit, kind, nominal, ())
    if size < 0:
        raise ReadingError(
            f"a tolerance of {text} leaves no room",
            remedy="Write it without a sign, or as a pair like [-20 %, +80 %].",
            key=("tolerance",),
        )
    return Tolerance(-size if size else size, size, relative)


def _pair_in_one(text: str) -> tuple[str, str] | None:
    """``+80 -20 %`` and ``-20 %, +80 %`` as low and high; None where it is no pair."""
    if text[:1] == "+" and re.search("[-−]", text[1:]) and not text.startswith(("+/", "+-")):
        high, low = re.split("[-−]", text[1:], maxsplit=1)
        sign = " %" if low.endswith("%") and "%" not in high else ""
        return f"-{low}", f"+{high.rstrip(' ,/')}{sign}"
    if text[:1] in {"-", "−"} and text.count("+") == 1:
        low, high = text.split("+")
        return low.rstrip(" ,/"), f"+{high}"
    return None


def _pair(values: Sequence[object], unit: str, kind: str, nominal: Decimal | None) -> Tolerance:
    if len(values) != 2:
        raise ReadingError(
            "a tolerance is one figure or a pair",
            remedy="Write it like [-20 %, +80 %].",
            key=("tolerance",),
        )
    (low, one), (high, other) = (
        _size(value, unit, kind, nominal, (at,)) for at, value in enumerate(values)
    )
    if low > 0 or high < 0:
        raise ReadingError(
            "the pair does not reach round the nominal value",
            remedy="Write what it may lack first, then what it may have over: [-20 %, +80 %].",
            key=("tolerance",),
        )
    if one != other and low and high:
        raise ReadingError(
            "the pair mixes a share and a figure",
            remedy="Write both in % or both in the unit.",
            key=("tolerance",),
        )
    return Tolerance(low, high, one if low else other)


def _by_letter(letter: str, unit: str, nominal: Decimal | None) -> Tolerance:
    if unit == "F" and nominal is not None and nominal < TEN_PICOFARAD:
        small = SMALL_LETTERS.get(letter)
        if small is None:
            raise ReadingError(
                f"the tolerance letter {letter} has no meaning below 10 pF",
                remedy="Write the tolerance as a figure.",
                key=("tolerance",),
            )
        return Tolerance(-small, small, relative=False)
    low, high = LETTERS[letter]
    return Tolerance(low / HUNDRED, high / HUNDRED, relative=True)


def _size(
    value: object, unit: str, kind: str, nominal: Decimal | None, path: tuple[int, ...]
) -> tuple[Decimal, bool]:
    """One signed figure of a tolerance, and whether it is a share of the nominal."""
    key: tuple[str | int, ...] = ("tolerance", *path)
    try:
        if isinstance(value, str) and value.strip().endswith("ppm"):
            share = parse_quantity(value.strip()[:-3], "").value
            if share is None:
                raise ReadingError("a tolerance cannot be over range", remedy="Write a figure.")
            return share / 1_000_000, True
        if unit in {"degC", "K"} and isinstance(value, str):
            return _degrees(value), False
        read = parse_quantity(value)  # type: ignore[arg-type]
        if read.value is None:
            raise ReadingError("a tolerance cannot be over range", remedy="Write a figure.")
        if read.value.is_zero() and read.bare:
            return Decimal(0), False
        if read.unit == "%":
            return _share(read.value, unit, nominal), True
        return _absolute(value, unit, kind), False
    except ReadingError as error:
        raise ReadingError(error.message, remedy=error.remedy, key=key) from None


def _share(percent: Decimal, unit: str, nominal: Decimal | None) -> Decimal:
    if not UNITS[unit].share:
        shown = unit_text(unit)
        raise ReadingError(
            f"a share of a value in {shown} can be read in two ways or has no meaning",
            remedy=f"Write the tolerance in {shown}, or give min and max.",
        )
    if nominal is not None and nominal.is_zero():
        raise ReadingError(
            "a share of zero leaves no room", remedy="Write the tolerance in the unit itself."
        )
    return EXACT.divide(percent, HUNDRED)


def _degrees(text: str) -> Decimal:
    """A difference of temperature: kelvin and degrees Celsius are the same here."""
    plain = text.strip()
    fahrenheit = re.fullmatch(r"([0-9., ]+)(?:°|deg)? ?F", plain)
    if fahrenheit is not None:
        read = parse_quantity(fahrenheit[1], "")
        if read.value is not None:
            return EXACT.divide(EXACT.multiply(read.value, Decimal(5)), Decimal(9))
    if plain.endswith("K"):
        read = parse_quantity(plain, "K")
    else:
        read = parse_quantity(plain)
        if read.unit != "degC" or plain.upper().endswith("F"):
            raise ReadingError(
                f"'{plain[:40]}' is no difference of temperature", remedy="Write it like 2 K."
            )
    if read.value is None:
        raise ReadingError("a tolerance cannot be over range", remedy="Write a figure.")
    return read.value


def _absolute(value: object, unit: str, kind: str) -> Decimal:
    # A difference of two levels in dBm is in dB.
    place = f"{unit} {kind}" if kind else {"dBm": "dB"}.get(unit, unit)
    if unit == "dBm" and str(value).strip().lower().endswith("dbm"):
        place = unit
    read = parse_quantity(value, place)  # type: ignore[arg-type]
    if read.bare:
        own = unit_text(unit, kind) or "the figure itself"
        raise ReadingError(
            f"the tolerance {read.text} could be % or {own}",
            remedy=f"Write {read.text} % or {read.text} {unit}."
            if unit
            else f"Write {read.text} %, or give min and max.",
        )
    if read.value is None:
        raise ReadingError("a tolerance cannot be over range", remedy="Write a figure.")
    return read.value
