"""Bring cases from elsewhere into a record: new ones whole, known ones as far as they agree."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, insert, select

from faulttree.cases import rows
from faulttree.cases.come_backs import mark
from faulttree.cases.journal import Entry, TreeText, grouped
from faulttree.cases.summary import Tally
from faulttree.cases.tables import CASES, EVENTS
from faulttree.cases.writing import (
    ADD_EVENT,
    ADD_STEP,
    ADD_WORD,
    add_tree,
    apply,
)
from faulttree.errors import RecordError
from faulttree.walk.events import Event, Opened

__all__ = ["Conflict", "Merged", "merge"]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A case that goes on differently here and there; nothing of it was taken."""

    case: str
    sequence: int
    reason: str
    entry: Entry | None = None

    def __str__(self) -> str:
        return f"case {self.case}, event {self.sequence}: {self.reason}"


@dataclass(slots=True)
class Merged:
    """What came of it: cases new here, events added, cases that were here already, conflicts."""

    cases: int = 0
    events: int = 0
    same: int = 0
    conflicts: list[Conflict] = field(default_factory=list)
    added: list[Entry | TreeText] = field(default_factory=list)

    def __iadd__(self, other: Merged) -> Merged:
        self.cases += other.cases
        self.events += other.events
        self.same += other.same
        self.conflicts += other.conflicts
        self.added += other.added
        return self


def merge(
    connection: Connection, items: Sequence[Entry | TreeText], *, numbers: bool = False
) -> Merged:
    """Bring events and tree texts in, in the caller's transaction. Doing it again adds nothing.

    Args:
        connection: a transaction that may write.
        items: entries of whole or partial cases, in any order, and texts of trees.
        numbers: give new cases the number they bring, where it is free.

    Returns:
        What was added; ``added`` has the entries with their numbers here, and new trees.
    """
    merged = Merged()
    for item in items:
        if isinstance(item, TreeText) and add_tree(connection, item.hash, item.text):
            merged.added.append(item)
    groups = grouped([item for item in items if isinstance(item, Entry)])
    known = numbers_of(connection, groups)
    fresh = {case: group for case, group in groups.items() if case not in known}
    add_new(connection, fresh, merged, numbers=numbers)
    for case, number in known.items():
        go_on(connection, number, groups[case], merged)
    return merged


def numbers_of(connection: Connection, cases: Iterable[str]) -> dict[str, int]:
    """The numbers of those cases that the record has."""
    names = list(cases)
    found: dict[str, int] = {}
    for start in range(0, len(names), 500):
        wanted = select(CASES.c.id, CASES.c.number).where(
            CASES.c.id.in_(names[start : start + 500])
        )
        found |= {row.id: row.number for row in connection.execute(wanted)}
    return found


def add_new(
    connection: Connection,
    groups: Mapping[str, Sequence[Entry]],
    merged: Merged,
    *,
    numbers: bool,
) -> None:
    """Cases that are not here yet, in as few statements as can be."""
    whole: dict[str, tuple[Sequence[Entry], list[Event], Tally]] = {}
    for case, group in groups.items():
        try:
            events = read_whole(group)
        except RecordError as error:
            merged.conflicts.append(Conflict(case, group[0].sequence, error.message, group[0]))
        else:
            whole[case] = (group, events, Tally(events))
    if not whole:
        return
    given = put_rows(connection, whole, numbers=numbers)
    all_events: list[dict[str, Any]] = []
    all_steps: list[dict[str, Any]] = []
    all_words: list[dict[str, Any]] = []
    for case, (group, events, tally) in whole.items():
        number = given[case]
        here = [Entry(case, e.sequence, e.event, e.writer, number) for e in group]
        merged.added += here
        all_events += [event_row(entry) for entry in here]
        all_steps += [rows.step(number, taken) for taken in tally.steps]
        all_words += [{"word": word, "number": number} for word in rows.words_of(events)]
    ADD_EVENT.run(connection, all_events)
    ADD_STEP.run(connection, all_steps)
    ADD_WORD.run(connection, all_words)
    mark(connection, [tally.row for _, _, tally in whole.values()])
    merged.cases += len(whole)
    merged.events += len(all_events)


def event_row(entry: Entry) -> dict[str, Any]:
    """An entry as the table of events takes it."""
    return {
        "number": entry.number,
        "sequence": entry.sequence,
        "writer": entry.writer,
        "event": entry.event,
    }


def put_rows(
    connection: Connection,
    whole: Mapping[str, tuple[Sequence[Entry], list[Event], Tally]],
    *,
    numbers: bool,
) -> dict[str, int]:
    """One row a case; gives the numbers they got."""
    taken: set[int] = set()
    if numbers:
        brought = [group[0].number for group, _, _ in whole.values()]
        wanted = select(CASES.c.number).where(CASES.c.number.in_(brought))
        taken = set(connection.execute(wanted).scalars())
    keeping: list[dict[str, Any]] = []
    free: list[dict[str, Any]] = []
    for case, (group, _, tally) in whole.items():
        row = {"id": case, **rows.flat(tally.row)}
        number = group[0].number
        if numbers and number > 0 and number not in taken:
            taken.add(number)
            keeping.append(row | {"number": number})
        else:
            free.append(row)
    given: dict[str, int] = {}
    for batch in (keeping, free):
        if batch:
            back = insert(CASES).returning(CASES.c.id, CASES.c.number)
            given |= {row.id: row.number for row in connection.execute(back, batch)}
    return given


def read_whole(group: Sequence[Entry]) -> list[Event]:
    """The events of a case that must be complete from its opening on.

    Raises:
        RecordError: events are missing, doubled or damaged, or the first is no opening.
    """
    for expected, entry in enumerate(group):
        if entry.sequence != expected:
            raise RecordError(f"event {expected} is missing")
    events = [entry.parsed or rows.event(entry.event) for entry in group]
    if not isinstance(events[0], Opened):
        raise RecordError("it does not begin with an opening")
    return events


def go_on(connection: Connection, number: int, group: Sequence[Entry], merged: Merged) -> None:
    """A case that is here already: take what comes after, if all before agrees."""
    wanted = select(EVENTS.c.event).where(EVENTS.c.number == number).order_by(EVENTS.c.sequence)
    here = list(connection.execute(wanted).scalars())
    new: list[Entry] = []
    for entry in group:
        at = entry.sequence
        if at < len(here):
            if not same(here[at], entry.event):
                reason = "it goes on differently here; nothing of it was taken"
                merged.conflicts.append(Conflict(entry.case, at, reason, entry))
                return
        elif at == len(here) + len(new):
            new.append(replace(entry, number=number))
        else:
            reason = f"event {len(here) + len(new)} is missing"
            merged.conflicts.append(Conflict(entry.case, at, reason, entry))
            return
    if not new:
        merged.same += 1
        return
    tally = Tally(rows.event(text) for text in here)
    for entry in new:
        event = entry.parsed or rows.event(entry.event)
        ADD_EVENT.run(connection, [event_row(entry)])
        apply(connection, number, tally.add(event))
        words = [{"word": word, "number": number} for word in rows.words_of([event])]
        ADD_WORD.run(connection, words)
    mark(connection, [tally.row])
    merged.events += len(new)
    merged.added += new


def same(here: str, there: str) -> bool:
    """Whether two texts hold the same event; a damaged one is like none."""
    if here == there:
        return True
    try:
        return bool(json.loads(here) == json.loads(there))
    except ValueError:
        return False
