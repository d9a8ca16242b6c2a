"""Cases for other programs: one case a line as JSON, and tables as CSV or Parquet."""

from __future__ import annotations

import csv
import hashlib
import hmac
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import IO, TYPE_CHECKING, Any

from faulttree.cases import rows
from faulttree.cases.case import Case
from faulttree.cases.closing_result import with_closing
from faulttree.cases.erased import marks_in
from faulttree.cases.free_words import FREE, SPOKEN_FACTS
from faulttree.cases.journal.file import JournalPhoto
from faulttree.cases.transfer.import_parser import FORMAT
from faulttree.errors import RecordError
from faulttree.walk.events import Event, PhotoAdded

if TYPE_CHECKING:
    from faulttree.cases.store import Store


@dataclass(frozen=True, slots=True)
class Leave:
    """What an export leaves out: people's names and words, what tells one unit from another,
    photos. A picture can show both, so it stays away with either, unless ``pictures`` says so.
    """

    names: bool = False
    serials: bool = False
    photos: bool = False
    pictures: bool = False

    @property
    def no_pictures(self) -> bool:
        """Whether pictures are left out."""
        return bool(self) and not (self.pictures and not self.photos)

    def __bool__(self) -> bool:
        return self.names or self.serials or self.photos


def lines(store: Store, cases: Iterable[Case], leave: Leave | None = None) -> Iterator[str]:
    """One JSON document a case, whole in itself: its id, its events, and the text of its tree.

    The text of a tree stands in the first line that needs it and is named by its hash in
    the others. The photos of a case stand before it, one a line, each once in a file. A case
    that something was left out of gets an id of its own, so that it can never be taken for the
    whole one.
    """
    leave = leave or Leave()
    told: set[str] = set()
    sent: set[str] = set()
    key, marks = store.record_id, store.read(marks_in)
    for case, closing in with_closing(store, cases):
        whole = store.events(case.id)
        if not leave.no_pictures:
            yield from photo_lines(store, whole, sent, originals=not leave)
        events = events_without(store, whole, case.opened, leave)
        tree_hash, text = tree_of(store, case.tree_hash, leave)
        document: dict[str, Any] = {"format": FORMAT, "case": case.id, "number": case.number}
        if leave:
            document |= {"case": other_id(case.id, leave, key), "left_out": left_out(leave)}
        if leave.names:
            del document["number"]
        elif case.id in marks:
            mark = marks[case.id]
            document["erased"] = {"events": mark.events, "at": mark.at}
        document |= {"closing": closing, "events": events, "tree_hash": tree_hash}
        if tree_hash not in told:
            told.add(tree_hash)
            document["tree_text"] = text
        yield json.dumps(document, ensure_ascii=True, separators=(",", ":"), default=str)


def events_without(
    store: Store, whole: Iterable[Event], opened: str, leave: Leave
) -> list[dict[str, Any]]:
    """The events of a case as an export gives them."""
    events = [event.to_dict() for event in whole]
    if leave:
        key = store.record_id
        events = [one for event in events if (one := without(event, leave, key)) is not None]
    if leave.names:
        events = [coarse(event, opened) for event in events]
        for event in events:
            if event.get("tree_hash"):
                event["tree_hash"] = tree_of(store, event["tree_hash"], leave)[0]
    return events


def photo_lines(
    store: Store, events: Iterable[Event], sent: set[str], *, originals: bool
) -> Iterator[str]:
    """The photos of a case that were not sent yet, one a line."""
    for event in events:
        if not isinstance(event, PhotoAdded) or not event.kept:
            continue
        for name, original in ((event.sha256, False), (event.original, True)):
            if not name or name in sent or (original and not originals):
                continue
            sent.add(name)
            if (data := store.photo(name, original=original)) is not None:
                yield JournalPhoto(name, data, original).line()


def tree_of(store: Store, tree_hash: str, leave: Leave) -> tuple[str, str | None]:
    """Hash and text of a tree as an export gives them; without a text where none is kept.

    The sources of evidence name people. A text without them is another text, so it has a hash
    of its own.
    """
    try:
        text = store.tree_text(tree_hash)
    except RecordError:
        return tree_hash, None
    if not leave.names:
        return tree_hash, text
    try:
        data = json.loads(text)
    except ValueError:
        return tree_hash, None
    bare = json.dumps(without_sources(data), separators=(",", ":"))
    return hashlib.sha256(bare.encode()).hexdigest(), bare


def without_sources(data: Any) -> Any:
    """A tree's data with every source of evidence blanked."""
    if isinstance(data, dict):
        return {
            key: LEFT_OUT if key == "source" else without_sources(value)
            for key, value in data.items()
        }
    return [without_sources(item) for item in data] if isinstance(data, list) else data


LEFT_OUT = "left out"


def coarse(event: dict[str, Any], opened: str) -> dict[str, Any]:
    """An event with times counted from the first minute of the day on which its case began.

    How long each step took stays as it was, to the minute; the time of day is gone.
    """
    return event | {name: moved(event[name], opened) for name in TIMES if event.get(name)}


TIMES = ("at", "ends_at")


def moved(moment: str, opened: str) -> str:
    """A moment as far after the day began as it was after the opening, in whole minutes."""
    try:
        start, then = datetime.fromisoformat(opened), datetime.fromisoformat(moment)
        minutes = round((then - start).total_seconds() / 60)
        day = start.replace(hour=0, minute=0, second=0, microsecond=0)
        return (day + timedelta(minutes=minutes)).strftime("%Y-%m-%dT%H:%M:00.000Z")
    except (ValueError, TypeError, OverflowError):
        return f"{opened[:10]}T00:00:00.000Z"


def left_out(leave: Leave) -> list[str]:
    """The names of what was left out."""
    return [name for name in ("names", "serials", "photos") if getattr(leave, name)]


def other_id(case: str, leave: Leave, key: str) -> str:
    """An id that is the same at each export of a record and tells only the day of the first.

    It is a keyed hash (HMAC, RFC 2104): without the record nobody can try which id it stands
    for. The day is in the first 48 bits, as in the version 7 of RFC 9562.
    """
    text = f"{case} without {' '.join(left_out(leave))}"
    digest = hmac.new(key.encode(), text.encode(), hashlib.sha256).hexdigest()
    try:
        moment = int(case[:13].replace("-", ""), 16)
    except ValueError:
        moment = 0
    day = f"{moment - moment % DAY:012x}"
    return f"{day[:8]}-{day[8:12]}-7{digest[:3]}-a{digest[3:6]}-{digest[6:18]}"


DAY = 86_400_000
"""Milliseconds."""

PEOPLE = (*(name for name in FREE if name != "path"), "instrument")
"""Fields that go with the names. A path does not: the beginning of the hash takes its place."""

ABOUT_UNIT = ("family", "model", "modules")
"""All a unit is told by when serials are left out: whatever else a shop notes may name one."""

TELLS_UNIT = (*ABOUT_UNIT, "serial", "tag")
"""What of a unit is no free word."""


FACTS_OF_UNIT = frozenset({"unit.serial"})
"""Facts given late whose value identifies a unit."""


def _facts_left_out(leave: Leave) -> frozenset[str]:
    """The names of the facts whose value goes with what is left out."""
    spoken = SPOKEN_FACTS if leave.names else frozenset()
    return spoken | FACTS_OF_UNIT if leave.serials else spoken


def without(event: dict[str, Any], leave: Leave, key: str) -> dict[str, Any] | None:
    """An event with things left out; None where nothing of it is left.

    What people wrote freely can name anybody, so all of it goes with the names.
    """
    kind = event.get("kind")
    if leave.photos and kind == "photo-added":
        return None
    kept = dict(event)
    kept.pop("original", None)
    if leave.names:
        for name in PEOPLE:
            kept.pop(name, None)
        if kind == "noted":
            kept["text"] = ""
        if kept.get("path"):
            kept["path"] = kept.get("sha256", "")[:16]
    if kept.get("name") in _facts_left_out(leave):
        kept["value"] = ""
    if "unit" in kept and leave:
        told = ABOUT_UNIT if leave.serials else TELLS_UNIT if leave.names else kept["unit"]
        kept["unit"] = {name: kept["unit"][name] for name in told if name in kept["unit"]}
    if (leave.serials or leave.names) and "linked" in kept:
        kept["linked"] = other_id(kept["linked"], leave, key)
    return kept


STEP_COLUMNS: Mapping[str, str] = {
    "case": "text",
    "number": "integer",
    "tree": "text",
    "tree_hash": "text",
    "family": "text",
    "model": "text",
    "serial": "text",
    "tag": "text",
    "modules": "text",
    "complaint": "text",
    "who": "text",
    "opened": "text",
    "closed": "text",
    "state": "text",
    "result": "text",
    "fault": "text",
    "became": "text",
    "closing": "text",
    "came_back": "text",
    "case_minutes": "number",
    "sequence": "integer",
    "at": "text",
    "step": "text",
    "outcome": "text",
    "value": "number",
    "unit": "text",
    "instrument": "text",
    "standing": "truth",
    "skipped": "truth",
    "round": "integer",
    "minutes": "number",
}
"""Columns of the table for analysis: one row a step, with its case beside it."""


def step_rows(
    store: Store, cases: Iterable[Case], leave: Leave | None = None
) -> Iterator[dict[str, Any]]:
    """One row a step taken; a case without any has one row without a step."""
    leave = leave or Leave()
    key = store.record_id
    for case, closing in with_closing(store, cases):
        row: dict[str, Any] = dict.fromkeys(STEP_COLUMNS)
        row |= {name: value for name, value in case.as_dict().items() if name in STEP_COLUMNS}
        row |= {"modules": " ".join(case.modules), "case_minutes": case.minutes, "unit": None}
        row["closing"] = closing
        row |= dict.fromkeys(("sequence", "step", "minutes"))
        if leave:
            row["case"] = other_id(case.id, leave, key)
            row["came_back"] = other_id(case.came_back, leave, key) if case.came_back else ""
        row |= dict.fromkeys(("serial", "tag"), "") if leave.serials else {}
        if leave.names:
            row |= {"who": "", "complaint": "", "number": None}
            row["tree_hash"] = tree_of(store, case.tree_hash, leave)[0]
            row["opened"] = moved(case.opened, case.opened)
            row["closed"] = moved(case.closed, case.opened) if case.closed else case.closed
        steps = store.steps(case.id)
        for taken in steps:
            step = {name: getattr(taken, name) for name in rows.STEP_FIELDS}
            if leave.names:
                step |= {"at": moved(taken.at, case.opened), "instrument": ""}
            yield row | step
        if not steps:
            yield row


FORMULA = ("=", "+", "-", "@", "\t", "\r")


def to_csv(file: IO[str], table: Iterable[Mapping[str, Any]]) -> int:
    """RFC 4180 with a header; gives the number of rows.

    A text that a spreadsheet would take for a formula is given a leading apostrophe.
    """
    writer = csv.DictWriter(file, list(STEP_COLUMNS), lineterminator="\r\n")
    writer.writeheader()
    many = 0
    for row in table:
        writer.writerow({key: cell(value) for key, value in row.items()})
        many += 1
    return many


def cell(value: object) -> object:
    """One value as a spreadsheet may see it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        plain = value.replace("\x00", "")
        return f"'{plain}" if plain.startswith(FORMULA) else plain
    return value


def to_parquet(file: IO[bytes], table: Iterable[Mapping[str, Any]]) -> int:
    """Apache Parquet; gives the number of rows.

    Raises:
        RecordError: the package for it is not installed.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ModuleNotFoundError:
        raise RecordError(
            "Parquet needs the package pyarrow",
            remedy="Install it: pip install 'faulttree[parquet]'; CSV needs nothing.",
        ) from None
    kinds = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64()}
    columns = {name: kinds.get(kind, pa.bool_()) for name, kind in STEP_COLUMNS.items()}
    schema = pa.schema(list(columns.items()))
    many = 0
    with pq.ParquetWriter(file, schema) as writer:
        for batch in rows.batched(table, 20_000):
            clean = [{key: parquet_cell(value) for key, value in row.items()} for row in batch]
            writer.write_table(pa.Table.from_pylist(clean, schema=schema))
            many += len(batch)
    return many


def parquet_cell(value: object) -> object:
    """One value; a text without what UTF-8 has no place for."""
    return rows.UNSTORABLE.sub("\ufffd", value) if isinstance(value, str) else value
