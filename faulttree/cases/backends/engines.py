"""A connection to a record: SQLite durable and private, PostgreSQL as the server keeps it."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import StaticPool

from faulttree.cases.backends.urls import server_url, shown, sqlite_path
from faulttree.cases.errors import explained
from faulttree.cases.schema import bring_up, can_be_read, is_foreign, sync_folder, version_of
from faulttree.errors import RecordError

BUSY_SECONDS = 10.0
PAUSE_SECONDS = 0.02
CONNECT_SECONDS = 5
NETWORK: Mapping[str, Any] = {
    "connect_timeout": CONNECT_SECONDS,
    "application_name": "faulttree",
    # A table that another session has locked must not hold up a bench without a word.
    "options": "-c lock_timeout=8s -c statement_timeout=240s",
    # A cable pulled out sends no goodbye: without these a bench would wait a quarter of an hour.
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 8000,
}


def connect(url: str | None, *, read_only: bool = False) -> Engine:
    """An engine for a record whose tables are of this program's version.

    Raises:
        RecordError: it cannot be opened.
    """
    if url is None:
        return in_memory()
    path = sqlite_path(url)
    if path is not None and read_only and not path.exists():
        return in_memory()
    engine = to_server(url) if path is None else to_file(path, read_only=read_only)
    try:
        if read_only and is_empty(engine):
            engine.dispose()
            return in_memory()
        if not (read_only and can_be_read(engine)):
            bring_up(engine, url, path)
    except (SQLAlchemyError, sqlite3.Error) as error:
        engine.dispose()
        raise explained(error, url) from None
    except BaseException:
        engine.dispose()
        raise
    return engine


def is_empty(engine: Engine) -> bool:
    """Whether there are no tables yet: whoever only reads must not make them."""
    with engine.connect() as connection:
        return version_of(connection) == 0


def in_memory() -> Engine:
    """An empty record that ends with the program."""
    engine = create_engine(
        "sqlite://",
        poolclass=StaticPool,
        connect_args={"isolation_level": None, "check_same_thread": False},
    )
    event.listen(engine, "begin", begin)
    bring_up(engine, ":memory:")
    return engine


def to_file(path: Path, *, read_only: bool) -> Engine:
    """An SQLite file, made with mode 0600 in a folder of mode 0700 where it is missing."""
    if not read_only:
        make_private(path)

    def opened() -> sqlite3.Connection:
        return open_file(path, read_only=read_only)

    engine = create_engine("sqlite://", creator=opened, poolclass=StaticPool)
    event.listen(engine, "begin", begin)
    return engine


def open_file(path: Path, *, read_only: bool) -> sqlite3.Connection:
    """The file, in write-ahead mode with every commit synced to the disk."""
    effective = os.access in os.supports_effective_ids
    mode = "rw" if os.access(path, os.W_OK, effective_ids=effective) else "ro"
    place = f"{path.absolute().as_uri()}?mode={mode}"
    connection = attach(place)
    try:
        # Before anything is written: switching to the write-ahead log changes the file.
        if is_foreign(connection):
            raise RecordError(
                "this SQLite file belongs to another program",
                path=path,
                remedy="Name another --record; nothing was changed.",
            )
        if mode == "ro":
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        else:
            settle(connection, read_only=read_only)
    except RecordError:
        connection.close()
        raise
    except sqlite3.OperationalError:
        connection.close()
        if mode != "ro" or path.with_name(f"{path.name}-wal").exists():
            raise
        # On a read-only medium the log beside a cleanly closed file cannot even be made.
        connection = attach(f"{place}&immutable=1")
    return connection


def attach(place: str) -> sqlite3.Connection:
    """One connection by URI; transactions are begun by :func:`begin` alone."""
    return sqlite3.connect(
        place, uri=True, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
    )


def settle(connection: sqlite3.Connection, *, read_only: bool) -> None:
    """What makes a commit durable; a file that is only read stays as it is."""
    if read_only:
        connection.execute("PRAGMA query_only = ON")
        return
    mode = write_ahead(connection)
    if mode != "wal":
        raise sqlite3.NotSupportedError(f"its write-ahead log cannot be used (mode {mode})")
    connection.execute("PRAGMA synchronous = FULL")


def write_ahead(connection: sqlite3.Connection) -> str:
    """Switch a file to its write-ahead log; gives the mode it has then.

    SQLite does not wait for another program here, whatever time is allowed: a program that
    makes the same file at the same moment would be refused. So it is tried again.
    """
    for _ in range(int(BUSY_SECONDS / PAUSE_SECONDS)):
        try:
            return str(connection.execute("PRAGMA journal_mode = WAL").fetchone()[0])
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise
        time.sleep(PAUSE_SECONDS)
    return str(connection.execute("PRAGMA journal_mode = WAL").fetchone()[0])


def begin(connection: Connection) -> None:
    """A writer takes the lock at once, so that what it read cannot change before it writes."""
    writing = connection.get_execution_options().get("writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def make_private(path: Path) -> None:
    """Make folder and file for their owner alone; existing ones stay as they are."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not path.exists():
            os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
            sync_folder(path.parent)
            sync_folder(path.parent.parent)
    except OSError as error:
        raise RecordError(
            f"the record cannot be made: {error.strerror or error}",
            path=path,
            remedy="See that the folder may be written in, or name another --record.",
        ) from None


def to_server(url: str) -> Engine:
    """A PostgreSQL server, through psycopg."""
    try:
        return create_engine(
            server_url(url), connect_args=dict(NETWORK), pool_size=1, max_overflow=4
        )
    except (ArgumentError, NoSuchModuleError, ValueError):
        raise RecordError(
            f"the record {shown(url)} is no URL of a server",
            remedy="Write postgresql+psycopg://user@server/name.",
        ) from None
    except ModuleNotFoundError:
        raise RecordError(
            "a record on a server needs the package psycopg",
            remedy="Install it: pip install 'faulttree[postgres]'.",
        ) from None
