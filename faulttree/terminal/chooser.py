"""Asks for one of a few names until one is meant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from faulttree.terminal.screens import text_lines
from faulttree.texts import pick

if TYPE_CHECKING:
    from faulttree.terminal.console import Console

__all__ = ["choose"]


def choose(
    console: Console,
    prompt: str,
    names: Sequence[str],
    hint: str,
    *,
    numbered: bool = True,
    default: str = "",
    status: Callable[[], str] | None = None,
    otherwise: Callable[[str], bool] = lambda typed: False,
) -> str | None:
    """The name that was typed, or None where ``otherwise`` ended the question.

    Args:
        console: where it is asked.
        prompt: the question.
        names: what can be answered: the whole name, its first letters, or its number.
        hint: what is said where the answer is none of them.
        numbered: whether the names were shown with numbers from 1.
        default: what Enter alone means.
        status: what stands below the prompt.
        otherwise: is given whatever is none of the names; True ends the question.

    Raises:
        AwayError: an interrupt or the end of input.
    """
    while True:
        typed = console.ask(prompt, names, status) or default
        name = pick(typed, names, numbered=numbered)
        if name is not None:
            return name
        if otherwise(typed):
            return None
        console.show(text_lines(hint, console.width))
