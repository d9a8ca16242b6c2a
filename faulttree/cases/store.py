"""One open record. Each event is on the disk before :meth:`Store.append` returns."""

from __future__ import annotations

import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.exc import SQLAlchemyError

from faulttree.cases import rows
from faulttree.cases.asking import conditions, matching, numbered
from faulttree.cases.case import Case, new_id
from faulttree.cases.come_backs import mark
from faulttree.cases.engines import connect
from faulttree.cases.journal import Entry, TreeText, grouped
from faulttree.cases.merging import Merged, merge, numbers_of
from faulttree.cases.outbox import Outbox
from faulttree.cases.problems import (
    AmbiguousCase,
    Collision,
    CutOff,
    LostRace,
    NoSuchCase,
    SequenceTaken,
    explained,
)
from faulttree.cases.second_copy import SecondCopy, lost_at_the_end
from faulttree.cases.summary import Taken, Tally
from faulttree.cases.tables import CASES, EVENTS, RECORD, STEPS, TREES
from faulttree.cases.urls import shown, sqlite_path
from faulttree.cases.whole import Whole
from faulttree.cases.writing import (
    add_case,
    add_event,
    add_events,
    add_tree,
    add_words,
    apply,
    put_steps,
)
from faulttree.errors import RecordError
from faulttree.walk.events import Closed, Event, Opened

__all__ = ["Store", "open_store", "told_of"]

T = TypeVar("T")

REMEMBERED = 32
"""How many cases an open store keeps in memory; events never change, so it is never wrong."""

AGAIN = 8
"""How often a transaction that lost a race to another bench is made again."""

PAGE = 500
"""How many cases are read at once where all are wanted."""


def open_store(
    url: str | None, *, read_only: bool = False, folder: Path | str | None = None
) -> Store:
    """Open a record; a missing one is made, or reads as empty where only read.

    Args:
        url: ``sqlite:///file``, a plain path, or ``postgresql://…``; None for a record in
            memory that ends with the store.
        read_only: never write, not even a missing file.
        folder: where answers are kept while a server is away; without it they are refused.

    Raises:
        RecordError: it cannot be opened, or a newer program wrote it.
    """
    store = Store(url, connect(url, read_only=read_only), read_only=read_only)
    path = sqlite_path(url) if url is not None else None
    try:
        if path is not None and path.exists():
            store.second_copy = SecondCopy(path, store.record_id)
            lost = store.lost()
            if lost and read_only:
                store.brought_back = brought_back_to(str(path))
            elif lost:
                store.bring_back(lost)
        elif url is not None and folder is not None and not read_only:
            store.outbox = Outbox(Path(folder), url, store.writer)
            store.send_left_behind()
    except BaseException:
        store.close()
        raise
    return store


def brought_back_to(path: str) -> tuple[str, ...]:
    """Open for writing just to bring back what was lost, where that may be done."""
    try:
        with open_store(path) as store:
            return store.brought_back
    except RecordError:
        return ()


class Store:
    """The record as the rest of the program sees it; one thread uses one store.

    Nothing in it is ever changed or removed: a case begins with :meth:`open_case` and grows
    by :meth:`append`.

    Attributes:
        wait: called with the problem and how often it was tried when a server is away. It
            tells the technician, pauses, and says whether to try again; where it does not
            (or is None) the answer is kept in the outbox, if there is one, else refused.
        brought_back: what the journal gave back at the opening, in words.
    """

    def __init__(self, url: str | None, engine: Engine, *, read_only: bool = False) -> None:
        self.url = url or ":memory:"
        self.read_only = read_only
        self.engine = engine
        self.writer = secrets.token_hex(4)
        self.writing = engine.execution_options(writing=True)
        self.remembered: OrderedDict[str, tuple[int, Tally]] = OrderedDict()
        self.wait: Callable[[RecordError, int], bool] | None = None
        self.second_copy: SecondCopy | None = None
        self.outbox: Outbox | None = None
        self.brought_back: tuple[str, ...] = ()

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

    @property
    def record_id(self) -> str:
        """What tells this record from every other."""
        wanted = select(RECORD.c.value).where(RECORD.c.key == "id")
        return str(self.read(lambda c: c.execute(wanted).scalar()) or "")

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
        if not events or not isinstance(events[0], Opened):
            raise RecordError("a case must begin with its opening")
        opened = events[0]
        name = case or new_id(opened.at)
        tally = Tally(events)
        texts = [rows.as_json(event.to_dict()) for event in events]

        def work(connection: Connection) -> int:
            if tree_text is not None:
                add_tree(connection, opened.tree_hash, tree_text)
            number = add_case(connection, name, tally.row)
            add_events(connection, number, 0, texts, self.writer)
            put_steps(connection, number, tally.steps)
            add_words(connection, number, rows.words_of(events))
            mark(connection, [tally.row])
            return number

        items: list[Entry | TreeText] = [
            Entry(name, sequence, text, self.writer) for sequence, text in enumerate(texts)
        ]
        if tree_text is not None:
            items = [*self._tree(opened.tree_hash, tree_text), *items]
        try:
            number = self._record(work, items, sync=True) or 0
        except Collision:
            number = self._number(name)
            self._told_apart(name, 0, texts[0])
        self._remember(name, number, tally)
        return name

    def append(self, case: str, sequence: int, event: Event) -> None:
        """Add one event; it is on the disk when this returns.

        Args:
            case: id of the case.
            sequence: how many events stand before it, as the writer knows the case.
            event: what happened.

        Raises:
            SequenceTaken: somebody else wrote there first.
            NoSuchCase: the record has no such case.
            RecordError: it cannot be written, or events before it are missing.
        """
        tally = self._upto(case, sequence)
        text = rows.as_json(event.to_dict())
        # Until the event is written the tally is ahead of the record.
        number = self.remembered.pop(case)[0]
        change = tally.add(event)

        def work(connection: Connection) -> None:
            here = number or numbers_of(connection, [case])[case]
            add_event(connection, here, sequence, text, self.writer)
            apply(connection, here, change)
            add_words(connection, here, rows.words_of([event]))
            if "result" in change.row:
                mark(connection, [tally.row])

        entry = Entry(case, sequence, text, self.writer, number)
        try:
            self._record(work, [entry], sync=isinstance(event, Closed))
        except Collision:
            self._told_apart(case, sequence, text)
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

    def keep_tree(self, tree_hash: str, text: str) -> None:
        """Keep the text of a tree under its SHA-256; a text already kept stays as it is.

        Raises:
            RecordError: the hash is not that of the text.
        """
        kept = self._tree(tree_hash, text)
        if kept:
            self._record(lambda connection: add_tree(connection, tree_hash, text), kept)

    def _tree(self, tree_hash: str, text: str) -> list[Entry | TreeText]:
        """The text as it is to be kept; nothing where the file beside is known to have it."""
        kept = TreeText(tree_hash, sound(tree_hash, text))
        if self.second_copy is None:
            return [kept]
        wanted = select(TREES.c.hash).where(TREES.c.hash == tree_hash)
        return [] if self.read(lambda c: c.execute(wanted).first()) else [kept]

    # Reading ---------------------------------------------------------------------------

    def events(self, case: str) -> tuple[Event, ...]:
        """Every event of a case, oldest first.

        Raises:
            NoSuchCase: the record has no such case.
        """
        number = self._number(case)
        wanted = select(EVENTS.c.event).where(EVENTS.c.number == number).order_by(EVENTS.c.sequence)
        events = [
            rows.event(text) for text in self.read(lambda c: c.execute(wanted).scalars().all())
        ]
        self._remember(case, number, Tally(events))
        return tuple(events)

    def tree_text(self, tree_hash: str) -> str:
        """The text kept under a hash.

        Raises:
            RecordError: none is kept under it.
        """
        found = self.read(
            lambda c: c.execute(select(TREES.c.text).where(TREES.c.hash == tree_hash)).scalar()
        )
        if found is None:
            raise RecordError(
                f"the record holds no tree {tree_hash[:12]}…",
                mend="Import the record it came from, or run `faulttree cases verify`.",
            )
        return str(found)

    def case(self, case: str) -> Case:
        """One case by its id.

        Raises:
            NoSuchCase: the record has no such case.
        """
        found = self._rows(CASES.c.id == case)
        if not found:
            raise self._no_such(case)
        return found[0]

    def case_by_number(self, number: int) -> Case:
        """One case by its number in this record.

        Raises:
            NoSuchCase: the record has no such case.
        """
        found = self._rows(CASES.c.number == number)
        if not found:
            raise self._no_such(f"#{number}")
        return found[0]

    def steps(self, case: str) -> tuple[Taken, ...]:
        """Every step taken or skipped, in order, those gone back over included."""
        number = self._number(case)
        wanted = select(STEPS).where(STEPS.c.number == number).order_by(STEPS.c.sequence)
        return tuple(rows.taken(row) for row in self.read(lambda c: c.execute(wanted).all()))

    def list(
        self, *, limit: int | None = None, oldest_first: bool = False, **wanted: Any
    ) -> tuple[Case, ...]:
        """Cases, newest first.

        Args:
            limit: at most so many.
            oldest_first: the other way round.
            **wanted: filters, see :func:`faulttree.cases.asking.conditions`.

        Raises:
            RecordError: a filter that is not known.
        """
        where = self.read(lambda connection: conditions(connection, wanted))
        return self._rows(*where, limit=limit, oldest_first=oldest_first)

    def count(self, **wanted: Any) -> int:
        """How many such cases there are.

        Raises:
            RecordError: a filter that is not known.
        """
        where = self.read(lambda connection: conditions(connection, wanted))
        many = select(func.count()).select_from(CASES).where(*where)
        return int(self.read(lambda c: c.execute(many).scalar_one()))

    def each(self, **wanted: Any) -> Iterator[Case]:
        """Every such case, oldest first, read some at a time so that a million fit.

        Raises:
            RecordError: a filter that is not known.
        """
        where = self.read(lambda connection: conditions(connection, wanted))
        last = 0
        while found := self._rows(*where, CASES.c.number > last, limit=PAGE, oldest_first=True):
            yield from found
            last = found[-1].number

    def find(self, words: str) -> Case:
        """The one case that is meant: its number, id, tag or serial, or words it says.

        Open cases go first; among closed ones with the same tag the newest is meant. A bare
        number that is also the tag of another open case is never guessed at.

        Raises:
            NoSuchCase: none is meant.
            AmbiguousCase: several are.
        """
        number, surely = numbered(words)
        by_number = self._rows(CASES.c.number == number) if number is not None else ()
        if surely:
            if not by_number:
                raise self._no_such(words)
            return by_number[0]
        for looked in self.read(lambda connection: list(matching(connection, words))):
            found = self._rows(*looked, limit=20)
            still = tuple(case for case in found if case.state == "open")
            if by_number:
                found, still = by_number, tuple({*by_number, *still})
            chosen = still or found[:1]
            if len(chosen) > 1:
                raise AmbiguousCase(words, sorted(chosen, key=lambda case: -case.number))
            if chosen:
                return chosen[0]
        raise self._no_such(words)

    # Inside ----------------------------------------------------------------------------

    def _rows(
        self, *where: Any, limit: int | None = None, oldest_first: bool = False
    ) -> tuple[Case, ...]:
        order = CASES.c.number if oldest_first else CASES.c.number.desc()
        wanted = select(CASES).where(*where).order_by(order).limit(limit)
        return tuple(rows.case(row) for row in self.read(lambda c: c.execute(wanted).all()))

    def _no_such(self, words: str) -> NoSuchCase:
        return NoSuchCase(
            f"no case {words!r} in the record {shown(self.url)}",
            mend="`faulttree cases list` shows the cases there are.",
        )

    def _number(self, case: str) -> int:
        number = self.remembered[case][0] if case in self.remembered else 0
        number = number or self.read(lambda c: numbers_of(c, [case])).get(case, 0)
        if not number:
            raise self._no_such(case)
        return number

    def _upto(self, case: str, sequence: int) -> Tally:
        """The case as it stands after ``sequence`` events, which no one can have changed."""
        if case not in self.remembered or self.remembered[case][1].events != sequence:
            events = self.events(case)
            if len(events) > sequence:
                raise SequenceTaken(case, sequence, events[sequence:])
            if len(events) < sequence:
                raise RecordError(
                    f"event {sequence} of a case cannot follow event {len(events) - 1}",
                    mend="Read the case again, then go on from where it stands.",
                )
        return self.remembered[case][1]

    def _remember(self, case: str, number: int, tally: Tally) -> None:
        self.remembered[case] = (number, tally)
        self.remembered.move_to_end(case)
        while len(self.remembered) > REMEMBERED:
            self.remembered.popitem(last=False)

    # What may fail ---------------------------------------------------------------------

    def _record(
        self,
        work: Callable[[Connection], T],
        items: Sequence[Entry | TreeText],
        *,
        sync: bool = False,
    ) -> T | None:
        """Write, and keep the second copy; None where it waits in the outbox instead."""
        try:
            if self.unsent:
                self.send()
            done = self.write(work)
        except CutOff:
            if self.outbox is None:
                raise
            self.outbox.add(items)
            return None
        if self.second_copy is not None:
            numbered = done if isinstance(done, int) else 0
            self.second_copy.add([with_number(item, numbered) for item in items], sync=sync)
        return done

    @property
    def unsent(self) -> int:
        """How many events wait on this bench for a server that is away."""
        waiting = self.outbox.waiting if self.outbox is not None else ()
        return sum(isinstance(item, Entry) for item in waiting)

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
        merged = self._merged(waiting)
        kept = self.outbox.keep_conflicts(waiting, merged)
        self.outbox.sent()
        if kept is not None:
            self.remembered.clear()
            raise RecordError(
                f"while the server was away a case went on elsewhere: {merged.conflicts[0]}",
                path=kept,
                mend="The answers given here are kept in this file; look at the case, "
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

    def merge(self, items: Sequence[Entry | TreeText | Whole], *, numbers: bool = False) -> Merged:
        """Bring cases and trees of another record in; see :func:`faulttree.cases.merging.merge`.

        Raises:
            RecordError: the record cannot be written.
        """
        merged = self._merged(items, numbers=numbers)
        if self.second_copy is not None:
            self.second_copy.add(merged.added)
        self.remembered.clear()
        return merged

    def _merged(
        self, items: Sequence[Entry | TreeText | Whole], *, numbers: bool = False
    ) -> Merged:
        """Merge, again where another bench wrote at the same place meanwhile."""
        for _ in range(AGAIN):
            try:
                return self.write(lambda connection: merge(connection, items, numbers=numbers))
            except Collision as error:
                problem = error
        raise problem

    def lost(self) -> Sequence[Entry | TreeText]:
        """What the journal beside the database has and the database has lost."""
        copy = self.second_copy
        if copy is None or not copy.belongs(put_aside=not self.read_only):
            return []
        return lost_at_the_end(copy.path, self.read)

    def bring_back(self, lost: Sequence[Entry | TreeText]) -> None:
        """Give back to the database what it lost, and name it."""
        self.brought_back = told_of(self._merged(lost, numbers=True))

    def write(self, work: Callable[[Connection], T]) -> T:
        """Do something to the tables in one transaction, on the disk when this returns.

        Raises:
            RecordError: what went wrong, worded; nothing was written then.
        """
        if self.read_only:
            raise RecordError(
                f"the record {shown(self.url)} was opened for reading only",
                mend="Open it for writing.",
            )

        def once() -> T:
            with self.writing.begin() as connection:
                return work(connection)

        return self._told(once)

    def read(self, work: Callable[[Connection], T]) -> T:
        """Ask the tables something.

        Raises:
            RecordError: what went wrong, worded.
        """

        def once() -> T:
            with self.engine.connect() as connection:
                return work(connection)

        return self._told(once)

    def _told(self, once: Callable[[], T]) -> T:
        """Do it, wait for a server that is away, and word whatever else is wrong."""
        attempt = 0
        while True:
            try:
                return once()
            except SQLAlchemyError as error:
                problem = explained(error, self.url)
            attempt += 1
            if isinstance(problem, LostRace) and attempt < AGAIN:
                continue
            # Whoever already answers without the server is not made to wait at each answer.
            if not isinstance(problem, CutOff) or self.wait is None or self.unsent:
                raise problem from None
            if not self.wait(problem, attempt):
                raise problem


def sound(tree_hash: str, text: str) -> str:
    """The text, if the hash is its own."""
    if hashlib.sha256(text.encode()).hexdigest() != tree_hash:
        raise RecordError(
            f"the text of the tree does not have the hash {tree_hash[:12]}…",
            mend="Keep the text that the hash was made from (Tree.text and Tree.hash).",
        )
    return text


def with_number(item: Entry | TreeText, number: int) -> Entry | TreeText:
    """An entry with the number its case got."""
    if isinstance(item, TreeText) or item.number or not number:
        return item
    return replace(item, number=number)


def told_of(merged: Merged) -> tuple[str, ...]:
    """What was brought in, a line a case."""
    parts = grouped([one for one in merged.added if isinstance(one, Entry)]).values()
    brought = [
        *((one.number, 0, len(one.events) - 1) for one in merged.added if isinstance(one, Whole)),
        *((part[0].number, part[0].sequence, part[-1].sequence) for part in parts),
    ]
    return tuple(f"case {number}: events {first} to {last}" for number, first, last in brought)
