"""Which of the listed answers a reply names; the one refusal where it names none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import WalkError

if TYPE_CHECKING:
    from faulttree.session.model import Prompt, Reply

__all__ = ["chosen"]


def chosen(prompt: Prompt, given: Reply, *, default: str = "") -> str:
    """The id of the choice that a reply names by id, number or first letters.

    Args:
        prompt: what was asked.
        given: the reply.
        default: the id that an empty reply means; none where it is empty.

    Raises:
        WalkError: the reply names no choice, or could name several.

    Example:
        >>> from faulttree.session.model import Choice, Prompt, PromptId, Reply
        >>> asked = PromptId("c", 0, "proof")
        >>> prompt = Prompt(asked, "Does it work?", choices=(Choice("yes", ""), Choice("no", "")))
        >>> chosen(prompt, Reply(asked, text="y"))
        'yes'
    """
    typed = (given.choice or given.text).strip()
    found = prompt.choice(typed) if typed else default or None
    if found is not None:
        return found
    ids = [one.id for one in prompt.choices]
    if ids == ["yes", "no"]:
        raise WalkError("answer yes or no", remedy="'pause' leaves the case open.")
    remedy = f"Type a number from 1 to {len(ids)}, or the first letters; 'pause' leaves."
    raise WalkError("that is not in the list", remedy=remedy)
