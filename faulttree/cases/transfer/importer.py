"""Cases of other records brought into this one."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING

from faulttree.cases.transfer.import_parser import LONGEST_LINE, Item
from faulttree.cases.transfer.merge import Merged
from faulttree.cases.transfer.parallel_reading import taken_in_order
from faulttree.errors import RecordError

if TYPE_CHECKING:
    from faulttree.cases.store import Store


BATCH = 1000
"""Lines that are written in one transaction: enough that the disk is rarely waited for, few
enough that other benches hardly wait for the import."""

LARGE = 8 << 20
"""Bytes that are: lines can be long."""

Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Damaged:
    """A line that could not be taken, and why."""

    path: str
    line: int
    reason: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.reason}"


@dataclass(slots=True)
class Imported:
    """What an import brought: what was merged, and the lines that could not be."""

    merged: Merged = field(default_factory=Merged)
    damaged: list[Damaged] = field(default_factory=list)


def load(
    store: Store,
    file: IO[bytes],
    name: str,
    *,
    progress: Progress | None = None,
    jobs: int = 1,
) -> Imported:
    """Bring the cases of an export, or of a journal, into a record. Again adds nothing.

    A damaged line costs that line; a case that goes on differently here stays as it is
    here, and is reported. Some lines at a time are written in one transaction, so that
    whatever ends an import half-way leaves whole cases; again, it goes on from there.

    Args:
        store: the record, open for writing.
        file: what :func:`faulttree.cases.transfer.export.lines` wrote, or the journal of a record.
        name: what the file is called in messages.
        progress: told how many bytes were read.
        jobs: how many processes to use at most; this one writes, others read ahead.
    """
    done = Imported()
    before, read = 1, 0
    for lines, (items, damaged) in taken_in_order(in_pieces(file), jobs):
        done.damaged += [Damaged(name, before + at, reason) for at, reason in damaged]
        done.merged += flushed(store, items)
        before += len(lines)
        read += sum(map(len, lines))
        if progress is not None:
            progress(read)
    return done


def in_pieces(file: IO[bytes]) -> Iterator[list[bytes]]:
    """The lines of a file, some at a time."""
    piece: list[bytes] = []
    size = 0
    for raw in bounded(file):
        piece.append(raw)
        size += len(raw)
        if len(piece) >= BATCH or size >= LARGE:
            yield piece
            piece, size = [], 0
    if piece:
        yield piece


def bounded(file: IO[bytes]) -> Iterator[bytes]:
    """Lines of a file; of one that is too long only so much that it is seen to be."""
    while raw := file.readline(LONGEST_LINE):
        yield raw
        while not raw.endswith(b"\n") and len(raw) == LONGEST_LINE:
            raw = file.readline(LONGEST_LINE)


def flushed(store: Store, items: Sequence[Item]) -> Merged:
    """Merge a batch; what the journal has now is not needed again, so it is let go."""
    if not items:
        return Merged()
    merged = store.merge(items)
    merged.added = []
    return merged


def opened_for_reading(path: Path) -> IO[bytes]:
    """A file to import from.

    Raises:
        RecordError: it is missing or may not be read.
    """
    try:
        return path.open("rb")
    except OSError as error:
        raise RecordError(
            f"this cannot be read: {error.strerror}",
            path=path,
            remedy="Name a file that `faulttree cases export` wrote.",
        ) from None
