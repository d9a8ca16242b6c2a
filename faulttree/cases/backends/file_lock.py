"""A record's file in use: a lock that other programs see, and whether the file is still the same.

A repair replaces the file. It must be alone for that: a program that had the old file open would
go on writing into a file that has no name any more.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

from faulttree.errors import RecordError

WAIT_SECONDS = 5.0
PAUSE_SECONDS = 0.02
SMALLEST = 512
"""Bytes of the smallest SQLite database: one page of the smallest size (its file format, 1.3)."""


def lock_path(record: Path) -> Path:
    """Where the lock of an SQLite record is."""
    return record.with_name(f"{record.name}.lock")


class FileLock:
    """Held by every program that writes to a record, shared; by a repair, alone.

    The system releases it when the program ends, however it ends. Where no lock can be made
    (a read-only folder, a system without them) nothing is held.

    Args:
        record: the database file; it need not exist yet.
        alone: no other program may have the record open for writing.

    Raises:
        RecordError: another program has the record in use.
    """

    def __init__(self, record: Path, *, alone: bool = False) -> None:
        self.record = record
        self.alone = alone
        self.file = -1
        self.known: tuple[int, int] | None = None
        try:
            record.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.file = os.open(lock_path(record), os.O_CREAT | os.O_RDWR, 0o600)
        except OSError:
            return
        if not locked(self.file, alone=alone):
            self.close()
            raise self.refused()

    def refused(self) -> RecordError:
        """What to say when another program has the lock."""
        if self.alone:
            return RecordError(
                "the record is open in another program, so it cannot be changed as a whole now",
                path=self.record,
                remedy="Pause the walks that are open on it, then try again; nothing was changed.",
            )
        return RecordError(
            "the record is being repaired by another program",
            path=self.record,
            remedy="Try again when the repair is done; nothing was changed.",
        )

    def note(self) -> None:
        """Remember which file was opened."""
        self.known = identity(self.record)

    def check(self) -> None:
        """See that the path still names the file that was opened, and that it has content.

        Raises:
            RecordError: the file was removed, replaced or emptied.
        """
        if self.known is None:
            return
        if identity(self.record) != self.known:
            raise RecordError(
                "the file of the record was removed, replaced or emptied while it was open, so "
                "this was not recorded",
                path=self.record,
                remedy="Start the program again: what was recorded before is made again from the "
                "journal beside the file. Then enter this once more.",
            )

    def close(self) -> None:
        """Release the lock; again does nothing."""
        if self.file >= 0:
            os.close(self.file)
            self.file = -1


def identity(path: Path) -> tuple[int, int] | None:
    """Device and inode of a file; None where it is missing or too small for a database."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino) if found.st_size >= SMALLEST else None


def locked(file: int, *, alone: bool) -> bool:
    """Whether the lock could be had within some seconds."""
    try:
        import fcntl
    except ImportError:
        return True
    how = (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB
    for _ in range(int(WAIT_SECONDS / PAUSE_SECONDS)):
        try:
            fcntl.flock(file, how)
        except BlockingIOError:
            time.sleep(PAUSE_SECONDS)
        except OSError:
            return True
        else:
            return True
    return False
