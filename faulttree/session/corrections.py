"""An earlier answer put right, a repair or its conclusion taken back. Only events are added."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faulttree.errors import WalkError
from faulttree.session.model import Accepted, Ask, Carry, Message, Position, Result, Show
from faulttree.session.prompts import correct_prompt, text_prompt
from faulttree.walk import events as ev
from faulttree.walk.fold import fold
from faulttree.walk.follow_up import BY_THE_PROGRAM, fact_named
from faulttree.walk.history import REPAIRS, history, is_still
from faulttree.walk.rejudge import judged_again

if TYPE_CHECKING:
    from faulttree.session.model import Context
    from faulttree.walk.history import Entry
    from faulttree.walk.state import State

__all__ = [
    "as_corrected",
    "begin_correction",
    "conclusions_undone",
    "judged_text",
    "repair_taken_back",
    "state_before",
]


def begin_correction(position: Position, name: str) -> Result:
    """Ask again what an earlier step gave, by its name or its number in ``path``.

    Raises:
        WalkError: no answer that counts has this name or number, or a later repair rests on it.
    """
    if not name:
        return Show("path")
    answers = [one for one in history(position.events).standing if _answer(one)]
    wanted = name.casefold()
    named = [one for one in answers if getattr(one.event, "step", "").casefold() == wanted]
    if name.isdecimal() and 1 <= int(name) <= len(answers):
        named = [answers[int(name) - 1]]
    if not named and (fact := fact_named(position.tree, name)):
        carry = Carry("set", {"name": (fact,)})
        return Ask(text_prompt(position, f"What is right for '{name}'?", carry))
    if not named:
        remedy = "'path' lists the answers by number: correct 2."
        raise WalkError(f"no answer is called '{name[:60]}'", remedy=remedy)
    entry = named[-1]
    assert isinstance(entry.event, ev.Answered)
    step = position.tree.steps.get(entry.event.step)
    if step is None:
        raise WalkError(f"the tree no longer has the step '{name[:60]}'", remedy="Write a note.")
    _conclusion_after(position, entry.sequence)
    carry = Carry("correct", {"target": (str(entry.sequence),)})
    kept = entry.event.reading
    was = f"{kept['text']} " if kept else ""
    told = Message(f"Recorded so far: {step.id}: {was}{entry.event.outcome}.")
    return Ask(correct_prompt(state_before(position, carry), position, step, carry, told))


def _answer(entry: Entry) -> bool:
    return isinstance(entry.event, ev.Answered)


def state_before(position: Position, carry: Carry | None) -> State:
    """The walk as it stood before the answer that is corrected; as it stands where none is."""
    target = carry.one("target") if carry is not None else ""
    if not target:
        return position.state
    told = history(position.events).standing
    return fold(position.tree, [one.event for one in told if one.sequence < int(target)])


def as_corrected(position: Position, context: Context, target: int, event: ev.Answered) -> Accepted:
    """The events that put an answer right: what it should have been, and what rests on it.

    Readings whose limits are computed from it are judged again now and kept with the
    correction. The conclusion of a proof that rested on it is taken back, so that it is drawn
    again.
    """
    standing = {one.sequence: one.event for one in history(position.events).standing}
    before = standing[target]
    assert isinstance(before, ev.Answered)
    values: dict[str, Any] = {
        "outcome": event.outcome,
        "reading": event.reading,
        "verdict": event.verdict,
    }
    standing[target] = replace(before, **values)
    decided = tuple(judged_again(position.tree, standing, [event.step], target, context.bench))
    made: list[ev.Event] = [ev.Corrected(at=context.now, target=target, decided=decided, **values)]
    made += conclusions_undone(position, context, [target], decided)
    step = position.tree.steps[event.step]
    if step.property and event.outcome != "undecided":
        made.append(
            ev.FactGiven(at=context.now, name=step.property, value=event.outcome, source="set")
        )
    told = f"Corrected: {event.step} is {event.outcome}. The first answer stays in the record."
    messages = [Message("", verdict=event.verdict, outcome=event.outcome)] if event.verdict else []
    messages.append(Message(told, "good"))
    messages += judged_text(position, decided)
    return Accepted(tuple(made), tuple(messages))


def judged_text(position: Position, decided: Iterable[Mapping[str, Any]]) -> list[Message]:
    """Which readings were judged again, and what they came to."""
    steps = {at: getattr(event, "step", "") for at, event in enumerate(position.events)}
    return [Message(f"Judged again: {steps[one['target']]}: {one['outcome']}.") for one in decided]


def conclusions_undone(
    position: Position,
    context: Context,
    targets: Iterable[int],
    decided: Iterable[Mapping[str, Any]],
) -> list[ev.Event]:
    """The conclusions of proofs that rested on changed answers, taken back to be drawn again."""
    found = {_conclusion_after(position, target) for target in targets}
    for one in decided:
        with suppress(WalkError):  # A later repair followed from it: that one stands.
            found.add(_conclusion_after(position, one["target"]))
    made: list[ev.Event] = []
    for conclusion in sorted(one for one in found if one is not None):
        made += _withdrawn(position, context, conclusion)
    return list(dict.fromkeys(made))


def _conclusion_after(position: Position, target: int) -> int | None:
    """The conclusion of the proof that an answer belongs to, by its sequence.

    Raises:
        WalkError: another repair was made since: what it followed from can no longer change.
    """
    entries = history(position.events).standing
    tried = [one.sequence for one in entries if isinstance(one.event, ev.RepairTried)]
    if not any(sequence < target for sequence in tried):
        return None
    later = [one for one in entries if one.sequence > target and isinstance(one.event, REPAIRS)]
    if not later or isinstance(later[0].event, ev.RepairTried):
        return None
    if any(isinstance(one.event, ev.RepairTried) for one in later):
        raise WalkError(
            "another repair was made since, because of this answer",
            remedy="Write what was wrong as a note; the later repair stands.",
        )
    return later[0].sequence


def _withdrawn(position: Position, context: Context, conclusion: int) -> list[ev.Event]:
    """A conclusion taken back, and the jumps that the program made because of it."""
    jumps = [
        one.sequence
        for one in history(position.events).standing
        if one.sequence > conclusion
        if isinstance(one.event, ev.Jumped) and one.event.cause in BY_THE_PROGRAM
    ]
    return [ev.Withdrawn(at=context.now, target=target) for target in (conclusion, *jumps)]


def repair_taken_back(position: Position, context: Context) -> Accepted | None:
    """Going back over a repair or what was concluded of it; None where the last thing is none."""
    entries = history(position.events).standing
    for at, entry in reversed(list(enumerate(entries))):
        event = entry.event
        program = isinstance(event, ev.Jumped) and event.cause in BY_THE_PROGRAM
        if is_still(event) or program:
            continue
        if isinstance(event, ev.RepairTried):
            told = Message("Taken back: the repair. It stays in the record as taken back.")
            return Accepted((ev.Withdrawn(at=context.now, target=entry.sequence),), (told,))
        if not isinstance(event, ev.Confirmed | ev.NotConfirmed):
            return None
        made = _withdrawn(position, context, entry.sequence)
        last = next((one for one in reversed(entries[:at]) if _answer(one)), None)
        if event.step and last is not None:
            made.append(ev.Withdrawn(at=context.now, target=last.sequence))
        told = Message("Taken back: what was concluded of the repair, and the reading for it.")
        return Accepted(tuple(made), (told,))
    return None
