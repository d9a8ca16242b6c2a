"""A case without a tree: readings and notes in any order, then the cause that was found.

The file is YAML::

    unit: {family: glue-gun, serial: tag 51}
    complaint: stays cold
    walk:
      - ask: Is the lead whole?
        answer: whole
        other: broken
      - note: Smells of resin.
      - measure: Resistance of the heater, cold
        reading: over range
        max: 2 kΩ
        minutes: 3
    cause:
      title: Heater open
      remedy: Fit a heater of the same power.
      shown_by: Resistance of the heater, cold
      seen: Gets hot again.

The tree made from it repeats the walk: each answer of the case leads to the next step, every
other answer to a stop that says "not met yet". The reading that showed the cause comes last.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from faulttree.authoring.cause import Cause, Test, new_id, step_of
from faulttree.authoring.operations.new_tree import Start
from faulttree.errors import FaulttreeError, ReadingError, TreeError
from faulttree.reading import judge, parse_quantity, resolve_limits
from faulttree.reading.instruments import USUALLY_NORMAL
from faulttree.tree import Document, Tree
from faulttree.walk.answer import TypedAnswer, answer
from faulttree.walk.events import Closed, Confirmed, Event, Noted, Opened
from faulttree.walk.fold import fold

BEYOND, UNMET = "hand-over", "not-met-yet"
LIMITS = ("nominal", "tolerance", "min", "max", "bands", "component", "quantity", "unit", "source")
LISTS = ("needs", "cautions", "access", "after")
TEXTS = ("how", "in_circuit", "step")
COMMON = frozenset((*LISTS, *TEXTS, "minutes", "live"))
ASKING = frozenset(("ask", "answer", "other"))
MEASURING = frozenset(("measure", "reading", "fine", *LIMITS))
CAUSE = frozenset(
    ("fault", "title", "remedy", "part", "module", "weight", "part_cost", "shown_by", "seen")
)
TOP = frozenset(("unit", "complaint", "walk", "cause"))


@dataclass(frozen=True, slots=True)
class Look:
    """One question or measurement of the case, and its outcome."""

    test: Test
    outcome: str
    text: str
    typed: str


@dataclass(frozen=True)
class FreeCase:
    """A case as read from its file.

    Attributes:
        looks: the questions and measurements, in order.
        shown: the position of the look that showed the cause.
        seen: what confirmed the repair; empty if the unit was not repaired.
    """

    unit: Mapping[str, str]
    complaint: str
    looks: tuple[Look, ...]
    notes: tuple[str, ...]
    cause: Cause
    shown: int
    seen: str = ""
    verdicts: tuple[str, ...] = field(default=())


# -- reading ---------------------------------------------------------------------------


def read_free_case(document: Document) -> FreeCase:
    """Read a case from a file and judge each reading against its limits.

    Raises:
        TreeError: a key is missing or unknown; the error has the line.
        ReadingError: a reading or limit cannot be understood; the error has the line.
    """
    data = document.data
    if not isinstance(data, Mapping):
        raise _wrong(
            document, (), "This file is not a case.", "Begin with unit, complaint, walk, cause."
        )
    _known(document, (), data, TOP)
    walk, cause = data.get("walk"), data.get("cause")
    if not isinstance(walk, list) or not walk:
        raise _wrong(document, ("walk",), "The walk is empty.", "List what was asked and measured.")
    if not isinstance(cause, Mapping):
        raise _wrong(document, ("cause",), "The cause is missing.", "Give title and remedy.")
    _known(document, ("cause",), cause, CAUSE)
    looks, notes, verdicts = _entries(document, walk)
    unit = data.get("unit")
    return FreeCase(
        {key: _text(value) for key, value in unit.items()} if isinstance(unit, Mapping) else {},
        _text(data.get("complaint")),
        tuple(looks),
        tuple(notes),
        _cause(cause),
        _shown(document, looks, _text(cause.get("shown_by"))),
        _text(cause.get("seen")),
        tuple(verdicts),
    )


def _entries(document: Document, walk: list[Any]) -> tuple[list[Look], list[str], list[str]]:
    """What was looked at, the notes, and the verdicts in words."""
    looks, notes, verdicts = [], [], []
    for number, raw in enumerate(walk):
        keys = ("walk", number)
        if not isinstance(raw, Mapping):
            message = "An entry must be a mapping."
            raise _wrong(document, keys, message, "Write ask, measure or note.")
        if set(raw) == {"note"}:
            notes.append(_text(raw["note"]))
            continue
        look, told = _look(document, keys, raw)
        looks.append(look)
        verdicts += [told] if told else []
    return looks, notes, verdicts


def _text(value: Any) -> str:
    return "" if value is None else str(value)


def _wrong(document: Document, keys: tuple[str | int, ...], message: str, remedy: str) -> TreeError:
    line, column = document.place(keys)
    return TreeError(message, path=document.path, line=line, column=column, remedy=remedy)


def _known(
    document: Document, keys: tuple[str | int, ...], raw: Mapping[str, Any], known: frozenset[str]
) -> None:
    for key in raw:
        if key not in known:
            line, column = document.place((*keys, key), of_key=True)
            raise TreeError(
                f"`{key}` is not a key here.",
                path=document.path,
                line=line,
                column=column,
                remedy=f"The keys are {', '.join(sorted(known))}.",
            )


def _look(
    document: Document, keys: tuple[str | int, ...], raw: Mapping[str, Any]
) -> tuple[Look, str]:
    """One entry; for a reading also the sentence of its verdict."""
    if ("ask" in raw) == ("measure" in raw):
        raise _wrong(
            document, keys, "An entry needs one of ask, measure, note.", "Write one of them."
        )
    _known(document, keys, raw, COMMON | (ASKING if "ask" in raw else MEASURING))
    said: dict[str, Any] = {key: _text(raw[key]) for key in TEXTS if key in raw}
    said |= {key: tuple(map(str, raw[key])) for key in LISTS if isinstance(raw.get(key), list)}
    if isinstance(raw.get("minutes"), int | float):
        said["minutes"] = raw["minutes"]
    said["live"] = raw.get("live") is True
    if "ask" in raw:
        given, other = _text(raw.get("answer")), _text(raw.get("other")) or "otherwise"
        if not given or given == other:
            raise _wrong(document, keys, "The answer is missing.", "Give answer, and other.")
        test = Test(ask=_text(raw["ask"]), shows=given, fine=other, **said)
        return Look(test, given, test.ask, given), ""
    return _measured(document, keys, raw, said)


def _measured(
    document: Document, keys: tuple[str | int, ...], raw: Mapping[str, Any], said: dict[str, Any]
) -> tuple[Look, str]:
    limits = {key: raw[key] for key in LIMITS if key in raw}
    reading = _text(raw.get("reading"))
    try:
        resolved = resolve_limits(limits)
        verdict = judge(parse_quantity(reading, resolved.place), resolved)
    except FaulttreeError as error:
        line, column = document.place((*keys, "reading"))
        raise ReadingError(
            error.message, path=document.path, line=line, column=column, remedy=error.remedy
        ) from None
    test = Test(
        measure=_text(raw["measure"]),
        reading=reading,
        fine=_text(raw.get("fine")),
        limits=limits,
        **said,
    )
    look = Look(test, verdict.outcome, test.measure, reading)
    return look, f"{test.measure}: {verdict.as_dict()['text']}"


def _shown(document: Document, looks: list[Look], named: str) -> int:
    """Index of the look that showed the cause: the named one, else the last bad reading."""
    if named:
        found = [at for at, look in enumerate(looks) if named in (look.text, look.test.step)]
        if not found:
            message = f"`{named}` is not an entry of the walk."
            keys = ("cause", "shown_by")
            raise _wrong(document, keys, message, "Repeat the text of the entry.")
        shown = found[-1]
    else:
        outside = [
            at
            for at, look in enumerate(looks)
            if look.test.measure and look.outcome in ("low", "high")
        ]
        if not outside:
            message = (
                "No reading is outside its limits: the entry that showed the cause is unknown."
            )
            raise _wrong(document, ("cause",), message, "Give shown_by.")
        shown = outside[-1]
    if looks[shown].outcome in ("inside", "undecided") and looks[shown].test.measure:
        message = f"The reading of `{looks[shown].text}` is {looks[shown].outcome}."
        raise _wrong(document, ("cause",), message, "Name another entry, or check its limits.")
    return shown


def _cause(raw: Mapping[str, Any]) -> Cause:
    said: dict[str, Any] = {
        key: _text(raw.get(key)) for key in ("fault", "title", "remedy", "part", "module")
    }
    for key in ("weight", "part_cost"):
        if isinstance(raw.get(key), int | float):
            said[key] = raw[key]
    return Cause(**said)


# -- as a tree -------------------------------------------------------------------------


def tree_of_case(start: Start, case: FreeCase, *, day: str) -> dict[str, Any]:
    """Convert the walk to a tree document.

    Args:
        start: id, title and symptoms of the tree.
        case: the walk.
        day: date of the evidence, as YYYY-MM-DD.

    Raises:
        TreeError: the case lacks a needed value.
    """
    looks = [*(look for at, look in enumerate(case.looks) if at != case.shown),
             case.looks[case.shown]]  # fmt: skip
    looks = [look for look in looks if look.outcome != "undecided"]
    fault = case.cause.fault or new_id(case.cause.title, {BEYOND, UNMET})
    steps = _steps(looks, fault)
    names = list(steps)
    good = replace(looks[-1].test, shows=looks[-1].outcome).good
    data: dict[str, Any] = {
        **start.head(),
        **({"modules": [case.cause.module]} if case.cause.module else {}),
    }
    states = list(dict.fromkeys(state for look in looks for state in look.test.access))
    if states:
        data["access"] = {state: {} for state in states}
    proof = {"step": names[-1], "gives": good}
    stops = {BEYOND: {"title": "Beyond this tree", "reason": "out-of-scope"}}
    if len(looks) > 1:
        stops[UNMET] = {"title": "Not met on this bench yet", "reason": "out-of-scope"}
    data |= {
        "start": names[0],
        "steps": steps,
        "faults": {
            fault: {**case.cause.as_data(), "confirm": proof, "evidence": [_evidence(case, day)]}
        },
        "stops": stops,
    }
    return {**data, "closing": list(start.closing)} if start.closing else data


def _steps(looks: list[Look], fault: str) -> dict[str, Any]:
    """The steps in the order of the walk; the last one leads to the fault."""
    taken, names = {BEYOND, UNMET, fault}, list[str]()
    for look in looks:
        names.append(look.test.step or new_id(look.text, taken))
        taken.add(names[-1])
    steps: dict[str, Any] = {}
    for name, look, onward in zip(names, looks, [*names[1:], fault], strict=True):
        test = replace(look.test, step=name, shows=look.outcome)
        steps[name] = _step(test, onward, BEYOND if onward == fault else UNMET)
    return steps


def _evidence(case: FreeCase, day: str) -> dict[str, str]:
    """The evidence for the fault: confirmed only if a repair held, else reported."""
    unit = case.unit.get("serial") or case.unit.get("tag") or "a unit without a tag"
    said = {"kind": "confirmed" if case.seen else "reported", "source": f"this bench, {unit}"}
    return {**said, "date": day, **({"reason": case.seen} if case.seen else {})}


def _step(test: Test, onward: str, other: str) -> dict[str, Any]:
    """A step: the outcome of the case leads to ``onward``, every other one to ``other``."""
    if test.measure and test.shows == "inside":
        step = step_of(replace(test, shows=_other_than_inside(test)), other, onward)
        step["results"] = {o: onward if o == "inside" else other for o in step["results"]}
        return step
    return step_of(test, onward, other)


def _other_than_inside(test: Test) -> str:
    return next(outcome for outcome in test.outcomes if outcome != "inside")


# -- as a recorded case ----------------------------------------------------------------


def events_of(case: FreeCase, tree: Tree, at: str) -> Iterator[Event]:
    """The events of a walk of the case on its tree, for the record.

    Args:
        case: the case.
        tree: the tree made from it.
        at: time of recording, UTC, ISO 8601.
    """
    fault = next(iter(tree.faults))
    events: list[Event] = [
        Opened(
            at=at,
            tree=tree.id,
            tree_hash=tree.hash,
            unit={**case.unit, "family": tree.family},
            complaint=case.complaint,
            scripted=True,
            usually_normal=USUALLY_NORMAL,
        )
    ]
    events += [Noted(at=at, text=note) for note in case.notes]
    typed = {look.text: look.typed for look in case.looks}
    state = fold(tree, events)
    while state.ask is not None and state.phase == "finding":
        entry = TypedAnswer(typed=(typed[state.ask.text],), in_circuit=False, sure=True)
        events.append(answer(state, state.ask, entry, at=at))
        state = fold(tree, events)
    if case.seen:
        events.append(Confirmed(at=at, fault=fault, seen=case.seen))
    result = "fixed" if case.seen else "found"
    events.append(Closed(at=at, result=result, fault=fault, became="waiting"))
    yield from events
