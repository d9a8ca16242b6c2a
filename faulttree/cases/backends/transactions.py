"""Doing something to the tables of a record, with what goes wrong in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import SQLAlchemyError

from faulttree.cases.backends.urls import shown
from faulttree.cases.errors import CutOff, LostRace, explained
from faulttree.cases.schema import refuse_when_upgraded
from faulttree.errors import RecordError

T = TypeVar("T")

AGAIN = 8
"""How often a transaction that lost a race to another bench is made again."""


class Transactions:
    """The tables of one record.

    Attributes:
        url: where it is.
        read_only: never write.
        wait: called with the problem and how often it was tried when a server is away. It
            tells the technician, pauses, and says whether to try again.
    """

    def __init__(self, url: str | None, engine: Engine, *, read_only: bool = False) -> None:
        self.url = url or ":memory:"
        self.read_only = read_only
        self.engine = engine
        self.writing = engine.execution_options(writing=True)
        self.wait: Callable[[RecordError, int], bool] | None = None

    @property
    def unsent(self) -> int:
        """How many events wait on this bench for a server that is away."""
        return 0

    def write(self, work: Callable[[Connection], T]) -> T:
        """Do something to the tables in one transaction, on the disk when this returns.

        Raises:
            RecordError: what went wrong, worded; nothing was written then.
        """
        if self.read_only:
            raise RecordError(
                f"the record {shown(self.url)} was opened for reading only",
                remedy="Open it for writing.",
            )

        def once() -> T:
            with self.writing.begin() as connection:
                refuse_when_upgraded(connection, self.url)
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
