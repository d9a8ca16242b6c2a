"""Cases whose words and pictures were erased: marks in a record, and the erasing in its tables."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager

from sqlalchemy import Connection, bindparam, delete, select, update

from faulttree.cases import rows
from faulttree.cases.complete_case import CompleteCase, whole_of
from faulttree.cases.event_rows import add_words
from faulttree.cases.free_words import blanked
from faulttree.cases.journal.file import JournalErased
from faulttree.cases.projection import CaseProjection
from faulttree.cases.schema import has_photos, sqlite_statements
from faulttree.cases.tables import CASES, EVENTS, PHOTOS, RECORD, WORDS, keep_setting
from faulttree.walk.events import PhotoAdded

PREFIX = "erased:"
"""What the key of a mark begins with; the id of the case follows."""

REWRITE = (
    update(EVENTS)
    .where(EVENTS.c.number == bindparam("of"), EVENTS.c.sequence == bindparam("at"))
    .values(event=bindparam("text"))
)


def marks_in(connection: Connection) -> dict[str, JournalErased]:
    """Case → its mark."""
    wanted = select(RECORD).where(RECORD.c.key.like(f"{PREFIX}%"))
    found = {}
    for row in connection.execute(wanted):
        events, _, at = row.value.partition(" ")
        case = row.key.removeprefix(PREFIX)
        found[case] = JournalErased(case, int(events), at)
    return found


def put_mark(connection: Connection, mark: JournalErased) -> None:
    """Keep a mark; what comes in of the case later is blanked."""
    keep_setting(connection, f"{PREFIX}{mark.case}", f"{mark.events:d} {mark.at}")


def erase_words(connection: Connection, mark: JournalErased) -> None:
    """Blank the words of a case in the tables of a record, remove its pictures, keep the mark.

    Args:
        connection: a transaction that may write, of somebody who is alone with the record.
        mark: the case, and how many of its events are concerned.

    Raises:
        RecordError: an event of the case is damaged.
    """
    put_mark(connection, mark)
    number = connection.execute(select(CASES.c.number).where(CASES.c.id == mark.case)).scalar()
    if number is None:
        return
    wanted = select(EVENTS.c.sequence, EVENTS.c.event).where(EVENTS.c.number == number)
    there = connection.execute(wanted.order_by(EVENTS.c.sequence)).all()
    texts = [marked_text(mark, one.sequence, one.event) for one in there]
    changed = [
        {"of": number, "at": one.sequence, "text": text}
        for one, text in zip(there, texts, strict=True)
        if one.event != text
    ]
    if changed:
        with changeable(connection):
            connection.execute(REWRITE, changed)
    events = [rows.event(text) for text in texts]
    row = rows.flat(CaseProjection(events).row)
    connection.execute(update(CASES).where(CASES.c.number == number).values(**row))
    connection.execute(delete(WORDS).where(WORDS.c.number == number))
    add_words(connection, number, rows.words_of(events))
    if has_photos(connection):
        for batch in rows.batched(pictures_of(connection, {mark.case: mark}), 400):
            connection.execute(delete(PHOTOS).where(PHOTOS.c.sha256.in_(batch)))


def pictures_of(
    connection: Connection, marks: Mapping[str, JournalErased], among: set[str] | None = None
) -> set[str]:
    """The hashes of the pictures that only marked events of these cases name.

    Args:
        connection: to the record.
        marks: case → its mark.
        among: look at these hashes alone.
    """
    listed = select(CASES.c.id, EVENTS.c.sequence, EVENTS.c.event).join(
        EVENTS, EVENTS.c.number == CASES.c.number
    )
    own: set[str] = set()
    for batch in rows.batched(marks, 400):
        for row in connection.execute(listed.where(CASES.c.id.in_(batch))):
            if row.sequence < marks[row.id].events:
                own |= pictures_named(row.event)
    own &= own if among is None else among
    if not own:
        return own
    for row in connection.execute(listed.where(EVENTS.c.event.contains(PHOTO_ADDED))):
        if row.id not in marks or row.sequence >= marks[row.id].events:
            own -= pictures_named(row.event)
    return own


PHOTO_ADDED = f'"kind":"{PhotoAdded.kind}"'


def pictures_named(event: str) -> set[str]:
    """The hashes of the kept pictures that the JSON of an event names.

    An event of an earlier version has no width: its picture was not kept.
    """
    if PHOTO_ADDED not in event:
        return set()
    added = json.loads(event)
    if "width" not in added:
        return set()
    return {added[name] for name in ("sha256", "original") if added.get(name)}


@contextmanager
def changeable(connection: Connection) -> Iterator[None]:
    """Let events be changed for once, within a transaction."""
    if connection.dialect.name != "sqlite":
        connection.exec_driver_sql("ALTER TABLE events DISABLE TRIGGER events_never")
        yield
        connection.exec_driver_sql("ALTER TABLE events ENABLE TRIGGER events_never")
        return
    connection.exec_driver_sql("DROP TRIGGER IF EXISTS events_update_never")
    yield
    (again,) = (one for one in sqlite_statements() if "events_update_never" in one)
    connection.exec_driver_sql(again)


def marked_text(mark: JournalErased, sequence: int, event: str) -> str:
    """The JSON of an event of a marked case: without its words where the mark concerns it.

    Raises:
        RecordError: the event is damaged.
    """
    return blanked(event) if sequence < mark.events else event


def case_without_words(whole: CompleteCase, mark: JournalErased) -> CompleteCase:
    """A case from elsewhere, with the words blanked that were erased here."""
    texts = [
        (writer, marked_text(mark, at, text)) for at, (writer, text) in enumerate(whole.events)
    ]
    return whole_of(whole.case, [rows.event(text) for _, text in texts], texts, whole.number)


def without_marked(
    wholes: Iterable[CompleteCase], marks: Mapping[str, JournalErased]
) -> list[CompleteCase]:
    """Cases from elsewhere; those that are marked here without their words."""
    return [
        case_without_words(whole, marks[whole.case]) if whole.case in marks else whole
        for whole in wholes
    ]
