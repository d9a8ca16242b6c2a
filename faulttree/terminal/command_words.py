"""The words a technician can type at any point, besides an answer."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["WORDS", "Typed", "word_of"]

WORDS = {
    "?": "this help",
    "how": "show this step again, in full",
    "back": "take the last answer back",
    "skip": "cannot test this now; say why",
    "note": "write a remark: note TEXT",
    "photo": "attach a photo: photo PATH",
    "why": "why this step, and where its figures come from",
    "suspects": "what is still possible",
    "path": "what was found so far",
    "go": "test another step: go STEP",
    "set": "say what the unit is: set PROPERTY VALUE",
    "meter": "name the instrument in use: meter ID",
    "repaired": "record a repair: repaired FAULT",
    "pause": "leave; the case stays open",
    "give up": "stop without a fault",
}
"""Word → what it does."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A word and what stood behind it."""

    word: str
    rest: str = ""


def word_of(text: str) -> Typed | None:
    """The command in what was typed, or None where it is an answer."""
    said = " ".join(text.split())
    if said == "help":
        return Typed("?")
    first, _, rest = said.partition(" ")
    if said.casefold() in ("give up", "giveup"):
        return Typed("give up")
    known = first.casefold()
    if known not in WORDS:
        return None
    if rest and known in ("?", "how", "back", "why", "suspects", "path", "pause"):
        return Typed(known, rest) if known == "back" and rest.isdecimal() else None
    return Typed(known, text.strip()[len(first) :].strip())
