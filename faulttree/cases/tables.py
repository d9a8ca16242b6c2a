"""The tables of a record. ``events`` and ``trees`` are the record; the rest is drawn from it."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    text,
)

METADATA = MetaData()

RECORD = Table(
    "record",
    METADATA,
    Column("key", Text, primary_key=True),
    Column("value", Text, nullable=False),
)
"""``schema`` → version of these tables."""

TREES = Table(
    "trees",
    METADATA,
    Column("hash", Text, primary_key=True),
    Column("text", Text, nullable=False),
)

CASES = Table(
    "cases",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=True),
    Column("id", Text, nullable=False, unique=True),
    Column("tree", Text, nullable=False),
    Column("tree_hash", Text, nullable=False),
    Column("family", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("tag", Text, nullable=False),
    Column("modules", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("complaint", Text, nullable=False),
    Column("owner_words", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("opened", Text, nullable=False),
    Column("updated", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("closed", Text),
    Column("result", Text, nullable=False),
    Column("fault", Text, nullable=False),
    Column("became", Text, nullable=False),
    Column("kept", Text, nullable=False),
    Column("minutes", Float, nullable=False),
    Column("steps", Integer, nullable=False),
    Column("events", Integer, nullable=False),
    Column("step", Text, nullable=False),
    Column("linked", Text, nullable=False),
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
    Column("writer", Text, nullable=False),
    Column("event", Text, nullable=False),
    sqlite_with_rowid=False,
)
"""What happened, as JSON. ``writer`` tells one open store from another."""

STEPS = Table(
    "steps",
    METADATA,
    Column("number", Integer, ForeignKey("cases.number"), primary_key=True, autoincrement=False),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("step", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("standing", Boolean, nullable=False),
    Column("skipped", Boolean, nullable=False),
    Column("round", Integer, nullable=False),
    Column("minutes", Float),
    Column("value", Float),
    Column("unit", Text, nullable=False),
    Column("instrument", Text, nullable=False),
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
