"""Replies about what the unit is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.session.model import Accepted, Ask, Message, Position, Prompt, Reply, Result
from faulttree.session.prompts import GO_ON, end_prompt, proof_prompt
from faulttree.texts import pick
from faulttree.walk.follow_up import fact_given
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.session.model import Context

__all__ = ["fact_told", "told_fact"]


def fact_told(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """A property of the unit, asked before a step depends on it."""
    typed = given.choice or given.text
    chosen = prompt.choice(typed)
    if chosen == GO_ON or (chosen == NOT_KNOWN and prompt.id.part):
        confirming = position.state.phase == "confirming"
        return Ask(proof_prompt(position) if confirming else end_prompt(position))
    return told_fact(position, context, prompt.id.subject, chosen or typed)


def told_fact(position: Position, context: Context, name: str, typed: str) -> Accepted:
    """What somebody says that the unit is.

    Raises:
        WalkError: the tree has no such property, or the property no such value.
    """
    known = position.tree.properties.get(name)
    values = (*known.values, NOT_KNOWN) if known is not None else ()
    fact = fact_given(position.state, name, pick(typed, values) or typed, at=context.now)
    return Accepted((fact,), (Message(f"The unit: {fact.name} {fact.value}."),))
