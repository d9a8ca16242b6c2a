"""A sound record out of a damaged file and the journal beside it."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from hashlib import sha256
from itertools import chain, groupby
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from faulttree.cases.backends.file_lock import lock_path
from faulttree.cases.backends.opening import open_store
from faulttree.cases.case import new_id
from faulttree.cases.erased import marks_in
from faulttree.cases.journal.backup import sound_cases
from faulttree.cases.journal.file import (
    JournalEntry,
    JournalErased,
    JournalItem,
    JournalPhoto,
    JournalTree,
    entries_and_trees,
    free_name,
    journal_path,
    photos,
)
from faulttree.cases.schema import sync_folder
from faulttree.cases.tables import keep_setting
from faulttree.cases.transfer.merge import Merged
from faulttree.errors import RecordError

BATCH = 2000
SIDE = ("-wal", "-shm")


def rescue(path: Path) -> tuple[Merged, Path]:
    """Rebuild a record; gives what the new one holds and where the damaged file is now.

    What the damaged file still tells goes in first, then the journal fills the gaps.

    Raises:
        RecordError: there is no room, or the folder may not be written.
    """
    try:
        return rebuilt(path)
    except OSError as error:
        raise RecordError(
            f"the record cannot be made again: {error.strerror}",
            path=path,
            remedy="Make room for a second copy beside it; nothing was changed.",
        ) from None


def rebuilt(path: Path) -> tuple[Merged, Path]:
    """The same, with the system's own errors."""
    noted = entries_and_trees(journal_path(path))
    known = {item.number: item.case for item in noted if isinstance(item, JournalEntry)}
    found = [
        replace(item, case=known.get(item.number, item.case))
        if isinstance(item, JournalEntry)
        else item
        for item in readable(path, max(known, default=0))
    ]
    found += noted
    new = path.with_name(f"{path.name}.rescued")
    clear(new)
    with open_store(str(new)) as store:
        store.write(lambda connection: keep_settings(connection, path))
    with open_store(str(new)) as store:
        marks = [*store.read(marks_in).values()]
        marks += [item for item in found if isinstance(item, JournalErased)]
        total = store.merge(marks, numbers=True)
        cases, cut = sound_cases(found)
        texts = [item for item in found if isinstance(item, JournalTree) and is_whole(item)]
        total += store.merge(texts, numbers=True)
        for batch in by_case(cases):
            total += store.merge(batch, numbers=True)
        total.conflicts += cut
        for photo in chain(photos(journal_path(path)), photos_readable(path)):
            total.photos += store.merge([photo]).photos
    damaged = put_in_place(new, path)
    clear(new)
    return total, damaged


def put_in_place(new: Path, path: Path) -> Path:
    """Put a record and its journal at the place of another, which is kept under another name.

    The caller holds the lock of the place alone. Gives where the other one is now; where there
    was none, the name it would have.

    Raises:
        OSError: there is no room for a copy of the other one.
    """
    kept = free_name(path)
    for one in (path, journal_path(path), path.with_name(f"{path.name}-wal")):
        if one.exists() and one.stat().st_size:
            copy = kept.with_name(kept.name + one.name[len(path.name) :])
            shutil.copy2(one, copy)
            with copy.open("rb+") as file:
                os.fsync(file.fileno())
    sync_folder(path.parent)
    # From here on a crash leaves either the other file with its copy beside it, or the new one.
    if journal_path(new).exists():
        journal_path(new).replace(journal_path(path))
    else:
        journal_path(path).unlink(missing_ok=True)
    for side in SIDE:
        path.with_name(path.name + side).unlink(missing_ok=True)
    new.replace(path)
    sync_folder(path.parent)
    return kept


def keep_settings(connection: Connection, path: Path) -> None:
    """Take over what the damaged file still tells of itself: its id, and what was set for it."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as file:
            told = "SELECT key, value FROM record WHERE key <> 'schema'"
            found = {str(key): str(value) for key, value in rows(file, told)}
    except (sqlite3.Error, UnicodeDecodeError):
        return
    for key, value in found.items():
        keep_setting(connection, key, value)


def clear(path: Path) -> None:
    """Remove what an earlier attempt left."""
    for one in (
        path,
        journal_path(path),
        lock_path(path),
        *(path.with_name(path.name + side) for side in SIDE),
    ):
        one.unlink(missing_ok=True)


def by_case(events: Sequence[JournalEntry]) -> Iterator[list[JournalEntry]]:
    """Whole cases, some at a time; the events of a case stand together."""
    batch: list[JournalEntry] = []
    for _, case in groupby(events, key=lambda event: event.case):
        batch += case
        if len(batch) >= BATCH:
            yield batch
            batch = []
    yield batch


def readable(path: Path, top: int = 0) -> Iterator[JournalItem]:
    """What a damaged file still tells, case by case, around what cannot be read.

    Args:
        path: the file.
        top: the highest number of a case known from elsewhere.
    """
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as file:
            file.text_factory = lambda raw: raw.decode(errors="surrogateescape")
            for tree_hash, text in rows(file, "SELECT hash, text FROM trees"):
                yield JournalTree(str(tree_hash), str(text))
            listed = rows(file, "SELECT id, number FROM cases")
            ids = {number: name for name, number in listed if str(name).isascii()}
            for number in range(1, max([top, *ids]) + 1):
                yield from case_in(file, number, ids.get(number))
    except (sqlite3.Error, UnicodeDecodeError):
        return


def photos_readable(path: Path) -> Iterator[JournalPhoto]:
    """The photos that can be read whole from a damaged file, one at a time."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as file:
            for name, original, data in rows(file, "SELECT sha256, original, data FROM photos"):
                if isinstance(data, bytes) and sha256(data).hexdigest() == name:
                    yield JournalPhoto(name, data, bool(original))
    except (sqlite3.Error, UnicodeDecodeError):
        return


def is_whole(tree: JournalTree) -> bool:
    """Whether the text of a tree is what its hash says."""
    return sha256(tree.text.encode(errors="surrogateescape")).hexdigest() == tree.hash


def case_in(file: sqlite3.Connection, number: int, case: str | None) -> Iterator[JournalEntry]:
    """The events of one case; one whose row is gone gets a new id from its opening."""
    wanted = "SELECT sequence, event, writer FROM events WHERE number = ? ORDER BY sequence"
    for sequence, event, writer in rows(file, wanted, number):
        if case is None:
            try:
                case = new_id(str(json.loads(event)["at"]))
            except (ValueError, KeyError, TypeError, RecordError):
                return
        yield JournalEntry(case, sequence, event, writer, number)


def rows(file: sqlite3.Connection, wanted: str, *values: int) -> Iterator[Any]:
    """Rows until the damage begins."""
    try:
        yield from file.execute(wanted, values)
    except (sqlite3.Error, UnicodeDecodeError):
        return
