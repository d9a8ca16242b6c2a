"""Repairs that did not last: the same unit again within a set time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import Connection, TextClause, bindparam, text, update

from faulttree.cases.case import moment
from faulttree.cases.rows import batched
from faulttree.cases.tables import CASES, keep_setting, setting
from faulttree.errors import RecordError

BATCH = 400
DAYS = 90
"""Within how many days a unit that comes in again shows that a repair did not last: the time
many workshops stand in for their work (common practice, no source)."""

NAMES = ("serial", "tag")
"""Two cases are of the same unit when they share the family and the serial or the tag."""

# The words of the partial indexes stand in the statements as they are: a parameter in their
# place would keep SQLite from using the index.
NEEDED = "number, id, family, serial, tag, opened, closed, result, came_back"
OF_UNIT = f"SELECT {NEEDED} FROM cases WHERE family = :family AND {{0}} = :name AND {{0}} <> ''"  # noqa: S608
LATER = "(opened, number) > (:opened, :number) ORDER BY opened, number LIMIT 1"
EARLIER = "(opened, number) < (:opened, :number) ORDER BY opened DESC, number DESC LIMIT 1"
PRECEDING = {name: text(f"{OF_UNIT.format(name)} AND {EARLIER}") for name in NAMES}
AFTER_CLOSING = {
    name: text(f"{OF_UNIT.format(name)} AND opened >= :closed AND {LATER}") for name in NAMES
}
CLOSED = "result = 'fixed' AND closed BETWEEN :since AND :opened"
REPAIRED = {name: text(f"{OF_UNIT.format(name)} AND {CLOSED}") for name in NAMES}
SHOWN_BY = text(f"SELECT {NEEDED} FROM cases WHERE came_back = :id AND came_back <> ''")  # noqa: S608
ANOTHER = " OR ".join(
    f"({name} <> '' AND EXISTS (SELECT 1 FROM cases AS other WHERE other.{name} = cases.{name} "  # noqa: S608
    f"AND other.{name} <> '' AND other.family = cases.family AND other.number <> cases.number))"
    for name in NAMES
)
SEVERAL = text(
    f"SELECT {NEEDED} FROM cases WHERE number IN :numbers AND (came_back <> '' OR {ANOTHER} OR "  # noqa: S608
    "EXISTS (SELECT 1 FROM cases AS other WHERE other.came_back = cases.id "
    "AND other.came_back <> ''))"
).bindparams(bindparam("numbers", expanding=True))


def days_of(connection: Connection) -> int:
    """The time as this record has it set."""
    found = setting(connection, "come_back_days")
    return int(found) if found is not None else DAYS


def set_days(connection: Connection, days: int) -> None:
    """Set the time, for every bench of this record, and mark all cases again."""
    keep_setting(connection, "come_back_days", str(days))
    mark_all(connection)


def mark(connection: Connection, numbers: Iterable[int]) -> None:
    """Mark again every repair that a change of these cases can concern.

    These are the repairs of the cases themselves and those before them in their units. What it
    costs does not grow with the number of cases of a unit.

    Args:
        connection: a transaction that may write.
        numbers: numbers of cases that are new, or have another result, serial or tag.
    """
    days = days_of(connection)
    for batch in batched(sorted(set(numbers)), BATCH):
        changed = connection.execute(SEVERAL, {"numbers": batch}).all()
        concerned = {one.number: one for row in changed for one in concerned_by(connection, row)}
        for one in concerned.values():
            settle(connection, one, days)


def place(row: Any) -> tuple[str, int]:
    """The order of the cases of a unit."""
    return row.opened, row.number


def concerned_by(connection: Connection, row: Any) -> Iterator[Any]:
    """The repairs that a case can show not to have lasted, and its own."""
    yield row
    yield from connection.execute(SHOWN_BY, {"id": row.id}).all()
    here = {"opened": row.opened, "number": row.number}
    for name in NAMES:
        since = ""
        for preceding in in_unit(connection, PRECEDING, row, name, **here):
            yield preceding
            # A repair closed before that case was opened is shown by that case or an earlier one.
            since = preceding.opened
        yield from in_unit(connection, REPAIRED, row, name, since=since, opened=row.opened)


def in_unit(
    connection: Connection, statements: dict[str, TextClause], row: Any, name: str, **values: Any
) -> list[Any]:
    """Cases of the unit, as far as it goes by a serial or a tag."""
    called = getattr(row, name)
    if not called:
        return []
    given = {"family": row.family, "name": called, **values}
    return list(connection.execute(statements[name], given).all())


def settle(connection: Connection, row: Any, days: int) -> None:
    """Mark one case: the next of its unit within the time shows that a repair did not last."""
    came = ""
    if row.result == "fixed" and row.closed:
        after = {"closed": row.closed, "opened": row.opened, "number": row.number}
        found = [
            one for name in NAMES for one in in_unit(connection, AFTER_CLOSING, row, name, **after)
        ]
        first = min(found, key=place, default=None)
        came = first.id if first is not None and soon(row.closed, first, days) else ""
    if came != row.came_back:
        changed = update(CASES).where(CASES.c.number == row.number)
        connection.execute(changed.values(came_back=came))


def soon(closed: str, later: Any, days: int) -> bool:
    """Whether a case was opened after this closing and within the time."""
    try:
        apart = moment(later.opened) - moment(closed)
    except RecordError:
        return False
    return dt.timedelta(0) <= apart <= dt.timedelta(days=days)


def mark_all(connection: Connection) -> None:
    """Mark every case of the record again."""
    connection.execute(update(CASES).where(CASES.c.came_back != "").values(came_back=""))
    days = days_of(connection)
    repaired = text(f"SELECT {NEEDED} FROM cases WHERE result = 'fixed' AND ({ANOTHER})")  # noqa: S608
    for row in connection.execute(repaired).all():
        settle(connection, row, days)
