"""Doing something to the tables of a record, with what goes wrong in words."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import SQLAlchemyError

from faulttree.cases.backends.urls import shown
from faulttree.cases.errors import CutOff, Hung, LostRace, explained
from faulttree.cases.schema import refuse_when_upgraded
from faulttree.errors import RecordError

T = TypeVar("T")

WRITE_SECONDS = 10.0
"""A server that takes longer for an answer is treated as away: nobody waits for it at the bench."""

HUNG = "the server did not answer in time"

LONG_SECONDS = 300.0
"""The same, for work that reads or writes many rows."""

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

    def write(self, work: Callable[[Connection], T], *, seconds: float = LONG_SECONDS) -> T:
        """Do something to the tables in one transaction, on the disk when this returns.

        Args:
            work: what to do.
            seconds: a server that takes longer is treated as away.

        Raises:
            RecordError: what went wrong, worded; nothing was written then.
        """
        if self.read_only:
            raise RecordError(
                f"the record {shown(self.url)} was opened for reading only",
                remedy="Open it for writing.",
            )

        def once() -> T:
            with (
                self.writing.connect() as connection,
                deadline(connection, seconds),
                connection.begin(),
            ):
                refuse_when_upgraded(connection, self.url)
                return work(connection)

        return self._told(once)

    def read(self, work: Callable[[Connection], T]) -> T:
        """Ask the tables something.

        Raises:
            RecordError: what went wrong, worded.
        """

        def once() -> T:
            with self.engine.connect() as connection, deadline(connection, LONG_SECONDS):
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
                if isinstance(problem, CutOff) and HUNG in getattr(error, "__notes__", ()):
                    problem = Hung(problem.message, remedy=problem.remedy)
            attempt += 1
            if isinstance(problem, LostRace) and attempt < AGAIN:
                continue
            # Whoever already answers without the server is not made to wait at each answer.
            if not isinstance(problem, CutOff) or self.wait is None or self.unsent:
                raise problem from None
            if not self.wait(problem, attempt):
                raise problem


@contextmanager
def deadline(connection: Connection, seconds: float) -> Iterator[None]:
    """Cut the connection to a server that does not answer in time.

    A server that hangs keeps its connections, and the network does not tell: without this a
    bench would wait for ever. A record in a file has no such connection.
    """
    server = getattr(connection.connection.driver_connection, "pgconn", None)
    if server is None:
        yield
        return
    # A copy of the descriptor: the number of the driver's own may be another file's by then.
    with socket.socket(fileno=os.dup(server.socket)) as line:
        fired = threading.Event()

        def cut() -> None:
            fired.set()
            line.shutdown(socket.SHUT_RDWR)

        timer = threading.Timer(seconds, cut)
        timer.daemon = True
        timer.start()
        try:
            yield
        except SQLAlchemyError as error:
            if fired.is_set():
                error.add_note(HUNG)
            raise
        finally:
            timer.cancel()
            timer.join()
