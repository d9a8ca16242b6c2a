"""One open record. Each event is on the disk before :meth:`Store.append` returns."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

from sqlalchemy import Connection, Engine, select

from faulttree.cases import rows
from faulttree.cases.backends.file_lock import FileLock
from faulttree.cases.backends.outbox import Outbox
from faulttree.cases.backends.transactions import AGAIN, LONG_SECONDS, WRITE_SECONDS
from faulttree.cases.case import new_id
from faulttree.cases.come_backs import mark
from faulttree.cases.complete_case import CompleteCase
from faulttree.cases.errors import Collision, CutOff, Hung, SequenceTaken
from faulttree.cases.event_rows import (
    add_case,
    add_events,
    add_photos,
    add_tree,
    add_words,
    apply,
    put_steps,
)
from faulttree.cases.journal.backup import JournalBackup, lost_at_the_end
from faulttree.cases.journal.file import (
    JournalEntry,
    JournalItem,
    JournalNote,
    JournalPhoto,
    JournalTree,
)
from faulttree.cases.projection import CaseProjection
from faulttree.cases.queries import Lookup
from faulttree.cases.tables import EVENTS, TREES
from faulttree.cases.transfer.merge import Merged, merge, numbers_of, told_of
from faulttree.errors import RecordError
from faulttree.walk.events import Closed, Event, Opened

if TYPE_CHECKING:
    from faulttree.cases.photos.picture import Picture

T = TypeVar("T")

MOST_RESTS = 15
"""At most so many answers are kept on this bench before a server that hangs is asked again."""


class Store(Lookup):
    """The record as the rest of the program sees it; one thread uses one store.

    Nothing in it is ever changed or removed: a case begins with :meth:`open_case` and grows
    by :meth:`append`.

    Attributes:
        wait: called with the problem and how often it was tried when a server is away. It
            tells the technician, pauses, and says whether to try again; where it does not
            (or is None) the answer is kept in the outbox, if there is one, else refused.
        brought_back: what the journal gave back at the opening, in words.
        notices: what else was done at the opening that whoever opened it must be told.
        tell: called with a warning that concerns no single answer, each once.
        away: why the server is away, where all is kept on this bench alone; else empty.
    """

    def __init__(self, url: str | None, engine: Engine, *, read_only: bool = False) -> None:
        super().__init__(url, engine, read_only=read_only)
        self.writer = secrets.token_hex(4)
        self.second_copy: JournalBackup | None = None
        self.outbox: Outbox | None = None
        self.lock: FileLock | None = None
        self.brought_back: tuple[str, ...] = ()
        self.notices: tuple[str, ...] = ()
        self.tell: Callable[[str], None] | None = None
        self.told = ""
        self.away = ""
        self.rests = self.resting = 0

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the record; what waits to be sent stays on this bench."""
        if self.second_copy is not None:
            self.second_copy.close()
        if self.outbox is not None:
            self.outbox.end()
        self.engine.dispose()
        if self.lock is not None:
            self.lock.close()

    def write(self, work: Callable[[Connection], T], *, seconds: float = LONG_SECONDS) -> T:
        """As :meth:`Transactions.write`, into the file that the path names and no other.

        Raises:
            RecordError: what went wrong, worded; nothing was written then, or only into a file
                that was removed or replaced meanwhile.
        """
        if self.lock is None:
            return super().write(work, seconds=seconds)
        self.lock.check()
        done = super().write(work, seconds=seconds)
        self.lock.check()
        return done

    # Writing ---------------------------------------------------------------------------

    def open_case(
        self, events: Sequence[Event], *, tree_text: str | None = None, case: str | None = None
    ) -> str:
        """Begin a case, and give its id, which sorts by the time of the opening.

        Args:
            events: the opening and whatever already followed it.
            tree_text: the text of the tree, kept in the same transaction.
            case: the id it already has in another record.

        Raises:
            RecordError: it does not begin with an opening, or it cannot be written.
        """
        opened = events[0] if events else None
        if not isinstance(opened, Opened):
            raise RecordError("a case must begin with its opening")
        name = case or new_id(opened.at)
        wanted = self._wanted_number()
        tally = CaseProjection(events)
        texts = [rows.as_json(event.to_dict()) for event in events]

        def work(connection: Connection) -> int:
            if tree_text is not None:
                add_tree(connection, opened.tree_hash, tree_text)
            number = add_case(connection, name, tally.row, wanted)
            add_events(connection, number, 0, texts, self.writer)
            put_drawn(connection, number, tally, events)
            return number

        kept = self._tree(opened.tree_hash, tree_text) if tree_text is not None else []
        entries = (JournalEntry(name, n, t, self.writer, wanted) for n, t in enumerate(texts))
        items = [*kept, *entries]
        try:
            number = self._record(work, items, sync=True) or 0
        except Collision:
            number = self._number(name)
            self._told_apart(name, 0, texts[0])
        self._remember(name, number, tally)
        return name

    def _wanted_number(self) -> int:
        """The number that a new case is to have; 0 where the record gives it."""
        return 0

    def append(self, case: str, sequence: int, *events: Event) -> None:
        """Add one event, or several in one transaction; they are on the disk when this returns.

        Args:
            case: id of the case.
            sequence: how many events stand before them, as the writer knows the case.
            *events: what happened.

        Raises:
            SequenceTaken: somebody else wrote there first.
            NoSuchCase: the record has no such case.
            RecordError: they cannot be written, or events before them are missing.
        """
        tally = self._upto(case, sequence)
        texts = [rows.as_json(event.to_dict()) for event in events]
        # Until the events are written the tally is ahead of the record.
        number = self.remembered.pop(case)[0]
        changes = [tally.add(event) for event in events]

        def work(connection: Connection) -> None:
            here = number or numbers_of(connection, [case])[case]
            add_events(connection, here, sequence, texts, self.writer)
            for change in changes:
                apply(connection, here, change)
            add_words(connection, here, rows.words_of(events))
            if any("result" in change.row or "serial" in change.row for change in changes):
                mark(connection, [here])

        entries = [
            JournalEntry(case, at, text, self.writer, number)
            for at, text in enumerate(texts, sequence)
        ]
        try:
            self._record(work, entries, sync=any(isinstance(event, Closed) for event in events))
        except Collision:
            self._told_apart(case, sequence, texts[0])
        self._remember(case, number, tally)

    def _told_apart(self, case: str, sequence: int, text: str) -> None:
        """Somebody wrote there: another bench, or we ourselves and the server's yes was lost."""
        number = self._number(case)
        wanted = select(EVENTS.c.writer, EVENTS.c.event).where(
            EVENTS.c.number == number, EVENTS.c.sequence == sequence
        )
        there = self.read(lambda c: c.execute(wanted).one())
        if (there.writer, there.event) != (self.writer, text):
            raise SequenceTaken(case, sequence, self.events(case)[sequence:])

    def _tree(self, tree_hash: str, text: str) -> list[JournalItem]:
        """The text as it is to be kept; nothing where the file beside is known to have it."""
        kept = JournalTree(tree_hash, sound(tree_hash, text))
        if self.second_copy is None:
            return [kept]
        wanted = select(TREES.c.hash).where(TREES.c.hash == tree_hash)
        return [] if self.read(lambda c: c.execute(wanted).first()) else [kept]

    def _upto(self, case: str, sequence: int) -> CaseProjection:
        """The case as it stands after ``sequence`` events, which no one can have changed."""
        if case not in self.remembered or self.remembered[case][1].history.length != sequence:
            events = self.events(case)
            if len(events) > sequence:
                raise SequenceTaken(case, sequence, events[sequence:])
            if len(events) < sequence:
                raise RecordError(
                    f"event {sequence} of a case cannot follow event {len(events) - 1}",
                    remedy="Read the case again, then go on from where it stands.",
                )
        return self.remembered[case][1]

    def keep_photo(self, photo: Picture) -> None:
        """Keep a picture, on the disk when this returns; one that is here already stays.

        It belongs to a case once an event names its hash, so it is kept before that event.

        Raises:
            RecordError: it cannot be written.
        """
        items = [JournalPhoto(photo.sha256, photo.data)]
        if photo.original:
            name = hashlib.sha256(photo.original).hexdigest()
            items.append(JournalPhoto(name, photo.original, original=True))
        try:
            items = [one for one in items if self.photo(one.sha256, original=one.original) is None]
        except CutOff:
            if self.outbox is None:
                raise
        if items:
            self._record(lambda connection: add_photos(connection, items), items, sync=True)

    # What may fail ---------------------------------------------------------------------

    def _record(
        self,
        work: Callable[[Connection], T],
        items: Sequence[JournalItem],
        *,
        sync: bool = False,
    ) -> T | None:
        """Write, and keep the second copy; None where it waits in the outbox instead."""
        if self.unsent and self.resting and self.outbox is not None:
            # A server that hangs makes each attempt long, so not every answer pays for one.
            self.resting -= 1
            self.outbox.add(items)
            return None
        try:
            if self.unsent:
                self.send()
            done = self.write(work, seconds=WRITE_SECONDS)
        except CutOff as problem:
            if self.outbox is None:
                raise
            self.rests = min(2 * self.rests + 1, MOST_RESTS) if isinstance(problem, Hung) else 0
            self.resting = self.rests
            self.outbox.add(items)
            return None
        if self.second_copy is not None:
            numbered = done if isinstance(done, int) else 0
            self._note([with_number(item, numbered) for item in items], sync=sync)
        return done

    def _note(self, items: Iterable[JournalNote], *, sync: bool = False) -> None:
        """Keep the second copy of what was written, and warn once where that fails."""
        if self.second_copy is None:
            return
        self.second_copy.add(items, sync=sync)
        trouble = self.second_copy.trouble
        if trouble and trouble != self.told and self.tell is not None:
            self.tell(trouble)
        self.told = trouble

    def entries(self, case: str) -> list[JournalEntry]:
        """The events of a case as its journal should have them.

        Raises:
            NoSuchCase: the record has no such case.
        """
        number = self._number(case)
        wanted = select(EVENTS).where(EVENTS.c.number == number).order_by(EVENTS.c.sequence)
        found = self.read(lambda c: c.execute(wanted).all())
        return [JournalEntry(case, row.sequence, row.event, row.writer, number) for row in found]

    @property
    def unsent(self) -> int:
        """How many events wait on this bench for a server that is away."""
        waiting = self.outbox.waiting if self.outbox is not None else ()
        return sum(isinstance(item, JournalEntry) for item in waiting)

    def send(self) -> int:
        """Tell the server what it missed; gives how many events it took.

        Raises:
            CutOff: it is still away; nothing is lost.
            RecordError: a case went on elsewhere meanwhile; what was answered here is kept in
                a file that the message names.
        """
        if self.outbox is None:
            return 0
        waiting = list(self.outbox.waiting)
        merged = self._merged(waiting, seconds=WRITE_SECONDS)
        kept = self.outbox.keep_conflicts(waiting, merged)
        self.outbox.sent()
        if kept is not None:
            self.remembered.clear()
            raise RecordError(
                f"while the server was away a case went on elsewhere: {merged.conflicts[0]}",
                path=kept,
                remedy="The answers given here are kept in this file; look at the case, "
                "then give them again where they still hold.",
            )
        return merged.events

    def send_left_behind(self) -> None:
        """Tell the server what earlier sessions on this bench could not."""
        if self.outbox is None:
            return
        for path, held in self.outbox.left_behind():
            merged = self._merged(held)
            kept = self.outbox.keep_conflicts(held, merged)
            path.unlink(missing_ok=True)
            self.brought_back += told_of(merged)
            self.brought_back += tuple(f"{one}; kept in {kept}" for one in merged.conflicts)

    def merge(
        self, items: Sequence[JournalItem | CompleteCase], *, numbers: bool = False
    ) -> Merged:
        """Bring in cases and trees of another record: :func:`faulttree.cases.transfer.merge.merge`.

        Raises:
            RecordError: the record cannot be written.
        """
        merged = self._merged(items, numbers=numbers)
        self._note(merged.added)
        self.remembered.clear()
        return merged

    def _merged(
        self,
        items: Sequence[JournalItem | CompleteCase],
        *,
        numbers: bool = False,
        seconds: float = LONG_SECONDS,
    ) -> Merged:
        """Merge, again where another bench wrote at the same place meanwhile."""
        for _ in range(AGAIN):
            try:
                return self.write(
                    lambda connection: merge(connection, items, numbers=numbers), seconds=seconds
                )
            except Collision as error:
                problem = error
        raise problem

    def lost(self) -> Sequence[JournalItem]:
        """What the journal beside the database has and the database has lost."""
        copy = self.second_copy
        if copy is None or not copy.belongs():
            return []
        return lost_at_the_end(copy.path, self.read)

    def bring_back(self, lost: Sequence[JournalItem]) -> None:
        """Give back to the database what it lost, and name it."""
        self.brought_back = told_of(self._merged(lost, numbers=True))


def put_drawn(
    connection: Connection, number: int, tally: CaseProjection, events: Sequence[Event]
) -> None:
    """What is drawn from the events of a new case: steps, words, and whether it came back."""
    put_steps(connection, number, tally.steps)
    add_words(connection, number, rows.words_of(events))
    mark(connection, [number])


def sound(tree_hash: str, text: str) -> str:
    """The text, if the hash is its own."""
    if hashlib.sha256(text.encode()).hexdigest() != tree_hash:
        raise RecordError(
            f"the text of the tree does not have the hash {tree_hash[:12]}…",
            remedy="Keep the text that the hash was made from (Tree.text and Tree.hash).",
        )
    return text


def with_number(item: JournalItem, number: int) -> JournalItem:
    """An entry with the number its case got."""
    if not isinstance(item, JournalEntry) or item.number or not number:
        return item
    return replace(item, number=number)
