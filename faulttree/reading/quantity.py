"""A quantity in base units, exact, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal
from functools import lru_cache
from typing import Any, NamedTuple

from faulttree.reading.units import KIND_WORDS, UNITS, Kind, unit_text

# Wide enough that no product of two readings of 28 digits is ever rounded.
EXACT = Context(prec=60, Emin=-9999, Emax=9999)
MAX_EXPONENT = 30


class Taken(NamedTuple):
    """How a reading was taken, for its corrections.

    Attributes:
        null: what the leads read when touched together [Ω].
        four_wire: taken with four wires, so no lead is in it.
        tenfold: taken through a ×10 probe on a meter that does not multiply.
        temperature: of the winding [°C].
        input: input resistance of the meter [Ω].
        burden: voltage across the ammeter [V].
    """

    null: Decimal | None = None
    four_wire: bool = False
    tenfold: bool = False
    temperature: Decimal | None = None
    input: Decimal | None = None
    burden: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Quantity:
    """A reading or a figure, exact, in base units.

    Attributes:
        value: in the base unit; None where the meter showed over range.
        unit: ``V``, ``ohm``, ``F``, ``degC``, …; empty for a plain number.
        kind: ``ac``, ``dc``, ``pp``, ``pk``, ``rms``, or empty where nobody said.
        over_range: the meter could not show it: above every limit.
        text: what was typed.
        prefix: the SI prefix it was typed with, ``µ`` for micro.
        spelt: the unit as typed where it is no power of ten of the base unit: ``min``, ``°F``.
        bare: a number alone was typed, without unit or prefix.
        signed: a sign was typed.
        uncertainty: standard uncertainty in the base unit, where an instrument gave one.
        frequency: test frequency that was typed behind it [Hz], as in ``4.7 mH at 1 kHz``.
        above, below: the bound of a one-sided reading such as ``> 999 Mohm``, which has no
            value.
        taken: how it was taken, where that was typed behind it.
    """

    value: Decimal | None
    unit: str
    kind: Kind = ""
    over_range: bool = False
    text: str = ""
    prefix: str = ""
    spelt: str = ""
    bare: bool = False
    signed: bool = False
    uncertainty: float | None = None
    frequency: Decimal | None = None
    above: Decimal | None = None
    below: Decimal | None = None
    taken: Taken | None = None

    @property
    def place(self) -> str:
        """The unit with its kind, as :func:`parse_quantity` takes it for ``unit``."""
        return f"{self.unit} {self.kind}" if self.kind else self.unit

    def __str__(self) -> str:
        if self.value is not None:
            return show(self.value, self.unit, self.kind)
        for word, edge in (("above", self.above), ("below", self.below)):
            if edge is not None:
                return f"{word} {show(edge, self.unit, self.kind)}"
        return "over range"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON: value in the base unit, unit, kind, over_range, text."""
        return {
            "value": None if self.value is None else float(self.value),
            "unit": self.unit,
            "kind": self.kind,
            "over_range": self.over_range,
            "text": self.text,
        }


# SI prefixes of sentences by power of ten; the micro sign is U+00B5.
_PREFIXES = {
    -18: "a", -15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "",
    3: "k", 6: "M", 9: "G", 12: "T",
}  # fmt: skip


@lru_cache(maxsize=4096)
def show(value: Decimal | float, unit: str = "", kind: str = "", digits: int = 3) -> str:
    """A value for people: three significant digits, engineering prefix, unit.

    Args:
        value: in the base unit.
        unit, kind: as in :class:`Quantity`.
        digits: significant digits; the last is rounded half up, as on paper.

    Example:
        >>> show(Decimal("0.0004465"), "ohm", digits=4)
        '446.5 µΩ'
    """
    short = rounded(value if isinstance(value, Decimal) else Decimal(repr(value)), digits)
    tail = f" {KIND_WORDS[kind]}" if kind else ""
    shown = unit_text(unit)
    prefix = ""
    if short and short.is_finite() and _takes_prefix(unit):
        power = short.adjusted() // 3 * 3
        prefix = _PREFIXES.get(power, f"e{power:+d}")
        short = short.scaleb(-power)
    return f"{short:f} {prefix}{shown}{tail}" if shown else f"{short:f}{tail}"


def show_exact(value: Decimal, unit: str = "", kind: str = "") -> str:
    """A value for people with all its digits."""
    digits = max(3, len(value.normalize(EXACT).as_tuple().digits))
    return show(value, unit, kind, digits)


def _takes_prefix(unit: str) -> bool:
    known = UNITS.get(unit)
    return known is not None and bool(known.prefixes)


def rounded(value: Decimal, digits: int) -> Decimal:
    """The value with so many significant digits, rounded half up as on paper."""
    if not value.is_finite() or value.is_zero():
        return Decimal(0) if value.is_zero() else value
    step = Decimal(1).scaleb(value.adjusted() - digits + 1)
    short = value.quantize(step, ROUND_HALF_UP, EXACT).normalize(EXACT)
    return short if abs(short.adjusted()) < MAX_EXPONENT else value
