"""Opening a record, with what was lost or could not be sent brought back."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, select

from faulttree.cases.backends.engines import connect
from faulttree.cases.backends.file_lock import FileLock
from faulttree.cases.backends.folder import warnings
from faulttree.cases.backends.offline import OfflineStore
from faulttree.cases.backends.outbox import Outbox
from faulttree.cases.backends.urls import sqlite_path
from faulttree.cases.errors import CutOff
from faulttree.cases.event_rows import add_photos
from faulttree.cases.journal.backup import JournalBackup, sound_cases
from faulttree.cases.journal.file import (
    JournalEntry,
    entries,
    entries_and_trees,
    first_record,
    journal_path,
    photos,
)
from faulttree.cases.store import Store
from faulttree.cases.tables import CASES, keep_setting
from faulttree.cases.transfer.merge import Merged, merge
from faulttree.errors import RecordError

NEWEST = 8
"""So many of the newest cases are looked for in the journal at each opening."""


def open_store(
    url: str | None,
    *,
    read_only: bool = False,
    folder: Path | str | None = None,
    alone: bool = False,
    held: bool = False,
) -> Store:
    """Open a record; a missing one is made, or reads as empty where only read.

    Args:
        url: ``sqlite:///file``, a path, or ``postgresql://…``; None for a record in memory.
        read_only: never write, not even a missing file.
        folder: where answers are kept while a server is away; without it they are refused.
        alone: begin on this bench alone where a server that it has reached before is away; the
            next store that reaches it sends what was recorded. :attr:`Store.away` says so.
        held: the caller holds the lock of the file itself, alone.

    Raises:
        RecordError: it cannot be opened, or a newer program wrote it.
    """
    path = sqlite_path(url) if url else None
    try:
        store = connected(url, path, read_only=read_only, held=held)
    except CutOff as problem:
        if not (url and folder and alone) or read_only:
            raise
        return begun_alone(url, Path(folder), problem)
    if path is not None and read_only and is_gone(store, journal_path(path)):
        store.close()
        return after_rebuilding(path)
    try:
        if path is not None and path.exists():
            read_journal(store, path)
        elif url and folder and not read_only:
            send_left_behind(store, Outbox(Path(folder), url, store.writer))
    except BaseException:
        store.close()
        raise
    return store


def begun_alone(url: str, folder: Path, problem: CutOff) -> Store:
    """A store on this bench alone, for a server that it has reached before.

    Raises:
        CutOff: it never reached that server.
    """
    if not Outbox(folder, url, "").reached_before:
        raise problem
    return OfflineStore(url, folder, problem)


def send_left_behind(store: Store, outbox: Outbox) -> None:
    """Tell the server what earlier sessions on this bench could not."""
    store.outbox = outbox
    outbox.note_reached()
    store.send_left_behind()


def connected(url: str | None, path: Path | None, *, read_only: bool, held: bool) -> Store:
    """A store with its file locked, where it is a file that may be written.

    Raises:
        CutOff: the server is away.
        RecordError: it cannot be opened.
    """
    lock = FileLock(path) if path is not None and not read_only and not held else None
    try:
        store = Store(url, connect(url, read_only=read_only), read_only=read_only)
    except BaseException:
        if lock is not None:
            lock.close()
        raise
    store.lock = lock
    if lock is not None:
        lock.note()
    return store


def read_journal(store: Store, path: Path) -> None:
    """Bring back what the database lost and the journal beside it has; nothing is left unsaid.

    Raises:
        RecordError: it cannot be brought back.
    """
    copy = store.second_copy = JournalBackup(path, store.record_id, store.entries)
    if store.read_only:
        lost = store.lost()
        store.brought_back = brought_back_to(str(path)) if lost else ()
        return
    if is_gone(store, copy.path):
        said = rebuild(store, copy.path)
        store.notices = (said,) if said else ()
        copy.record = store.record_id
    store.notices = (*store.notices, *warnings(path))
    aside = copy.put_aside()
    if aside is not None:
        said = f"the journal beside the record was another record's: it is now {aside.name}"
        store.notices = (*store.notices, said)
    lost = store.lost()
    if lost:
        store.bring_back(lost)
    copy.fill(lambda cases: counts(store, cases))


def counts(store: Store, cases: set[str]) -> list[tuple[str, int]]:
    """How many events the database has of these cases and of the newest ones."""
    newest = select(CASES.c.id).order_by(CASES.c.number.desc()).limit(NEWEST)
    wanted = select(CASES.c.id, CASES.c.events).where(
        CASES.c.id.in_(cases) | CASES.c.id.in_(newest.scalar_subquery())
    )
    return [(row.id, row.events) for row in store.read(lambda c: c.execute(wanted).all())]


def after_rebuilding(path: Path) -> Store:
    """Open for writing to make the database again from its journal, then for reading.

    Raises:
        RecordError: it cannot be made again here.
    """
    try:
        with open_store(str(path)) as store:
            notices = store.notices
    except RecordError as error:
        raise RecordError(
            f"the database is missing or empty, its journal {journal_path(path).name} holds cases, "
            f"and it could not be made again from them: {error.message}",
            path=path,
            remedy="Give yourself write permission on the folder, then try again.",
        ) from None
    again = open_store(str(path), read_only=True)
    again.notices = notices
    return again


def brought_back_to(path: str) -> tuple[str, ...]:
    """Open for writing just to bring back what was lost, where that may be done."""
    try:
        with open_store(path) as store:
            return store.brought_back
    except RecordError:
        return ()


def is_gone(store: Store, journal: Path) -> bool:
    """Whether the database holds nothing, and the journal beside it the cases of another one."""
    if not journal.is_file() or first_record(journal) == store.record_id or store.count():
        return False
    return any(isinstance(line.holds, JournalEntry) for line in entries(journal))


def rebuild(store: Store, journal: Path) -> str:
    """Bring every case of the journal into the empty database; gives what to tell of it.

    The database gets the id that the journal names, so that both belong together again. All is
    one transaction: of several programs that find the database gone, one does it.

    Raises:
        RecordError: it cannot be written.
    """
    items = entries_and_trees(journal)
    cases, cut = sound_cases(items)
    texts = [item for item in items if not isinstance(item, JournalEntry)]
    whose = first_record(journal)

    def work(connection: Connection) -> Merged | None:
        if connection.execute(select(CASES.c.number).limit(1)).first() is not None:
            return None
        if whose:
            keep_setting(connection, "id", whose)
        for photo in photos(journal):
            add_photos(connection, [photo])
        return merge(connection, [*texts, *cases], numbers=True)

    done = store.write(work)
    if done is None:
        return ""
    said = (
        f"the database {Path(journal.name.removesuffix('.events.jsonl'))} was missing or empty: "
        f"{done.cases} cases with {done.events} events were made again from its journal"
    )
    left = [*cut, *done.conflicts]
    return f"{said}; not all of it could be read: {left[0]}" if left else said
