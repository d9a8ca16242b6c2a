"""Reading lines ahead in other processes, while this one writes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from itertools import chain, islice

from faulttree.cases.transfer.import_parser import Item, taken_all
from faulttree.workers import workers

FEW = 8
"""Pieces that are read sooner here than another process is started."""

READERS = 3
"""More read faster than one writes."""

AHEAD = 2
"""Pieces a reader has waiting, so that memory stays bounded."""

Lines = Sequence[bytes]
Taken = tuple[list[Item], list[tuple[int, str]]]


def taken_in_order(pieces: Iterable[Lines], jobs: int) -> Iterator[tuple[Lines, Taken]]:
    """What pieces of a file hold, in its order, each with the piece itself.

    Args:
        pieces: lines, some at a time.
        jobs: how many processes to use at most, this one included.
    """
    rest = iter(pieces)
    first = list(islice(rest, FEW))
    if jobs < 2 or len(first) < FEW:
        yield from ((lines, taken_all(lines)) for lines in chain(first, rest))
        return
    waiting: deque[tuple[Lines, Future[Taken] | None]] = deque()
    readers = min(jobs - 1, READERS)
    with workers(readers, taken_all.__module__) as pool:
        for lines in chain(first, rest):
            waiting.append((lines, ahead(pool, lines)))
            if len(waiting) > AHEAD * readers:
                yield settled(*waiting.popleft())
        while waiting:
            yield settled(*waiting.popleft())


def ahead(pool: ProcessPoolExecutor, lines: Lines) -> Future[Taken] | None:
    """Have lines read; None where there is nobody left to do it."""
    try:
        return pool.submit(taken_all, lines)
    except BrokenProcessPool:
        return None


def settled(lines: Lines, read: Future[Taken] | None) -> tuple[Lines, Taken]:
    """What was read ahead; read here where the other process was ended from outside."""
    if read is not None:
        try:
            return lines, read.result()
        except BrokenProcessPool:
            pass
    return lines, taken_all(lines)
