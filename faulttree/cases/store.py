"""One open record. Each event is on the disk before :meth:`Store.append` returns."""

from __future__ import annotations

import builtins
import hashlib
import secrets
from collections import OrderedDict
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, select, update
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
from faulttree.cases.summary import Summary, Taken, summarise
from faulttree.cases.tables import CASES, EVENTS, STEPS, TREES
from faulttree.cases.urls import shown
from faulttree.cases.writing import (
    add_case,
    add_events,
    add_ignoring,
    add_steps,
    add_words,
    change_steps,
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
        self.remembered: OrderedDict[str, tuple[int, builtins.list[Event], Summary]] = OrderedDict()
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
        summary = summarise(events)

        def work(connection: Connection) -> int:
            if tree_text is not None:
                self._keep_tree(connection, opened.tree_hash, tree_text)
            number = add_case(connection, name, summary)
            add_events(connection, number, 0, events, self.writer)
            add_steps(connection, number, summary.steps)
            add_words(connection, number, rows.words_of(events))
            return number

        number = self._write(work)
        self._remember(name, number, list(events), summary)
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
        number, before, summary = self._upto(case, sequence)
        after = summarise([*before, event])
        try:
            self._write(lambda connection: self._add(connection, number, event, summary, after))
        except IntegrityError:
            self._told_apart(case, sequence, event)
        before.append(event)
        self._remember(case, number, before, after)

    def _told_apart(self, case: str, sequence: int, event: Event) -> None:
        """Somebody wrote there: another bench, or we ourselves and the server's yes was lost."""
        number = self._number(case)
        wanted = select(EVENTS.c.writer, EVENTS.c.event).where(
            EVENTS.c.number == number, EVENTS.c.sequence == sequence
        )
        there = self._read(lambda c: c.execute(wanted).one())
        if there.writer == self.writer and there.event == rows.as_json(event.to_dict()):
            return
        raise SequenceTaken(case, sequence, self._fresh(case)[sequence:])

    def _add(
        self, connection: Connection, number: int, event: Event, before: Summary, after: Summary
    ) -> None:
        add_events(connection, number, before.row["events"], [event], self.writer)
        changed = {key: value for key, value in after.row.items() if value != before.row.get(key)}
        connection.execute(update(CASES).where(CASES.c.number == number).values(rows.flat(changed)))
        change_steps(connection, number, before.steps, after.steps)
        add_words(connection, number, rows.words_of([event]))

    def keep_tree(self, tree_hash: str, text: str) -> None:
        """Keep the text of a tree under its SHA-256; a text already kept stays as it is.

        Raises:
            RecordError: the hash is not that of the text.
        """
        self._write(lambda connection: self._keep_tree(connection, tree_hash, text))

    def _keep_tree(self, connection: Connection, tree_hash: str, text: str) -> None:
        if hashlib.sha256(text.encode()).hexdigest() != tree_hash:
            raise RecordError(f"the text of the tree does not have the hash {tree_hash[:12]}…")
        add_ignoring(connection, TREES, [{"hash": tree_hash, "text": text}])

    # Reading ---------------------------------------------------------------------------

    def events(self, case: str) -> tuple[Event, ...]:
        """Every event of a case, oldest first.

        Raises:
            NoSuchCase: the record has no such case.
        """
        return tuple(self._fresh(case))

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

    def _fresh(self, case: str) -> builtins.list[Event]:
        """Read the events again: another bench may have added some."""
        number = self._number(case)
        wanted = select(EVENTS.c.event).where(EVENTS.c.number == number).order_by(EVENTS.c.sequence)
        texts = self._read(lambda c: c.execute(wanted).scalars().all())
        events = [rows.event(text) for text in texts]
        self._remember(case, number, events, summarise(events))
        return events

    def _upto(self, case: str, sequence: int) -> tuple[int, builtins.list[Event], Summary]:
        """The first ``sequence`` events of a case, which no one can have changed."""
        if case not in self.remembered or len(self.remembered[case][1]) != sequence:
            events = self._fresh(case)
            if len(events) > sequence:
                raise SequenceTaken(case, sequence, events[sequence:])
            if len(events) < sequence:
                raise RecordError(
                    f"event {sequence} of a case cannot follow event {len(events) - 1}",
                    mend="Read the case again, then go on from where it stands.",
                )
        return self.remembered[case]

    def _remember(
        self, case: str, number: int, events: builtins.list[Event], summary: Summary
    ) -> None:
        self.remembered[case] = (number, events, summary)
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
