"""What a reply brings about: events to keep, a further question, or a refusal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError, WalkError
from faulttree.session import step_replies as steps
from faulttree.session.actions import act
from faulttree.session.endings import (
    decline,
    ended,
    fit_again,
    kept_modules,
    make_checks,
    other_tree,
    pick_suspect,
    placed,
)
from faulttree.session.facts import fact_told
from faulttree.session.intake import taken_in
from faulttree.session.jumps import guard_passed, guarded, jump_past, jump_text
from faulttree.session.likely import decide_likely
from faulttree.session.model import (
    Accepted,
    Context,
    Kind,
    Message,
    Position,
    Prompt,
    Refused,
    Reply,
    Result,
)
from faulttree.session.prompts import next_prompt
from faulttree.session.repairs import proved, repaired, seen
from faulttree.session.words import words_given
from faulttree.walk import events as ev
from faulttree.walk.advisor import choose
from faulttree.walk.block_text import block_text
from faulttree.walk.follow_up import by_itself, follow_ups, known_answer
from faulttree.walk.history import is_still
from faulttree.walk.repair import conclude
from faulttree.walk.standing import reached, threshold_of

if TYPE_CHECKING:
    from faulttree.walk.events import Event

__all__ = ["follow", "reply"]

Handler = Callable[[Position, Context, Prompt, Reply], Result]


def _fact(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """What the unit is; or what the meter is, where a reading waits for that."""
    told = fact_told if prompt.carry is None else steps.meter_told
    return told(position, context, prompt, given)


HANDLERS: Mapping[Kind, Handler] = {
    "intake": taken_in,
    "cautions": steps.cautions_read,
    "step": steps.answered,
    "correct": steps.answered,
    "in-circuit": steps.isolated,
    "slip": steps.meant,
    "again": steps.measured_again,
    "likely": decide_likely,
    "fault": repaired,
    "proof": proved,
    "seen": seen,
    "unsafe-jump": jump_past,
    "suspects": pick_suspect,
    "declined": decline,
    "ending": ended,
    "unfit": fit_again,
    "place": placed,
    "modules": kept_modules,
    "other-tree": other_tree,
    "text": words_given,
    "fact": _fact,
    "owed": make_checks,
}


LONGEST = 400
"""Characters of an answer or of some readings; words may be longer."""

WORDS: frozenset[Kind] = frozenset({"intake", "fault", "seen", "declined", "text"})
"""Prompts that take any words."""


def reply(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """What a reply to a prompt brings about.

    Args:
        position: the case as far as it has come.
        context: the world as the face sees it.
        prompt: what was asked; :func:`next_prompt`, or the prompt of an :class:`Ask`.
        given: the reply, with the prompt's ``carry``.

    Returns:
        The events to keep in one transaction, what to ask first, a view to show, or why the
        reply does not fit. The same reply at the same position always gives the same result.
    """
    stale = next_prompt(position, context).id.turn != given.prompt.turn
    if stale or given.prompt.case != position.case:
        error = WalkError(
            "the walk has moved on since this was asked", remedy="Look at the present question."
        )
        return Refused(error)
    if len(given.text) > LONGEST and prompt.kind not in WORDS and given.action == "answer":
        remedy = "Type the answer alone; 'note' and the words behind it keep more."
        message = f"this line is too long for an answer: {len(given.text)} characters"
        return Refused(WalkError(message, remedy=remedy))
    try:
        if given.action != "answer":
            result = act(position, context, prompt, given)
        else:
            result = HANDLERS[prompt.kind](position, context, prompt, given)
        return follow(position, context, result) if isinstance(result, Accepted) else result
    except FaulttreeError as error:
        return Refused(error)


def follow(position: Position, context: Context, result: Accepted) -> Accepted:
    """The result with the events that follow by themselves.

    These are: the step that a guard was put before; the conclusion of a proof; where a skip
    stands in the way, the step with the most still to be learned; and where the walk came to a
    fault, how sure it is.
    """
    if result.leave:
        return result
    messages: list[Message] = list(result.messages)
    here = _with(position, context, result.events)
    while (step := _next_by_itself(here, context)) is not None:
        here = _with(here, context, step.events)
        messages += step.messages
    here = _standing(position, here, context)
    events = here.events[len(position.events) :]
    return replace(result, events=events, messages=tuple(messages))


def _with(position: Position, context: Context, events: Iterable[Event]) -> Position:
    """The case after some events, each with the checks and facts that it completes."""
    here = position
    for event in events:
        after = here.after(event)
        found = follow_ups(here.state, after.state, at=context.now)
        here = after.after(*found)
    return here


def _standing(before: Position, here: Position, context: Context) -> Position:
    """The case with how sure the fault is, where what happened now led to one.

    A case of an earlier version that stands at a fault was decided then: it reads as found.
    """
    if all(is_still(event) for event in here.events[len(before.events) :]):
        return here
    found = reached(here.state, threshold=threshold_of(context.bench), at=context.now)
    return here if found is None else here.after(found)


def _next_by_itself(position: Position, context: Context) -> Accepted | None:
    state = position.state
    if state.phase == "closed":
        return None
    conclusion = conclude(state, at=context.now)
    if conclusion is not None:
        return _concluded(position, conclusion)
    passed = guard_passed(position, context)
    if passed is not None:
        return passed
    if state.needs_fact is not None:
        return None
    gone, answered = by_itself(position.events)
    known = known_answer(state, at=context.now)
    if known is not None and known.step not in answered:
        text = f"{known.step}: {known.outcome}, known ({known.fact})."
        return Accepted((known,), (Message(text),))
    if state.ask is not None or state.phase in ("found", "likely", "confirming"):
        return None
    jump = choose(replace(state, unreachable=state.unreachable | gone), at=context.now)
    if jump is None:
        return None
    jump = guarded(state, jump)
    barred = f"{block_text(state)} " if state.block else ""
    if state.end is not None:
        barred = "Something was skipped on the way here, so this is not the end yet. "
    told = Message(f"{barred}On to '{jump.step}': {jump_text(jump)}.", "warning")
    return Accepted((jump,), (told,))


def _concluded(position: Position, conclusion: ev.Confirmed | ev.NotConfirmed) -> Accepted:
    fault = position.tree.faults.get(conclusion.fault)
    title = fault.title if fault else conclusion.fault
    if isinstance(conclusion, ev.Confirmed):
        told = [Message(f"Confirmed: {title}.", "good")]
        if position.tree.closing:
            told.append(Message("Before the unit goes back:", "title"))
    else:
        told = [Message(f"Still faulty after the repair of '{title}'. Looking further.", "bad")]
    return Accepted((conclusion,), tuple(told))
