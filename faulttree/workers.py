"""Other processes that work ahead, started and ended alike wherever they are wanted."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_all_start_methods, get_context
from signal import SIG_IGN, SIGINT, signal

__all__ = ["workers"]


@contextmanager
def workers(count: int, module: str) -> Iterator[ProcessPoolExecutor]:
    """A pool of processes; what has not begun when it is left is not done any more.

    Args:
        count: how many, 1 or more.
        module: where their work is defined; read once for all of them where that is possible.
    """
    # A forked child of a program with threads may hang; a fresh server forks safely.
    method = "forkserver" if "forkserver" in get_all_start_methods() else "spawn"
    context = get_context(method)
    context.set_forkserver_preload([module])
    # An interruption is for the process that waits, which ends the others when it leaves.
    pool = ProcessPoolExecutor(count, context, initializer=signal, initargs=(SIGINT, SIG_IGN))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)
