"""A copy of a whole record in another place, made while walks go on, and put back later."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Connection

from faulttree.cases.backends.file_lock import FileLock
from faulttree.cases.backends.opening import open_store
from faulttree.cases.backends.urls import sqlite_path
from faulttree.cases.journal.file import JournalErased, journal_path
from faulttree.cases.repair.erase import COPY, erase_in_copy, id_of, marks_of
from faulttree.cases.repair.rebuild import clear, put_in_place
from faulttree.cases.repair.verify import Verified, is_damaged, verify
from faulttree.cases.schema import copy_database, sync_folder
from faulttree.cases.store import Store
from faulttree.cases.tables import keep_setting, setting
from faulttree.convert import Plain
from faulttree.errors import RecordError

LAST, DAYS = "backed-up", "backup-days"
USUAL_DAYS = 7
"""After so many days a backup is called old: common practice, no source."""


@dataclass(frozen=True, slots=True)
class CopiedRecord(Plain):
    """A record that was copied and looked through.

    Attributes:
        path: the copy.
        cases: how many cases it holds.
        events: how many events.
        aside: what was at its place before, under its new name; empty where nothing was.
    """

    path: str
    cases: int
    events: int
    aside: str = ""


@dataclass(frozen=True, slots=True)
class BackupAge(Plain):
    """How old the last backup of a record is; ``days`` is None where none was made."""

    days: int | None
    allowed: int

    @property
    def is_old(self) -> bool:
        """Whether a newer one should be made."""
        return self.days is None or self.days > self.allowed


def back_up_record(url: str, copy: Path, *, at: str, days: int | None = None) -> CopiedRecord:
    """Copy a record and its journal to another place, and look through the copy.

    Walks may go on: SQLite's backup interface gives the state of one moment. The copy gets its
    name when it is complete and sound; a backup of the same record that was there is replaced.

    Args:
        url: the record.
        copy: the file to make; its journal is put beside it.
        at: the time now, ISO 8601 UTC, noted in the record.
        days: after so many days this backup shall be called old; None leaves what was set.

    Raises:
        RecordError: the record is on a server, is missing or not sound, or the copy cannot be
            made there.
    """
    path = file_of(url, "backed up")
    with open_store(url) as store:
        refuse_place(store.record_id, path, copy)
        looked = _copy_whole(path, copy)
        made = {LAST: at, f"{COPY}{copy.absolute()}": at}
        note(store, made | ({} if days is None else {DAYS: str(days)}))
    return CopiedRecord(str(copy), looked.cases, looked.events)


def _copy_whole(path: Path, copy: Path) -> Verified:
    """Copy a database and its journal; the copy gets its name when it is sound."""
    part = copy.with_name(f"{copy.name}.{os.getpid()}.part")
    try:
        copy.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        # First the journal: what the database gets meanwhile is then in the database.
        copy_lines(journal_path(path), journal_path(part))
        copy_database(path, part)
        looked = sound_copy(part)
        if journal_path(part).exists():
            journal_path(part).replace(journal_path(copy))
        part.replace(copy)
        sync_folder(copy.parent)
    except (OSError, sqlite3.Error) as error:
        raise RecordError(
            f"the backup cannot be made: {error}",
            path=copy,
            remedy="Make room, or name a file in another folder.",
        ) from None
    finally:
        clear(part)
    return looked


def restore_record(copy: Path, url: str) -> CopiedRecord:
    """Put a backup at the place of a record; what was there is kept under another name.

    Raises:
        RecordError: the backup is missing or not sound, or the record is open in a program.
    """
    path = file_of(url, "restored")
    if not copy.is_file():
        raise RecordError("there is no such backup", path=copy, remedy="Name a file of a backup.")
    if path.exists() and copy.samefile(path):
        raise RecordError("this is the record itself", path=copy, remedy="Name its backup.")
    lock = FileLock(path, alone=True)
    part = path.with_name(f"{path.name}.restored")
    try:
        clear(part)
        copy_lines(journal_path(copy), journal_path(part))
        copy_database(copy, part)
        obey(marks_of(path), part)
        looked = sound_copy(part)
        there = path.exists() or journal_path(path).exists()
        kept = put_in_place(part, path)
    except sqlite3.Error as error:
        raise RecordError(
            f"the backup cannot be read: {error}",
            path=copy,
            remedy="Name another backup; nothing was changed.",
        ) from None
    except OSError as error:
        raise RecordError(
            f"the backup cannot be restored: {error.strerror}",
            path=path,
            remedy="Make room for a second copy beside it; nothing was changed.",
        ) from None
    finally:
        clear(part)
        lock.close()
    return CopiedRecord(str(path), looked.cases, looked.events, str(kept) if there else "")


def obey(marks: Sequence[JournalErased], part: Path) -> None:
    """Erase in a backup what was erased in the record since."""
    if marks:
        erase_in_copy(part, {mark.case: mark for mark in marks}, id_of(part))


def age_of_backup(store: Store, now: str) -> BackupAge:
    """How old the last backup of a record is."""
    last, days = store.read(lambda c: (setting(c, LAST), setting(c, DAYS)))
    age = None
    with suppress(ValueError):
        if last is not None:
            age = max((datetime.fromisoformat(now) - datetime.fromisoformat(last)).days, 0)
    return BackupAge(age, USUAL_DAYS if days is None else int(days))


def note(store: Store, values: dict[str, str]) -> None:
    """Note values under their keys in the record."""

    def work(connection: Connection) -> None:
        for key, value in values.items():
            keep_setting(connection, key, value)

    store.write(work)


def file_of(url: str, done: str) -> Path:
    """The file of a record.

    Raises:
        RecordError: it is on a server.
    """
    path = sqlite_path(url)
    if path is None:
        raise RecordError(
            f"a record on a server is {done} with the server's own tools",
            remedy="Use pg_dump and pg_restore, as docs/record.md shows.",
        )
    return path


def refuse_place(record: str, path: Path, copy: Path) -> None:
    """Refuse to replace anything but an earlier backup of the same record."""
    if not copy.exists():
        return
    if path.exists() and copy.samefile(path):
        raise RecordError("this is the record itself", path=copy, remedy="Name another file.")
    with open_store(str(copy), read_only=True) as other:
        if other.record_id == record:
            return
    raise RecordError(
        "this file is not a backup of this record",
        path=copy,
        remedy="Name another file; nothing was changed.",
    )


def copy_lines(journal: Path, copy: Path) -> None:
    """Copy a journal, synced, for its owner alone; a missing one is left out."""
    copy.unlink(missing_ok=True)
    if not journal.is_file():
        return
    file = os.open(copy, os.O_CREAT | os.O_WRONLY | os.O_EXCL, 0o600)
    with os.fdopen(file, "wb") as target, journal.open("rb") as source:
        shutil.copyfileobj(source, target)
        target.flush()
        os.fsync(target.fileno())


def sound_copy(path: Path) -> Verified:
    """What a copy holds.

    Raises:
        RecordError: it is not sound.
    """
    problems = ["it is damaged"]
    if not is_damaged(path):
        with open_store(str(path), read_only=True) as store:
            looked = verify(store)
        problems = [one.message for one in looked.findings if one.loss and not one.minor]
        if not problems:
            return looked
    raise RecordError(
        f"the copy is not sound: {problems[0]}",
        path=path,
        remedy="Run `faulttree cases verify --repair` on the record that it was made from.",
    )
