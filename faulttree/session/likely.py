"""A fault that is only likely: a test of it first, or the technician takes it for the cause."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.session.choices import chosen
from faulttree.session.jumps import head_for
from faulttree.session.model import Accepted, Message, Position, Prompt, Reply, Result
from faulttree.session.prompts import TAKE_IT
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.session.model import Context

__all__ = ["decide_likely"]


def decide_likely(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """An open test is made first, or one again, or the likely fault is taken for the cause."""
    tests = [one.id for one in prompt.choices if one.id != TAKE_IT]
    wanted = chosen(prompt, given, default=next(iter(tests), ""))
    if wanted == TAKE_IT:
        fault = position.tree.faults[prompt.id.subject].title
        told = Message(f"Taken for the cause without the tests still open: {fault}.", "warning")
        return Accepted((ev.LikelyAccepted(at=context.now, fault=prompt.id.subject),), (told,))
    use = position.tree.uses.get(wanted)
    return head_for(position, context, use.start if use is not None else wanted, "suspect")
