"""The journal beside an SQLite record, and what it gives back when the database lost something."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from sqlalchemy import Connection, select

from faulttree.cases.journal.file import (
    JournalEntry,
    JournalFile,
    JournalNote,
    JournalTree,
    first_record,
    free_name,
    journal_path,
    newest_first,
)
from faulttree.cases.tables import CASES, EVENTS

__all__ = ["JournalBackup", "lost_at_the_end"]

SURE = 32
"""So many entries in a row that the database has: what came before it has too. Benches that
write at once may journal in another order than they commit, but never by so much."""


class JournalBackup:
    """Writes after the database has; a journal that fails never fails an answer."""

    def __init__(self, path: Path, record: str) -> None:
        self.path = journal_path(path)
        self.record = record
        self.journal: JournalFile | None = None
        self.problem: OSError | None = None

    def add(self, items: Iterable[JournalNote], *, sync: bool = False) -> None:
        """The same as the database just acknowledged."""
        try:
            if self.journal is not None and not self.journal.in_place():
                self.journal.close()
                self.journal = None
            if self.journal is None:
                self.journal = JournalFile(self.path, self.record)
            self.journal.add(items)
            if sync:
                self.journal.sync()
        except OSError as error:
            self.problem = error

    def belongs(self) -> bool:
        """Whether there is a journal, and it is this record's."""
        return self.path.is_file() and first_record(self.path) in {"", self.record}

    def put_aside(self) -> Path | None:
        """Rename a journal that is another record's; gives its new place."""
        if not self.path.is_file() or self.belongs():
            return None
        there = free_name(self.path)
        self.path.rename(there)
        return there

    def close(self) -> None:
        """Sync and let go."""
        try:
            if self.journal is not None:
                self.journal.close()
        except OSError as error:
            self.problem = error


def lost_at_the_end(
    path: Path, read: Callable[[Callable[[Connection], bool]], bool]
) -> list[JournalEntry | JournalTree]:
    """What the newest part of a journal has and the database has not, oldest first.

    A torn log loses the newest commits, so only as much is read as shows that nothing, or
    where the loss begins.
    """
    lost: list[JournalEntry | JournalTree] = []
    since: list[JournalEntry | JournalTree] = []
    there = 0
    for line in newest_first(path):
        item = line.holds
        if item is None:
            continue
        since.append(item)
        if isinstance(item, JournalTree):
            continue
        there = there + 1 if read(has(item)) else 0
        if there == 0:
            lost += since
            since = []
        if there >= (SURE if lost else SURE // 2):
            break
    if lost:
        # A tree stands before the first case that needs it.
        lost += [item for item in since if isinstance(item, JournalTree)]
    return lost[::-1]


def has(entry: JournalEntry) -> Callable[[Connection], bool]:
    """Whether a database has this event."""
    wanted = (
        select(EVENTS.c.sequence)
        .join(CASES, CASES.c.number == EVENTS.c.number)
        .where(CASES.c.id == entry.case, EVENTS.c.sequence == entry.sequence)
    )
    return lambda connection: connection.execute(wanted).first() is not None
