"""Whether a record is sound: database, events, what is drawn from them, trees, photos, journal."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from faulttree.cases import rows
from faulttree.cases.backends.urls import sqlite_path
from faulttree.cases.come_backs import mark_all
from faulttree.cases.erased import marks_in, pictures_of
from faulttree.cases.event_rows import ADD_STEP, ADD_WORD
from faulttree.cases.journal.backup import knows, readable
from faulttree.cases.journal.file import (
    BROUGHT,
    JournalEntry,
    JournalErased,
    JournalItem,
    JournalPhoto,
    JournalTree,
    entries,
    grouped,
    journal_path,
)
from faulttree.cases.projection import CaseProjection
from faulttree.cases.repair.kept_photos import put_back, whole_and_damaged
from faulttree.cases.store import Store
from faulttree.cases.tables import CASES, CONFIRMED, EVENTS, METADATA, PHOTOS, STEPS, TREES
from faulttree.cases.transfer.merge import merge, told_of
from faulttree.convert import Plain
from faulttree.errors import RecordError
from faulttree.walk.events import Event, Opened, PhotoAdded

BATCH = 500
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class RecordFinding(Plain):
    """One thing that is not as it should be.

    Attributes:
        kind: database, events, content, summary, tree, photo, journal or mode.
        place: the case, file or table.
        message: what is wrong.
        mended: whether it was put right now.
        loss: whether something recorded is gone or cannot be read.
        minor: the record itself is whole; only its second copy or a photo is not here.
    """

    kind: str
    place: str
    message: str
    mended: bool = False
    loss: bool = False
    minor: bool = False


@dataclass(slots=True)
class Verified:
    """What was looked at, and what was found."""

    cases: int = 0
    events: int = 0
    trees: int = 0
    photos: int = 0
    findings: list[RecordFinding] = field(default_factory=list)
    noted: dict[str, dict[int, int]] = field(default_factory=dict)
    """Case → sequence → fingerprint of the event in the journal."""
    noted_photos: set[str] = field(default_factory=set)
    """The hashes of the photos in the journal."""
    named_photos: dict[str, list[tuple[str, bool]]] = field(default_factory=dict)
    """Hash → each case that names the photo, and whether it was brought from another record."""

    @property
    def sound(self) -> bool:
        """The record is whole, or was made so."""
        return all(finding.mended or finding.minor for finding in self.findings)

    @property
    def needs_rebuilding(self) -> bool:
        """Whether events are wrong in the database, where none can be changed in place."""
        return any(one.kind in {DIFFERENT, "events"} and not one.mended for one in self.findings)


def verify(
    store: Store,
    *,
    repair: bool = False,
    photos: Path | None = None,
    progress: Progress | None = None,
) -> Verified:
    """Look through a whole record; with ``repair`` put right what the events can put right.

    Args:
        store: the record, open for writing where it shall be repaired.
        repair: correct summaries, steps, words, file modes, and bring back from the journal.
        photos: folder that the paths of photos start from.
        progress: told how many cases of how many are done.
    """
    done = Verified()
    path = sqlite_path(store.url) if store.url != ":memory:" else None
    if path is not None and path.exists():
        done.findings += database(store)
        done.findings += modes(path, repair=repair)
        done.findings += journal(store, path, done, repair=repair)
    done.findings += trees(store, done)
    total = store.read(lambda c: c.execute(select(func.count()).select_from(CASES)).scalar()) or 0
    for numbers in batches(store):
        done.findings += look_at(store, numbers, done, repair=repair, photos=photos)
        if progress is not None:
            progress(done.cases, total)
    done.findings += kept_photos(store, path, done, repair=repair)
    if repair and done.findings:
        store.write(mark_all)
    done.findings += lasting(store, repair=repair)
    return done


def lasting(store: Store, *, repair: bool) -> Iterator[RecordFinding]:
    """Whether the count of repairs that lasted is that of the cases."""
    right = (
        select(CASES.c.tree_hash, CASES.c.family, CASES.c.fault, func.count().label("cases"))
        .where(CASES.c.result == "fixed", CASES.c.fault != "", CASES.c.came_back == "")
        .group_by(CASES.c.tree_hash, CASES.c.family, CASES.c.fault)
    )
    wanted = store.read(lambda c: {tuple(row) for row in c.execute(right)})
    counted_now = select(CONFIRMED).where(CONFIRMED.c.cases != 0)
    if wanted == store.read(lambda c: {tuple(row) for row in c.execute(counted_now)}):
        return

    def again(connection: Connection) -> None:
        connection.execute(delete(CONFIRMED))
        connection.execute(insert(CONFIRMED).from_select(list(CONFIRMED.c.keys()), right))

    if repair:
        store.write(again)
    yield RecordFinding(
        "summary", "confirmed", "repairs that lasted are counted wrongly", mended=repair
    )


def database(store: Store) -> Iterator[RecordFinding]:
    """What SQLite's own check says."""
    said = store.read(lambda c: c.exec_driver_sql("PRAGMA integrity_check(20)").scalars().all())
    for line in said:
        if line != "ok":
            yield RecordFinding("database", "file", str(line), loss=True)


def modes(path: Path, *, repair: bool) -> Iterator[RecordFinding]:
    """Whether others on this computer may read the record."""
    if os.name != "posix":
        return
    for one in (path, journal_path(path), *(path.with_name(path.name + s) for s in SIDE)):
        if not one.exists() or not stat.S_IMODE(one.stat().st_mode) & 0o077:
            continue
        if repair:
            one.chmod(0o600)
        yield RecordFinding("mode", str(one), "others may read this file", mended=repair)


SIDE = ("-wal", "-shm")


def journal(store: Store, path: Path, done: Verified, *, repair: bool) -> Iterator[RecordFinding]:
    """What only the journal has, and what only the database has."""
    place = journal_path(path)
    there = counted(store)
    trees_kept = set(store.read(lambda c: c.execute(select(TREES.c.hash)).scalars().all()))
    lost: list[JournalItem] = []
    texts: set[str] = set()
    unchecked = 0
    for line in entries(place):
        item = line.holds
        unchecked += item is not None and not line.checked
        if isinstance(item, JournalEntry):
            done.noted.setdefault(item.case, {})[item.sequence] = fingerprint(item.event)
            if item.sequence >= there.get(item.case, 0):
                lost.append(item)
        elif isinstance(item, JournalPhoto):
            done.noted_photos.add(item.sha256)
        elif isinstance(item, JournalErased):
            lost += [] if store.read(knows(item)) else [item]
        elif item is not None:
            lost += [] if item.hash in trees_kept else [item]
            texts.add(item.hash)
        elif not line.record:
            message = "a damaged line was passed over"
            yield RecordFinding("journal", f"{place}:{line.number}", message, minor=True)
    if unchecked:
        message = f"{unchecked} lines are of an earlier version and have no checksum"
        yield RecordFinding("journal", str(place), message, minor=True)
    yield from from_journal(store, lost, repair=repair)
    yield from to_journal(store, done.noted, repair=repair)
    for tree_hash in sorted(trees_kept - texts):
        if repair:
            note(store, [JournalTree(tree_hash, store.tree_text(tree_hash))])
        message = "the tree is not in the journal"
        yield RecordFinding("journal", tree_hash[:12], message, mended=repair, minor=True)


def fingerprint(event: str) -> int:
    """Eight bytes of the SHA-256 of an event's JSON: many fit in memory."""
    return int.from_bytes(hashlib.sha256(event.encode()).digest()[:8], "big")


def counted(store: Store) -> dict[str, int]:
    """How many events the database has of each case, counted again."""
    wanted = (
        select(CASES.c.id, func.count())
        .join(EVENTS, EVENTS.c.number == CASES.c.number)
        .group_by(CASES.c.id)
    )
    return {row[0]: row[1] for row in store.read(lambda c: c.execute(wanted).all())}


def from_journal(
    store: Store, lost: Sequence[JournalItem], *, repair: bool
) -> Iterator[RecordFinding]:
    """Events that only the journal has."""
    message = "the database had lost these; the journal has them"
    if not repair:
        for case, group in grouped(
            [item for item in lost if isinstance(item, JournalEntry)]
        ).items():
            place = f"case {group[0].number or case}: events {group[0].sequence} on"
            yield RecordFinding("journal", place, message, loss=True)
        return
    merged = store.write(lambda connection: merge(connection, lost, numbers=True))
    for line in told_of(merged):
        yield RecordFinding("journal", line, message, mended=True)
    for conflict in merged.conflicts:
        yield RecordFinding("journal", f"case {conflict.case}", conflict.reason, loss=True)


def to_journal(
    store: Store, noted: dict[str, dict[int, int]], *, repair: bool
) -> Iterator[RecordFinding]:
    """Events that the journal lacks: it was made later, or could not be written."""
    wanted = select(CASES.c.id, CASES.c.number, CASES.c.events)
    for row in store.read(lambda c: c.execute(wanted).all()):
        if len(noted.get(row.id, {})) >= row.events:
            continue
        if repair:
            whole: list[JournalItem] = [*takewhile(readable, store.entries(row.id))]
            note(store, whole)
        message = "not all of it is in the journal"
        yield RecordFinding("journal", f"case {row.number}", message, mended=repair, minor=True)


def note(store: Store, items: Sequence[JournalItem]) -> None:
    """Write into the journal.

    Raises:
        RecordError: it cannot be written.
    """
    copy = store.second_copy
    if copy is None:
        return
    copy.add(items)
    if copy.problem is not None:
        raise RecordError(
            copy.trouble,
            path=copy.path,
            remedy="Make room, or see that the folder may be written in.",
        )


def trees(store: Store, done: Verified) -> Iterator[RecordFinding]:
    """Whether every text has its hash, and every case its text."""
    kept: set[str] = set()
    for row in store.read(lambda c: c.execute(select(TREES)).all()):
        done.trees += 1
        kept.add(row.hash)
        if hashlib.sha256(row.text.encode()).hexdigest() != row.hash:
            yield RecordFinding(
                "tree", row.hash[:12], "the text is not what its hash says", loss=True
            )
    wanted = select(CASES.c.tree_hash, func.min(CASES.c.number)).group_by(CASES.c.tree_hash)
    for tree_hash, number in store.read(lambda c: c.execute(wanted).all()):
        if tree_hash not in kept:
            message = "its tree is not in the record, so its path cannot be shown on it"
            yield RecordFinding("tree", f"case {number}", message)


def batches(store: Store) -> Iterator[Sequence[int]]:
    """The numbers of all cases, some at a time."""
    last = 0
    while True:
        wanted = select(CASES.c.number).where(CASES.c.number > last).order_by(CASES.c.number)
        numbers = store.read(lambda c, w=wanted: c.execute(w.limit(BATCH)).scalars().all())  # type: ignore[misc]
        if not numbers:
            return
        yield numbers
        last = numbers[-1]


def look_at(
    store: Store,
    numbers: Sequence[int],
    done: Verified,
    *,
    repair: bool,
    photos: Path | None,
) -> Iterator[RecordFinding]:
    """Some cases: their events, and what is drawn from them."""
    between = (CASES.c.number >= numbers[0], CASES.c.number <= numbers[-1])
    listed = store.read(lambda c: c.execute(select(CASES).where(*between)).all())
    wanted = (
        select(EVENTS)
        .where(EVENTS.c.number >= numbers[0], EVENTS.c.number <= numbers[-1])
        .order_by(EVENTS.c.number, EVENTS.c.sequence)
    )
    texts: dict[int, list[Any]] = {}
    for row in store.read(lambda c: c.execute(wanted).all()):
        texts.setdefault(row.number, []).append(row)
    for row in listed:
        done.cases += 1
        there = texts.get(row.number, [])
        done.events += len(there)
        place = f"case {row.number}"
        yield from as_noted(row, there, done.noted.get(row.id, {}))
        events, problem = understood(there)
        if problem is not None:
            yield RecordFinding("events", place, problem, loss=True)
            continue
        yield from drawn(store, row, events, repair=repair)
        brought = [one.writer == BROUGHT for one in there]
        yield from photographed(zip(events, brought, strict=True), place, photos, done)


def as_noted(row: Any, there: Sequence[Any], noted: Mapping[int, int]) -> Iterator[RecordFinding]:
    """Whether the journal holds the same events as the database."""
    for one in there:
        if noted.get(one.sequence, 0) not in {0, fingerprint(one.event)}:
            place = f"case {row.number}: event {one.sequence}"
            message = "the database and the journal hold different events"
            yield RecordFinding(DIFFERENT, place, message)


DIFFERENT = "content"
"""The kind of a finding where the two copies differ."""


def understood(found: Sequence[Any]) -> tuple[list[Event], str | None]:
    """The events of a case, or what is wrong with them."""
    if [row.sequence for row in found] != list(range(len(found))):
        return [], "events are missing in between"
    try:
        events = [rows.event(row.event) for row in found]
    except RecordError as error:
        return [], error.message
    if not events or not isinstance(events[0], Opened):
        return [], "it does not begin with an opening"
    return events, None


DERIVED = tuple(
    column.name for column in CASES.columns if column.name not in {"number", "id", "came_back"}
)


def drawn(
    store: Store, row: Any, events: Sequence[Event], *, repair: bool
) -> Iterator[RecordFinding]:
    """Whether list and steps say what the events say."""
    tally = CaseProjection(events)
    right = rows.flat(tally.row)
    steps = [rows.step(row.number, taken) for taken in tally.steps]
    wanted = select(STEPS).where(STEPS.c.number == row.number).order_by(STEPS.c.sequence)
    found = [dict(one._mapping) for one in store.read(lambda c: c.execute(wanted).all())]
    wrong = [name for name in DERIVED if differs(getattr(row, name), right[name])]
    said = [f"the list is wrong about {', '.join(wrong)}"] if wrong else []
    said += ["its steps are not those of its events"] if steps != found else []
    if not said:
        return
    if repair:
        store.write(lambda connection: draw_again(connection, row.number, right, steps, events))
        store.remembered.clear()
    yield RecordFinding("summary", f"case {row.number}", "; ".join(said), mended=repair)


def differs(here: object, right: object) -> bool:
    """Whether two values of a column differ; the unit is compared as data."""
    if here == right:
        return False
    try:
        return not (
            isinstance(here, str)
            and isinstance(right, str)
            and json.loads(here) == json.loads(right)
        )
    except ValueError:
        return True


def draw_again(
    connection: Connection,
    number: int,
    row: dict[str, Any],
    steps: Sequence[dict[str, Any]],
    events: Iterable[Event],
) -> None:
    """Everything that is drawn from the events of a case, computed again."""
    connection.execute(update(CASES).where(CASES.c.number == number).values(**row))
    connection.execute(delete(STEPS).where(STEPS.c.number == number))
    ADD_STEP.run(connection, steps)
    words = [{"word": word, "number": number} for word in sorted(rows.words_of(events))]
    ADD_WORD.run(connection, words)


def photographed(
    events: Iterable[tuple[Event, bool]], place: str, folder: Path | None, done: Verified
) -> Iterator[RecordFinding]:
    """Whether the photos are there and unchanged. Nothing outside their folder is opened.

    Photos taken on this bench are looked for where they were; those of another shop, whose
    paths could name anything here, only inside the folder.
    """
    for event, brought in events:
        if not isinstance(event, PhotoAdded):
            continue
        done.photos += 1
        if event.kept:
            for name in filter(None, (event.sha256, event.original)):
                done.named_photos.setdefault(name, []).append((place, brought))
            continue
        if folder is None and brought:
            message = f"{event.path} is of another shop; name its folder with --photos"
            yield RecordFinding("photo", place, message, minor=True)
            continue
        found = Path(event.path) if folder is None else within(event.path, folder)
        if found is None:
            yield RecordFinding("photo", place, f"{event.path} is not in the folder of photos")
        elif not found.is_file():
            yield RecordFinding("photo", place, f"{event.path} is not here", minor=True)
        elif event.sha256 and digest(found) != event.sha256:
            yield RecordFinding("photo", place, f"{event.path} is not the photo that was taken")


def kept_photos(
    store: Store, path: Path | None, done: Verified, *, repair: bool
) -> Iterator[RecordFinding]:
    """Whether the photos that the record itself keeps are there and whole."""
    whole, damaged = whole_and_damaged(store)
    missing = done.named_photos.keys() - whole.keys()
    if missing:
        missing -= store.read(lambda c: pictures_of(c, marks_in(c), missing))
    wrong = damaged | missing
    mended = set(put_back(store, path, wrong)) if repair else set()
    for name in sorted(wrong):
        what = "damaged" if name in damaged else "missing"
        for place, brought in done.named_photos.get(name, [("photos", False)]):
            minor = brought and what == "missing"
            message = f"the photo {name[:12]}… is {what}"
            yield RecordFinding("photo", place, message, mended=name in mended, minor=minor)
    if path is None or not path.exists():
        return
    for name in sorted(whole.keys() - done.noted_photos):
        original = whole[name]
        data = store.photo(name, original=original) if repair else None
        if data is not None:
            note(store, [JournalPhoto(name, data, original)])
        message = "the photo is not in the journal"
        yield RecordFinding("journal", name[:12], message, mended=data is not None, minor=True)


def within(path: str, folder: Path) -> Path | None:
    """A path, where it lies inside the folder."""
    inside = (folder / path).resolve()
    return inside if inside.is_relative_to(folder.resolve()) else None


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# A database that cannot be read as one ------------------------------------------------------


def salvage(path: Path) -> Verified:
    """Make a sound record from a damaged file: what can be read of it, and its journal.

    The damaged file is kept beside the new one.

    Raises:
        RecordError: the new file cannot be made.
    """
    from faulttree.cases.repair.rebuild import rescue

    done = Verified()
    added, kept = rescue(path)
    message = f"made again with {added.cases} cases and {added.events} events; damaged: {kept.name}"
    done.findings.append(RecordFinding("database", str(path), message, mended=True))
    for conflict in added.conflicts:
        done.findings.append(RecordFinding("events", str(conflict), "could not be read", loss=True))
    return done


def is_damaged(path: Path) -> bool:
    """Whether SQLite cannot read the file through, or a text in it is no text any more."""
    if not path.exists() or path.stat().st_size == 0:
        return False
    try:
        with closing(sqlite3.connect(path)) as connection:
            # The quick check would not see that an index differs from its table.
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()
            if not found or found[0] != "ok":
                return bool(found)
            # Bytes that are no UTF-8 are damage too, but no concern of SQLite's own check.
            connection.text_factory = bytes
            for name in METADATA.tables.keys() - {PHOTOS.name}:
                for row in connection.execute(f'SELECT * FROM "{name}"'):  # noqa: S608
                    for value in row:
                        if isinstance(value, bytes):
                            value.decode()
    except sqlite3.OperationalError:
        # Another program has it locked, or it has no such tables.
        return False
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        return True
    return False
