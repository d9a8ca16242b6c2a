"""The instruments on a bench: what their data sheets promise, as standard uncertainty."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from math import sqrt
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.limits import same_frequency
from faulttree.reading.mains import read_mains
from faulttree.reading.method import Offers
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import parse_unit, unit_text

__all__ = ["Accuracy", "Bench", "Instrument", "Range", "Shop", "read_accuracy", "read_bench"]

SQRT3 = sqrt(3.0)
ALIKE = {
    "of_reading": "a share of the reading",
    "of_range": "a share of the range",
    "digits": "digits",
    "fixed": "a fixed part",
}
# A reading may lie a little above the end its range is named by.
OVERLAP = Decimal("1.1")

_PERCENT = re.compile(
    r"([0-9.]+) ?(%|ppm)(?: ?(?:of )?(rdg|reading|range|rng|full scale|fs))?", re.IGNORECASE
)
_DIGITS = re.compile(r"([0-9.]+) ?(?:digits?|dgts?|dgt\.|d|counts?|lsd)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A data sheet's accuracy: shares of reading and range, digits, and a fixed part."""

    of_reading: float = 0.0
    of_range: float = 0.0
    digits: float = 0.0
    fixed: float = 0.0

    def half_width(self, value: float, full: float, resolution: float) -> float:
        """The limits ±a it promises, in the unit of the value.

        Args:
            value: the reading.
            full: the end of the range.
            resolution: one digit on this range.
        """
        return (
            self.of_reading * abs(value)
            + self.of_range * full
            + self.digits * resolution
            + self.fixed
        )


@dataclass(frozen=True, slots=True)
class Range:
    """One range of an instrument, in base units.

    Attributes:
        full: the end of the range.
        start: where its accuracy begins to hold.
        accuracy: as the data sheet prints it.
        resolution: one digit; zero where not given.
        written: the accuracy as written.
        burden: voltage across the meter at the end of a current range [V].
        frequency: from which to which frequency its accuracy holds [Hz]; None: not stated.
        crest_factor: largest peak over the end of the range; None where it is not stated.
        common: the part of ``accuracy.of_reading`` that is one and the same in all readings on
            this range, a gain error.
    """

    full: Decimal
    accuracy: Accuracy
    resolution: float = 0.0
    start: Decimal = Decimal(0)
    written: str = ""
    burden: Decimal | None = None
    common: float = 0.0
    frequency: tuple[Decimal, Decimal] | None = None
    crest_factor: Decimal | None = None

    def holds_at(self, frequency: Decimal | None) -> bool:
        """Whether its accuracy holds at a frequency [Hz]; that of the mains where None."""
        if self.frequency is None:
            return True
        low, high = self.frequency
        if frequency is None:
            return low <= 60 and high >= 50
        return low <= frequency <= high

    def standard_uncertainty(self, value: float) -> float:
        """Standard uncertainty [unit of the value] of one reading on this range.

        The promised ±a is taken as rectangular, a/√3 (GUM 4.3.7). Where the accuracy counts
        no digits, half a digit of resolution is added in quadrature (GUM F.2.2.1).
        """
        a = self.accuracy.half_width(value, float(self.full), self.resolution)
        step = 0.0 if self.accuracy.digits else self.resolution / 2
        return sqrt(a * a + step * step) / SQRT3


@dataclass(frozen=True)
class Instrument:
    """One instrument on the bench.

    Attributes:
        id: its name in answers.
        kind: its kind by ``instruments.yaml``, such as ``multimeter``.
        title: what it is, for people.
        ranges: unit with kind (``V dc``, ``ohm``) → its ranges, rising.
        calibrated: date of the last calibration, ISO 8601, or empty.
        due: date the next is due, or empty.
        frequencies: at which it measures ESR, tan δ, capacitance and inductance [Hz];
            empty where none is declared.
        input_resistance: of its voltage ranges [Ω]; None where it is not declared.
        responds: to what its a.c. ranges respond, ``true-rms`` or ``average``; empty where that
            is not declared.
        offers: what its kind can be set to, by the library; None where that is not known.
    """

    id: str
    kind: str
    title: str = ""
    ranges: Mapping[str, tuple[Range, ...]] = field(default_factory=dict)
    calibrated: str = ""
    due: str = ""
    frequencies: tuple[Decimal, ...] = ()
    input_resistance: Decimal | None = None
    responds: str = ""
    offers: Offers | None = None

    def measures(self, unit: str, kind: str = "") -> bool:
        """Whether it reads this unit; a kind nobody said is met by d.c., a.c. or r.m.s."""
        return bool(self._rows(unit, kind))

    def top(self, unit: str, kind: str = "") -> Decimal | None:
        """The end of its highest range in this unit, or None where it does not read it."""
        rows = self._rows(unit, kind)
        return rows[-1].full if rows else None

    def range_for(
        self, value: Decimal | float, unit: str, kind: str = "", frequency: Decimal | None = None
    ) -> Range | None:
        """The smallest range that shows this value at this frequency [Hz], or None.

        Without a frequency, rows of an a.c. range that state theirs must hold at the mains.
        """
        size = abs(Decimal(value))
        rows = [
            row for row in self._rows(unit, kind) if size >= row.start and row.holds_at(frequency)
        ]
        # A range ends at its name; only above the last may a meter show a little more.
        for row in rows:
            if size <= row.full:
                return row
        return rows[-1] if rows and size <= rows[-1].full * OVERLAP else None

    def standard_uncertainty(
        self, value: Decimal | float, unit: str, kind: str = "", frequency: Decimal | None = None
    ) -> float | None:
        """Standard uncertainty of a reading [its unit], or None where no range covers it."""
        row = self.range_for(value, unit, kind, frequency)
        return None if row is None else row.standard_uncertainty(float(value))

    def reads_at(self, frequency: Decimal) -> bool:
        """Whether it measures at this frequency [Hz]; True where it declares none."""
        return not self.frequencies or any(
            same_frequency(one, frequency) for one in self.frequencies
        )

    def overdue(self, today: str) -> bool:
        """Whether calibration is due by this ISO 8601 date."""
        return bool(self.due) and self.due < today

    def _rows(self, unit: str, kind: str) -> tuple[Range, ...]:
        if kind:
            return self.ranges.get(f"{unit} {kind}") or self.ranges.get(unit, ())
        for place in (unit, f"{unit} dc", f"{unit} ac", f"{unit} rms"):
            if place in self.ranges:
                return self.ranges[place]
        return ()


@dataclass(frozen=True, slots=True)
class Shop:
    """The shop that a bench stands in; empty where ``bench.yaml`` does not say.

    Attributes:
        name, address: as the head of a report shows them.
        warranty_days: days for which a repair is warranted, where given.
    """

    name: str = ""
    address: str = ""
    warranty_days: int | None = None


USUALLY_NORMAL = 0.7
"""P(normal outcome) where a tree says nothing of a fault; set by calibration (docs/odds.md)."""


@dataclass(frozen=True)
class Bench:
    """A user's own bench.

    Attributes:
        instruments: by id.
        labour_rate: money an hour, where given.
        currency: of all money, three letters.
        unit_values: family → what a working unit is worth.
        record: URL of the record of cases, or empty.
        likely_below: probability below which a fault is likely, not found; None: the default.
        usually_normal: probability of the normal outcome where a tree says nothing of a fault,
            0 to 1, both excluded.
        mains: ``voltage`` and ``frequency`` of the public mains here, as written.
        shop: the shop that this bench stands in.
    """

    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    labour_rate: float | None = None
    currency: str = ""
    unit_values: Mapping[str, float] = field(default_factory=dict)
    record: str = ""
    likely_below: float | None = None
    usually_normal: float = USUALLY_NORMAL
    mains: Mapping[str, str] = field(default_factory=dict)
    shop: Shop = field(default_factory=Shop)

    def instrument(self, name: str) -> Instrument:
        """The instrument of this id, or the only one of this kind.

        Raises:
            ReadingError: there is none, or several of that kind.
        """
        if name in self.instruments:
            return self.instruments[name]
        of_kind = [item for item in self.instruments.values() if item.kind == name]
        if len(of_kind) == 1:
            return of_kind[0]
        known = ", ".join(self.instruments) or "none"
        why = "stands for several instruments" if of_kind else "is no instrument on this bench"
        raise ReadingError(f"'{name[:40]}' {why}", remedy=f"On the bench: {known}.")


def read_accuracy(text: object, unit: str = "") -> Accuracy:
    """Read an accuracy as data sheets print it.

    Args:
        text: terms joined by ``+``, with or without ``±`` and brackets: ``0.5 % + 3 digits``,
            ``1 % + 0.2 pF``, ``14 ppm + 2 ppm of range``. A bare number counts digits.
        unit: the unit of a fixed part, in which it is returned.

    Raises:
        ReadingError: a term cannot be understood.
    """
    plain = str(text).strip().removeprefix("±").removeprefix("+/-").strip()
    if plain.startswith("(") and plain.endswith(")"):
        plain = plain[1:-1]
    total = {"of_reading": 0.0, "of_range": 0.0, "digits": 0.0, "fixed": 0.0}
    for term in plain.split("+"):
        name, size = _term(term.strip().removeprefix("±").strip(), unit, str(text))
        if total[name]:
            raise ReadingError(
                f"the accuracy '{str(text)[:60]}' says {ALIKE[name]} twice",
                remedy="Write what each counts: 0.5 % + 3 digits, or 0.0035 % + 0.0006 % of range.",
            )
        total[name] = size
    return Accuracy(**total)


class _FractionError(Exception):
    """A bare number with a fraction: no count of digits."""


def _term(term: str, unit: str, whole: str) -> tuple[str, float]:
    try:
        share = _PERCENT.fullmatch(term)
        if share is not None:
            size = float(
                Decimal(share[1]) * (Decimal("1E-2") if share[2] == "%" else Decimal("1E-6"))
            )
            of = (share[3] or "reading").lower()
            return ("of_reading" if of in {"rdg", "reading"} else "of_range"), size
        digits = _DIGITS.fullmatch(term)
        if digits is not None:
            if "." in digits[1]:
                raise _FractionError
            return "digits", float(Decimal(digits[1]))
        fixed = parse_quantity(term, unit)
        if fixed.value is not None and fixed.value >= 0:
            return "fixed", float(fixed.value)
    except _FractionError:
        raise ReadingError(
            f"the accuracy '{whole[:60]}' counts '{term[:30]}' digits, which must be whole",
            remedy="Say what the figure is: 0.5 %, 0.5 % of range, or 5 digits.",
        ) from None
    except (ReadingError, ArithmeticError, ValueError):
        pass
    raise ReadingError(
        f"the accuracy '{whole[:60]}' cannot be understood at '{term[:30]}'",
        remedy="Write it like 0.5 % + 3 digits, 1 % + 0.2 pF or 14 ppm + 2 ppm of range.",
    )


TOP = frozenset(
    {
        *("title", "instruments", "labour_rate", "currency", "unit_values", "record", "library"),
        *("likely_below", "usually_normal", "mains", "shop"),
    }
)
OF_SHOP = frozenset({"name", "address", "warranty_days", "labour_rate"})
OF_INSTRUMENT = frozenset(
    {
        *("kind", "title", "calibrated", "due", "frequency", "input_resistance", "measures"),
        "responds",
    }
)
OF_RANGE = frozenset(
    {*("range", "from", "accuracy", "resolution", "burden", "common"), "frequency", "crest_factor"}
)
RESPONDS = ("true-rms", "average")


def read_bench(mapping: Mapping[str, Any]) -> Bench:
    """A bench from the plain data of ``bench.yaml``.

    Args:
        mapping: the document; an empty one is an empty bench.

    Raises:
        ReadingError: a key or figure cannot be understood; ``key`` leads to the spot.
    """
    if not isinstance(mapping, Mapping):
        raise ReadingError("a bench file is a mapping", remedy="Begin with instruments:.")
    _known(mapping, TOP, ())
    listed = mapping.get("instruments") or {}
    if not isinstance(listed, Mapping):
        raise ReadingError(
            "instruments is a mapping by id", remedy="Write instruments: {dmm: …}.",
            key=("instruments",),
        )  # fmt: skip
    shop, hour = _shop(mapping)
    return Bench(
        instruments={str(i): _instrument(str(i), item) for i, item in listed.items()},
        labour_rate=hour,
        currency=str(mapping.get("currency") or ""),
        unit_values=_values(mapping.get("unit_values") or {}),
        record=str(mapping.get("record") or ""),
        likely_below=_share(mapping.get("likely_below"), ("likely_below",)),
        usually_normal=_part(mapping.get("usually_normal"), ("usually_normal",)) or USUALLY_NORMAL,
        mains=read_mains(mapping.get("mains")),
        shop=shop,
    )


def _shop(mapping: Mapping[str, Any]) -> tuple[Shop, float | None]:
    """The shop, and what an hour of work costs there."""
    said = mapping.get("shop")
    said = {} if said is None else said
    if not isinstance(said, Mapping):
        raise ReadingError(
            "shop is a mapping", remedy="Write shop: {name: …, address: …}.", key=("shop",)
        )
    _known(said, OF_SHOP, ("shop",))
    hour = _money(mapping.get("labour_rate"), ("labour_rate",))
    in_shop = _money(said.get("labour_rate"), ("shop", "labour_rate"))
    if hour is not None and in_shop is not None:
        raise ReadingError(
            "labour_rate is given twice",
            remedy="Keep the one under shop.",
            key=("labour_rate",),
        )
    days = said.get("warranty_days")
    if days is not None and (
        isinstance(days, bool) or not isinstance(days, int) or not 0 <= days <= 36500
    ):
        raise ReadingError(
            "warranty_days is no number of days",
            remedy="Write a whole number of days: 90.",
            key=("shop", "warranty_days"),
        )
    texts = {name: str(said.get(name) or "") for name in ("name", "address")}
    return Shop(**texts, warranty_days=days), hour if in_shop is None else in_shop


def _values(listed: object) -> dict[str, float]:
    if not isinstance(listed, Mapping):
        raise ReadingError(
            "unit_values is a mapping by family", remedy="Write unit_values: {family: 100}.",
            key=("unit_values",),
        )  # fmt: skip
    return {
        str(family): _money(value, ("unit_values", str(family))) or 0.0
        for family, value in listed.items()
    }


def _money(value: object, path: tuple[str | int, ...]) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e12:
        raise ReadingError(
            f"{path[-1]} is no sum of money", remedy="Write a plain number.", key=path
        )
    return float(value)


def _share(value: object, path: tuple[str | int, ...]) -> float | None:
    """A probability from 0 to 1."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise ReadingError(
            f"{path[-1]} is no probability", remedy="Write a number from 0 to 1: 0.8.", key=path
        )
    return float(value)


def _part(value: object, path: tuple[str | int, ...]) -> float | None:
    """A probability between 0 and 1, neither of them."""
    share = _share(value, path)
    if share in (0, 1):
        raise ReadingError(
            f"{path[-1]} is 0 or 1, so nothing could ever speak against it",
            remedy="Write a number between 0 and 1: 0.7.", key=path,
        )  # fmt: skip
    return share


def _known(
    mapping: Mapping[str, Any], allowed: frozenset[str], path: tuple[str | int, ...]
) -> None:
    for key in mapping:
        if key not in allowed:
            raise ReadingError(
                f"'{key}' has no meaning here",
                remedy=f"Known here are {', '.join(sorted(allowed))}.",
                key=(*path, str(key)),
            )


def _instrument(name: str, item: object) -> Instrument:
    path = ("instruments", name)
    if not isinstance(item, Mapping) or not item.get("kind"):
        raise ReadingError(
            f"the instrument '{name}' has no kind",
            remedy="Give kind: by instruments.yaml, such as multimeter.",
            key=path,
        )
    _known(item, OF_INSTRUMENT, path)
    ranges: dict[str, tuple[Range, ...]] = {}
    for place, rows in (item.get("measures") or {}).items():
        try:
            unit = parse_unit(str(place))
        except ReadingError as error:
            raise ReadingError(
                error.message, remedy=error.remedy, key=(*path, "measures", str(place))
            ) from None
        key = f"{unit.unit} {unit.kind}" if unit.kind else str(unit.unit)
        ranges[key] = _ranges(rows, key, (*path, "measures", str(place)))
    return Instrument(
        id=name,
        kind=str(item["kind"]),
        title=str(item.get("title") or ""),
        ranges=ranges,
        calibrated=str(item.get("calibrated") or ""),
        due=str(item.get("due") or ""),
        frequencies=_frequencies(item.get("frequency"), (*path, "frequency")),
        input_resistance=_positive(item, "input_resistance", "ohm", path),
        responds=_responds(item.get("responds"), (*path, "responds")),
    )


def _responds(said: object, path: tuple[str | int, ...]) -> str:
    if said is None or said in RESPONDS:
        return str(said or "")
    raise ReadingError(
        f"'{str(said)[:40]}' is no response of an a.c. meter",
        remedy=f"Choose one of {', '.join(RESPONDS)}.",
        key=path,
    )


def _positive(
    item: Mapping[str, Any], key: str, unit: str, path: tuple[str | int, ...]
) -> Decimal | None:
    """A figure above zero, or None where it is not given."""
    if item.get(key) is None:
        return None
    try:
        read = parse_quantity(item[key], unit).value
        if read is None or read <= 0:
            raise ReadingError(f"'{key}' must be above zero", remedy="Correct the figure.")
    except ReadingError as error:
        raise ReadingError(error.message, remedy=error.remedy, key=(*path, key)) from None
    return read


def _frequencies(value: object, path: tuple[str | int, ...]) -> tuple[Decimal, ...]:
    if value is None:
        return ()
    if isinstance(value, list):
        each = [_frequencies(one, (*path, at)) for at, one in enumerate(value)]
        return tuple(sorted({one for found in each for one in found}))
    try:
        read = parse_quantity(value, "Hz").value  # type: ignore[arg-type]
        if read is None or read <= 0:
            raise ReadingError("a frequency must be above zero", remedy="Correct the figure.")
    except ReadingError as error:
        raise ReadingError(error.message, remedy=error.remedy, key=path) from None
    return (read,)


def _ranges(rows: object, place: str, path: tuple[str | int, ...]) -> tuple[Range, ...]:
    if not isinstance(rows, Sequence) or isinstance(rows, str) or not rows:
        raise ReadingError(
            "the ranges are a list", remedy="Write [{range: 6 V, accuracy: 0.5 % + 3 digits}].",
            key=path,
        )  # fmt: skip
    made = [_range(row, place, (*path, at)) for at, row in enumerate(rows)]
    return tuple(sorted(made, key=lambda row: row.full))


def _range(row: object, place: str, path: tuple[str | int, ...]) -> Range:
    if not isinstance(row, Mapping):
        raise ReadingError("a range is a mapping", remedy="Give range and accuracy.", key=path)
    _known(row, OF_RANGE, path)
    for key in ("range", "accuracy"):
        if row.get(key) is None:
            raise ReadingError(f"'{key}' is missing", remedy=f"Give {key}.", key=path)
    figures: dict[str, Decimal] = {}
    for key in ("range", "from", "resolution"):
        if row.get(key) is not None:
            try:
                value = parse_quantity(row[key], place).value
                if value is None or value < 0 or (key == "range" and not value):
                    raise ReadingError(f"'{key}' must be above zero", remedy="Correct the figure.")
            except ReadingError as error:
                raise ReadingError(error.message, remedy=error.remedy, key=(*path, key)) from None
            figures[key] = value
    try:
        accuracy = read_accuracy(row["accuracy"], place)
        if accuracy.digits and "resolution" not in figures:
            raise ReadingError(
                "an accuracy in digits needs the resolution",
                remedy="Add resolution: what one digit is on this range.",
            )
    except ReadingError as error:
        raise ReadingError(error.message, remedy=error.remedy, key=(*path, "accuracy")) from None
    return Range(
        full=figures["range"],
        accuracy=accuracy,
        resolution=float(figures.get("resolution", 0)),
        start=figures.get("from", Decimal(0)),
        written=str(row["accuracy"]),
        burden=_positive(row, "burden", "V", path),
        common=_common(row, accuracy, path),
        frequency=_band(row.get("frequency"), (*path, "frequency")),
        crest_factor=_positive(row, "crest_factor", "", path),
    )


def _band(said: object, path: tuple[str | int, ...]) -> tuple[Decimal, Decimal] | None:
    """From which to which frequency [Hz] an accuracy holds."""
    if said is None:
        return None
    ends = _frequencies(said, path)
    if len(ends) != 2:
        raise ReadingError(
            "the frequency of a range is a pair", remedy="Write [45 Hz, 1 kHz].", key=path
        )
    return ends[0], ends[1]


def _common(row: Mapping[str, Any], accuracy: Accuracy, path: tuple[str | int, ...]) -> float:
    """The gain error that all readings on a range share, as a share of the reading."""
    if row.get("common") is None:
        return 0.0
    try:
        found = read_accuracy(row["common"])
        if found.of_reading != found.half_width(1.0, 1.0, 1.0):
            raise ReadingError("common is a share of the reading", remedy="Write it like 0.3 %.")
        if found.of_reading > accuracy.of_reading:
            raise ReadingError(
                "common is more than the accuracy's share of the reading",
                remedy="It is a part of it: write the same figure or less.",
            )
    except ReadingError as error:
        raise ReadingError(error.message, remedy=error.remedy, key=(*path, "common")) from None
    return found.of_reading


def instrument_text(instrument: Instrument, unit: str, kind: str = "") -> str:
    """An instrument for people: its title, id and what it reads."""
    return f"{instrument.title or instrument.kind} ({instrument.id}, {unit_text(unit, kind)})"


__all__ += ["instrument_text"]
