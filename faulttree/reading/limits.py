"""What a reading is judged by: limits in base units, exact, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from faulttree.reading.method import Method, Offers
from faulttree.reading.quantity import rounded, show
from faulttree.reading.units import Kind, unit_text

__all__ = ["Band", "Limits", "digits_for", "limits_text", "same_frequency", "side_of"]


# Units in which the sign is a direction and the size is what fails.
SIZED = frozenset({"V", "A"})


class Band(NamedTuple):
    """A named stretch of values: ``lower`` belongs to it, ``upper`` to the next one."""

    name: str
    lower: Decimal | None
    upper: Decimal | None


@dataclass(frozen=True, slots=True)
class Limits:
    """What a reading is judged by, in base units, exact.

    Attributes:
        lower, upper: inclusive; of a new part, where a rating gave them. None: no limit.
        unit, kind: as in :class:`~faulttree.reading.Quantity`.
        outcomes: what a verdict can be, ``undecided`` aside.
        nominal: the value meant, where one was given.
        worn_lower, worn_upper: what a used part may have come to before it is the fault;
            None where a used part is judged like a new one.
        source: where the figures come from.
        bands: named bands, in rising order; then there is no lower and upper.
        prefix: the SI prefix the figures were written with; empty where none was, or where
            a unit with a prefix is named, which a bare number then takes.
        spelt: the unit the figures were written in where it is no power of ten of the base
            unit, such as ``min``; empty as above.
        bare_unit: that unit, as spelt; empty where a bare number takes the base unit.
        missing: names of readings and ratings that a formula needs and has not got: the
            verdict is undecided.
        problem: why no limit follows from the readings of this walk, as by a division by
            zero: the verdict is undecided.
        lower_uncertainty, upper_uncertainty: standard uncertainty of a computed limit.
        component, quantity: the rating it came from, if any.
        method: the kind of instrument the rating or the step needs, if any kind will not do.
        holds_at: frequency at which the limits hold [Hz], where that matters.
        read_at: frequency the reading was taken at [Hz], where the rating says it.
        part, symbol: that part and its limit in words.
        basis: what the figures rest on: standard, formula, practice, asked or shop.
        good: the least and the largest reading of good units, where the limit gives some.
        copper_at: temperature of a winding's figures [°C].
        source_resistance: of the node that a voltage is measured at [Ω].
        driving_voltage: that drives the current which is measured [V].
        crest_factor: of the waveform at this place, peak over r.m.s. value.
        neighbours: parts across the same two points, for a reading in circuit.
        notes: what the reader of a verdict must know.
    """

    lower: Decimal | None
    upper: Decimal | None
    unit: str
    kind: Kind
    outcomes: tuple[str, ...]
    nominal: Decimal | None = None
    worn_lower: Decimal | None = None
    worn_upper: Decimal | None = None
    source: str = ""
    bands: tuple[Band, ...] = ()
    prefix: str = ""
    spelt: str = ""
    bare_unit: str = ""
    missing: tuple[str, ...] = ()
    problem: str = ""
    lower_uncertainty: float = 0.0
    upper_uncertainty: float = 0.0
    component: str = ""
    quantity: str = ""
    method: Method | None = None
    holds_at: Decimal | None = None
    read_at: Decimal | None = None
    part: str = ""
    symbol: str = ""
    notes: tuple[str, ...] = ()
    basis: str = ""
    good: tuple[Decimal, Decimal] | None = None
    copper_at: Decimal | None = None
    source_resistance: Decimal | None = None
    driving_voltage: Decimal | None = None
    crest_factor: Decimal | None = None
    neighbours: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """The unit with its kind, as :func:`~faulttree.reading.parse_quantity` takes it."""
        return self.bare_unit or (f"{self.unit} {self.kind}" if self.kind else self.unit)

    def takes(self, kind: str, offers: Offers | None = None) -> bool:
        """Whether a kind of instrument measures what these limits mean."""
        return self.method is None or self.method.taken_by(kind, offers)

    @property
    def last_lower(self) -> Decimal | None:
        """The lower limit that decides: the worn part's where there is one."""
        return self.lower if self.worn_lower is None else self.worn_lower

    @property
    def last_upper(self) -> Decimal | None:
        """The upper limit that decides: the worn part's where there is one."""
        return self.upper if self.worn_upper is None else self.worn_upper

    @property
    def negative(self) -> bool:
        """A voltage or current with both limits below zero: ``low`` means smaller in size.

        Only there: a freezer at -10 °C is too warm, not too little below zero.
        """
        return self.unit in SIZED and self.below_zero

    @property
    def below_zero(self) -> bool:
        """Both limits lie below zero."""
        return (
            self.lower is not None and self.upper is not None and self.lower < 0 and self.upper < 0
        )


def same_frequency(one: Decimal, other: Decimal) -> bool:
    """Whether two frequencies [Hz] count as one for ESR and tan δ: within 25 % of the second.

    Data sheets say 100 Hz or 120 Hz for the same test. Common practice, no source.
    """
    return abs(one - other) * 4 <= other


def side_of(value: Decimal, lower: Decimal | None, upper: Decimal | None) -> int:
    """-1 below the lower limit, 1 above the upper one, 0 inside, limits included."""
    if lower is not None and value < lower:
        return -1
    return 1 if upper is not None and value > upper else 0


def digits_for(limits: Limits, value: Decimal | None = None) -> int:
    """Significant digits that show the limits: three, or as many as are needed.

    More are needed where the limits lie close together, where a limit has up to five digits
    (4.465 kΩ must not become 4.47 kΩ), and where a rounded limit would lie on the other side
    of a reading.

    Args:
        limits: to be shown.
        value: the reading that stands beside them.
    """
    edges = [edge for edge in (limits.lower, limits.upper) if edge is not None]
    least = 3
    if len(edges) == 2 and edges[0] != edges[1]:
        size = max(edge.copy_abs() for edge in edges)
        close = (size / (edges[1] - edges[0])).adjusted()
        least = min(3 + max(0, close - 1), 12)
    counts = [len(edge.normalize().as_tuple().digits) for edge in edges]
    least = max([least, *(count for count in counts if count <= 5)])
    if value is None:
        return least
    for digits in range(least, 13):
        if all(_compare(rounded(edge, digits), value) == _compare(edge, value) for edge in edges):
            return digits
    return 13


def _compare(one: Decimal, other: Decimal) -> int:
    return (one > other) - (one < other)


def limits_text(limits: Limits, digits: int = 0) -> str:
    """The limits for people, such as ``30.6 V to 37.4 V`` or ``at most 49.1 mΩ``.

    Args:
        limits: to be shown.
        digits: significant digits; 0 takes those of :func:`digits_for`.
    """
    low, high, unit, kind = limits.lower, limits.upper, limits.unit, limits.kind
    if limits.bands:
        return ", ".join(_band_text(band, limits) for band in limits.bands)
    digits = digits or digits_for(limits)
    if low is not None and high is not None:
        return f"{show(low, unit, digits=digits)} to {show(high, unit, kind, digits)}"
    if low is not None:
        return f"at least {show(low, unit, kind, digits)}"
    if high is not None:
        return f"at most {show(high, unit, kind, digits)}"
    return f"not known yet ({unit_text(unit, kind)})"


def _band_text(band: Band, limits: Limits) -> str:
    if band.lower is None:
        assert band.upper is not None
        return f"{band.name} below {show(band.upper, limits.unit, limits.kind)}"
    if band.upper is None:
        return f"{band.name} from {show(band.lower, limits.unit, limits.kind)}"
    return f"{band.name} from {show(band.lower, limits.unit)} to {show(band.upper, limits.unit)}"
