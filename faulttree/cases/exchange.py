"""Between records: one case a line as JSON, and tables for analysis as CSV or Parquet."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from faulttree.cases import rows
from faulttree.cases.case import Case
from faulttree.cases.journal import BROUGHT, Entry, Line, TreeText, understood
from faulttree.cases.merging import Merged
from faulttree.errors import RecordError
from faulttree.walk.events import Event, Opened, from_dict

if TYPE_CHECKING:
    from faulttree.cases.store import Store

__all__ = ["Damaged", "Imported", "Leave", "lines", "load", "step_rows", "to_csv", "to_parquet"]

FORMAT = "faulttree-case-1"
LONGEST_LINE = 64 << 20
BATCH = 500
Progress = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Leave:
    """What an export leaves out: people's names and words, what tells one unit from another,
    photos.
    """

    names: bool = False
    serials: bool = False
    photos: bool = False

    def __bool__(self) -> bool:
        return self.names or self.serials or self.photos


# Out ----------------------------------------------------------------------------------------


def lines(store: Store, cases: Iterable[Case], leave: Leave | None = None) -> Iterator[str]:
    """One JSON document a case, whole in itself: its id, its events, and the text of its tree.

    The text of a tree stands in the first line that needs it and is named by its hash in
    the others. A case that something was left out of gets an id of its own, so that it can
    never be taken for the whole one.
    """
    leave = leave or Leave()
    told: set[str] = set()
    for case in cases:
        events = [event.to_dict() for event in store.events(case.id)]
        document: dict[str, Any] = {"format": FORMAT, "case": case.id, "number": case.number}
        if leave:
            events = [kept for event in events if (kept := without(event, leave)) is not None]
            document |= {"case": other_id(case.id, leave), "left_out": left_out(leave)}
        document["events"] = events
        document["tree_hash"] = case.tree_hash
        if case.tree_hash not in told:
            told.add(case.tree_hash)
            try:
                document["tree_text"] = store.tree_text(case.tree_hash)
            except RecordError:
                document["tree_text"] = None
        yield json.dumps(document, ensure_ascii=True, separators=(",", ":"), default=str)


def left_out(leave: Leave) -> list[str]:
    """The names of what was left out."""
    return [name for name in ("names", "serials", "photos") if getattr(leave, name)]


def other_id(case: str, leave: Leave) -> str:
    """An id that is the same at each export and tells nothing of the first one but its time."""
    digest = hashlib.sha256(f"{case} without {' '.join(left_out(leave))}".encode()).hexdigest()
    return f"{case[:14]}7{digest[:3]}-a{digest[3:6]}-{digest[6:18]}"


PEOPLE = ("who", "owner_words", "note", "text", "seen", "reason", "what")
ABOUT_UNIT = ("family", "model", "modules")
"""All a unit is told by when serials are left out: whatever else a shop notes may name one."""


def without(event: dict[str, Any], leave: Leave) -> dict[str, Any] | None:
    """An event with things left out; None where nothing of it is left.

    What people wrote freely can name anybody, so all of it goes with the names.
    """
    kind = event.get("kind")
    if leave.photos and kind == "photo-added":
        return None
    kept = dict(event)
    if leave.names:
        if kind == "noted":
            kept["text"] = ""
        else:
            for name in PEOPLE:
                kept.pop(name, None)
        if kind == "photo-added":
            kept["path"] = kept.get("sha256", "")[:16]
    if leave.serials and "unit" in kept:
        kept["unit"] = {key: kept["unit"][key] for key in ABOUT_UNIT if key in kept["unit"]}
    if (leave.serials or leave.names) and "linked" in kept:
        kept["linked"] = other_id(kept["linked"], leave)
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
    for case in cases:
        row: dict[str, Any] = dict.fromkeys(STEP_COLUMNS)
        row |= {name: value for name, value in case.as_dict().items() if name in STEP_COLUMNS}
        row |= {"modules": " ".join(case.modules), "case_minutes": case.minutes, "unit": None}
        row |= dict.fromkeys(("sequence", "step", "minutes"))
        if leave:
            row["case"] = other_id(case.id, leave)
            row["came_back"] = other_id(case.came_back, leave) if case.came_back else ""
        row |= dict.fromkeys(("serial", "tag"), "") if leave.serials else {}
        row |= {"who": ""} if leave.names else {}
        steps = store.steps(case.id)
        for taken in steps:
            yield row | {name: getattr(taken, name) for name in rows.STEP_FIELDS}
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
            mend="Install it: pip install 'faulttree[parquet]'; CSV needs nothing.",
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


# In -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Damaged:
    """A line that could not be taken, and why."""

    path: str
    line: int
    reason: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.reason}"


@dataclass(slots=True)
class Imported:
    """What an import brought: what was merged, and the lines that could not be."""

    merged: Merged = field(default_factory=Merged)
    damaged: list[Damaged] = field(default_factory=list)


def load(store: Store, file: IO[bytes], name: str, *, progress: Progress | None = None) -> Imported:
    """Bring the cases of an export, or of a journal, into a record. Again adds nothing.

    A damaged line costs that line; a case that goes on differently here stays as it is
    here, and is reported.

    Args:
        store: the record, open for writing.
        file: what :func:`lines` wrote, or the journal of a record.
        name: what the file is called in messages.
        progress: told how many bytes were read.
    """
    done = Imported()
    items: list[Entry | TreeText] = []
    waiting = read = 0
    for number, raw in enumerate(bounded(file), 1):
        read += len(raw)
        try:
            items += taken(raw)
        except RecordError as error:
            done.damaged.append(Damaged(name, number, error.message))
        waiting += 1
        if waiting >= BATCH:
            done.merged += flushed(store, items)
            items, waiting = [], 0
            if progress is not None:
                progress(read)
    done.merged += flushed(store, items)
    return done


def bounded(file: IO[bytes]) -> Iterator[bytes]:
    """Lines of a file; of one that is too long only so much that it is seen to be."""
    while raw := file.readline(LONGEST_LINE):
        yield raw
        while not raw.endswith(b"\n") and len(raw) == LONGEST_LINE:
            raw = file.readline(LONGEST_LINE)


def flushed(store: Store, items: Sequence[Entry | TreeText]) -> Merged:
    """Merge a batch; the journal's entries are not needed again, so they are let go."""
    if not items:
        return Merged()
    merged = store.merge(items)
    merged.added = []
    return merged


def taken(raw: bytes) -> list[Entry | TreeText]:
    """What one line holds.

    Raises:
        RecordError: it is damaged, or not of this format.
    """
    if not raw.strip():
        return []
    if len(raw) >= LONGEST_LINE:
        raise RecordError("the line is longer than any case can be")
    try:
        data: Any = json.loads(raw)
    except (ValueError, RecursionError):
        raise RecordError("the line is damaged: it is no JSON") from None
    if not isinstance(data, dict):
        raise RecordError("the line is no case")
    if "format" not in data:
        return from_journal(understood(0, raw))
    if data["format"] != FORMAT:
        raise RecordError(f"the line has the unknown format {str(data['format'])[:40]!r}")
    return from_export(data)


def from_journal(line: Line) -> list[Entry | TreeText]:
    """A line of a journal."""
    if line.record:
        return []
    if line.holds is None:
        raise RecordError("the line is damaged: it is neither a case nor an event")
    if isinstance(line.holds, TreeText):
        check_text(line.holds.hash, line.holds.text)
    else:
        checked(json.loads(line.holds.event))
        return [replace(line.holds, writer=BROUGHT)]
    return [line.holds]


def from_export(data: Mapping[str, Any]) -> list[Entry | TreeText]:
    """A line of an export.

    Raises:
        RecordError: something is missing, or an event or the tree is damaged.
    """
    case, events = data.get("case"), data.get("events")
    if not isinstance(case, str) or not 1 <= len(case) <= 64 or not isinstance(events, list):
        raise RecordError("the line is damaged: it names no case or has no events")
    items: list[Entry | TreeText] = []
    if isinstance(text := data.get("tree_text"), str):
        check_text(str(data.get("tree_hash")), text)
        items.append(TreeText(str(data["tree_hash"]), text))
    for sequence, event in enumerate(events):
        parsed = checked(event)
        if not sequence and not isinstance(parsed, Opened):
            break
        items.append(Entry(case, sequence, rows.as_json(event), BROUGHT, parsed=parsed))
    if not items or isinstance(items[-1], TreeText):
        raise RecordError("the line is damaged: it does not begin with an opening")
    return items


def check_text(tree_hash: str, text: str) -> None:
    """Refuse a tree whose text is not what its hash says."""
    try:
        right = hashlib.sha256(text.encode()).hexdigest()
    except UnicodeEncodeError:
        right = ""
    if right != tree_hash:
        raise RecordError("the line is damaged: the tree is not what its hash says")


TEXTS = (
    *("at", "tree", "tree_hash", "step", "outcome", "complaint", "owner_words", "who", "result"),
    *("fault", "became", "linked", "text", "note", "reason", "seen", "what", "instrument"),
    *("caution", "path", "sha256"),
)
ABSURD = 1e12
"""No time, cost or count of steps is as large; a float could not even hold some that are."""

MUST_BE: Mapping[str, tuple[type | tuple[type, ...], str]] = {
    **dict.fromkeys(TEXTS, (str, "text")),
    **dict.fromkeys(("seconds", "minutes", "cost"), ((int, float), "number")),
    **dict.fromkeys(("unit", "priors", "ratings", "reading", "verdict"), (dict, "mapping")),
    **dict.fromkeys(("parts", "kept", "suspects"), (list, "list")),
    "steps": (int, "whole number"),
}
"""Field of an event → what it must be, so that nothing later stumbles over it."""


def checked(data: Any) -> Event:
    """The event, if its fields are of the kind they must be.

    Raises:
        RecordError: they are not.
    """
    if not isinstance(data, dict):
        raise RecordError("the line is damaged: an event is no mapping")
    for name, value in data.items():
        must = MUST_BE.get(name)
        if must is not None and value is not None and not isinstance(value, must[0]):
            raise RecordError(f"the line is damaged: {name} of an event is no {must[1]}")
        if isinstance(value, int | float) and not abs(value) < ABSURD:
            raise RecordError(f"the line is damaged: {name} of an event is no figure of a bench")
    for name in ("parts", "kept"):
        if not all(isinstance(item, str) for item in data.get(name) or ()):
            raise RecordError(f"the line is damaged: {name} of an event holds more than texts")
    return from_dict(data)


def opened_for_reading(path: Path) -> IO[bytes]:
    """A file to import from.

    Raises:
        RecordError: it is missing or may not be read.
    """
    try:
        return path.open("rb")
    except OSError as error:
        raise RecordError(
            f"this cannot be read: {error.strerror}",
            path=path,
            mend="Name a file that `faulttree cases export` wrote.",
        ) from None
