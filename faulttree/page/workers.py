"""Threads that work on the record, each with a store of its own."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from faulttree.cases import Store

__all__ = ["BusyError", "Worker", "Workers"]

T = TypeVar("T")
R = TypeVar("R")
CASES = 3
WAIT_SECONDS = 30.0
"""How long a request waits for the record before it is told to try again."""

QUEUE = 200
"""Requests that may wait for one thread."""


class BusyError(Exception):
    """Too much waits for the record now; what was sent may be sent again."""


class Worker(Generic[R]):
    """One thread with one store, and what it remembers of it.

    Args:
        open_store: opens the record; called in the thread.
        make: makes what the thread remembers, from the store.
    """

    def __init__(self, open_store: Callable[[], Store], make: Callable[[Store], R]) -> None:
        self.open_store, self.make = open_store, make
        self.threads = ThreadPoolExecutor(1)
        self.room: R | None = None
        self.store: Store | None = None
        self.waiting = 0
        self.lock = threading.Lock()

    def work(self, job: Callable[[R], T]) -> T:
        """Do a job in the thread, with the store open."""
        if self.room is None:
            self.store = self.open_store()
            self.room = self.make(self.store)
        return job(self.room)

    async def do(self, job: Callable[[R], T]) -> T:
        """Do a job in the thread and wait for its end.

        Raises:
            BusyError: too many wait, or it took too long. The job may still be done later.
        """
        with self.lock:
            if self.waiting >= QUEUE:
                raise BusyError
            self.waiting += 1
        future = self.threads.submit(self.work, job)
        future.add_done_callback(self._done)
        try:
            return await asyncio.wait_for(asyncio.wrap_future(future), WAIT_SECONDS)
        except TimeoutError:
            raise BusyError from None

    def _done(self, _: object) -> None:
        with self.lock:
            self.waiting -= 1

    def close(self) -> None:
        """Finish what waits, then let go of the record."""
        if self.store is not None:
            self.threads.submit(self.store.close)
        self.threads.shutdown()


class Workers(Generic[R]):
    """Some threads for cases, one for lists, one for what takes long.

    All that concerns one case is done by the same thread, one after another.
    """

    def __init__(self, open_store: Callable[[], Store], make: Callable[[Store], R]) -> None:
        self.all = [Worker(open_store, make) for _ in range(CASES + 2)]

    def of_case(self, case: str) -> Worker[R]:
        """The thread of a case."""
        return self.all[sum(case.encode()) % CASES]

    @property
    def lists(self) -> Worker[R]:
        """The thread of lists."""
        return self.all[CASES]

    @property
    def slow(self) -> Worker[R]:
        """The thread of what takes long: reviews and pictures."""
        return self.all[CASES + 1]

    def close(self) -> None:
        """End all threads; what was begun is finished."""
        for worker in self.all:
            worker.close()
