"""The figures inside ``limits``: written quantities, and formulas over earlier readings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from faulttree.errors import ReadingError
from faulttree.reading.quantity import Quantity
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import Kind, parse_unit

if TYPE_CHECKING:
    from faulttree.reading.formula import Formula

__all__ = [
    "FormulaUse",
    "KnownValues",
    "LimitFigure",
    "formula_sources",
    "formula_uses",
    "read_holds_at",
]


class FormulaUse(NamedTuple):
    """One computed figure of the limits.

    Attributes:
        path: where it stands inside the limits, such as ``("bands", 1, "below")``.
        text: the formula, such as ``u / 2``.
        names: name in the formula → step or rating it stands for.
    """

    path: tuple[str | int, ...]
    text: str
    names: Mapping[str, str]


def formula_uses(spec: Mapping[str, Any]) -> Iterator[FormulaUse]:
    """The computed figures of these limits, those of bands too.

    Raises:
        ReadingError: a formula or its ``from`` cannot be read.
    """
    for path, value in _figures(spec):
        if isinstance(value, Mapping) and "formula" in value:
            _, names = formula_of(value, *path)
            yield FormulaUse(path, str(value["formula"]), names)


def formula_sources(spec: Mapping[str, Any]) -> tuple[str, ...]:
    """The steps and ratings that the formulas of these limits take their values from.

    Raises:
        ReadingError: a formula or its ``from`` cannot be read.
    """
    uses = formula_uses(spec)
    return tuple(dict.fromkeys(source for use in uses for source in use.names.values()))


def _figures(spec: Mapping[str, Any]) -> Iterator[tuple[tuple[str | int, ...], object]]:
    for key, value in spec.items():
        if key != "bands":
            yield (str(key),), value
        elif isinstance(value, Sequence):
            for at, band in enumerate(value):
                if isinstance(band, Mapping):
                    yield from ((("bands", at, end), band.get(end)) for end in ("from", "below"))


class LimitFigure(NamedTuple):
    """One figure of the limits: its quantity, or None with the readings it still misses."""

    read: Quantity | None
    missing: tuple[str, ...] = ()
    uncertainty: float = 0.0

    @property
    def value(self) -> Decimal | None:
        return None if self.read is None else self.read.value


@dataclass(slots=True)
class KnownValues:
    """Reads the figures of one mapping in one unit, and remembers what they were written in."""

    spec: Mapping[str, Any]
    unit: str | None
    known: Mapping[str, Quantity]
    place: str | None = field(init=False)
    prefix: str = field(init=False, default="")
    spelt: str = field(init=False, default="")
    bare_unit: str = field(init=False, default="")
    computed: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        said = self.spec.get("unit")
        self.place = self.unit
        if said is not None:
            try:
                own = parse_unit(str(said))
                if self.unit is not None and own.unit != parse_unit(self.unit).unit:
                    raise ReadingError(
                        f"the limits are in {said} and the step is in {self.unit}",
                        remedy="Name one unit.",
                    )
            except ReadingError as error:
                raise placed(error, ("unit",)) from None
            self.place = str(said)
        if self.place:
            wanted = parse_unit(self.place)
            if wanted.exponent or wanted.factor != "1" or wanted.unit == "degF":
                self.bare_unit = self.place

    def settle(self, *values: tuple[object, tuple[str | int, ...]]) -> None:
        """Find the unit that the figures themselves name, where none was said."""
        for value, path in values:
            if self.place is not None or isinstance(value, Mapping) or value is None:
                continue
            read = self.figure(value, path).read
            if read is not None and read.unit:
                self.place = read.place

    def figure(
        self, value: object, path: tuple[str | int, ...], place: str | None = None
    ) -> LimitFigure:
        """One figure: a written quantity, or a formula."""
        place = self.place if place is None else place
        if isinstance(value, Mapping):
            return self._computed(value, path, place)
        try:
            read = parse_quantity(value, place)  # type: ignore[arg-type]
            if read.value is None:
                raise ReadingError(
                    "a limit cannot be over range",
                    remedy="Leave the limit out where there is none.",
                )
            if read.taken is not None:
                raise ReadingError(
                    f"'{read.text[:40]}' says how a reading was taken, and a limit is none",
                    remedy="Write the figure alone.",
                )
        except ReadingError as error:
            raise placed(error, path) from None
        if not self.bare_unit:
            self.prefix = self.prefix or read.prefix
            self.spelt = self.spelt or read.spelt
        return LimitFigure(read)

    def _computed(
        self, value: Mapping[str, Any], path: tuple[str | int, ...], place: str | None
    ) -> LimitFigure:
        formula, names = formula_of(value, *path)
        if place is None:
            raise ReadingError(
                "a computed limit needs a unit", remedy="Add unit: beside it.", key=path
            )
        missing = tuple(
            dict.fromkeys(
                source
                for source in names.values()
                if source not in self.known or self.known[source].value is None
            )
        )
        if missing:
            return LimitFigure(None, missing)
        values = {name: self.known[source] for name, source in names.items()}
        self.computed = self.computed or bool(names)
        try:
            result = formula.value({n: q.value for n, q in values.items() if q.value is not None})
            spread = 0.0
            if any(q.uncertainty for q in values.values()):
                spread = formula.uncertainty(
                    {n: (q.value or Decimal(0), q.uncertainty or 0.0) for n, q in values.items()}
                )
        except ReadingError as error:
            raise placed(error, (*path, "formula")) from None
        wanted = parse_unit(place)
        unit = "degC" if wanted.unit == "degF" else wanted.unit or ""
        return LimitFigure(Quantity(result, unit, wanted.kind), (), spread)

    def unit_of(self, *figures: LimitFigure) -> tuple[str, Kind]:
        """Unit and kind that the figures are of."""
        for figure in figures:
            if figure.read is not None and figure.read.unit:
                return figure.read.unit, figure.read.kind
        found = parse_unit(self.place or "")
        return ("degC" if found.unit == "degF" else found.unit or ""), found.kind

    def refuse_bare(self, *figures: tuple[LimitFigure, str | int]) -> None:
        """Refuse ``{min: 500, max: 600 mV}``: the bare figure may mean either."""
        if not (self.prefix or self.spelt) or self.spec.get("unit") is not None:
            return
        for figure, key in figures:
            if figure.read is not None and figure.read.bare and figure.read.value:
                raise ReadingError(
                    f"{figure.read.text} has no unit beside figures that name another scale",
                    remedy="Write its unit.",
                    key=(key,),
                )


def read_holds_at(spec: Mapping[str, Any]) -> Decimal | None:
    """The frequency [Hz] at which these limits hold; None where they name none.

    Raises:
        ReadingError: ``holds_at`` is no frequency above zero.

    Example:
        >>> read_holds_at({"max": "50 mohm", "holds_at": "100 kHz"})
        Decimal('1.00E+5')
    """
    if spec.get("holds_at") is None:
        return None
    try:
        read = parse_quantity(spec["holds_at"], "Hz").value
        if read is None or read <= 0:
            raise ReadingError("a frequency must be above zero", remedy="Correct the figure.")
    except ReadingError as error:
        raise placed(error, ("holds_at",)) from None
    return read


def placed(error: ReadingError, path: tuple[str | int, ...]) -> ReadingError:
    return ReadingError(error.message, remedy=error.remedy, key=(*path, *error.key))


def formula_of(value: Mapping[str, Any], *path: str | int) -> tuple[Formula, dict[str, str]]:
    from faulttree.reading.formula import read_formula

    extra = [key for key in value if key not in {"formula", "from"}]
    if extra or not isinstance(value.get("formula"), str):
        raise ReadingError(
            "a computed figure takes formula and from",
            remedy='Write {formula: "u / 2", from: {u: step}}.',
            key=(*path, *(str(key) for key in extra[:1])),
        )
    try:
        formula = read_formula(value["formula"])
    except ReadingError as error:
        raise placed(error, (*path, "formula")) from None
    names = value.get("from") or {}
    if not isinstance(names, Mapping) or not all(isinstance(s, str) for s in names.values()):
        raise ReadingError(
            "'from' says which step or rating each name is",
            remedy="Write from: {u: step}.",
            key=(*path, "from"),
        )
    for name in formula.names:
        if name not in names:
            raise ReadingError(
                f"the formula takes '{name}', and 'from' does not say what it is",
                remedy=f"Add {name}: to from.",
                key=(*path, "formula"),
            )
    return formula, {str(name): str(names[name]) for name in formula.names}
