"""The rows that one event brings about."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Table, bindparam, insert, update
from sqlalchemy.sql import Executable

from faulttree.cases import rows
from faulttree.cases.summary import Summary, Taken
from faulttree.cases.tables import CASES, EVENTS, STEPS, WORDS
from faulttree.walk.events import Event

__all__ = ["add_case", "add_events", "add_ignoring", "add_steps", "add_words", "change_steps"]

CHANGE_STEP = (
    update(STEPS)
    .where(STEPS.c.number == bindparam("in_case"), STEPS.c.sequence == bindparam("at_sequence"))
    .values(standing=bindparam("now_standing"), minutes=bindparam("now_minutes"))
)


def add_case(connection: Connection, name: str, summary: Summary) -> int:
    """A new case; gives its number."""
    done = connection.execute(insert(CASES).values(id=name, **rows.flat(summary.row)))
    key = done.inserted_primary_key
    assert key is not None
    return int(key[0])


def add_events(
    connection: Connection, number: int, first: int, events: Sequence[Event], writer: str
) -> None:
    """The events from a position on."""
    connection.execute(
        insert(EVENTS),
        [
            {
                "number": number,
                "sequence": sequence,
                "writer": writer,
                "event": rows.as_json(event.to_dict()),
            }
            for sequence, event in enumerate(events, first)
        ],
    )


def add_steps(connection: Connection, number: int, steps: Sequence[Taken]) -> None:
    """Steps that are new."""
    if steps:
        connection.execute(insert(STEPS), [rows.step(number, taken) for taken in steps])


def change_steps(
    connection: Connection, number: int, before: Sequence[Taken], after: Sequence[Taken]
) -> None:
    """What an event changed about the steps: a new one, or earlier ones gone back over."""
    changed = [
        {
            "in_case": number,
            "at_sequence": now.sequence,
            "now_standing": now.standing,
            "now_minutes": now.minutes,
        }
        for was, now in zip(before, after, strict=False)
        if was is not now and was != now
    ]
    if changed:
        connection.execute(CHANGE_STEP, changed)
    add_steps(connection, number, after[len(before) :])


def add_words(connection: Connection, number: int, words: Iterable[str]) -> None:
    """Words the case can be found by; those it has already stay."""
    add_ignoring(connection, WORDS, [{"word": word, "number": number} for word in sorted(words)])


def add_ignoring(connection: Connection, table: Table, values: Sequence[dict[str, Any]]) -> None:
    """Insert what is not there yet."""
    if values:
        connection.execute(insert_ignoring(connection, table), values)


def insert_ignoring(connection: Connection, table: Table) -> Executable:
    """``INSERT … ON CONFLICT DO NOTHING`` in the words of either kind of store."""
    if connection.dialect.name == "sqlite":
        return insert(table).prefix_with("OR IGNORE")
    from sqlalchemy.dialects.postgresql import insert as insert_there

    return insert_there(table).on_conflict_do_nothing()
