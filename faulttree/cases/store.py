"""One open record. Each event is on the disk before :meth:`Store.append` returns."""

from __future__ import annotations

import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import IntegrityError, SQLAlchemyError

from faulttree.cases import rows
from faulttree.cases.asking import conditions, matching
from faulttree.cases.case import Case, new_id
from faulttree.cases.engines import connect
from faulttree.cases.problems import (
    AmbiguousCase,
    CutOff,
    NoSuchCase,
    SequenceTaken,
    explained,
)
from faulttree.cases.summary import Taken, Tally
from faulttree.cases.tables import CASES, EVENTS, STEPS, TREES
from faulttree.cases.urls import shown
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
from faulttree.walk.events import Event, Opened

__all__ = ["Store", "open_store"]

T = TypeVar("T")

REMEMBERED = 32
"""How many cases an open store keeps in memory; events never change, so it is never wrong."""


def open_store(url: str | None, *, read_only: bool = False) -> Store:
    """Open a record; a missing one is made, or reads as empty where only read.

    Args:
        url: ``sqlite:///file``, a plain path, or ``postgresql://…``; None for a record in
            memory that ends with the store.
        read_only: never write, not even a missing file.

    Raises:
        RecordError: it cannot be opened, or a newer program wrote it.
    """
    return Store(url, connect(url, read_only=read_only), read_only=read_only)


class Store:
    """The record as the rest of the program sees it; one thread uses one store.

    Nothing in it is ever changed or removed: a case begins with :meth:`open_case` and grows
    by :meth:`append`.
    """

    def __init__(self, url: str | None, engine: Engine, *, read_only: bool = False) -> None:
        self.url = url or ":memory:"
        self.read_only = read_only
        self.engine = engine
        self.writer = secrets.token_hex(4)
        self.writing = engine.execution_options(writing=True)
        self.remembered: OrderedDict[str, tuple[int, Tally]] = OrderedDict()
        self.wait: Callable[[RecordError, int], bool] | None = None

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the record."""
        self.engine.dispose()

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
                add_tree(connection, opened.tree_hash, sound(opened.tree_hash, tree_text))
            number = add_case(connection, name, tally.row)
            add_events(connection, number, 0, texts, self.writer)
            put_steps(connection, number, tally.steps)
            add_words(connection, number, rows.words_of(events))
            return number

        number = self._write(work)
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
        number, tally = self._upto(case, sequence)
        text = rows.as_json(event.to_dict())
        # Until the event is written the tally is ahead of the record.
        del self.remembered[case]
        change = tally.add(event)

        def work(connection: Connection) -> None:
            add_event(connection, number, sequence, text, self.writer)
            apply(connection, number, change)
            add_words(connection, number, rows.words_of([event]))

        try:
            self._write(work)
        except IntegrityError:
            self._told_apart(case, sequence, text)
        self._remember(case, number, tally)

    def _told_apart(self, case: str, sequence: int, text: str) -> None:
        """Somebody wrote there: another bench, or we ourselves and the server's yes was lost."""
        number = self._number(case)
        wanted = select(EVENTS.c.writer, EVENTS.c.event).where(
            EVENTS.c.number == number, EVENTS.c.sequence == sequence
        )
        there = self._read(lambda c: c.execute(wanted).one())
        if (there.writer, there.event) != (self.writer, text):
            raise SequenceTaken(case, sequence, self.events(case)[sequence:])

    def keep_tree(self, tree_hash: str, text: str) -> None:
        """Keep the text of a tree under its SHA-256; a text already kept stays as it is.

        Raises:
            RecordError: the hash is not that of the text.
        """
        self._write(lambda connection: add_tree(connection, tree_hash, sound(tree_hash, text)))

    # Reading ---------------------------------------------------------------------------

    def events(self, case: str) -> tuple[Event, ...]:
        """Every event of a case, oldest first.

        Raises:
            NoSuchCase: the record has no such case.
        """
        number = self._number(case)
        wanted = select(EVENTS.c.event).where(EVENTS.c.number == number).order_by(EVENTS.c.sequence)
        events = [
            rows.event(text) for text in self._read(lambda c: c.execute(wanted).scalars().all())
        ]
        self._remember(case, number, Tally(events))
        return tuple(events)

    def tree_text(self, tree_hash: str) -> str:
        """The text kept under a hash.

        Raises:
            RecordError: none is kept under it.
        """
        found = self._read(
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

    def steps(self, case: str) -> tuple[Taken, ...]:
        """Every step taken or skipped, in order, those gone back over included."""
        number = self._number(case)
        wanted = select(STEPS).where(STEPS.c.number == number).order_by(STEPS.c.sequence)
        return tuple(rows.taken(row) for row in self._read(lambda c: c.execute(wanted).all()))

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
        return self._rows(*conditions(wanted), limit=limit, oldest_first=oldest_first)

    def find(self, words: str) -> Case:
        """The one case that is meant: its number, id, tag or serial, or words it says.

        Open cases go first; among those with the same tag the newest is meant only when no
        other is open.

        Raises:
            NoSuchCase: none is meant.
            AmbiguousCase: several are.
        """
        for looked in matching(words):
            found = self._rows(*looked, limit=20)
            still = tuple(case for case in found if case.state == "open")
            chosen = still or found[:1] if len(still) < 2 else still
            if len(chosen) > 1:
                raise AmbiguousCase(words, chosen)
            if chosen:
                return chosen[0]
        raise self._no_such(words)

    # Inside ----------------------------------------------------------------------------

    def _rows(
        self, *where: Any, limit: int | None = None, oldest_first: bool = False
    ) -> tuple[Case, ...]:
        order = CASES.c.number if oldest_first else CASES.c.number.desc()
        wanted = select(CASES).where(*where).order_by(order).limit(limit)
        return tuple(rows.case(row) for row in self._read(lambda c: c.execute(wanted).all()))

    def _no_such(self, words: str) -> NoSuchCase:
        return NoSuchCase(
            f"no case {words!r} in the record {shown(self.url)}",
            mend="`faulttree cases list` shows the cases there are.",
        )

    def _number(self, case: str) -> int:
        if case in self.remembered:
            return self.remembered[case][0]
        found = self._read(
            lambda c: c.execute(select(CASES.c.number).where(CASES.c.id == case)).scalar()
        )
        if found is None:
            raise self._no_such(case)
        return int(found)

    def _upto(self, case: str, sequence: int) -> tuple[int, Tally]:
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
        return self.remembered[case]

    def _remember(self, case: str, number: int, tally: Tally) -> None:
        self.remembered[case] = (number, tally)
        self.remembered.move_to_end(case)
        while len(self.remembered) > REMEMBERED:
            self.remembered.popitem(last=False)

    def _write(self, work: Callable[[Connection], T]) -> T:
        if self.read_only:
            raise RecordError(
                f"the record {shown(self.url)} was opened for reading only",
                mend="Open it for writing.",
            )

        def once() -> T:
            with self.writing.begin() as connection:
                return work(connection)

        return self._told(once)

    def _read(self, work: Callable[[Connection], T]) -> T:
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
            except IntegrityError:
                raise
            except SQLAlchemyError as error:
                problem = explained(error, self.url)
            attempt += 1
            if not isinstance(problem, CutOff) or self.wait is None:
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
