"""One thing wrong with a file of the library, as reader, schema and builder find it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from faulttree.errors import TreeError
from faulttree.tree.model import Where

__all__ = ["RULES", "Level", "Problem", "near"]

Level = Literal["error", "warning", "note"]

RULES: Mapping[str, str] = {
    "unreadable": "The file is no YAML, no text, or larger than a library file may be.",
    "duplicate-key": "A key stands twice in one mapping; one of the two would be lost.",
    "odd-key": "A key is empty, a list, a mapping or a merge key, where a word is meant.",
    "foreign-tag": "A tag asks for something other than plain data.",
    "hidden-character": "A control or direction character makes a text look other than it is.",
    "unknown-key": "A key that means nothing here; it would be read past in silence.",
    "missing-key": "A key that must be there is not.",
    "bad-id": "A name is not in kebab-case, or is a word that a walk needs for itself.",
    "empty-text": "A text is missing or empty.",
    "bad-value": "A value is not of the kind that its key needs.",
    "step-kind": "A step has none or several of ask, measure, do, use, or keys of another kind.",
    "limits-form": "Limits are in none or in several of their four forms.",
    "duplicate-id": "Steps, faults, stops and exits share one name.",
    "family-folder": "The family is not the folder's name, or a procedure's name not the file's.",
    "unknown-target": "A target names nothing in this file.",
    "unknown-step": "A step is named that this file does not have.",
    "unknown-access": "A state of the unit is needed that `access` does not say how to enter.",
    "unknown-store": "A store is named that `stores` does not have.",
    "unknown-property": "A property of the unit is named that has no question and values, or a "
    "value that it does not have.",
    "close-missing": "A state of access exposes a hazard and nothing says how to close it.",
    "later-word": "A note: an id is a word that the format has taken since.",
    "unknown-procedure": "A procedure is used that the library does not have.",
    "procedure-ring": "Procedures use each other in a ring.",
    "procedure-takes": "A procedure is not given what it takes, or more, or in another unit.",
    "unfilled-name": "A {name} in a procedure's text is nothing that the procedure takes.",
    "exit-without-target": "An exit of a procedure leads nowhere.",
    "unknown-exit": "A target is given for an exit that the procedure does not have.",
    "outside-beside": "`outside` stands beside `low` or `high`, which it already means.",
    "more-problems": "A note: only the first problems of a file are listed.",
    "too-large": "The tree has more steps than can be followed, once procedures are inlined.",
    "bad-duration": "A wait is not a span of time.",
}
"""Rule ids this room finds, each with why it matters. All are errors but where it says so."""


LONGEST = 80
"""Characters of a name that are looked at."""

SLIP_IN = 4
"""Letters of a name in which one may be a slip."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong, with its place and its mend.

    ``line`` and ``column`` count from 1 and are None where the file is not at hand;
    ``where`` is the place inside the document, where there is one.
    """

    rule: str
    level: Level
    message: str
    path: Path | None = None
    line: int | None = None
    column: int | None = None
    mend: str = ""
    where: Where | None = None

    def error(self) -> TreeError:
        """The same as an exception."""
        return TreeError(
            self.message,
            path=self.path,
            line=self.line,
            column=self.column,
            mend=self.mend or None,
            key=self.where.keys if self.where else (),
        )


def near(word: str, known: Iterable[str]) -> str:
    """``Did you mean …?`` for a word that may be a slip for known ones, or an empty text.

    A slip is a letter left out, put in, taken for another or two that changed places; one in
    four letters may be one. More makes it another word, and a guess at it would mislead.
    """
    from rapidfuzz.distance import OSA

    typed = word[:LONGEST].casefold()
    slips = {
        name: count
        for name in sorted({name for name in known if len(name) <= LONGEST})
        if (count := OSA.distance(typed, name.casefold())) <= max(1, len(typed) // SLIP_IN)
    }
    best = [f"`{name}`" for name, count in slips.items() if count == min(slips.values())]
    return f"Did you mean {' or '.join(best[:3])}?" if best else ""
