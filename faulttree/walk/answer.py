"""From what somebody types at a step to the event that records it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from faulttree import reading as rd
from faulttree.errors import WalkError
from faulttree.reading.judgement import check_reading
from faulttree.tree.model import Step
from faulttree.walk.events import Answered, Event, Skipped
from faulttree.walk.meter import held_instrument, taken_with
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.reading import Bench, Instrument, Limits, Quantity
    from faulttree.walk.state import State

__all__ = [
    "DoubtError",
    "ParsedReading",
    "TypedAnswer",
    "answer",
    "limits_of",
    "match_outcome",
    "parse_reading",
    "ratings_of",
    "readings_of",
]


class DoubtError(WalkError):
    """A reading that may have been meant otherwise; ``question`` asks which.

    ``meant`` is what was probably meant, as it would be typed, in the place of ``typed``.
    """

    def __init__(self, question: str, typed: str = "", meant: str = "") -> None:
        super().__init__(question, remedy="Say that you are sure, or give the reading again.")
        self.question, self.typed, self.meant = question, typed, meant


@dataclass(frozen=True, slots=True)
class TypedAnswer:
    """What was typed at a step: an outcome or readings, and what was said beside them."""

    typed: tuple[str, ...] = ()
    outcome: str | None = None
    instrument: str = ""
    in_circuit: bool | None = None
    note: str = ""
    sure: bool = False
    skip: str | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    """What was said of the meter now; the facts of the case hold besides."""


def match_outcome(step: Step, typed: str, *, loose: bool = False) -> str | None:
    """The outcome of ``step`` that ``typed`` names, or None.

    With ``loose`` the first letters or the number in the list will do, where they leave no
    doubt; a number is never taken so at a step that wants a reading.
    """
    word = " ".join(typed.split()).casefold()
    names = [*step.targets, "undecided"]
    for name in names:
        if name.casefold() == word:
            return name
    if step.property and word == NOT_KNOWN:
        return "undecided"
    if step.kind == "do" and word in ("done", "d", "y", "yes", "") and loose:
        return "done"
    if not loose or not word:
        return None
    if step.kind == "ask" and word.isdecimal() and 1 <= int(word) <= len(step.targets):
        return list(step.targets)[int(word) - 1]
    begins = [name for name in dict.fromkeys(names) if name.casefold().startswith(word)]
    return begins[0] if len(begins) == 1 else None


def ratings_of(state: State) -> dict[str, Quantity]:
    """The values that differ by model, for this unit: given at the opening, or by its model."""
    opened = state.opened
    model = str(opened.unit.get("model", "")) if opened else ""
    given = dict(opened.ratings) if opened else {}
    given |= {name: value for name, value in state.facts.items() if value != NOT_KNOWN}
    found: dict[str, Quantity] = {}
    for rating in state.tree.ratings.values():
        text = given.get(rating.id, rating.models.get(model))
        if text is not None:
            found[rating.id] = rd.parse_quantity(str(text), rating.unit or None)
    return found


def readings_of(state: State) -> dict[str, Quantity]:
    """The readings of this round by step, the last of each."""
    found: dict[str, Quantity] = {}
    for visit in state.visits:
        kept = visit.event.reading
        if visit.round == state.round and kept and kept.get("value") is not None:
            found[visit.step] = rd.Quantity(
                Decimal(repr(kept["value"])),
                kept["unit"],
                kept.get("kind", ""),
                uncertainty=kept.get("uncertainty"),
            )
    return found


def limits_of(state: State, step: Step) -> Limits | None:
    """The limits of a ``measure`` step as they stand for this unit and walk, or None.

    Values that they are worked out from and the walk does not know are in ``missing``.

    Raises:
        ReadingError: the limits cannot be understood.
    """
    if step.limits is None:
        return None
    return rd.resolve_limits(
        step.limits,
        unit=step.unit,
        readings=readings_of(state),
        ratings=ratings_of(state),
        mains=_mains_of(state),
    )


def _mains_of(state: State) -> dict[str, Quantity]:
    """The mains of this case. A step of the same name, as older trees may have, comes first."""
    known = rd.mains_of(state.opened.mains if state.opened else {})
    return {name: value for name, value in known.items() if name not in state.tree.steps}


@dataclass(frozen=True, slots=True)
class ParsedReading:
    """What was typed at a ``measure`` step, understood but not judged yet."""

    quantities: tuple[Quantity, ...]
    limits: Limits | None
    instrument: Instrument | None = None


def parse_reading(
    state: State, step: Step, entry: TypedAnswer, *, bench: Bench | None = None
) -> ParsedReading:
    """Understand what was typed, and refuse what cannot be judged.

    Raises:
        WalkError: nothing was typed.
        ReadingError: a reading or limit cannot be understood, or does not fit the other.
    """
    if not entry.typed:
        raise WalkError(f"step '{step.id}' wants a reading", remedy="Give a number with its unit.")
    limits = limits_of(state, step)
    unit = limits.place if limits is not None else step.unit
    quantities = tuple(rd.parse_quantity(text, unit) for text in entry.typed)
    instrument = held_instrument(state.tree, bench, entry.instrument)
    if limits is not None and not limits.missing:
        check_reading(quantities, limits, instrument=instrument)
    return ParsedReading(quantities, limits, instrument)


def answer(
    state: State,
    step: Step,
    entry: TypedAnswer,
    *,
    at: str = "",
    bench: Bench | None = None,
    parsed: ParsedReading | None = None,
) -> Event:
    """The event that an entry at a step makes.

    Args:
        at: the time, UTC, ISO 8601.
        bench: the instruments on this bench, for the uncertainty of the reading.
        parsed: what :func:`parse_reading` made of the same entry, so that it is done once.

    Raises:
        DoubtError: the reading looks a prefix off its limits and nobody said to be sure.
        WalkError: the entry does not fit the step.
        ReadingError: a reading or limit cannot be understood.
    """
    if entry.skip is not None:
        return Skipped(at=at, step=step.id, reason=entry.skip)
    named = _named(step, entry)
    if named is not None:
        return Answered(
            at=at, step=step.id, outcome=named, note=entry.note, in_circuit=entry.in_circuit
        )
    if step.kind != "measure":
        raise _no_such_outcome(step, " ".join(entry.typed))
    parsed = parsed or parse_reading(state, step, entry, bench=bench)
    return _measured(step, entry, at, _with_meter(state, entry, parsed))


def _with_meter(state: State, entry: TypedAnswer, parsed: ParsedReading) -> ParsedReading:
    """The reading with what the case knows of the meter."""
    if parsed.limits is None or parsed.limits.missing:
        return parsed
    limits, quantities = taken_with(
        state.tree,
        parsed.limits,
        parsed.quantities,
        parsed.instrument,
        {**state.facts, **entry.facts},
        named=entry.instrument,
    )
    return replace(parsed, limits=limits, quantities=quantities)


def _named(step: Step, entry: TypedAnswer) -> str | None:
    """The outcome an entry names instead of a reading, which a ``measure`` takes too."""
    if entry.outcome is None:
        return match_outcome(step, entry.typed[0]) if len(entry.typed) == 1 else None
    named = match_outcome(step, entry.outcome)
    if named is None:
        raise _no_such_outcome(step, entry.outcome)
    return named


def _no_such_outcome(step: Step, typed: str) -> WalkError:
    choices = ", ".join(step.targets)
    return WalkError(
        f"step '{step.id}' has no outcome '{typed}'" if typed else f"step '{step.id}' needs one",
        remedy=f"Answer one of: {choices}.",
    )


def _measured(step: Step, entry: TypedAnswer, at: str, parsed: ParsedReading) -> Answered:
    outcome, verdict = _decide(step, entry, parsed)
    return Answered(
        at=at,
        step=step.id,
        outcome=outcome,
        reading=_kept(parsed.quantities, verdict, parsed.instrument),
        verdict=verdict,
        instrument=entry.instrument,
        in_circuit=entry.in_circuit,
        note=entry.note,
    )


def _decide(
    step: Step, entry: TypedAnswer, parsed: ParsedReading
) -> tuple[str, Mapping[str, Any] | None]:
    limits = parsed.limits
    if limits is None:
        return "taken", None
    if limits.missing:
        missing = ", ".join(limits.missing)
        return "undecided", _untold(f"not judged: {missing} is not known in this walk")
    if not entry.sure:
        for quantity in parsed.quantities:
            question = rd.doubt(quantity, limits)
            if question is not None:
                raise DoubtError(question, quantity.text, question.meant)
    verdict = rd.judge(
        parsed.quantities,
        limits,
        instrument=parsed.instrument,
        in_circuit=_in_circuit(step, entry),
        never_in_circuit=step.in_circuit == "never",
    )
    return verdict.outcome, verdict.to_record()


def _in_circuit(step: Step, entry: TypedAnswer) -> bool | None:
    """Whether the in-circuit rule applies: unless told otherwise it does where allowed."""
    if step.in_circuit is None:
        return None
    if entry.in_circuit is None:
        return step.in_circuit == "allowed"
    return entry.in_circuit


def _untold(text: str) -> dict[str, Any]:
    return {"verdict": "undecided", "clauses": [["result", text]]}


def _kept(
    quantities: tuple[Quantity, ...],
    verdict: Mapping[str, Any] | None,
    instrument: Instrument | None,
) -> dict[str, Any]:
    """The reading as plain data; several are kept one by one, their mean as the value."""
    first = quantities[0]
    kept: dict[str, Any] = {
        "value": None if first.value is None else float(first.value),
        "unit": first.unit,
        "kind": first.kind,
        "text": first.text,
        "over_range": first.over_range,
    }
    if verdict and verdict.get("corrections") and len(quantities) == 1:
        kept["value"] = verdict["value"]
    if len(quantities) > 1:
        values = [None if one.value is None else float(one.value) for one in quantities]
        known = [value for value in values if value is not None]
        judged = verdict.get("value") if verdict else None
        kept["value"] = judged if judged is not None else sum(known) / max(len(known), 1)
        kept["text"] = ", ".join(one.text for one in quantities)
        kept["readings"] = values
    uncertainty = verdict.get("uncertainty") if verdict else None
    if verdict is None and instrument is not None and first.value is not None:
        uncertainty = instrument.standard_uncertainty(first.value, first.unit, first.kind)
    if uncertainty is not None:
        kept["uncertainty"] = uncertainty
    return kept
