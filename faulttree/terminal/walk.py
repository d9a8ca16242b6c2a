"""A walk at a terminal: prompts are drawn, lines are read, events are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.cases.projection import CaseProjection
from faulttree.errors import FaulttreeError
from faulttree.reading.verdict_text import said_once
from faulttree.session import (
    Accepted,
    Ask,
    Message,
    Prompt,
    Refused,
    Reply,
    Show,
    follow,
    next_prompt,
    read_typed,
    reply,
)
from faulttree.session.waits import cut_short, wait_left
from faulttree.terminal import screens
from faulttree.terminal.drawing import draw, question, show_view
from faulttree.terminal.open_case import Leaving
from faulttree.texts import minutes_text
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.session import Result, Wait
    from faulttree.terminal.open_case import OpenCase
    from faulttree.walk.state import State

__all__ = ["sit"]


def sit(case: OpenCase) -> State:
    """Walk until the case is closed, the technician pauses or nothing is left to do.

    Raises:
        Leaving: the technician pauses; everything said so far is kept.
        AwayError: the input ended or was interrupted; likewise.
        FaulttreeError: nothing more can be kept.
    """
    from faulttree.cases import SequenceTaken

    _wait_out(case)
    _take_safely(case, follow(case.position, case.context, Accepted()))
    asked: Prompt | None = None
    while case.state.phase != "closed":
        try:
            asked = _one_prompt(case, asked)
        except SequenceTaken as taken:
            case.complain(taken)
            asked = None
    return case.state


def _one_prompt(case: OpenCase, asked: Prompt | None) -> Prompt | None:
    """Put one prompt and take the reply; gives the sub-question to put next, if any."""
    from faulttree.cases import SequenceTaken

    prompt = asked or next_prompt(case.position, case.context)
    if draw(case, prompt) and prompt.wait is not None:
        wait(case, prompt.wait)
    text = _typed_in_wait(case, prompt) or case.console.ask(
        question(prompt), _completions(prompt), case.status
    )
    given = _given(case, prompt, read_typed(prompt, text))
    result: Result = (
        Refused(given)
        if isinstance(given, FaulttreeError)
        else reply(case.position, case.context, prompt, given)
    )
    if isinstance(result, Ask):
        return result.prompt
    if isinstance(result, Refused):
        case.complain(result.error)
        return asked
    if isinstance(result, Show):
        show_view(case, prompt, result.view)
        return asked
    try:
        _take(case, result)
    except SequenceTaken:
        raise
    except FaulttreeError as error:
        case.complain(error)
        return asked
    return None


def _typed_in_wait(case: OpenCase, prompt: Prompt) -> str:
    """What was typed during the wait before this prompt; a caution is read first."""
    if prompt.kind == "cautions" or not case.pending:
        return ""
    text, case.pending = case.pending, ""
    case.say(f"Typed during the wait: {text}")
    return text


def _completions(prompt: Prompt) -> list[str]:
    return [*(one.id for one in prompt.choices), *prompt.actions]


def _given(case: OpenCase, prompt: Prompt, given: Reply) -> Reply | FaulttreeError:
    """The reply with what only this machine knows: the seconds taken, the photo in a file."""
    from dataclasses import replace

    if given.action == "photo" and given.text:
        try:
            return replace(given, photo=case.photo(given.text))
        except FaulttreeError as error:
            return error
    if prompt.kind in ("step", "in-circuit", "again", "slip"):
        return replace(given, seconds=case.stopwatch() - case.began)
    return given


def _take_safely(case: OpenCase, result: Accepted) -> None:
    from faulttree.cases import SequenceTaken

    try:
        _take(case, result)
    except SequenceTaken as taken:
        case.complain(taken)


def _take(case: OpenCase, result: Accepted) -> None:
    """Keep the events of a reply, then tell what came of it."""
    for message in result.messages:
        if message.verdict is not None:
            _tell(case, message)
    for event in result.events:
        case.journal.add(event)
    for message in result.messages:
        if message.verdict is None:
            _tell(case, message)
    if any(isinstance(event, ev.NotConfirmed | ev.RepairTried) for event in result.events):
        case.console.show(screens.open_view(case.state, case.console.width))
    if result.meter is not None:
        case.meter = result.meter
    if result.wait is not None:
        wait(case, result.wait)
    case.onward = result.onward or case.onward
    if case.state.phase == "closed" and any(isinstance(e, ev.Closed) for e in result.events):
        _tell_closed(case)
    if result.leave:
        raise Leaving


def _tell(case: OpenCase, message: Message) -> None:
    """Tell a message; what holds for every verdict alike only the first time."""
    if message.verdict is None:
        case.say(message.text, message.style)
        return
    width = case.console.width
    view = screens.verdict_view(
        message.verdict, message.outcome, width, told=case.told, short=case.brief
    )
    case.console.show(view)
    case.told.update(said_once(message.verdict))


def _tell_closed(case: OpenCase) -> None:
    state = case.state
    closed = state.closed
    assert closed is not None
    failed = ", closing check FAILED" if state.unfit is not None else ""
    measured = CaseProjection(case.journal.events).row["minutes"]
    spent = f"{minutes_text(state.minutes)} by the tree"
    if measured:
        spent = f"{minutes_text(measured)} measured, {spent}"
    text = f"{case.label} is closed: {closed.result}{failed}, {closed.became}; {spent}."
    case.say(text, "title")


def _wait_out(case: OpenCase) -> None:
    """What is left of the wait after a step, where the walk was paused in the middle of it."""
    left = wait_left(case.position, case.now)
    if left is not None:
        wait(case, left)


def wait(case: OpenCase, pause: Wait) -> None:
    """Let a time pass. Where it was cut short, the case says so: a soak of a minute is none.

    Nothing typed meanwhile is lost: a note is recorded and the wait goes on; anything else
    ends the wait and is the answer to the next prompt.
    """
    began, left = case.stopwatch(), pause.seconds
    while True:
        over, typed = case.console.pause(left, pause.step)
        if not typed.casefold().startswith("note "):
            break
        case.journal.add(ev.Noted(at=case.now, text=typed[5:].strip(), step=pause.step))
        case.say("Noted.")
        left = max(0.0, pause.seconds - (case.stopwatch() - began))
    case.pending = typed
    if not over:
        case.journal.add(cut_short(case.journal.tree, pause, case.now))
