"""The free words of a case erased wherever this program keeps them."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select, text
from sqlalchemy.exc import SQLAlchemyError

from faulttree.cases.backends.engines import to_file
from faulttree.cases.backends.urls import sqlite_path
from faulttree.cases.erased import PHOTO_ADDED, erase_words, marks_in, pictures_named
from faulttree.cases.free_words import blanked
from faulttree.cases.journal import chain
from faulttree.cases.journal.file import (
    PHOTO,
    JournalEntry,
    JournalErased,
    is_photo,
    journal_path,
    quoted,
    understood,
)
from faulttree.cases.schema import lock_server, sync_folder
from faulttree.cases.store import Store
from faulttree.cases.tables import RECORD
from faulttree.convert import Plain
from faulttree.errors import RecordError

SQLITE = b"SQLite format 3\x00"
"""The first bytes of an SQLite database (its file format, 1.3)."""


@dataclass(frozen=True, slots=True)
class Erased(Plain):
    """What became of the words of a case.

    Attributes:
        case: id of the case.
        number: its number.
        files: files that no longer have them.
        unreached: files that may still have them, and why.
    """

    case: str
    number: int
    files: tuple[str, ...] = ()
    unreached: tuple[str, ...] = ()


def erase_case(store: Store, case: str, at: str) -> Erased:
    """Erase the free words of a case in record, journal, word index and copies. For good.

    The mark goes into the journal first: if the program ends in between, the next opening of
    the record completes the erasing there.

    Args:
        store: the record; the caller holds its lock alone.
        case: id of the case.
        at: the time now, ISO 8601 UTC.

    Raises:
        NoSuchCase: the record has no such case.
        RecordError: it cannot be written, or an event of the case is damaged.
    """
    found = store.case(case)
    mark = JournalErased(case, found.events, at)
    path = sqlite_path(store.url) if store.url != ":memory:" else None
    if path is None:
        store.write(lambda connection: erase_on_server(connection, mark))
        return Erased(case, found.number)
    if journal_path(path).is_file():
        erase_in_journal(journal_path(path), {case: mark})
    store.write(lambda connection: erase_words(connection, mark))
    compact(store)
    files, unreached = [str(path), str(journal_path(path))], []
    for copy in (*beside(path), *copies_of(store)):
        try:
            files += [str(copy)] if erase_in_copy(copy, {case: mark}, store.record_id) else []
        except (OSError, RecordError, SQLAlchemyError, sqlite3.Error) as error:
            unreached.append(f"{copy}: {reason_of(error)}")
    return Erased(case, found.number, tuple(files), tuple(unreached))


def reason_of(error: Exception) -> str:
    """Why a copy was not reached, in a few words."""
    if isinstance(error, RecordError):
        return error.message
    return getattr(error, "strerror", None) or str(getattr(error, "orig", None) or error)


def compact(store: Store) -> None:
    """Write the database without what was deleted in it, and empty its log."""
    with store.engine.connect() as connection:
        raw = connection.connection.driver_connection
        assert isinstance(raw, sqlite3.Connection)
        raw.execute("VACUUM")
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def erase_on_server(connection: Connection, mark: JournalErased) -> None:
    """The same in the tables of a server, those kept before an upgrade included."""
    lock_server(connection)
    erase_words(connection, mark)
    kept = "SELECT tablename FROM pg_tables WHERE tablename LIKE :name"
    for table in connection.execute(
        text(kept), {"name": "events\\_before\\_version\\_%"}
    ).scalars():
        one = {"id": mark.case}
        number = "(SELECT number FROM cases WHERE id = :id)"
        wanted = f"SELECT sequence, event FROM {table} WHERE number = {number}"  # noqa: S608
        change = f"UPDATE {table} SET event = :event WHERE number = {number} AND sequence = :at"  # noqa: S608
        for row in connection.execute(text(wanted), one).all():
            values = {**one, "at": row.sequence, "event": blanked(row.event)}
            connection.execute(text(change), values)
        listed = table.replace("events", "cases", 1)
        bare = f"UPDATE {listed} SET complaint = '', owner_words = '', who = '', unit = '{{}}'"  # noqa: S608
        connection.execute(text(f"{bare} WHERE id = :id"), one)


def beside(path: Path) -> Iterator[Path]:
    """Copies beside a record: from before upgrades, and what repairs and restores put aside."""
    own = {path.name, journal_path(path).name}
    for one in sorted(path.parent.glob(f"{path.name}.*")):
        if (
            one.name not in own
            and one.is_file()
            and not one.name.endswith(("-wal", "-shm", ".lock"))
        ):
            yield one


COPY = "backup:"
"""What the key of a backup begins with in a record; its absolute path follows."""


def copies_of(store: Store) -> list[Path]:
    """The backups that were made of a record, wherever they were put."""
    wanted = select(RECORD.c.key).where(RECORD.c.key.like(f"{COPY}%")).order_by(RECORD.c.key)
    keys = store.read(lambda connection: connection.execute(wanted).scalars().all())
    return [Path(key.removeprefix(COPY)) for key in keys]


def erase_in_copy(path: Path, marks: Mapping[str, JournalErased], record: str) -> bool:
    """Erase in a copy of a record or journal; gives whether it is one.

    Raises:
        OSError: it is not there, or cannot be written.
        RecordError: it is another record's, or too damaged to be changed.
    """
    if ".events.jsonl" in path.name:
        return erase_in_journal(path, marks)
    with path.open("rb") as file:
        if file.read(len(SQLITE)) != SQLITE:
            return False
    erase_in_database(path, marks, record)
    if journal_path(path).is_file():
        erase_in_journal(journal_path(path), marks)
    return True


def erase_in_database(path: Path, marks: Mapping[str, JournalErased], record: str) -> None:
    """Erase in an SQLite record that is nobody's open one, whatever version it has."""
    if id_of(path) != record:
        raise RecordError("it is another record's")
    engine = to_file(path, read_only=False)
    try:
        with engine.execution_options(writing=True).begin() as connection:
            there = marks_in(connection)
            for case, mark in marks.items():
                if case not in there or there[case].events < mark.events:
                    erase_words(connection, mark)
    finally:
        engine.dispose()
    with closing(sqlite3.connect(path)) as file:
        file.execute("VACUUM")
        file.execute("PRAGMA journal_mode = DELETE")


def id_of(path: Path) -> str:
    """The id of the record in an SQLite file; empty where it has none."""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as file:
        named = file.execute("SELECT value FROM record WHERE key = 'id'").fetchone()
    return str(named[0]) if named else ""


def erase_in_journal(path: Path, marks: Mapping[str, JournalErased]) -> bool:
    """Write a journal again without the words and pictures of these cases, and with their marks.

    Gives whether it had lines of them.
    """
    wanted = [quoted(case).encode() for case in marks]
    new = path.with_name(f"{path.name}.part")
    chains: dict[tuple[str, int], str] = {}
    had = False
    pictures = pictures_in(path, marks)
    try:
        with path.open("rb") as old, open(os.open(new, FLAGS, 0o600), "wb") as file:  # noqa: PTH123
            for raw in old:
                line = raw
                if is_photo(raw) and raw[HASH].decode("latin-1") in pictures:
                    had = True
                    continue
                if any(case in raw for case in wanted):
                    had = True
                    line = erased_line(raw, marks, chains)
                file.write(line if line.endswith(b"\n") else line + b"\n")
            file.writelines(f"{mark.line()}\n".encode() for mark in marks.values() if had)
            file.flush()
            os.fsync(file.fileno())
        if had:
            new.replace(path)
            sync_folder(path.parent)
    finally:
        new.unlink(missing_ok=True)
    return had


def pictures_in(path: Path, marks: Mapping[str, JournalErased]) -> set[str]:
    """The hashes of the pictures that a journal names in marked events of these cases alone."""
    own: set[str] = set()
    others: set[str] = set()
    with path.open("rb") as journal:
        for raw in journal:
            item = understood(0, raw).holds if PHOTO_ADDED.encode() in raw else None
            if isinstance(item, JournalEntry):
                mark = marks.get(item.case)
                marked = mark is not None and item.sequence < mark.events
                (own if marked else others).update(pictures_named(item.event))
    return own - others


HASH = slice(len(PHOTO) + 1, len(PHOTO) + 65)
"""Where the hash stands in the line of a photo."""

FLAGS = os.O_CREAT | os.O_WRONLY | os.O_TRUNC


def erased_line(
    raw: bytes, marks: Mapping[str, JournalErased], chains: dict[tuple[str, int], str]
) -> bytes:
    """A line of a journal without its words; a damaged one that names the case is emptied."""
    item = understood(0, raw).holds
    if isinstance(item, JournalErased):
        return b"" if item.case in marks else raw
    if not isinstance(item, JournalEntry):
        return b"" if item is None else raw
    mark = marks.get(item.case)
    if mark is None:
        return raw
    before = chains.get((item.case, item.sequence - 1), "")
    if item.sequence < mark.events:
        item = chain.erased(item, before)
    elif item.chain:
        item = chain.relinked(item, before)
    chains[item.case, item.sequence] = item.chain
    return f"{item.line()}\n".encode()


def marks_of(path: Path) -> Sequence[JournalErased]:
    """The marks of a record's file and of its journal, as far as they can be read."""
    marks: list[JournalErased] = []
    if journal_path(path).is_file():
        with journal_path(path).open("rb") as journal:
            held = (understood(0, raw).holds for raw in journal if raw.startswith(b'{"erased":'))
            marks += [item for item in held if isinstance(item, JournalErased)]
    if path.exists():
        engine = to_file(path, read_only=True)
        with suppress(RecordError, SQLAlchemyError, sqlite3.Error), engine.connect() as connection:
            marks += marks_in(connection).values()
        engine.dispose()
    return marks
