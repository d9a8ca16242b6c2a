"""Prompts drawn as lines of a terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from faulttree.session.prompts import ACTIONS, open_suspects, outcomes_of
from faulttree.terminal import screens
from faulttree.terminal.advice_text import (
    suspects_before_stopping,
    suspects_view,
    why_view,
    worth_view,
)
from faulttree.texts import spell
from faulttree.walk.block_text import block_text

if TYPE_CHECKING:
    from faulttree.session import Kind, Prompt
    from faulttree.terminal.console import Line
    from faulttree.terminal.open_case import OpenCase
    from faulttree.walk.state import State

__all__ = ["draw", "end_lines", "question", "show_view"]


def draw(case: OpenCase, prompt: Prompt) -> bool:
    """Show what belongs to a prompt, unless it stands there already; True where it is new."""
    if case.shown == prompt.id:
        return False
    case.shown = prompt.id
    if prompt.kind in ("step", "cautions"):
        case.began = case.stopwatch()
    for message in prompt.messages:
        if message.verdict is not None:
            lines = screens.verdict_view(
                message.verdict, message.outcome, case.console.width, told=case.told
            )
            case.console.show(lines)
        else:
            case.say(message.text, message.style)
    drawing = DRAWINGS.get(prompt.kind)
    if drawing is not None:
        drawing(case, prompt)
    return True


def _cautions(case: OpenCase, prompt: Prompt) -> None:
    width = case.console.width
    book = case.state.tree.known_cautions
    lines: list[Line] = [[("", "")]]
    for name in prompt.cautions:
        lines += screens.caution_view(book.get(name), name, width)
    case.console.show(lines)


def _step(case: OpenCase, prompt: Prompt) -> None:
    assert prompt.step is not None
    case.show_step(prompt.step, brief=prompt.brief)


def _fact(case: OpenCase, prompt: Prompt) -> None:
    """A property with its values by number; ``not-known`` is the last."""
    width = case.console.width
    what = "unit" if prompt.carry is None else "meter"
    if not case.brief:
        case.console.show(screens.heading(case.state, f"the {what} · {prompt.id.subject}", width))
    case.console.show(screens.labelled(what.upper(), prompt.text, width, style="title"))
    # A rating is a value with its unit; Enter says that it is not known.
    listed = [
        f"{number} {one.id}{f': {one.text}' * (one.text != one.id)}"
        for number, one in enumerate(() if prompt.unit else prompt.choices, 1)
    ]
    if listed:
        case.console.show(screens.labelled("", ", ".join(listed), width))


def _facts_known(case: OpenCase, prompt: Prompt) -> None:
    case.console.show(screens.facts_view(case.state, case.console.width))


def _fault(case: OpenCase, prompt: Prompt) -> None:
    fault = case.state.tree.faults[prompt.id.subject]
    case.console.show(screens.fault_view(case.state, fault, case.console.width))


def _likely(case: OpenCase, prompt: Prompt) -> None:
    fault = case.state.tree.faults[prompt.id.subject]
    case.console.show(screens.likely_view(case.state, fault, case.console.width))
    _choices(case, prompt)


def _suspects(case: OpenCase, prompt: Prompt) -> None:
    state, width = case.state, case.console.width
    if state.ask is None:
        case.console.show(end_lines(state, width))
    case.console.show(suspects_before_stopping(state, open_suspects(state), width))
    case.console.show(worth_view(state, case.bench, width))


def _end(case: OpenCase, prompt: Prompt) -> None:
    case.console.show(end_lines(case.state, case.console.width))
    if prompt.kind == "ending":
        _choices(case, prompt)


def _choices(case: OpenCase, prompt: Prompt) -> None:
    """Numbered choices, each with what it means."""
    for number, one in enumerate(prompt.choices, 1):
        means = f": {one.text}" if one.text != one.id else ""
        text = f"{number} {one.id}{means}"
        case.console.show(screens.text_lines(text, case.console.width, indent="  "))


def _slip(case: OpenCase, prompt: Prompt) -> None:
    case.say(prompt.text, "warning")
    for number, one in enumerate(prompt.choices, 1):
        text = f"{number} {one.text}"
        case.console.show(screens.text_lines(text, case.console.width, indent="  "))


DRAWINGS: Mapping[Kind, Callable[[OpenCase, Prompt], None]] = {
    "cautions": _cautions,
    "step": _step,
    "fact": _fact,
    "likely": _likely,
    "fault": _fault,
    "suspects": _suspects,
    "ending": _end,
    "other-tree": _end,
    "unfit": _choices,
    "place": _choices,
    "modules": _choices,
    "slip": _slip,
    "correct": _slip,
}


def question(prompt: Prompt) -> str:
    """The line behind which is typed."""
    if prompt.kind == "cautions":
        return f"{prompt.text} Enter: yes › "
    if prompt.kind in ("step", "correct"):
        return _step_question(prompt)
    if prompt.kind == "fact":
        return f"{prompt.id.subject} › "
    if prompt.kind == "slip":
        return "number › "
    if prompt.kind == "likely":
        first = "number to test it first (Enter: 1)" if len(prompt.choices) > 1 else "no test left"
        return f"{first}, '{prompt.choices[-1].id}' to repair it all the same › "
    if prompt.kind == "suspects":
        numbers = [one for one in prompt.choices if one.id != "stop"]
        if not numbers:
            return "'stop' to stop › "
        return "number to test it now (Enter: 1), 'stop' to stop › "
    if {one.id for one in prompt.choices} == {"yes", "no"} or prompt.id.subject == "still":
        return f"{prompt.text} yes / no › "
    return f"{prompt.text} › "


def _step_question(prompt: Prompt) -> str:
    step = prompt.step
    assert step is not None
    if step.kind == "do":
        starts = f" and starts the {spell(step.wait)}" if step.wait else ""
        return f"done? Enter says so{starts} › "
    if step.kind == "ask":
        return f"{' / '.join(outcomes_of(step))} › "
    return f"reading in {prompt.unit} › " if prompt.unit else "reading › "


def end_lines(state: State, width: int) -> list[Line]:
    """How the walk ended: the stop with its reason, or that nothing is left to ask."""
    lines = list(screens.heading(state, "end", width))
    end = state.end
    if end is not None and end.id and end.kind == "stop":
        stop = state.tree.stops[end.id]
        lines += screens.labelled("STOP", f"{stop.title} ({stop.reason})", width, style="warning")
        if stop.see:
            lines += screens.labelled("See", f"this is another complaint, '{stop.see}'", width)
    elif end is None:
        text = block_text(state) or "Nothing that the tree knows is left to ask."
        lines += screens.text_lines(text, width, style="warning")
    return lines


# -- views -----------------------------------------------------------------------------


def show_view(case: OpenCase, prompt: Prompt, view: str) -> None:
    """Show a view that was asked for; nothing is recorded by it."""
    VIEWS[view](case, prompt)


def _help(case: OpenCase, prompt: Prompt) -> None:
    step = prompt.step if prompt.kind == "step" else None
    if step is not None and step.kind == "measure":
        case.say("Type the reading as the meter shows it: 150u, 4k7, 12.5 V, OL.")
        case.say("Several readings of the same thing: 21.4 V; 21.6 V")
    elif step is not None and step.kind == "ask":
        case.say("Type the answer, its first letters or its number.")
    for word in prompt.actions:
        case.console.show(screens.labelled(word, ACTIONS[word], case.console.width))


def _how(case: OpenCase, prompt: Prompt) -> None:
    if prompt.step is not None:
        case.show_step(prompt.step, full=True)


def _why(case: OpenCase, prompt: Prompt) -> None:
    case.console.show(why_view(case.state, case.console.width))


def _suspects_now(case: OpenCase, prompt: Prompt) -> None:
    case.console.show(suspects_view(case.state, case.console.width))
    case.console.show(worth_view(case.state, case.bench, case.console.width))


def _path(case: OpenCase, prompt: Prompt) -> None:
    case.console.show(screens.path_view(case.state, case.console.width))


def _similar(case: OpenCase, prompt: Prompt) -> None:
    found = case.lookup.similar(case.state) if case.lookup is not None else ()
    case.console.show(screens.similar_view(found, case.console.width))


VIEWS: Mapping[str, Callable[[OpenCase, Prompt], None]] = {
    "?": _help,
    "how": _how,
    "why": _why,
    "suspects": _suspects_now,
    "path": _path,
    "similar": _similar,
    "set": _facts_known,
}
