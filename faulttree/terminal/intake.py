"""Taking a unit in at a terminal: the prompts of an intake, drawn and answered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.session import (
    Accepted,
    Ask,
    Position,
    Refused,
    Show,
    begin_intake,
    read_typed,
    reply,
)
from faulttree.terminal import screens
from faulttree.terminal.console import AwayError
from faulttree.terminal.drawing import question

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from faulttree.session import Context, Prompt, Result
    from faulttree.terminal.console import Console
    from faulttree.tree.model import Tree
    from faulttree.walk.events import Event

__all__ = ["take_in"]


def take_in(
    console: Console, tree: Tree, context: Context, known: Mapping[str, str]
) -> Sequence[Event]:
    """Ask for what is not known of a unit; Enter leaves a question open.

    Args:
        console: where it is asked.
        tree: the tree that the unit is walked on.
        context: the world as the session takes it.
        known: what is known already: ``model``, ``serial``, ``complaint``, ``owner_words``,
            ``who``, ``linked``.

    Returns:
        The events that open the case.

    Raises:
        AwayError: the technician left before a case was opened.
    """
    console.show(screens.text_lines(tree.title, console.width, style="title"))
    result: Result = begin_intake(tree, context, known)
    while isinstance(result, Ask):
        result = _asked(console, tree, context, result.prompt, known)
    assert isinstance(result, Accepted)
    _tell(console, result)
    return result.events


def _asked(
    console: Console, tree: Tree, context: Context, prompt: Prompt, known: Mapping[str, str]
) -> Result:
    """Put one question until an answer leads on; ``back`` begins again."""
    _draw(console, prompt)
    position = Position(tree, prompt.id.case, ())
    while True:
        completions = [*(one.id for one in prompt.choices), *prompt.actions]
        text = console.ask(question(prompt), completions)
        result = reply(position, context, prompt, read_typed(prompt, text))
        if isinstance(result, Refused):
            console.show(screens.refusal_lines(result.error, console.width))
        elif isinstance(result, Show):
            told = "Type what is asked; Enter leaves it open. 'back' begins again, 'pause' leaves."
            console.show(screens.text_lines(told, console.width))
        elif isinstance(result, Accepted) and result.leave:
            raise AwayError
        elif isinstance(result, Accepted) and not result.events:
            return begin_intake(tree, context, known)
        else:
            return result


def _draw(console: Console, prompt: Prompt) -> None:
    for message in prompt.messages:
        console.show(screens.text_lines(message.text, console.width, style=message.style))
    for number, one in enumerate(prompt.choices, 1):
        console.show([[("label", f"{number:>2} "), ("", one.text)]])


def _tell(console: Console, result: Accepted) -> None:
    for message in result.messages:
        console.show(screens.text_lines(message.text, console.width, style=message.style))
