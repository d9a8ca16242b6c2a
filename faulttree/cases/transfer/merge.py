"""Bring cases from elsewhere into a record: new ones whole, known ones as far as they agree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, bindparam, func, select

from faulttree.cases import rows
from faulttree.cases.come_backs import mark
from faulttree.cases.complete_case import CompleteCase, whole_of
from faulttree.cases.erased import (
    erase_words,
    marked_text,
    marks_in,
    pictures_of,
    without_marked,
)
from faulttree.cases.event_rows import (
    ADD_CASE,
    ADD_EVENT,
    ADD_STEP,
    ADD_WORD,
    add_photos,
    add_tree,
    apply,
)
from faulttree.cases.free_words import blanked
from faulttree.cases.journal.file import (
    JournalEntry,
    JournalErased,
    JournalItem,
    JournalPhoto,
    JournalTree,
    grouped,
)
from faulttree.cases.projection import CaseProjection
from faulttree.cases.tables import CASES, EVENTS
from faulttree.errors import RecordError
from faulttree.walk.events import Opened


@dataclass(frozen=True, slots=True)
class Conflict:
    """A case that goes on differently here and there; nothing of it was taken."""

    case: str
    sequence: int
    reason: str

    def __str__(self) -> str:
        return f"case {self.case}, event {self.sequence}: {self.reason}"


@dataclass(slots=True)
class Merged:
    """What came of it: cases new here, events added, cases that were here already, conflicts.

    ``renumbered`` gives the former number of a case of this record that had to get a new one.
    """

    cases: int = 0
    events: int = 0
    same: int = 0
    photos: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    renumbered: dict[int, int] = field(default_factory=dict)
    added: list[JournalItem | CompleteCase] = field(default_factory=list)

    def __iadd__(self, other: Merged) -> Merged:
        self.cases += other.cases
        self.events += other.events
        self.same += other.same
        self.photos += other.photos
        self.conflicts += other.conflicts
        self.renumbered |= other.renumbered
        self.added += other.added
        return self


def merge(
    connection: Connection, items: Sequence[JournalItem | CompleteCase], *, numbers: bool = False
) -> Merged:
    """Bring events and tree texts in. Doing it again adds nothing.

    Args:
        connection: the caller's transaction, which may write.
        items: whole cases, entries of whole or partial ones in any order, texts of trees, photos.
        numbers: the items are this record's own: new cases keep their number where it is free,
            and what was erased is erased.

    Returns:
        What was added; ``added`` has it with the numbers of the cases here.
    """
    merged = Merged()
    marks = take_marks(connection, items, merged, own=numbers)
    add_texts_and_photos(connection, items, merged, marks)
    wholes = without_marked((item for item in items if isinstance(item, CompleteCase)), marks)
    groups = grouped(
        [entry_without_words(item, marks) for item in items if isinstance(item, JournalEntry)]
    )
    known = numbers_of(connection, {*groups, *(one.case for one in wholes)})
    fresh: dict[str, CompleteCase] = {}
    again = (
        one for one in wholes if one.case in known or fresh.setdefault(one.case, one) is not one
    )
    later = [one.entries() for one in again]
    later += [group for case, group in groups.items() if case in known or case in fresh]
    for case in [name for name in groups if name not in known and name not in fresh]:
        try:
            fresh[case] = read_whole(groups[case])
        except RecordError as error:
            merged.conflicts.append(Conflict(case, groups[case][0].sequence, error.message))
    if fresh:
        known |= add_new(connection, list(fresh.values()), merged, numbers=numbers)
    for group in later:
        go_on(connection, known[group[0].case], group, merged)
    return merged


def add_texts_and_photos(
    connection: Connection,
    items: Iterable[JournalItem | CompleteCase],
    merged: Merged,
    marks: Mapping[str, JournalErased],
) -> None:
    """The texts of trees and the photos that are not here yet, but none that was erased."""
    texts = [item for item in items if isinstance(item, JournalTree)]
    merged.added += [one for one in texts if add_tree(connection, one.hash, one.text)]
    photos = [item for item in items if isinstance(item, JournalPhoto)]
    if photos and marks:
        gone = pictures_of(connection, marks, {photo.sha256 for photo in photos})
        photos = [photo for photo in photos if photo.sha256 not in gone]
    new = add_photos(connection, photos)
    merged.photos = len(new)
    merged.added += new


def take_marks(
    connection: Connection,
    items: Sequence[JournalItem | CompleteCase],
    merged: Merged,
    *,
    own: bool,
) -> dict[str, JournalErased]:
    """Keep the marks among the items; gives those of the whole record.

    Another record's mark erases nothing here: it is kept for cases that are new.
    """
    marks = marks_in(connection)
    brought = {item.case: item for item in items if isinstance(item, JournalErased)}
    here = numbers_of(connection, brought)
    for case, new in brought.items():
        if case in here and not own:
            continue
        merged.added.append(new)
        if case not in marks or marks[case].events < new.events:
            erase_words(connection, new)
            marks[case] = new
    return marks


def entry_without_words(entry: JournalEntry, marks: Mapping[str, JournalErased]) -> JournalEntry:
    """An event from elsewhere, blanked where its words were erased here."""
    mark = marks.get(entry.case)
    if mark is None:
        return entry
    return replace(entry, event=marked_text(mark, entry.sequence, entry.event))


NAMED = select(CASES.c.id, CASES.c.number).where(CASES.c.id.in_(bindparam("names", expanding=True)))


def numbers_of(connection: Connection, cases: Iterable[str]) -> dict[str, int]:
    """The numbers of those cases that the record has."""
    found: dict[str, int] = {}
    for batch in rows.batched(cases, 500):
        found |= {row.id: row.number for row in connection.execute(NAMED, {"names": batch})}
    return found


def add_new(
    connection: Connection, wholes: Sequence[CompleteCase], merged: Merged, *, numbers: bool
) -> dict[str, int]:
    """Cases that are not here yet, in as few statements as can be; gives their numbers."""
    given = put_rows(connection, wholes, numbers=numbers)
    events: list[dict[str, Any]] = []
    steps: list[dict[str, Any]] = []
    words: list[dict[str, Any]] = []
    for whole in wholes:
        number = given[whole.case]
        if numbers and whole.number not in {0, number}:
            merged.renumbered[number] = whole.number
        whole.number = number
        events += [
            {"number": number, "sequence": at, "writer": writer, "event": text}
            for at, (writer, text) in enumerate(whole.events)
        ]
        for step in whole.steps:
            step["number"] = number
        steps += whole.steps
        words += [{"word": word, "number": number} for word in whole.words]
    ADD_EVENT.run(connection, events)
    ADD_STEP.run(connection, steps)
    ADD_WORD.run(connection, words)
    mark(connection, given.values())
    merged.cases += len(wholes)
    merged.events += len(events)
    merged.added += wholes
    return given


def event_row(entry: JournalEntry) -> dict[str, Any]:
    """An entry as the table of events takes it."""
    return {
        "number": entry.number,
        "sequence": entry.sequence,
        "writer": entry.writer,
        "event": entry.event,
    }


def put_rows(
    connection: Connection, wholes: Sequence[CompleteCase], *, numbers: bool
) -> dict[str, int]:
    """One row a case; gives the numbers they got."""
    taken: set[int] = set()
    if numbers:
        wanted = select(CASES.c.number).where(CASES.c.number.in_([one.number for one in wholes]))
        taken = set(connection.execute(wanted).scalars())
    given: dict[str, int] = {}
    for whole in wholes if numbers else ():
        if whole.number > 0 and whole.number not in taken:
            taken.add(whole.number)
            given[whole.case] = whole.number
    free = [whole.case for whole in wholes if whole.case not in given]
    new = new_numbers(connection, len(free), max(given.values(), default=0))
    given |= zip(free, new, strict=True)
    columns = [
        {"came_back": "", **whole.row, "id": whole.case, "number": given[whole.case]}
        for whole in wholes
    ]
    ADD_CASE.run(connection, columns)
    return given


def new_numbers(connection: Connection, many: int, above: int) -> Sequence[int]:
    """Numbers that no case has; the transaction that asks for them has the right to use them."""
    if connection.dialect.name == "postgresql":
        sequence = func.pg_get_serial_sequence(CASES.name, CASES.c.number.name)
        wanted = select(func.nextval(sequence)).select_from(func.generate_series(1, many))
        return connection.execute(wanted).scalars().all()
    # Who writes to a file holds it alone.
    top = connection.execute(select(func.max(CASES.c.number))).scalar() or 0
    return range(max(top, above) + 1, max(top, above) + 1 + many)


def read_whole(group: Sequence[JournalEntry]) -> CompleteCase:
    """The case that entries make, which must be complete from its opening on.

    Raises:
        RecordError: events are missing, doubled or damaged, or the first is no opening.
    """
    for expected, entry in enumerate(group):
        if entry.sequence != expected:
            raise RecordError(f"event {expected} is missing")
    events = [rows.event(entry.event) for entry in group]
    if not isinstance(events[0], Opened):
        raise RecordError("it does not begin with an opening")
    texts = [(entry.writer, entry.event) for entry in group]
    return whole_of(group[0].case, events, texts, group[0].number)


def go_on(
    connection: Connection, number: int, group: Sequence[JournalEntry], merged: Merged
) -> None:
    """A case that is here already: take what comes after, if all before agrees."""
    wanted = select(EVENTS.c.event).where(EVENTS.c.number == number).order_by(EVENTS.c.sequence)
    here = list(connection.execute(wanted).scalars())
    new: list[JournalEntry] = []
    for entry in group:
        at = entry.sequence
        if at < len(here):
            if not same(here[at], entry.event):
                reason = "it goes on differently here; nothing of it was taken"
                merged.conflicts.append(Conflict(entry.case, at, reason))
                return
        elif at == len(here) + len(new):
            new.append(replace(entry, number=number))
        else:
            reason = f"event {len(here) + len(new)} is missing"
            merged.conflicts.append(Conflict(entry.case, at, reason))
            return
    if not new:
        merged.same += 1
        return
    tally = CaseProjection(rows.event(text) for text in here)
    for entry in new:
        event = rows.event(entry.event)
        ADD_EVENT.run(connection, [event_row(entry)])
        apply(connection, number, tally.add(event))
        words = [{"word": word, "number": number} for word in rows.words_of([event])]
        ADD_WORD.run(connection, words)
    mark(connection, [number])
    merged.events += len(new)
    merged.added += new


def same(here: str, there: str) -> bool:
    """Whether two texts hold the same event; a damaged one is like none."""
    if here == there:
        return True
    try:
        mine, other = rows.event(here), rows.event(there)
        # One whose words were erased elsewhere is the same.
        return other in (mine, rows.event(blanked(here)))
    except RecordError:
        return False


def told_of(merged: Merged) -> tuple[str, ...]:
    """What was brought in, a line a case."""
    parts = grouped([one for one in merged.added if isinstance(one, JournalEntry)]).values()
    brought = [
        *(
            (one.number, 0, len(one.events) - 1)
            for one in merged.added
            if isinstance(one, CompleteCase)
        ),
        *((part[0].number, part[0].sequence, part[-1].sequence) for part in parts),
    ]
    was = {new: f" (its number was {old})" for new, old in merged.renumbered.items()}
    return tuple(
        f"case {number}{was.get(number, '')}: events {first} to {last}"
        for number, first, last in brought
    )
