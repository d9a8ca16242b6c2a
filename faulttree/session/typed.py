"""What somebody typed at a prompt, as a reply: a word such as ``back``, or an answer."""

from __future__ import annotations

from faulttree.session.model import Prompt, Reply
from faulttree.session.prompts import ACTIONS
from faulttree.walk.answer import match_outcome

__all__ = ["read_typed"]

ALONE = frozenset({"?", "how", "why", "suspects", "similar", "path", "pause"})
"""Words that take nothing behind them: with more behind, it is an answer."""


def read_typed(prompt: Prompt, text: str) -> Reply:
    """The reply that a typed line makes.

    At a step an outcome of that very name comes first, so that a tree may have an answer
    ``skip``. A line in quotation marks is never a word: ``"note the date"`` is an answer.

    Args:
        prompt: what was asked.
        text: the line, at most as long as a person types; the rest is cut at 10,000 signs.

    Example:
        >>> from faulttree.session.model import PromptId
        >>> prompt = Prompt(PromptId("c", 0, "fault"), "Repaired?", actions=("note", "pause"))
        >>> read_typed(prompt, "note smells burnt").action
        'note'
        >>> read_typed(prompt, "new switch").action
        'answer'
    """
    said = text.strip()[:10_000]
    if len(said) > 1 and said[0] == said[-1] == '"':
        return Reply(prompt.id, text=said[1:-1], carry=prompt.carry)
    exact = prompt.kind == "step" and prompt.step is not None
    word = None if exact and match_outcome(prompt.step, said) else _word(said)  # type: ignore[arg-type]
    if word is None or (word[0] not in prompt.actions and not _meant_as_word(prompt, word[0])):
        return Reply(prompt.id, text=said, carry=prompt.carry)
    return Reply(prompt.id, action=word[0], text=word[1], carry=prompt.carry)


def _meant_as_word(prompt: Prompt, word: str) -> bool:
    """Whether a word that does not work here was surely not meant as an answer."""
    return prompt.kind not in ("intake", "text", "seen", "declined", "fault", "modules")


def _word(said: str) -> tuple[str, str] | None:
    """The word at the beginning of a line and what stands behind it."""
    line = " ".join(said.split())
    if line.casefold() in ("help", "?"):
        return "?", ""
    if line.casefold() in ("give up", "giveup"):
        return "give up", ""
    first, _, rest = line.partition(" ")
    known = first.casefold()
    if known not in ACTIONS or (rest and known in ALONE):
        return None
    if known == "back" and rest and not rest.isdecimal():
        return None
    return known, said[len(first) :].strip()
