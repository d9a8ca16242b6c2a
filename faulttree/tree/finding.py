"""A finding about a file: rule, level, message, place, remedy and, if safe, an edit.

Reader, schema, builder and rules all make a :class:`Finding` with its place inside the document.
:meth:`Finding.located` adds file, line and column when they are known.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, Protocol

from faulttree.errors import FaulttreeError, TreeError
from faulttree.tree.model import Where

Level = Literal["error", "warning", "note"]

NOWHERE = Where("", ())
LONGEST_SOURCE = 240
"""Greatest number of characters shown of a source line."""


class Source(Protocol):
    """The part of a document that a finding needs."""

    @property
    def path(self) -> Path | None:
        """The file; None if there is none."""

    def place(self, keys: Sequence[str | int], of_key: bool = False) -> tuple[int, int]:
        """Line and column, from 1."""

    def line(self, number: int) -> str:
        """One line of the text, from 1."""


@dataclass(frozen=True, slots=True)
class Edit:
    """The replacement of one word at a finding's place.

    Attributes:
        old: the word as the file has it, without quotes.
        new: the word to write instead; empty to remove it.
    """

    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Finding:
    """An error in a file, or something that could mislead.

    Attributes:
        where: document and keys.
        message: one sentence that describes the problem.
        remedy: how to correct it.
        of_key: whether the finding is about the last key, not its value.
        rule, level: the rule's id and level; :mod:`faulttree.rules` fills them in for rules
            that are functions.
        edit: the safe correction; None if there is none or several.
        path: the file as it was named; empty if there is no file.
        line, column: from 1; 0 if there is no file.
        source: the line of the file, for people.

    Example:
        >>> Finding(Where("tree", ("title",)), "The text is empty.", rule="empty-text").level
        'error'
    """

    where: Where
    message: str
    remedy: str = ""
    of_key: bool = False
    rule: str = ""
    level: Level = "error"
    edit: Edit | None = None
    path: str = ""
    line: int = 0
    column: int = 0
    source: str = ""

    @classmethod
    def of_error(cls, error: FaulttreeError, where: Where = NOWHERE, **more: str) -> Finding:
        """An exception as a finding, by default of the rule ``unreadable``."""
        return cls(
            where,
            error.message,
            error.remedy or "",
            rule=more.get("rule", "unreadable"),
            path=more.get("path", str(error.path or "")),
            line=error.line or 1,
            column=error.column or 1,
        )

    @property
    def at(self) -> str:
        """The step, fault or stop it is about, as ``accepted`` may name it; else empty."""
        keys = self.where.keys
        return str(keys[1]) if len(keys) > 1 and keys[0] in ("steps", "faults", "stops") else ""

    @property
    def place(self) -> tuple[str, int, int]:
        """The sort key of findings."""
        return self.path, self.line, self.column

    def located(self, document: Source | None) -> Finding:
        """The same with file, line, column and source line."""
        if document is None:
            return self
        line, column = self.line, self.column
        if not line:
            line, column = document.place(self.where.keys, self.of_key)
        source = document.line(line)[:LONGEST_SOURCE]
        path = self.path or str(document.path or "")
        return replace(self, path=path, line=line, column=column, source=source)

    def error(self) -> TreeError:
        """The same as an exception."""
        return TreeError(
            self.message,
            path=self.path or None,
            line=self.line or None,
            column=self.column or None,
            remedy=self.remedy or None,
            key=self.where.keys,
        )


MAX_FINDINGS = 100
"""Greatest number of listed findings of one tree."""


class FindingList:
    """Collects the findings of one tree, each once, with its place."""

    def __init__(self, documents: Mapping[str, Source]) -> None:
        self.documents = documents
        self._found: dict[tuple[str, str, Where], Finding] = {}

    def add(
        self,
        rule: str,
        message: str,
        remedy: str,
        where: Where,
        *,
        of_key: bool = False,
        level: Level = "error",
    ) -> None:
        """Add one finding, unless it is known or the list is full."""
        self.put(Finding(where, message, remedy, of_key, rule, level))

    def put(self, finding: Finding) -> None:
        """Add a finding, unless it is known or the list is full."""
        key = (finding.rule, finding.message, finding.where)
        if len(self._found) > MAX_FINDINGS or key in self._found:
            return
        if len(self._found) == MAX_FINDINGS:
            message = f"Only the first {MAX_FINDINGS} problems are listed."
            finding = Finding(
                finding.where, message, "Correct them first.", rule="more-problems", level="note"
            )
        self._found[key] = finding.located(self.documents.get(finding.where.document))

    def all(self) -> tuple[Finding, ...]:
        """All findings, in the order of detection."""
        return tuple(self._found.values())

    def near(self, word: str, known: Iterable[str]) -> str:
        """As :func:`near`; not computed once the list is full."""
        return near(word, known) if len(self._found) < MAX_FINDINGS else ""


# -- spelling --------------------------------------------------------------------------

LONGEST = 80
"""Characters of a name that are compared."""

SLIP_IN = 4
"""Number of letters of a name for each allowed spelling error."""

ALIKE = 0.8
"""Least likeness (difflib's ratio, 0 to 1) of a misspelt word and what it is taken for; the
same letters in another order count as alike too. Common practice, no source."""


def near(word: str, known: Iterable[str]) -> str:
    """``Did you mean …?`` for a word that may be a slip for known ones, or an empty text.

    A slip is a letter left out, put in, taken for another or two that changed places; one in
    four letters may be one. More makes it another word, and a guess at it would mislead.

    Example:
        >>> near("mesure", ["measure", "ask"])
        'Did you mean `measure`?'
    """
    return _question(nearest(word, known))


def spelling(word: str, known: Iterable[str]) -> tuple[str, Edit | None]:
    """``Did you mean …?`` with the edit that corrects the word, where only one is meant."""
    names = nearest(word, known)
    edit = respelling(word, names[0]) if len(names) == 1 else None
    return _question(names), edit


def respelling(old: str, new: str) -> Edit | None:
    """The edit from one spelling of a word to another; None where they are too different."""
    from difflib import SequenceMatcher

    alike = sorted(old) == sorted(new) or SequenceMatcher(None, old, new).ratio() >= ALIKE
    return Edit(old, new) if alike and old != new else None


def nearest(word: str, known: Iterable[str]) -> Sequence[str]:
    """The known words that are nearest to a word that may be a slip, sorted."""
    from rapidfuzz.distance import OSA

    typed = word[:LONGEST].casefold()
    slips = {
        name: count
        for name in sorted({name for name in known if len(name) <= LONGEST})
        if (count := OSA.distance(typed, name.casefold())) <= max(1, len(typed) // SLIP_IN)
    }
    return [name for name, count in slips.items() if count == min(slips.values())]


def _question(names: Sequence[str]) -> str:
    return f"Did you mean {' or '.join(f'`{name}`' for name in names[:3])}?" if names else ""
