"""A case complete from its opening on, with the rows that are drawn from its events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from faulttree.cases import rows
from faulttree.cases.journal.chain import linked
from faulttree.cases.journal.file import JournalEntry
from faulttree.cases.projection import CaseProjection
from faulttree.walk.events import Event


@dataclass(slots=True)
class CompleteCase:
    """A case ready to be written. It is plain data, so that any process can make it.

    Attributes:
        case: its id.
        events: writer and JSON of each event, oldest first.
        row: its row in the list of cases, as the table takes it.
        steps: the rows of its steps, still without the number of the case.
        words: what it can be found by.
        number: its number, here or where it comes from; 0 where it has none.
    """

    case: str
    events: Sequence[tuple[str, str]]
    row: dict[str, Any]
    steps: list[dict[str, Any]]
    words: Sequence[str]
    number: int = 0

    def entries(self) -> list[JournalEntry]:
        """Its events one by one."""
        return [
            JournalEntry(self.case, at, text, writer, self.number)
            for at, (writer, text) in enumerate(self.events)
        ]

    def line(self) -> str:
        """Its lines in a journal, one an event, without the last line end."""
        chain, lines = "", []
        for entry in self.entries():
            entry = linked(entry, chain)
            chain = entry.chain
            lines.append(entry.line())
        return "\n".join(lines)


def whole_of(
    case: str, events: Sequence[Event], texts: Sequence[tuple[str, str]], number: int = 0
) -> CompleteCase:
    """A whole case with its rows.

    Args:
        case: its id.
        events: what happened, the opening first.
        texts: writer and JSON of each of them.
        number: the number it brings.

    Raises:
        RecordError: a figure that JSON has no word for.
    """
    tally = CaseProjection(events)
    steps = [rows.step(number, taken) for taken in tally.steps]
    return CompleteCase(
        case, texts, rows.flat(tally.row), steps, list(rows.words_of(events)), number
    )
