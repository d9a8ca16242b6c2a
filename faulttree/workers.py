"""Worker processes: one way to start and end them."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_all_start_methods, get_context
from signal import SIG_IGN, SIGINT, signal

__all__ = ["workers"]


@contextmanager
def workers(count: int, module: str) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes; leaving the context cancels the work that has not begun.

    Args:
        count: number of processes, 1 or more.
        module: the module of their work; it is imported once for all if the system allows it.
    """
    # A forked child of a program with threads may hang; a fresh server forks safely.
    method = "forkserver" if "forkserver" in get_all_start_methods() else "spawn"
    context = get_context(method)
    context.set_forkserver_preload([module])
    # Ctrl-C is handled by the waiting process, which ends the workers when it leaves.
    pool = ProcessPoolExecutor(count, context, initializer=signal, initargs=(SIGINT, SIG_IGN))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)
