"""Replies about what the unit is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.session.corrections import conclusions_undone, judged_text
from faulttree.session.model import Accepted, Ask, Message, Position, Prompt, Reply, Result
from faulttree.session.prompts import GO_ON, end_prompt, proof_prompt
from faulttree.walk.follow_up import fact_given
from faulttree.walk.rejudge import with_decided
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.session.model import Context

__all__ = ["fact_told", "told_fact"]


def fact_told(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """A property of the unit, asked before a step depends on it."""
    typed = given.choice or given.text
    if prompt.id.subject in position.tree.ratings:
        return told_fact(position, context, prompt.id.subject, typed.strip() or NOT_KNOWN)
    chosen = prompt.choice(typed)
    if chosen == GO_ON or (chosen == NOT_KNOWN and prompt.id.part):
        confirming = position.state.phase == "confirming"
        return Ask(proof_prompt(position) if confirming else end_prompt(position))
    return told_fact(position, context, prompt.id.subject, chosen or typed)


def told_fact(position: Position, context: Context, name: str, typed: str) -> Accepted:
    """What somebody says that the unit is.

    Raises:
        WalkError: there is nothing of that name, or it has no such value.
        ReadingError: a rating cannot be understood in its unit.
    """
    fact = fact_given(position.state, name, typed, at=context.now)
    fact = with_decided(position.tree, position.events, fact, context.bench)
    undone = conclusions_undone(position, context, (), fact.decided)
    told = Message(f"The unit: {fact.name.removeprefix('unit.')} {fact.value}.")
    return Accepted((fact, *undone), (told, *judged_text(position, fact.decided)))
