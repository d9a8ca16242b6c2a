"""Which bytes files held when they were last read, so that unchanged ones need no reading.

A file is told unchanged by its status: number, size, time of change and time of writing. The
system sets the time of change itself at every write, so nothing but a clock set back can make
a changed file look unchanged. A file changed so lately that a second change could have the same
time is read again.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from stat import S_ISLNK, S_ISREG

from faulttree.tree.source import MAX_BYTES

SETTLED = 2_000_000_000
"""Nanoseconds after which a further change has another time on every usual file system."""

Status = tuple[int, int, int, int]
"""Number, size, time of writing and of change in nanoseconds."""


class FileStamp:
    """The files of one run, known from the last one.

    Args:
        known: what :meth:`kept` gave, as it was kept; empty at first.
        now: the time of the file system in nanoseconds; None where it is not known, and
            nothing is held for unchanged.
    """

    def __init__(self, known: str = "", now: int | None = None) -> None:
        self.now = now
        self._known: dict[str, tuple[Status, str]] = _read(known) if now is not None else {}
        self._found: dict[str, tuple[Status, str]] = {}
        self.news = False

    def digest(self, path: Path) -> str:
        """What stands for the bytes of a file and, where it is a link, for where it leads.

        Raises:
            OSError: where it cannot be read.
            ValueError: where it is no plain file, or larger than any that is read.
        """
        name = str(path)
        status = os.lstat(name)
        link = ""
        if S_ISLNK(status.st_mode):
            link = f"{_target(path)}\0"
            status = path.stat()
        if not S_ISREG(status.st_mode) or status.st_size > 2 * MAX_BYTES:
            raise ValueError("no plain file, or too large")
        stamp = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
        known = self._known.get(name)
        if known is not None and known[0] == stamp:
            digest = known[1]
        else:
            digest = sha256(path.read_bytes()).hexdigest()
            self.news = True
        if self.now is not None and max(stamp[2], stamp[3]) + SETTLED < self.now:
            self._found[name] = stamp, digest
        return f"{link}{digest}"

    def kept(self, *, whole: bool) -> str:
        """What is to be kept for the next run: of a whole library only what it still has."""
        held = self._found if whole else {**self._known, **self._found}
        return json.dumps({name: [*stamp, digest] for name, (stamp, digest) in held.items()})


def _read(known: str) -> dict[str, tuple[Status, str]]:
    """What was kept; nothing where it is damaged."""
    with suppress(ValueError, TypeError):
        held = json.loads(known or "{}")
        if isinstance(held, Mapping):
            return {
                name: ((number, size, written, changed), digest)
                for name, (number, size, written, changed, digest) in held.items()
            }
    return {}


def _target(path: Path) -> str:
    """Where a link leads."""
    with suppress(OSError, RuntimeError):
        return str(path.resolve())
    return "?"
