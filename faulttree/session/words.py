"""Replies that are free words: a note, why a step is skipped, what was repaired."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.session.facts import told_fact
from faulttree.session.model import Accepted, Message, Position, Prompt, Refused, Reply, Result
from faulttree.session.repairs import tried
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.session.facts import told_fact
from faulttree.session.model import Context

__all__ = ["noted", "skipped", "words_given"]


def words_given(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """The words that an action still needed."""
    assert prompt.carry is not None
    text = given.text.strip()
    action = prompt.carry.action
    if action == "skip":
        return skipped(position, context, prompt.carry.one("step"), text)
    if not text:
        remedy = "Say it in a few words; 'pause' leaves the case open."
        return Refused(WalkError("nothing was said", remedy=remedy))
    if action == "set":
        return told_fact(position, context, prompt.carry.one("name"), text)
    if action == "note":
        return noted(context, text, prompt.carry.one("step"))
    return tried(position, context, prompt.carry.one("fault"), text)


def noted(context: Context, text: str, step: str) -> Accepted:
    """A remark at the step the walk stands at."""
    return Accepted((ev.Noted(at=context.now, text=text, step=step),), (Message("Noted."),))


def skipped(position: Position, context: Context, step: str, reason: str) -> Accepted:
    """A step that cannot be done now."""
    return Accepted((ev.Skipped(at=context.now, step=step, reason=reason),))
