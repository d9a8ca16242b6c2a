"""The tables' versions: made when new, brought up with a backup first, never down."""

from __future__ import annotations

import os
import secrets
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection, Engine, Table, Text, text

from faulttree.cases.backends.urls import shown
from faulttree.cases.errors import NewerRecord
from faulttree.cases.tables import (
    CAME_BACK,
    CASES,
    EVENTS,
    METADATA,
    PHOTOS,
    RECORD,
    TREES,
    keep_setting,
)
from faulttree.errors import RecordError

APPLICATION_ID = 0x66747265
"""What the header of our SQLite files holds at byte 68 (its file format, 1.3): ASCII "ftre"."""

Migration = Callable[[Connection], None]

LOCK = 0x6661756C
"""The advisory lock that keeps two benches from making the tables at once."""


def make_tables(connection: Connection) -> None:
    """Version 1: the tables, and what keeps events and trees from being changed."""
    tables = [table for table in METADATA.sorted_tables if table is not PHOTOS]
    METADATA.create_all(connection, tables)
    connection.exec_driver_sql(COME_BACKS)
    here = connection.dialect.name == "sqlite"
    for statement in sqlite_statements() if here else postgres_statements():
        connection.exec_driver_sql(statement)
    connection.execute(RECORD.insert().values(key="id", value=secrets.token_hex(16)))


# As text, and not as a partial ``Index`` of the table: that would have SQLAlchemy import every
# driver of a server at each start, to check the one word of it.
COME_BACKS = f"CREATE INDEX cases_come_back ON cases (number) WHERE {CAME_BACK}"

UNITS = (
    *(
        f"CREATE INDEX cases_of_{name} ON cases ({name}, opened, number) WHERE {name} <> ''"
        for name in ("serial", "tag")
    ),
    *(
        f"CREATE INDEX cases_repaired_by_{name} ON cases ({name}, closed) "
        f"WHERE {name} <> '' AND result = 'fixed'"
        for name in ("serial", "tag")
    ),
    f"CREATE INDEX cases_by_came_back ON cases (came_back) WHERE {CAME_BACK}",
)
"""Indexes for the cases of one unit in their order."""

COUNTED = "{row}.result = 'fixed' AND {row}.fault <> '' AND {row}.came_back = ''"
"""When a case counts as a repair that lasted."""

ONE_MORE = (
    "INSERT INTO confirmed VALUES (NEW.tree_hash, NEW.family, NEW.fault, 1) "
    "ON CONFLICT (tree_hash, family, fault) DO UPDATE SET cases = confirmed.cases + 1"
)
ONE_LESS = (
    "UPDATE confirmed SET cases = cases - 1 WHERE tree_hash = OLD.tree_hash "
    "AND family = OLD.family AND fault = OLD.fault"
)


def sqlite_statements() -> list[str]:
    """Triggers that make events and tree texts append-only, and that count repairs."""
    never = [
        f"CREATE TRIGGER {table}_{verb.lower()}_never BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} are only ever added'); END"
        for table in ("events", "trees")
        for verb in ("UPDATE", "DELETE")
    ]
    changed = "AFTER UPDATE OF result, fault, came_back ON cases"
    new, old = COUNTED.format(row="NEW"), COUNTED.format(row="OLD")
    return [
        *never,
        f"CREATE TRIGGER confirmed_first AFTER INSERT ON cases WHEN {new} BEGIN {ONE_MORE}; END",
        f"CREATE TRIGGER confirmed_more {changed} WHEN {new} BEGIN {ONE_MORE}; END",
        f"CREATE TRIGGER confirmed_less {changed} WHEN {old} BEGIN {ONE_LESS}; END",
    ]


def postgres_statements() -> list[str]:
    """The same for a server, whose texts are then compared as SQLite does."""
    body = "BEGIN RAISE EXCEPTION '%% are only ever added', TG_TABLE_NAME; END"
    never = f"CREATE FUNCTION never_change() RETURNS trigger LANGUAGE plpgsql AS $${body}$$"
    count = (
        "CREATE FUNCTION count_confirmed() RETURNS trigger LANGUAGE plpgsql AS $$BEGIN "
        f"IF TG_OP = 'UPDATE' AND {COUNTED.format(row='OLD')} THEN {ONE_LESS}; END IF; "
        f"IF {COUNTED.format(row='NEW')} THEN {ONE_MORE}; END IF; RETURN NULL; END$$"
    )
    changed = "INSERT OR UPDATE OF result, fault, came_back"
    return [
        *(by_bytes(table) for table in METADATA.tables.values() if table is not PHOTOS),
        never,
        *(
            f"CREATE TRIGGER {table}_never BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION never_change()"
            for table in ("events", "trees")
        ),
        count,
        f"CREATE TRIGGER confirmed_counted AFTER {changed} ON cases "
        "FOR EACH ROW EXECUTE FUNCTION count_confirmed()",
    ]


def by_bytes(table: Table) -> str:
    """Compare a table's texts byte by byte, whatever language the server was set up for.

    Beginnings of words and ids are looked up as ranges, and times sorted as texts.
    """
    texts = [column.name for column in table.columns if isinstance(column.type, Text)]
    changes = ", ".join(f'ALTER COLUMN "{name}" TYPE text COLLATE "C"' for name in texts)
    return f"ALTER TABLE {table.name} {changes}"


def no_new_tables(_: Connection) -> None:
    """New kinds and keys of events. The tables stay; older programs must not write.

    Version 2: facts, checks, waits, corrections. Version 3: the mains where a case is opened.
    Version 4: how far a normal outcome is to be expected, where a case is opened.
    Version 5: the id of the reply that made an event. Version 8: marks of cases whose words were
    erased. Version 9: remarks of others.
    """


def index_units(connection: Connection) -> None:
    """Version 6: the cases of a unit are found in their order."""
    for statement in UNITS:
        connection.exec_driver_sql(statement)


def make_photos(connection: Connection) -> None:
    """Version 7: the table of photos. A picture may be removed, but never changed."""
    PHOTOS.create(connection)
    change = "CREATE TRIGGER photos_never BEFORE UPDATE ON photos"
    if connection.dialect.name == "sqlite":
        say = "SELECT RAISE(ABORT, 'photos are never changed')"
        connection.exec_driver_sql(f"{change} BEGIN {say}; END")
        return
    connection.exec_driver_sql(by_bytes(PHOTOS))
    connection.exec_driver_sql(f"{change} FOR EACH STATEMENT EXECUTE FUNCTION never_change()")


MIGRATIONS: Mapping[int, Migration] = {
    1: make_tables,
    **dict.fromkeys((2, 3, 4, 5), no_new_tables),
    6: index_units,
    7: make_photos,
    **dict.fromkeys((8, 9), no_new_tables),
}
"""Version → what brings a record there from the version before."""

VERSION = max(MIGRATIONS)

SAME_TABLES_SINCE = 1
"""The oldest version that can be read without a migration: only the table of photos is missing."""

PHOTOS_SINCE = 7
"""The first version with the table of photos."""


def has_photos(connection: Connection) -> bool:
    """Whether a record has the table of photos; one of an earlier version is read without."""
    return version_of(connection) >= PHOTOS_SINCE


def version_of(connection: Connection) -> int:
    """The version of a record's tables; 0 for an empty one."""
    if connection.dialect.name == "sqlite":
        return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    # Asked of the catalog itself: `to_regclass` may answer from before another bench's commit.
    there = connection.exec_driver_sql(
        "SELECT 1 FROM pg_class WHERE relname = 'record' AND relkind = 'r' "
        "AND pg_table_is_visible(oid)"
    ).first()
    if there is None:
        return 0
    return int(
        connection.exec_driver_sql("SELECT value FROM record WHERE key = 'schema'").scalar_one()
    )


def can_be_read(engine: Engine) -> bool:
    """Whether a record can be read as it is, without bringing it up to date first."""
    with engine.connect() as connection:
        return SAME_TABLES_SINCE <= version_of(connection) <= VERSION


def bring_up(
    engine: Engine,
    url: str,
    path: Path | None = None,
    *,
    migrations: Mapping[int, Migration] = MIGRATIONS,
) -> None:
    """Bring a record up to the newest version, in one transaction, a backup first.

    Args:
        engine: a connection to the record that may write.
        url: the record, for messages.
        path: its file, where it is one; it is copied before anything changes.

    Raises:
        NewerRecord: the record is newer than this program.
    """
    newest = max(migrations)
    with engine.connect() as connection:
        stands = version_of(connection)
        if stands == newest and is_marked(connection):
            return
    refuse_newer(stands, newest, url)
    if 0 < stands < newest and path is not None:
        back_up(path, stands)
    # The write lock is taken before the version is read again: a transaction that has read
    # already is refused the lock at once, without waiting for another program.
    with engine.execution_options(writing=True).begin() as connection:
        lock_server(connection)
        # Another bench may have been faster.
        stands = version_of(connection)
        mark(connection)
        if stands == newest:
            return
        refuse_newer(stands, newest, url)
        if stands and path is None:
            back_up_there(connection, stands)
        migrate(connection, stands, migrations)


def lock_server(connection: Connection) -> None:
    """Keep other programs on a server from changing its tables until the transaction ends.

    The statements of this transaction then have no time limit.
    """
    if connection.dialect.name != "sqlite":
        # A large record takes its time; it is done once.
        connection.execute(text("SET LOCAL statement_timeout = 0"))
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})


def migrate(connection: Connection, stands: int, migrations: Mapping[int, Migration]) -> None:
    """Make the tables of the newest version from those of an older one."""
    for version in range(stands + 1, max(migrations) + 1):
        migrations[version](connection)
    stamp(connection, max(migrations))


def stamp(connection: Connection, version: int) -> None:
    """Note the version the tables have now."""
    keep_setting(connection, "schema", str(version))
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA user_version = {version:d}")


def is_marked(connection: Connection) -> bool:
    """Whether a file says that it is a record; a server needs no such mark."""
    if connection.dialect.name != "sqlite":
        return True
    found = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
    return int(found) == APPLICATION_ID


def mark(connection: Connection) -> None:
    """Write into a file that it is a record. Records of earlier versions have no mark."""
    if not is_marked(connection):
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID:d}")


def is_foreign(connection: sqlite3.Connection) -> bool:
    """Whether a file belongs to another program: it has tables but not ours, or only a mark.

    A file with our tables is a record, also where damage or an earlier version left no mark.
    """
    tables = "SELECT count(*), total(name IN ('record', 'events')) FROM sqlite_schema"
    many, ours = connection.execute(f"{tables} WHERE type = 'table'").fetchone()
    if many:
        return bool(ours != 2)
    return connection.execute("PRAGMA application_id").fetchone()[0] not in {0, APPLICATION_ID}


def refuse_when_upgraded(connection: Connection, url: str) -> None:
    """Refuse to write into a record that a newer program upgraded while it was open.

    On a server the lock keeps an upgrade from beginning between this and the commit; on a file
    the write lock does.

    Raises:
        NewerRecord: the record is newer than this program.
    """
    if connection.dialect.name != "sqlite":
        connection.execute(text("SELECT pg_advisory_xact_lock_shared(:lock)"), {"lock": LOCK})
    refuse_newer(version_of(connection), VERSION, url)


def refuse_newer(stands: int, newest: int, url: str) -> None:
    """Say that a newer program wrote this."""
    if stands > newest:
        raise NewerRecord(
            f"the record {shown(url)} was written by a newer faulttree "
            f"(tables of version {stands}, this program knows {newest})",
            remedy="Upgrade faulttree on this bench; nothing was changed.",
        )


def back_up_there(connection: Connection, version: int) -> None:
    """Copies of what cannot be drawn again, in the server's own database."""
    for table in (EVENTS, TREES, CASES):
        copy = f"{table.name}_before_version_{version + 1}"
        make = f"CREATE TABLE IF NOT EXISTS {copy} AS SELECT * FROM {table.name}"  # noqa: S608
        connection.exec_driver_sql(make)


def back_up(path: Path, version: int) -> Path:
    """A checked copy of the file beside it, mode 0600; a whole copy of that version stays.

    The copy gets its name when it is complete and on the disk, so that no crash leaves half of
    one under that name.

    Raises:
        RecordError: it cannot be made.
    """
    copy = path.with_name(f"{path.name}.before-version-{version + 1}")
    if is_copy(copy, version):
        return copy
    part = copy.with_name(f"{copy.name}.{os.getpid()}.part")
    try:
        copy_database(path, part)
        # Another program may have upgraded the record meanwhile; then it made the backup.
        if is_copy(part, version):
            part.replace(copy)
            sync_folder(copy.parent)
    except (OSError, sqlite3.Error) as error:
        raise RecordError(
            f"the record must be brought up to date, but no backup could be made: {error}",
            path=path,
            remedy=f"Make room for {copy.name} beside it, then try again; nothing was changed.",
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return copy


def copy_database(path: Path, copy: Path) -> None:
    """Copy an SQLite file while others write to it, for its owner alone, and sync the copy.

    Raises:
        OSError: there is no room, or the folder may not be written.
        sqlite3.Error: the file cannot be read.
    """
    copy.unlink(missing_ok=True)
    file = os.open(copy, os.O_CREAT | os.O_RDWR | os.O_EXCL, 0o600)
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(copy)) as target:
            source.backup(target)
            # One file, without a log beside it, so that it can be renamed and moved.
            target.execute("PRAGMA journal_mode = DELETE")
        os.fsync(file)
    finally:
        os.close(file)


def is_copy(path: Path, version: int) -> bool:
    """Whether a file is a whole record of that version."""
    if not path.is_file() or not path.stat().st_size:
        return False
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as file:
            stands = file.execute("PRAGMA user_version").fetchone()[0]
            return bool(
                stands == version and file.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
            )
    except sqlite3.Error:
        return False


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder onto the disk, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
