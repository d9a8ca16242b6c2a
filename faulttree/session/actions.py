"""The words that work beside an answer: back, skip, note, go, meter, repaired, pause, …"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.session.corrections import begin_correction, repair_taken_back
from faulttree.session.endings import give_up
from faulttree.session.facts import told_fact
from faulttree.session.jumps import asked_jump, head_for
from faulttree.session.model import (
    Accepted,
    Ask,
    Carry,
    Message,
    Position,
    Prompt,
    Refused,
    Reply,
    Result,
    Show,
)
from faulttree.session.prompts import next_prompt, text_prompt
from faulttree.session.repairs import begin_repair
from faulttree.session.words import noted, skipped
from faulttree.walk import events as ev
from faulttree.walk.advisor import untested
from faulttree.walk.fold import fold
from faulttree.walk.follow_up import answered_by_facts
from faulttree.walk.history import is_still

if TYPE_CHECKING:
    from faulttree.session.model import Context
    from faulttree.walk.state import State

__all__ = ["act", "chosen_step"]

VIEWS = frozenset({"?", "how", "why", "suspects", "path", "similar"})
MOST_NEAR = 6
"""Steps named where none is called so: a large tree has a hundred."""

FROM_ANSWER = 2
"""Similar cases are told from this answer on: one alone tells too little."""
Action = Callable[[Position, "Context", Prompt, Reply], Result]


def act(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """Do what a word asks.

    Raises:
        FaulttreeError: the word does not fit here.
    """
    word = given.action
    if word not in prompt.actions:
        words = ", ".join(f"'{one}'" for one in prompt.actions) or "none"
        return Refused(WalkError(f"'{word}' does not work here", remedy=f"Words that do: {words}."))
    if word == "back" and _within(position, context, prompt):
        return Accepted((), (Message("Nothing of it was recorded."),))
    if word == "similar" and len(position.state.path) < FROM_ANSWER:
        message = "too little is known for similar cases"
        return Refused(WalkError(message, remedy="They are told from the second answer on."))
    if word in VIEWS:
        return Show(word, given.text)
    return ACTIONS[word](position, context, prompt, replace(given, text=given.text.strip()))


def _within(position: Position, context: Context, prompt: Prompt) -> bool:
    """Whether a sub-question is asked, of which nothing is recorded yet."""
    return prompt.carry is not None and prompt.id != next_prompt(position, context).id


def _correct(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    return begin_correction(position, given.text)


def _step_id(prompt: Prompt) -> str:
    return prompt.step.id if prompt.step is not None else ""


def _skip(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    step = _step_id(prompt)
    if given.text:
        return skipped(position, context, step, given.text)
    carry = Carry("skip", {"step": (step,)})
    return Ask(text_prompt(position, "Why can it not be done now?", carry, prompt.step))


def _note(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    step = _step_id(prompt)
    if given.text:
        return noted(context, given.text, step)
    return Ask(text_prompt(position, "Note", Carry("note", {"step": (step,)}), prompt.step))


def _photo(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """A picture that the face has kept; a path that was typed means nothing here."""
    if given.photo is None:
        return Refused(
            WalkError("name the file: photo PATH", remedy="Give the path of the picture.")
        )
    event = replace(given.photo, at=context.now, step=_step_id(prompt))
    told = f"The photo is kept: {event.width} × {event.height} pixels."
    return Accepted((event,), (Message(told),))


def _go(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    name = chosen_step(position.state, given.text)
    if name is None:
        from difflib import get_close_matches

        near = get_close_matches(given.text, position.tree.diagnostic, n=MOST_NEAR, cutoff=0.5)
        listed = near or position.tree.diagnostic[:MOST_NEAR]
        message = f"there is no step '{given.text}'" if given.text else "name a step: go STEP"
        remedy = f"Steps with a name like it: {', '.join(listed)}."
        return Refused(
            WalkError(message, remedy=remedy if near else f"Such as {', '.join(listed)}.")
        )
    return head_for(position, context, name, "asked")


def _set(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    name, _, value = given.text.partition(" ")
    if not name:
        return Show("set")
    return told_fact(position, context, name, value.strip())


def _meter(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    name = given.text
    known = dict(context.bench.instruments) if context.bench else {}
    if name and name not in known:
        listed = (
            f"On the bench: {', '.join(known)}."
            if known
            else "None is declared: write a bench.yaml, and name it with --bench."
        )
        return Refused(WalkError(f"there is no instrument '{name}'", remedy=listed))
    told = [Message(f"Instrument in use: {name or 'none, so verdicts are plain'}.")]
    if name and known[name].overdue(context.now[:10]):
        told.append(Message(f"Its calibration was due on {known[name].due}.", "warning"))
    return Accepted((), tuple(told), meter=name)


def _back(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    many = given.text
    steps = int(many) if many.isdecimal() and int(many) > 0 else 1
    events, state = position.events, position.state
    steps += answered_by_facts(state)
    last = next((at for at in reversed(range(len(events))) if not is_still(events[at])), 0)
    if isinstance(events[last], ev.Stopped):
        return Accepted((ev.WentBack(at=context.now, steps=0),), (Message("Taken up again."),))
    over_repair = repair_taken_back(position, context)
    if over_repair is not None:
        return over_repair
    if isinstance(events[last], ev.LikelyAccepted):
        told = "No longer taken for the cause."
        return Accepted((ev.Withdrawn(at=context.now, target=last),), (Message(told),))
    if isinstance(events[last], ev.Jumped) and (
        fold(position.tree, events[:last]).phase in ("likely", "found")
    ):
        return Accepted((ev.Withdrawn(at=context.now, target=last),), (Message("Not gone there."),))
    if asked_jump(events[last]):
        before = fold(position.tree, events[:last])
        if before.ask is not None:
            return Accepted((ev.Jumped(at=context.now, step=before.ask.id, cause="back"),))
    back = ev.WentBack(at=context.now, steps=steps)
    after = position.after(back).state
    if (len(after.visits), after.skipped) == (len(state.visits), state.skipped):
        return Accepted((), (Message("There is nothing to take back here."),))
    gone = after.withdrawn[len(state.withdrawn) :]
    said = ", ".join(f"{one.step} {one.outcome}" for one in gone) or "the skip"
    told = f"Taken back: {said}. It stays in the record as taken back."
    return Accepted((back,), (Message(told),))


def _repaired(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    return begin_repair(position, context, given.text)


def _pause(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    return Accepted(leave=True)


def _give_up(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    return give_up(position, context)


ACTIONS: Mapping[str, Action] = {
    "back": _back,
    "correct": _correct,
    "skip": _skip,
    "note": _note,
    "photo": _photo,
    "go": _go,
    "set": _set,
    "meter": _meter,
    "repaired": _repaired,
    "pause": _pause,
    "give up": _give_up,
}


def chosen_step(state: State, typed: str) -> str | None:
    """The step that was named, or the number of an open suspect's first step."""
    name = typed.strip()
    if name in state.tree.diagnostic:
        return name
    if name in state.tree.uses and name not in state.tree.closing:
        return state.tree.uses[name].start
    suspects = untested(state)
    if name.isdecimal() and 1 <= int(name) <= len(suspects) and suspects[int(name) - 1].tests:
        return suspects[int(name) - 1].tests[0]
    near = [step for step in state.tree.diagnostic if name and step.startswith(name)]
    return near[0] if len(near) == 1 else None
