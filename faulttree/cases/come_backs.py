"""Repairs that did not last: the same unit again within a set time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, func, select, update

from faulttree.cases.case import moment
from faulttree.cases.rows import batched, flattened
from faulttree.cases.tables import CASES, RECORD
from faulttree.errors import RecordError

NEEDED = (
    *(CASES.c.number, CASES.c.id, CASES.c.family, CASES.c.serial, CASES.c.tag),
    *(CASES.c.opened, CASES.c.closed, CASES.c.result, CASES.c.came_back),
)
NAMED = {
    name: select(*NEEDED).where(CASES.c[name].in_(bindparam("names", expanding=True)))
    for name in ("serial", "tag")
}
BATCH = 400
DAYS = 90
"""Within how many days a unit that comes in again shows that a repair did not last: the time
many workshops stand in for their work (common practice, no source)."""


def days_of(connection: Connection) -> int:
    """The time as this record has it set."""
    wanted = select(RECORD.c.value).where(RECORD.c.key == "come_back_days")
    found = connection.execute(wanted).scalar()
    return int(found) if found is not None else DAYS


def set_days(connection: Connection, days: int) -> None:
    """Set the time, for every bench of this record, and mark all cases again."""
    connection.execute(RECORD.delete().where(RECORD.c.key == "come_back_days"))
    connection.execute(RECORD.insert().values(key="come_back_days", value=str(days)))
    mark_all(connection)


def mark(connection: Connection, units: Iterable[Mapping[str, Any]]) -> None:
    """Mark every repair of these units again.

    Args:
        connection: a transaction that may write.
        units: rows of cases, with ``family``, ``serial`` and ``tag``; two cases are of the
            same unit when they share the family and the serial or the tag.
    """
    names = {
        (unit["family"], flattened(unit["serial"]), flattened(unit["tag"]))
        for unit in units
        if unit["serial"] or unit["tag"]
    }
    if not names:
        return
    days = days_of(connection)
    for batch in batched(sorted(names), BATCH):
        found = same_names(connection, batch)
        for family, serial, tag in batch:
            same = {
                row.number: row
                for name in filter(None, (serial, tag))
                for row in found.get((family, name), ())
            }
            # A case sharing only the serial of one and the tag of another is neither's.
            unit = [
                row
                for row in same.values()
                if (serial and row.serial == serial) or (tag and row.tag == tag)
            ]
            if len(unit) > 1 or any(row.came_back for row in unit):
                mark_unit(connection, unit, days)


def same_names(
    connection: Connection, units: Sequence[tuple[str, str, str]]
) -> dict[tuple[str, str], list[Any]]:
    """(family, serial or tag) → the cases that go by it."""
    found: dict[tuple[str, str], list[Any]] = {}
    for name, names in (
        ("serial", {serial for _, serial, _ in units} - {""}),
        ("tag", {tag for _, _, tag in units} - {""}),
    ):
        if names:
            for row in connection.execute(NAMED[name], {"names": sorted(names)}):
                found.setdefault((row.family, row._mapping[name]), []).append(row)
    return found


def mark_unit(connection: Connection, cases: Iterable[Any], days: int) -> None:
    """Mark the repairs of one unit: the next case within the time shows that one did not last."""
    ordered = sorted(cases, key=lambda row: str(row.opened))
    for index, row in enumerate(ordered):
        later = ordered[index + 1 :] if row.result == "fixed" and row.closed else []
        came = next((next_one.id for next_one in later if soon(row.closed, next_one, days)), "")
        if came != row.came_back:
            connection.execute(
                update(CASES).where(CASES.c.number == row.number).values(came_back=came)
            )


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
    for name in ("serial", "tag"):
        column = CASES.c[name]
        wanted = (
            select(CASES.c.family, column)
            .where(column != "")
            .group_by(CASES.c.family, column)
            .having(func.count() > 1)
        )
        blank = {"serial": "", "tag": ""}
        mark(connection, [blank | dict(row._mapping) for row in connection.execute(wanted).all()])
