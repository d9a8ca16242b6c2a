"""Readings and limits as typed, judged without a tree: what ``faulttree judge`` does."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from faulttree.errors import ReadingError
from faulttree.reading.judgement import judge
from faulttree.reading.limit_resolution import resolve_limits
from faulttree.reading.limits import Limits
from faulttree.reading.quantity import Quantity
from faulttree.reading.slip_check import doubt
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import parse_unit, unit_text
from faulttree.reading.verdict import Rule, Verdict

if TYPE_CHECKING:
    from faulttree.reading.instruments import Bench, Instrument
    from faulttree.reading.ratings.register import ComponentRating

__all__ = ["Judgement", "judge_text"]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What was judged in one go: one verdict for each quantity of the part.

    Attributes:
        verdicts: in the order the quantities were first named.
        before: what would have been said before each reading, where the meter cannot
            decide the limit.
    """

    verdicts: tuple[Verdict, ...]
    before: tuple[str, ...] = ()

    @property
    def outcome(self) -> str:
        """``inside`` when every verdict is; else the first that is not, a fault first."""
        outcomes = [verdict.outcome for verdict in self.verdicts]
        wrong = [outcome for outcome in outcomes if outcome not in {"inside", "undecided"}]
        return next(iter([*wrong, *(o for o in outcomes if o == "undecided"), *outcomes]))

    @property
    def is_good(self) -> bool:
        """Whether everything lies inside, or in a named band."""
        return all(
            verdict.outcome == "inside" or (verdict.limits.bands and verdict.outcome != "undecided")
            for verdict in self.verdicts
        )

    @property
    def sentence(self) -> str:
        """Every verdict in words, a line each."""
        return "\n".join(verdict.sentence for verdict in self.verdicts)

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON: that verdict's; with several, also ``verdicts`` with all."""
        leading = next(v for v in self.verdicts if v.outcome == self.outcome)
        if len(self.verdicts) == 1:
            return leading.as_dict()
        parts = [{"quantity": v.limits.quantity, **v.as_dict()} for v in self.verdicts]
        return {**leading.as_dict(), "text": self.sentence, "verdicts": parts}


def judge_text(
    readings: str | float | Sequence[str | float],
    *,
    quantity: str | None = None,
    marking: str | None = None,
    code: str = "",
    derived: str | None = None,
    bench: Bench | None = None,
    instrument: str | None = None,
    sure: bool = False,
    confidence: float = 0.95,
    in_circuit: bool | None = None,
    neighbours: Sequence[str] = (),
    **limits: Any,
) -> Judgement:
    """Judge readings as typed against limits as typed.

    Args:
        readings: one or several; those of one quantity count as repeats. With ``component`` each
            may name its quantity, as in ``ESR=2.4 ohm``; else ``quantity`` or its unit tells.
        marking, code, derived: see the modules ``markings`` and ``derived``.
        bench, instrument: what it was read with, by id.
        sure, confidence: a reading like a slip is meant; what an uncertain verdict needs.
        in_circuit, neighbours: as in :func:`~faulttree.reading.judge`.
        limits: as in a tree, with ``minimum`` and ``maximum``; ``unit`` is that of bare numbers.

    Raises:
        ReadingError: something cannot be understood, or a reading looks like a slip.
    """
    typed = [readings] if isinstance(readings, str | int | float) else list(readings)
    spec = _limits_as_in_a_tree(typed, limits, marking, code)
    held = None if instrument is None else _held(bench, instrument)
    rule = Rule(confidence)
    if derived is not None:
        return _judge_derived(derived, typed, spec, held, rule)
    groups = _groups(typed, spec, quantity)
    before = [_before(found, group, bench, held, rule, sure) for found, group in groups]
    circuit: dict[str, Any] = {"in_circuit": in_circuit, "neighbours": neighbours}
    verdicts = (judge(one, found, instrument=held, rule=rule, **circuit) for found, one in groups)
    return Judgement(tuple(verdicts), tuple(filter(None, before)))


def _limits_as_in_a_tree(
    typed: Sequence[str | float], limits: Mapping[str, Any], marking: str | None, code: str
) -> dict[str, Any]:
    """The mapping that a tree would hold."""
    if not typed:
        raise ReadingError("there is no reading to judge", remedy='Give one, such as "150 uF".')
    names = {"minimum": "min", "maximum": "max"}
    spec = {names.get(key, key): value for key, value in limits.items() if value is not None}
    return spec if marking is None else _by_marking(marking, code, spec, typed)


def _judge_derived(
    name: str,
    typed: Sequence[str | float],
    spec: Mapping[str, Any],
    held: Instrument | None,
    rule: Rule,
) -> Judgement:
    from faulttree.reading.derived import DERIVED, derive, read_named
    from faulttree.reading.formula import read_formula

    known = DERIVED.get(name)
    names = () if known else read_formula(name).names
    unit = known.unit if known else str(spec.get("unit") or "")
    made = derive(name, read_named(name, typed, names), unit=unit, instrument=held)
    verdict = judge(made, resolve_limits(spec, unit=unit or None), rule=rule)
    said = f"{name} from {'; '.join(one.text for one in made)}"
    used = held.id if held is not None else ""
    return Judgement((replace(verdict, corrections=(said,), instrument=used),))


def _held(bench: Bench | None, name: str) -> Instrument:
    from faulttree.reading.instruments import Bench

    return (bench or Bench()).instrument(name)


def _before(
    limits: Limits,
    group: Sequence[Quantity],
    bench: Bench | None,
    held: Instrument | None,
    rule: Rule,
    sure: bool,
) -> str | None:
    """What is said before a reading that this meter cannot decide; a slip is refused."""
    _refuse_doubt(group, limits, sure=sure)
    if held is None or bench is None:
        return None
    from faulttree.reading.capability_check import ask_before

    return ask_before(limits, bench, using=held, rule=rule)


def _groups(
    typed: Sequence[str | float], spec: Mapping[str, Any], quantity: str | None
) -> list[tuple[Limits, list[Quantity]]]:
    """Limits with the readings they judge: one entry for each quantity of a component."""
    if "component" not in spec:
        if quantity is not None:
            raise ReadingError(
                "a quantity is named without its component", remedy="Name the component too."
            )
        limits = resolve_limits(spec)
        if not limits.unit and "unit" not in spec:
            limits = resolve_limits(spec, unit=_unit_of(typed))
        return [(limits, [parse_quantity(text, limits.place) for text in typed])]
    found: dict[str, tuple[Limits, list[Quantity]]] = {}
    for text in typed:
        name, plain = _named(text, spec, quantity)
        if name not in found:
            found[name] = (resolve_limits(_only_own({**spec, "quantity": name})), [])
        limits, group = found[name]
        group.append(parse_quantity(plain, limits.place))
    return list(found.values())


def _unit_of(typed: Sequence[str | float]) -> str | None:
    """The unit the readings name, for limits typed without one."""
    return next((read.place for read in map(parse_quantity, typed) if read.unit), None)


def _entries(component: str) -> list[ComponentRating]:
    from faulttree.reading.ratings.entries import RATINGS, find_rating

    entries = [entry for (name, _), entry in RATINGS.items() if name == component]
    return entries or [find_rating({"component": component})]


def _named(
    text: str | float, spec: Mapping[str, Any], quantity: str | None
) -> tuple[str, str | float]:
    """Which quantity of the component a typed reading is of, and the reading itself."""
    entries = _entries(str(spec["component"]))
    names = {entry.quantity.lower(): entry.quantity for entry in entries}
    if isinstance(text, str) and "=" in text.rstrip(" ="):
        name, _, plain = text.partition("=")
        own = names.get(name.strip().lower())
        if own is None:
            raise ReadingError(
                f"{spec['component']} has no quantity '{name.strip()[:40]}'",
                remedy=f"Known are {', '.join(names.values())}.",
            )
        return own, plain
    if quantity is not None:
        return names.get(quantity.lower(), quantity), text
    if len(entries) == 1:
        return entries[0].quantity, text
    read = parse_quantity(text)
    fitting = _fitting(read, entries, spec)
    if len(fitting) == 1:
        return fitting[0], text
    shown = unit_text(read.unit) or "a plain number"
    raise ReadingError(
        f"which quantity of the {spec['component']} '{str(text)[:40]}' is ({shown}) is not clear",
        remedy=f"Name it: {' or '.join(f'{q}={text}' for q in names.values())}.",
    )


def _fitting(
    read: Quantity, entries: Sequence[ComponentRating], spec: Mapping[str, Any]
) -> list[str]:
    """The quantities that a reading of this unit and kind can be of, given these parameters."""
    fitting = [entry for entry in entries if read.unit and entry.unit == read.unit]
    # A peak-to-peak value must be said, so plain volts are not ripple.
    said = [entry for entry in fitting if (entry.kind == "pp") == (read.kind == "pp")]
    if len(said) > 1:
        given = {p.name for entry in said for p in entry.parameters} & spec.keys()
        said = [e for e in said if given <= {p.name for p in e.parameters}] if given else said
    return [entry.quantity for entry in (said or fitting)]


def _only_own(spec: dict[str, Any]) -> dict[str, Any]:
    """The parameters this quantity takes; the others belong to the part's other quantities."""
    from faulttree.reading.ratings.entries import find_rating

    entry = find_rating(spec)
    own = {parameter.name for parameter in entry.parameters}
    known = {p.name for other in _entries(entry.component) for p in other.parameters}
    if len(own) == len(known):
        return spec
    return {key: value for key, value in spec.items() if key in own or key not in known}


def _by_marking(
    marking: str, code: str, spec: dict[str, Any], typed: Sequence[str | float]
) -> dict[str, Any]:
    from faulttree.reading.markings import decode_marking

    decoded = decode_marking(marking, _marked_unit(spec, typed, marking), code)
    if "nominal" in spec or "component" in spec:
        raise ReadingError(
            "the marking already says the nominal value", remedy="Give one or the other."
        )
    if decoded.unit == "A":
        return {"component": "fuse", "rated": f"{decoded.value} A", **spec}
    made = {"source": f"marking {marking}", **spec}
    made.setdefault("nominal", f"{decoded.value} {decoded.unit}")
    if "tolerance" not in made:
        if decoded.tolerance is None:
            raise ReadingError(
                f"the marking '{marking[:40]}' says no tolerance",
                remedy="Give tolerance. F behind a capacitance is read as farad, not as 1 %.",
            )
        made["tolerance"] = decoded.tolerance_text
    return made


def _marked_unit(spec: Mapping[str, Any], typed: Sequence[str | float], marking: str) -> str | None:
    """The unit that was said, or that the readings name, where markings exist in it."""
    # A fuse is marked in amperes and measured in ohms.
    if re.search("[0-9] ?m?A", marking):
        return None
    said = spec.get("unit") or _unit_of(typed)
    return said if said is None or parse_unit(str(said)).unit in {"ohm", "F", "H"} else None


def _refuse_doubt(readings: Sequence[Quantity], limits: Limits, *, sure: bool) -> None:
    if sure:
        return
    for reading in readings:
        question = doubt(reading, limits)
        if question:
            raise ReadingError(
                f"'{reading.text[:40]}' is not judged. {question}",
                remedy="Write it as meant, or say that you are sure.",
            )
