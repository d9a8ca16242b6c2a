"""The rows that one event brings about."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, Insert, Table, Update, bindparam, insert, update

from faulttree.cases import rows
from faulttree.cases.journal.file import JournalPhoto
from faulttree.cases.projection import StepRecord, SummaryChange
from faulttree.cases.tables import CASES, EVENTS, PHOTOS, STEPS, TREES, WORDS


class Prepared:
    """A statement put into a driver's words once: a third of the cost of doing so each time."""

    def __init__(self, statement: Insert | Update, *, ignoring: bool = False) -> None:
        self.statement = statement
        self.ignoring = ignoring
        self.worded: dict[str, tuple[str, Callable[[Mapping[str, Any]], Any]]] = {}

    def run(self, connection: Connection, values: Sequence[Mapping[str, Any]]) -> int:
        """Execute it for each of the rows; gives how many were written."""
        if not values:
            return 0
        sql, ordered = self.worded.get(connection.dialect.name) or self.word(connection)
        many: list[Any] = [ordered(row) for row in values]
        return connection.exec_driver_sql(sql, many[0] if len(many) == 1 else many).rowcount

    def word(self, connection: Connection) -> tuple[str, Callable[[Mapping[str, Any]], Any]]:
        """The text of the statement, and what makes a row's values what the driver takes."""
        compiled = self.statement.compile(dialect=connection.dialect)
        sql = str(compiled)
        if self.ignoring:
            sql += " ON CONFLICT DO NOTHING"
        names: Sequence[str] | None = getattr(compiled, "positiontup", None)
        # Every statement here has several values, so that the getter gives a tuple.
        ordered = dict if names is None else itemgetter(*names)
        self.worded[connection.dialect.name] = (sql, ordered)
        return sql, ordered


def all_of(table: Table, *, ignoring: bool = False) -> Prepared:
    """An insertion of whole rows."""
    columns: dict[str, Any] = {column.name: bindparam(column.name) for column in table.columns}
    return Prepared(insert(table).values(columns), ignoring=ignoring)


ADD_CASE = all_of(CASES)
ADD_EVENT = all_of(EVENTS)
ADD_STEP = all_of(STEPS)
ADD_WORD = all_of(WORDS, ignoring=True)
ADD_TREE = all_of(TREES, ignoring=True)
ADD_PHOTO = all_of(PHOTOS, ignoring=True)
ALTERABLE = ("standing", "minutes", "outcome", "value", "unit", "round")
"""Columns of a step that a later event can change."""

PROGRESS = ("minutes", "steps", "step", "events", "updated")
GO_ON = Prepared(
    update(CASES)
    .where(CASES.c.number == bindparam("in_case"))
    .values({name: bindparam(f"now_{name}") for name in PROGRESS})
)
ALTER_STEP = Prepared(
    update(STEPS)
    .where(STEPS.c.number == bindparam("in_case"), STEPS.c.sequence == bindparam("at_sequence"))
    .values({name: bindparam(f"now_{name}") for name in ALTERABLE})
)


def add_case(connection: Connection, name: str, row: Mapping[str, Any], number: int = 0) -> int:
    """A new case; gives its number, the one that is wanted where it is not 0."""
    own = {"number": number} if number else {}
    done = connection.execute(insert(CASES).values(id=name, **rows.flat(row), **own))
    key = done.inserted_primary_key
    assert key is not None
    return int(key[0])


def add_events(
    connection: Connection, number: int, first: int, texts: Iterable[str], writer: str
) -> None:
    """The events from a position on."""
    values = [
        {"number": number, "sequence": sequence, "writer": writer, "event": text}
        for sequence, text in enumerate(texts, first)
    ]
    ADD_EVENT.run(connection, values)


def apply(connection: Connection, number: int, change: SummaryChange) -> None:
    """What one more event changes in the tables drawn from the events."""
    if set(change.row) <= set(PROGRESS) and len(change.row) == len(PROGRESS):
        row = {f"now_{name}": rows.flattened(value) for name, value in change.row.items()}
        GO_ON.run(connection, [row | {"in_case": number}])
    else:
        connection.execute(
            update(CASES).where(CASES.c.number == number).values(rows.flat(change.row))
        )
    put_steps(connection, number, change.new)
    altered = []
    for taken in change.altered:
        row = rows.step(number, taken)
        keys = {"in_case": number, "at_sequence": taken.sequence}
        altered.append(keys | {f"now_{name}": row[name] for name in ALTERABLE})
    ALTER_STEP.run(connection, altered)


def put_steps(connection: Connection, number: int, steps: Sequence[StepRecord]) -> None:
    """Steps that are new."""
    ADD_STEP.run(connection, [rows.step(number, taken) for taken in steps])


def add_words(connection: Connection, number: int, words: Iterable[str]) -> None:
    """Words the case can be found by; those it has already stay."""
    ADD_WORD.run(connection, [{"word": word, "number": number} for word in sorted(words)])


def add_photos(connection: Connection, photos: Sequence[JournalPhoto]) -> list[JournalPhoto]:
    """Photos by their hashes; those already kept stay as they are. Gives the new ones."""
    return [
        one
        for one in photos
        if ADD_PHOTO.run(
            connection, [{"sha256": one.sha256, "original": one.original, "data": one.data}]
        )
    ]


def add_tree(connection: Connection, tree_hash: str, text: str) -> bool:
    """The text of a tree; one already kept stays as it is. Tells whether it was new."""
    return ADD_TREE.run(connection, [{"hash": tree_hash, "text": text}]) > 0
