"""What a record can be asked: its cases, their events and steps, the texts of its trees."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from typing import Any, Unpack

from sqlalchemy import Connection, Engine, func, select

from faulttree.cases import rows
from faulttree.cases.backends.transactions import Transactions
from faulttree.cases.backends.urls import shown
from faulttree.cases.case import Case
from faulttree.cases.errors import AmbiguousCase, NoSuchCase
from faulttree.cases.filters import CaseFilters, conditions, matching, numbered
from faulttree.cases.projection import CaseProjection, StepRecord
from faulttree.cases.schema import has_photos
from faulttree.cases.tables import CASES, EVENTS, PHOTOS, STEPS, TREES, setting
from faulttree.cases.transfer.merge import numbers_of
from faulttree.errors import RecordError
from faulttree.walk.events import Event

REMEMBERED = 32
"""How many cases an open store keeps in memory; events never change, so it is never wrong."""

PAGE = 500
"""How many cases are read at once where all are wanted."""


FIRST_ALONE = 900_000_000
"""Above it are the numbers of cases that wait on one bench for their server: no number that a
record gives, so that a case is never taken for another."""


class Lookup(Transactions):
    """Reads a record, and remembers the cases it read last."""

    def __init__(self, url: str | None, engine: Engine, *, read_only: bool = False) -> None:
        super().__init__(url, engine, read_only=read_only)
        self.remembered: OrderedDict[str, tuple[int, CaseProjection]] = OrderedDict()

    @property
    def record_id(self) -> str:
        """What tells this record from every other."""
        return str(self.read(lambda c: setting(c, "id")) or "")

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
        self._remember(case, number, CaseProjection(events))
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
                remedy="Import the record it came from, or run `faulttree cases verify`.",
            )
        return str(found)

    def photo(self, sha256: str, *, original: bool = False) -> bytes | None:
        """The bytes of a picture by their hash; None where the record has none.

        Args:
            sha256: the hash.
            original: look for a file as the camera made it, not for a picture to be shown.
        """
        wanted = select(PHOTOS.c.data).where(
            PHOTOS.c.sha256 == sha256, PHOTOS.c.original == original
        )

        def work(connection: Connection) -> bytes | None:
            if not has_photos(connection):
                return None
            return connection.execute(wanted).scalar()

        return self.read(work)

    def case(self, case: str) -> Case:
        """One case by its id.

        Raises:
            NoSuchCase: the record has no such case.
        """
        found = self._rows(CASES.c.id == case)
        if not found:
            raise self._no_such(case)
        return found[0]

    def steps(self, case: str) -> tuple[StepRecord, ...]:
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
            oldest_first: oldest first.
            **wanted: filters, see :func:`faulttree.cases.filters.conditions`.

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

    def each(self, **wanted: Unpack[CaseFilters]) -> Iterator[Case]:
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

    def _rows(
        self, *where: Any, limit: int | None = None, oldest_first: bool = False
    ) -> tuple[Case, ...]:
        order = CASES.c.number if oldest_first else CASES.c.number.desc()
        wanted = select(CASES).where(*where).order_by(order).limit(limit)
        return tuple(rows.case(row) for row in self.read(lambda c: c.execute(wanted).all()))

    def _no_such(self, words: str) -> NoSuchCase:
        remedy = "`faulttree cases list` shows the cases there are."
        if (numbered(words)[0] or 0) > FIRST_ALONE:
            remedy = f"A case begun while the server was away got another number since; {remedy}"
        return NoSuchCase(f"no case {words!r} in the record {shown(self.url)}", remedy=remedy)

    def _number(self, case: str) -> int:
        number = self.remembered[case][0] if case in self.remembered else 0
        number = number or self.read(lambda c: numbers_of(c, [case])).get(case, 0)
        if not number:
            raise self._no_such(case)
        return number

    def _remember(self, case: str, number: int, tally: CaseProjection) -> None:
        self.remembered[case] = (number, tally)
        self.remembered.move_to_end(case)
        while len(self.remembered) > REMEMBERED:
            self.remembered.popitem(last=False)
