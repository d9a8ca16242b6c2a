"""The journal beside an SQLite record, and what it gives back when the database lost something."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice, takewhile
from pathlib import Path

from sqlalchemy import Connection, select

from faulttree.cases.erased import marks_in, pictures_named
from faulttree.cases.journal.chain import linked
from faulttree.cases.journal.file import (
    JournalEntry,
    JournalErased,
    JournalFile,
    JournalItem,
    JournalNote,
    JournalTree,
    first_record,
    free_name,
    journal_path,
    last_of,
    newest_first,
    photos,
)
from faulttree.cases.tables import CASES, EVENTS
from faulttree.cases.transfer.import_parser import checked
from faulttree.cases.transfer.merge import Conflict
from faulttree.errors import RecordError

SURE = 32
"""So many entries in a row that the database has: what came before it has too. Benches that
write at once may journal in another order than they commit, but never by so much."""


RECENT = 200
"""So many of the newest lines are compared with the database at an opening."""


class JournalBackup:
    """Writes after the database has; a journal that fails never fails an answer.

    What a kill or a full disk left out of it is written before the next event of that case.

    Args:
        path: the database file.
        record: the id of the record.
        events: gives the events of a case in the database.
    """

    def __init__(
        self, path: Path, record: str, events: Callable[[str], Sequence[JournalEntry]]
    ) -> None:
        self.path = journal_path(path)
        self.record = record
        self.events = events
        self.journal: JournalFile | None = None
        self.problem: OSError | RecordError | None = None
        self.chains: dict[str, tuple[int, str]] = {}

    def add(self, items: Iterable[JournalNote], *, sync: bool = False) -> None:
        """The same as the database just acknowledged."""
        try:
            self.file().add(self.in_chain(items))
            if sync:
                self.file().sync()
            self.problem = None
        except (OSError, RecordError) as error:
            # What is missing now is found and written before the next event of the case.
            self.chains.clear()
            self.problem = error

    def file(self) -> JournalFile:
        """The file that the path names, opened when it is needed.

        Raises:
            OSError: it cannot be opened.
        """
        if self.journal is not None and not self.journal.in_place():
            self.journal.close()
            self.journal = None
            self.chains.clear()
        if self.journal is None:
            self.journal = JournalFile(self.path, self.record)
        return self.journal

    def in_chain(self, items: Iterable[JournalNote]) -> Iterator[JournalNote]:
        """The items with running hashes, each after what the journal lacks of its case."""
        for item in items:
            if not isinstance(item, JournalEntry):
                yield item
                continue
            if item.sequence == 0:
                self.chains[item.case] = (0, "")
            if item.case not in self.chains or self.chains[item.case][0] != item.sequence:
                yield from self.missing(item.case, item.sequence)
            yield self.linked(item)

    def linked(self, entry: JournalEntry) -> JournalEntry:
        """An entry with its running hash."""
        new = linked(entry, self.chains.get(entry.case, (0, ""))[1])
        self.chains[entry.case] = (entry.sequence + 1, new.chain)
        return new

    def missing(self, case: str, before: int) -> list[JournalEntry]:
        """The first events of a case, as far as the journal does not have them as they are."""
        # A damaged event must not get a line with a right checksum.
        whole = list(takewhile(readable, self.events(case)[:before]))
        last = last_of(self.path, case, before)
        self.chains[case] = (0, "")
        if last is not None and [last.event] == [one.event for one in whole[last.sequence :][:1]]:
            self.chains[case] = (last.sequence + 1, last.chain)
            whole = whole[last.sequence + 1 :]
        return [self.linked(entry) for entry in whole]

    def fill(self, counts: Callable[[set[str]], Iterable[tuple[str, int]]]) -> None:
        """Write what the newest cases of the database have and the end of the journal has not.

        A program that was killed between the two left such a gap. Gaps that are older are
        filled when the case goes on, or by a repair.

        Args:
            counts: gives case and number of events of these cases and of the newest ones.
        """
        if not self.path.is_file():
            return
        noted: dict[str, int] = {}
        for line in islice(newest_first(self.path), RECENT):
            if isinstance(item := line.holds, JournalEntry):
                noted[item.case] = max(noted.get(item.case, 0), item.sequence + 1)
        try:
            for case, many in counts(set(noted)):
                if noted.get(case, 0) < many and (missing := self.missing(case, many)):
                    self.file().add(missing)
        except (OSError, RecordError) as error:
            self.problem = error

    @property
    def trouble(self) -> str:
        """Why the journal cannot be written now; empty where it can."""
        if self.problem is None:
            return ""
        why = self.problem.strerror if isinstance(self.problem, OSError) else self.problem.message
        return (
            f"the journal {self.path} cannot be written: {why}. The record itself is complete; "
            "its second copy gets what it lacks when it can be written again"
        )

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


NO_MARK = JournalErased("", -1)


def lost_at_the_end(
    path: Path, read: Callable[[Callable[[Connection], bool]], bool]
) -> list[JournalItem]:
    """What the newest part of a journal has and the database has not, oldest first.

    A torn log loses the newest commits, so only as much is read as shows that nothing, or
    where the loss begins.
    """
    lost: list[JournalItem] = []
    since: list[JournalItem] = []
    there = 0
    for line in newest_first(path):
        item = line.holds
        if item is None or (isinstance(item, JournalEntry) and not readable(item)):
            continue
        since.append(item)
        if not isinstance(item, JournalEntry | JournalErased):
            continue
        there = there + 1 if read(knows(item)) else 0
        if there == 0:
            lost += since
            since = []
        if there >= (SURE if lost else SURE // 2):
            break
    if lost:
        # A tree stands before the first case that needs it.
        lost += [item for item in since if isinstance(item, JournalTree)]
        events = (item.event for item in lost if isinstance(item, JournalEntry))
        named: set[str] = set().union(*map(pictures_named, events))
        lost += [photo for photo in photos(path) if photo.sha256 in named] if named else []
    return lost[::-1]


def knows(item: JournalEntry | JournalErased) -> Callable[[Connection], bool]:
    """Whether a database has this event or mark."""
    if isinstance(item, JournalErased):
        mark = item
        return lambda connection: marks_in(connection).get(mark.case, NO_MARK).events >= mark.events
    entry = item
    wanted = (
        select(EVENTS.c.sequence)
        .join(CASES, CASES.c.number == EVENTS.c.number)
        .where(CASES.c.id == entry.case, EVENTS.c.sequence == entry.sequence)
    )
    return lambda connection: connection.execute(wanted).first() is not None


def sound_cases(
    items: Iterable[JournalItem],
) -> tuple[list[JournalEntry], list[Conflict]]:
    """Of every case the events from its opening up to the first that is missing or damaged.

    Of several copies of an event the first that can be read is taken, but before it one from a
    journal line with a right checksum: that one is as it was written.

    Returns:
        the events, case by case in the order of their numbers, and what had to be left.
    """
    copies: dict[str, dict[int, JournalEntry]] = {}
    for item in items:
        if isinstance(item, JournalEntry):
            case = copies.setdefault(item.case, {})
            if item.sequence not in case or is_better(item, case[item.sequence]):
                case[item.sequence] = item
    kept: list[JournalEntry] = []
    left: list[Conflict] = []
    for name, events in sorted(copies.items(), key=lambda one: lowest(one[1].values())):
        whole = 0
        while whole in events and readable(events[whole]):
            kept.append(events[whole])
            whole += 1
        if whole < len(events):
            what = "damaged" if whole in events else "missing"
            reason = f"it is {what}; this and the {len(events) - whole} after it are left out"
            left.append(Conflict(name, whole, reason))
    return kept, left


def is_better(new: JournalEntry, old: JournalEntry) -> bool:
    """Whether one of two copies of an event is to be believed before the other."""
    if new.checked != old.checked:
        return new.checked
    return not readable(old)


def lowest(events: Iterable[JournalEntry]) -> int:
    """The lowest number that the events of a case name."""
    return min(event.number for event in events)


def readable(entry: JournalEntry) -> bool:
    """Whether the event can be read; all that is written is ASCII, so other signs are damage."""
    try:
        if not entry.event.isascii():
            return False
        checked(json.loads(entry.event))
    except (RecordError, ValueError, TypeError, RecursionError):
        return False
    return True
