"""The tables of a record. ``events``, ``trees`` and ``photos`` are the record; the rest is drawn
from it.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    delete,
    insert,
    select,
    text,
)

METADATA = MetaData()


def texts(*names: str) -> list[Column[str]]:
    """Columns of texts that are always there."""
    return [Column(name, Text, nullable=False) for name in names]


RECORD = Table(
    "record",
    METADATA,
    Column("key", Text, primary_key=True),
    Column("value", Text, nullable=False),
)
"""Settings of a record and what it notes of itself: ``schema`` → version of these tables."""


def setting(connection: Connection, key: str) -> str | None:
    """A value that a record keeps under a key; None where it keeps none."""
    return connection.execute(select(RECORD.c.value).where(RECORD.c.key == key)).scalar()


def keep_setting(connection: Connection, key: str, value: str) -> None:
    """Keep a value in a record under a key, in the place of an earlier one."""
    connection.execute(delete(RECORD).where(RECORD.c.key == key))
    connection.execute(insert(RECORD).values(key=key, value=value))


TREES = Table(
    "trees",
    METADATA,
    Column("hash", Text, primary_key=True),
    Column("text", Text, nullable=False),
)

PHOTOS = Table(
    "photos",
    METADATA,
    Column("sha256", Text, primary_key=True),
    Column("original", Boolean, nullable=False),
    Column("data", LargeBinary, nullable=False),
)
"""Pictures by the SHA-256 of their bytes. An ``original`` is kept as the camera made it and is
never shown or sent to another device."""

CASES = Table(
    "cases",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("id", Text, nullable=False, unique=True),
    *texts(
        "tree",
        "tree_hash",
        "family",
        "model",
        "serial",
        "tag",
        "modules",
        "unit",
        "complaint",
        "owner_words",
        "who",
        "opened",
        "updated",
        "state",
    ),
    Column("closed", Text),
    *texts("result", "fault", "became", "kept"),
    Column("minutes", Float, nullable=False),
    Column("steps", Integer, nullable=False),
    Column("events", Integer, nullable=False),
    *texts("step", "linked"),
    Column("scripted", Boolean, nullable=False),
    Column("came_back", Text, nullable=False, server_default=""),
)
"""One row a case. ``number`` and ``id`` name it; all else is drawn from its events."""

FILTERED = ("tree", "family", "model", "serial", "tag", "who", "state", "result", "fault", "became")
for name in FILTERED:
    Index(f"cases_by_{name}", CASES.c[name], CASES.c.number)
Index("cases_by_opened", CASES.c.opened)
CAME_BACK = text("came_back <> ''")

EVENTS = Table(
    "events",
    METADATA,
    Column("number", Integer, ForeignKey("cases.number"), primary_key=True, autoincrement=False),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    *texts("writer", "event"),
    sqlite_with_rowid=False,
)
"""What happened, as JSON. ``writer`` tells one open store from another."""

STEPS = Table(
    "steps",
    METADATA,
    Column("number", Integer, ForeignKey("cases.number"), primary_key=True, autoincrement=False),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    *texts("step", "outcome", "at"),
    Column("standing", Boolean, nullable=False),
    Column("skipped", Boolean, nullable=False),
    Column("round", Integer, nullable=False),
    Column("minutes", Float),
    Column("value", Float),
    *texts("unit", "instrument"),
    sqlite_with_rowid=False,
)
"""Every step taken, drawn from the events, for reviews."""

WORDS = Table(
    "words",
    METADATA,
    Column("word", Text, primary_key=True),
    Column("number", Integer, ForeignKey("cases.number"), primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
)
"""Which case says which word: finds cases by words in either kind of store."""

CONFIRMED = Table(
    "confirmed",
    METADATA,
    Column("tree_hash", Text, primary_key=True),
    Column("family", Text, primary_key=True),
    Column("fault", Text, primary_key=True),
    Column("cases", Integer, nullable=False),
    sqlite_with_rowid=False,
)
"""How many repairs of each fault lasted, kept by triggers on ``cases``: a diagnosis starts with
these, so a large record must not be counted through for them."""
