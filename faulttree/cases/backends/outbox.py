"""What a server could not be told yet, kept on this bench until it can."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from faulttree.cases.backends.urls import shown
from faulttree.cases.journal.file import JournalEntry, JournalFile, JournalItem, entries
from faulttree.cases.transfer.merge import Merged
from faulttree.errors import RecordError


class Outbox:
    """A file of this open store; those left behind by stores that ended are taken over."""

    def __init__(self, folder: Path, url: str, writer: str) -> None:
        self.folder = folder
        # The place without its password names the file, so that no secret reaches the disk.
        self.record = hashlib.sha256(shown(url).encode()).hexdigest()[:16]
        self.path = folder / f"unsent-{self.record}-{writer}.jsonl"
        self.mark = folder / f"reached-{self.record}"
        self.journal: JournalFile | None = None
        self.waiting: list[JournalItem] = []

    def add(self, items: Sequence[JournalItem]) -> None:
        """Keep these on the disk before saying so.

        Raises:
            RecordError: they cannot be kept here either.
        """
        try:
            if self.journal is None:
                self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                self.journal = JournalFile(self.path)
                hold(self.journal.file)
            self.journal.add(items)
            self.journal.sync()
        except OSError as error:
            raise RecordError(
                f"the server is away, and the answer cannot be kept here: {error.strerror}",
                path=self.path,
                remedy="Make room or the server reachable, then answer again.",
            ) from None
        self.waiting += items

    @property
    def reached_before(self) -> bool:
        """Whether this bench ever reached the server; a name mistyped is not waited for."""
        return self.mark.exists()

    def note_reached(self) -> None:
        """Note that the server is one that this bench knows."""
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self.mark.touch(mode=0o600)
        except OSError:
            # Only a later session without the server needs it.
            return

    def left_behind(self) -> Iterator[tuple[Path, list[JournalItem]]]:
        """What stores that have ended could not send; those still open are passed over."""
        for path in sorted(self.folder.glob(f"unsent-{self.record}-*.jsonl")):
            if path == self.path or not free(path):
                continue
            held = [line.holds for line in entries(path) if line.holds is not None]
            yield path, held

    def sent(self) -> None:
        """All that waited has been taken in."""
        self.waiting = []
        self.end()
        self.path.unlink(missing_ok=True)

    def end(self) -> None:
        """Let go of the file; what waits in it stays."""
        if self.journal is not None:
            self.journal.close()
            self.journal = None

    def keep_conflicts(self, items: Sequence[JournalItem], merged: Merged) -> Path | None:
        """Keep what the server will not take, whole cases of it, for somebody to look at."""
        cases = {conflict.case for conflict in merged.conflicts}
        kept = [item for item in items if isinstance(item, JournalEntry) and item.case in cases]
        if not kept:
            return None
        path = self.folder / f"conflicts-{self.record}.jsonl"
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        journal = JournalFile(path)
        journal.add(kept)
        journal.close()
        return path


def hold(file: int) -> None:
    """Mark a file as in use by a living program, where the system can."""
    try:
        import fcntl
    except ImportError:
        return
    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def free(path: Path) -> bool:
    """Whether no living program holds the file."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        file = os.open(path, os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    finally:
        os.close(file)
    return True
