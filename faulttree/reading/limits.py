"""From the ``limits`` of a step to figures a reading can be judged by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from faulttree.errors import ReadingError
from faulttree.reading.quantity import Quantity, parse_quantity, show
from faulttree.reading.units import UNITS, Kind, parse_unit, unit_text

if TYPE_CHECKING:
    from faulttree.reading.formulas import Formula
    from faulttree.reading.register import Rating

__all__ = [
    "Band",
    "Limits",
    "digits_for",
    "formula_names",
    "limits_text",
    "outcomes_of",
    "resolve_limits",
    "side_of",
]

NOMINAL = frozenset({"nominal", "tolerance"})
RANGE = frozenset({"min", "max"})
ALWAYS = frozenset({"unit", "source"})
RESERVED = frozenset({"undecided", "outside", "skip", "back", "note", "repair", "taken", "done"})
MAX_BANDS = 50


@dataclass(frozen=True, slots=True)
class Band:
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
        part, symbol: that part and its limit in words.
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
    part: str = ""
    symbol: str = ""
    notes: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """The unit with its kind, as :func:`~faulttree.reading.parse_quantity` takes it."""
        return self.bare_unit or (f"{self.unit} {self.kind}" if self.kind else self.unit)

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
        """Both limits lie below zero: then ``low`` means smaller in size."""
        return (
            self.lower is not None and self.upper is not None and self.lower < 0 and self.upper < 0
        )


def outcomes_of(spec: Mapping[str, Any]) -> tuple[str, ...]:
    """The outcomes these limits can give, without working any figure out.

    Args:
        spec: the plain mapping of a step's ``limits``.

    Raises:
        ReadingError: it is in none of the four forms, or names no known rating.
    """
    form = _form(spec)
    if form == "bands":
        return tuple(
            str(_key(band, "name", ("bands", at)))
            for at, band in enumerate(_band_list(spec["bands"]))
        )
    if form == "component":
        return _entry(spec).outcomes
    if form == "range":
        if "max" not in spec:
            return ("low", "inside")
        if "min" not in spec:
            return ("inside", "high")
    return ("low", "inside", "high")


def formula_names(spec: Mapping[str, Any]) -> dict[str, str]:
    """Which steps and ratings the formulas of these limits take their values from.

    Returns:
        name in the formula → step or rating it stands for.

    Raises:
        ReadingError: a formula or its ``from`` cannot be read.
    """
    names: dict[str, str] = {}
    for key, value in spec.items():
        if isinstance(value, Mapping) and "formula" in value:
            _, taken = _formula(value, str(key))
            names.update(taken)
    return names


def resolve_limits(
    spec: Mapping[str, Any],
    *,
    unit: str | None = None,
    readings: Mapping[str, Quantity] | None = None,
    ratings: Mapping[str, Quantity] | None = None,
) -> Limits:
    """Work the limits of a step out.

    Args:
        spec: the plain mapping of the file, in one of the four forms: ``{nominal,
            tolerance}``, ``{min, max}``, ``{component, quantity, …}`` or ``{bands}``.
        unit: the unit of the step, where the limits themselves name none.
        readings: readings of the walk by step, for formulas.
        ratings: values that differ by model, by name, for formulas.

    Raises:
        ReadingError: they cannot be understood or are impossible; ``key`` leads to the
            spot inside ``spec``.
    """
    form = _form(spec)
    desk = _Desk(spec, unit, {**(ratings or {}), **(readings or {})})
    try:
        return _resolve(form, spec, desk)
    except ReadingError as error:
        if not desk.computed:
            raise
        return _unworkable(form, spec, desk, error.message)


def _resolve(form: str, spec: Mapping[str, Any], desk: _Desk) -> Limits:
    if form == "component":
        from faulttree.reading.rated import resolve_rated

        return resolve_rated(spec, _entry(spec), desk.figure)
    if form == "bands":
        return replace(_bands(spec, desk), bare_unit=desk.bare_unit, spelt=desk.spelt)
    limits = _nominal(spec, desk) if form == "nominal" else _range(spec, desk)
    if desk.bare_unit or desk.spelt:
        return replace(limits, bare_unit=desk.bare_unit, spelt=desk.spelt)
    return limits


def _unworkable(form: str, spec: Mapping[str, Any], desk: _Desk, problem: str) -> Limits:
    """Limits that these very readings allow none of: a walk goes on, undecided."""
    if form == "component":
        entry = _entry(spec)
        unit, kind = entry.unit, entry.kind
    else:
        unit, kind = _unit(desk)
    source = str(spec.get("source", ""))
    return Limits(None, None, unit, kind, outcomes_of(spec), source=source, problem=problem)


def _form(spec: Mapping[str, Any]) -> str:
    if not isinstance(spec, Mapping):
        raise ReadingError("limits must be a mapping", mend="Write {nominal: …, tolerance: …}.")
    forms = {
        "nominal": NOMINAL & spec.keys(),
        "range": RANGE & spec.keys(),
        "bands": {"bands"} & spec.keys(),
    }
    if "component" in spec:
        return "component"
    found = [form for form, keys in forms.items() if keys]
    if not found:
        raise ReadingError(
            "the limits say nothing to judge by",
            mend="Give nominal and tolerance, min or max, component and quantity, or bands.",
        )
    if len(found) > 1:
        raise ReadingError(
            f"the limits mix {' and '.join(found)}",
            mend="Keep one form: nominal and tolerance, min and max, or bands.",
            key=(sorted(forms[found[1]])[0],),
        )
    allowed = ALWAYS | {"nominal": NOMINAL, "range": RANGE, "bands": {"bands"}}[found[0]]
    for key in spec:
        if key not in allowed:
            raise ReadingError(
                f"'{key}' has no meaning beside {', '.join(sorted(allowed - ALWAYS))}",
                mend=f"Known here are {', '.join(sorted(allowed))}.",
                key=(str(key),),
            )
    return found[0]


def _entry(spec: Mapping[str, Any]) -> Rating:
    from faulttree.reading.ratings import find_rating

    return find_rating(spec)


def _key(mapping: object, key: str, path: tuple[str | int, ...]) -> Any:
    if not isinstance(mapping, Mapping) or mapping.get(key) in (None, ""):
        raise ReadingError(f"'{key}' is missing", mend=f"Give {key}.", key=path)
    return mapping[key]


@dataclass(slots=True)
class _Figure:
    """One figure of the limits: its quantity, or None with the readings it still misses."""

    read: Quantity | None
    missing: tuple[str, ...] = ()
    uncertainty: float = 0.0

    @property
    def value(self) -> Decimal | None:
        return None if self.read is None else self.read.value


@dataclass(slots=True)
class _Desk:
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
                        mend="Name one unit.",
                    )
            except ReadingError as error:
                raise _at(error, ("unit",)) from None
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
    ) -> _Figure:
        """One figure: a written quantity, or a formula."""
        place = self.place if place is None else place
        if isinstance(value, Mapping):
            return self._computed(value, path, place)
        try:
            read = parse_quantity(value, place)  # type: ignore[arg-type]
            if read.value is None:
                raise ReadingError(
                    "a limit cannot be over range", mend="Leave the limit out where there is none."
                )
        except ReadingError as error:
            raise _at(error, path) from None
        if not self.bare_unit:
            self.prefix = self.prefix or read.prefix
            self.spelt = self.spelt or read.spelt
        return _Figure(read)

    def _computed(
        self, value: Mapping[str, Any], path: tuple[str | int, ...], place: str | None
    ) -> _Figure:
        formula, names = _formula(value, *path)
        if place is None:
            raise ReadingError(
                "a computed limit needs a unit", mend="Add unit: beside it.", key=path
            )
        missing = tuple(
            dict.fromkeys(
                source
                for source in names.values()
                if source not in self.known or self.known[source].value is None
            )
        )
        if missing:
            return _Figure(None, missing)
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
            raise _at(error, (*path, "formula")) from None
        wanted = parse_unit(place)
        unit = "degC" if wanted.unit == "degF" else wanted.unit or ""
        return _Figure(Quantity(result, unit, wanted.kind), (), spread)


def _at(error: ReadingError, path: tuple[str | int, ...]) -> ReadingError:
    return ReadingError(error.message, mend=error.mend, key=(*path, *error.key))


def _formula(value: Mapping[str, Any], *path: str | int) -> tuple[Formula, dict[str, str]]:
    from faulttree.reading.formulas import read_formula

    extra = [key for key in value if key not in {"formula", "from"}]
    if extra or not isinstance(value.get("formula"), str):
        raise ReadingError(
            "a computed figure takes formula and from",
            mend='Write {formula: "u / 2", from: {u: step}}.',
            key=(*path, *(str(key) for key in extra[:1])),
        )
    try:
        formula = read_formula(value["formula"])
    except ReadingError as error:
        raise _at(error, (*path, "formula")) from None
    names = value.get("from") or {}
    if not isinstance(names, Mapping) or not all(isinstance(s, str) for s in names.values()):
        raise ReadingError(
            "'from' says which step or rating each name is",
            mend="Write from: {u: step}.",
            key=(*path, "from"),
        )
    for name in formula.names:
        if name not in names:
            raise ReadingError(
                f"the formula takes '{name}', and 'from' does not say what it is",
                mend=f"Add {name}: to from.",
                key=(*path, "formula"),
            )
    return formula, {str(name): str(names[name]) for name in formula.names}


def _unit(desk: _Desk, *figures: _Figure) -> tuple[str, Kind]:
    for figure in figures:
        if figure.read is not None and figure.read.unit:
            return figure.read.unit, figure.read.kind
    found = parse_unit(desk.place or "")
    return ("degC" if found.unit == "degF" else found.unit or ""), found.kind


def _range(spec: Mapping[str, Any], desk: _Desk) -> Limits:
    desk.settle((spec.get("min"), ("min",)), (spec.get("max"), ("max",)))
    low = desk.figure(spec["min"], ("min",)) if "min" in spec else _Figure(None)
    high = desk.figure(spec["max"], ("max",)) if "max" in spec else _Figure(None)
    _refuse_bare_beside_prefix(desk, (low, "min"), (high, "max"))
    unit, kind = _unit(desk, low, high)
    _refuse_negative(unit, (low.value, "min"), (high.value, "max"))
    if low.value is not None and high.value is not None and low.value > high.value:
        raise ReadingError(
            "min is above max: no reading could be inside",
            mend="Exchange them, or mend the figure that is wrong.",
            key=("min",),
        )
    return Limits(
        lower=low.value,
        upper=high.value,
        unit=unit,
        kind=kind,
        outcomes=outcomes_of(spec),
        source=str(spec.get("source", "")),
        prefix=desk.prefix,
        missing=(*low.missing, *high.missing),
        lower_uncertainty=low.uncertainty,
        upper_uncertainty=high.uncertainty,
    )


def _refuse_bare_beside_prefix(desk: _Desk, *figures: tuple[_Figure, str | int]) -> None:
    """``{min: 500, max: 600 mV}``: the bare figure may mean either."""
    if not (desk.prefix or desk.spelt) or desk.spec.get("unit") is not None:
        return
    for figure, key in figures:
        if figure.read is not None and figure.read.bare and figure.read.value:
            raise ReadingError(
                f"{figure.read.text} has no unit beside figures that name another scale",
                mend="Write its unit.",
                key=(key,),
            )


def _refuse_negative(unit: str, *figures: tuple[Decimal | None, str]) -> None:
    if UNITS[unit].signed:
        return
    for value, key in figures:
        if value is not None and value < 0:
            raise ReadingError(
                f"a {UNITS[unit].name} cannot be below zero", mend="Mend the figure.", key=(key,)
            )


def _nominal(spec: Mapping[str, Any], desk: _Desk) -> Limits:
    from faulttree.reading.tolerances import read_tolerance

    for key in ("nominal", "tolerance"):
        if spec.get(key) is None:
            raise ReadingError(
                f"'{key}' is missing", mend="Give nominal and tolerance together.", key=()
            )
    desk.settle((spec["nominal"], ("nominal",)))
    middle = desk.figure(spec["nominal"], ("nominal",))
    unit, kind = _unit(desk, middle)
    _refuse_negative(unit, (middle.value, "nominal"))
    tolerance = read_tolerance(spec["tolerance"], unit, kind, middle.value)
    prefix = desk.prefix
    if middle.value is None:
        return Limits(
            None, None, unit, kind, ("low", "inside", "high"),
            source=str(spec.get("source", "")), prefix=prefix, missing=middle.missing,
        )  # fmt: skip
    lower, upper = tolerance.around(middle.value)
    return Limits(
        lower=lower,
        upper=upper,
        unit=unit,
        kind=kind,
        outcomes=("low", "inside", "high"),
        nominal=middle.value,
        source=str(spec.get("source", "")),
        prefix=prefix,
        lower_uncertainty=middle.uncertainty * tolerance.growth(lower, middle.value),
        upper_uncertainty=middle.uncertainty * tolerance.growth(upper, middle.value),
    )


def _band_list(value: object) -> Sequence[Any]:
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) < 2:
        raise ReadingError(
            "bands must be a list of at least two",
            mend="Write bands: [{name: …, below: …}, {name: …, from: …}].",
            key=("bands",),
        )
    if len(value) > MAX_BANDS:
        raise ReadingError("there are too many bands", mend="Keep fewer.", key=("bands",))
    return value


def _bands(spec: Mapping[str, Any], desk: _Desk) -> Limits:
    listed = _band_list(spec["bands"])
    edges = [
        (band.get(key), ("bands", at, key))
        for at, band in enumerate(listed)
        if isinstance(band, Mapping)
        for key in ("from", "below")
    ]
    desk.settle(*edges)
    bands: list[Band] = []
    for at, entry in enumerate(listed):
        band = _band(entry, at, at == len(listed) - 1, desk)
        _meets(band, bands[-1] if bands else None, at)
        bands.append(band)
    unit, kind = _unit(desk)
    return Limits(
        None, None, unit, kind, tuple(band.name for band in bands),
        source=str(spec.get("source", "")), bands=tuple(bands), prefix=desk.prefix,
    )  # fmt: skip


def _band(entry: object, at: int, is_last: bool, desk: _Desk) -> Band:
    name = _key(entry, "name", ("bands", at))
    assert isinstance(entry, Mapping)
    for key in entry:
        if key not in {"name", "from", "below"}:
            raise ReadingError(
                f"a band has no '{key}'", mend="It has name, from and below.",
                key=("bands", at, str(key)),
            )  # fmt: skip
    if not isinstance(name, str) or name in RESERVED:
        raise ReadingError(
            f"'{name}' cannot name a band", mend="Choose another word.", key=("bands", at, "name")
        )
    edges: dict[str, Decimal | None] = {"from": None, "below": None}
    for key in edges:
        if entry.get(key) is not None:
            figure = desk.figure(entry[key], ("bands", at, key))
            _refuse_bare_beside_prefix(desk, (figure, key))
            if figure.missing:
                raise ReadingError(
                    "a band takes no formula", mend="Write a figure.", key=("bands", at, key)
                )
            edges[key] = figure.value
        elif (key == "from" and at > 0) or (key == "below" and not is_last):
            raise ReadingError(
                f"the band '{name}' has no '{key}'", mend=f"Add {key}.", key=("bands", at)
            )
    return Band(name, edges["from"], edges["below"])


def _meets(band: Band, before: Band | None, at: int) -> None:
    if band.lower is not None and band.upper is not None and band.lower >= band.upper:
        raise ReadingError(
            f"the band '{band.name}' is empty",
            mend="Its 'from' must lie below its 'below'.",
            key=("bands", at, "from"),
        )
    if before is None:
        return
    if band.lower != before.upper:
        assert band.lower is not None
        assert before.upper is not None
        what = "leave a gap" if band.lower > before.upper else "overlap"
        raise ReadingError(
            f"the bands '{before.name}' and '{band.name}' {what}",
            mend="Begin each where the one before ends, in rising order.",
            key=("bands", at, "from"),
        )


def side_of(value: Decimal, lower: Decimal | None, upper: Decimal | None) -> int:
    """-1 below the lower limit, 1 above the upper one, 0 inside, limits included."""
    if lower is not None and value < lower:
        return -1
    return 1 if upper is not None and value > upper else 0


def digits_for(limits: Limits) -> int:
    """Significant digits that tell the limits apart: three, more where they lie close."""
    low, high = limits.lower, limits.upper
    if low is None or high is None or low == high:
        return 3
    size = max(low.copy_abs(), high.copy_abs())
    close = (size / (high - low)).adjusted()
    return min(3 + max(0, close - 1), 12)


def limits_text(limits: Limits) -> str:
    """The limits for people, such as ``30.6 V to 37.4 V`` or ``at most 49.1 mΩ``."""
    low, high, unit, kind = limits.lower, limits.upper, limits.unit, limits.kind
    if limits.bands:
        return ", ".join(_band_text(band, limits) for band in limits.bands)
    if low is not None and high is not None:
        digits = digits_for(limits)
        return f"{show(low, unit, digits=digits)} to {show(high, unit, kind, digits)}"
    if low is not None:
        return f"at least {show(low, unit, kind)}"
    if high is not None:
        return f"at most {show(high, unit, kind)}"
    return f"not known yet ({unit_text(unit, kind)})"


def _band_text(band: Band, limits: Limits) -> str:
    if band.lower is None:
        assert band.upper is not None
        return f"{band.name} below {show(band.upper, limits.unit, limits.kind)}"
    if band.upper is None:
        return f"{band.name} from {show(band.lower, limits.unit, limits.kind)}"
    return f"{band.name} from {show(band.lower, limits.unit)} to {show(band.upper, limits.unit)}"
