"""Cases for other programs: one case a line as JSON, and tables as CSV or Parquet."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any

from faulttree.cases import rows
from faulttree.cases.case import Case
from faulttree.cases.closing_result import with_closing
from faulttree.cases.transfer.import_parser import FORMAT
from faulttree.errors import RecordError

if TYPE_CHECKING:
    from faulttree.cases.store import Store

__all__ = ["Leave", "cell", "lines", "step_rows", "to_csv", "to_parquet"]


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


def lines(store: Store, cases: Iterable[Case], leave: Leave | None = None) -> Iterator[str]:
    """One JSON document a case, whole in itself: its id, its events, and the text of its tree.

    The text of a tree stands in the first line that needs it and is named by its hash in
    the others. A case that something was left out of gets an id of its own, so that it can
    never be taken for the whole one.
    """
    leave = leave or Leave()
    told: set[str] = set()
    for case, closing in with_closing(store, cases):
        events = [event.to_dict() for event in store.events(case.id)]
        document: dict[str, Any] = {"format": FORMAT, "case": case.id, "number": case.number}
        if leave:
            events = [kept for event in events if (kept := without(event, leave)) is not None]
            document |= {"case": other_id(case.id, leave), "left_out": left_out(leave)}
        document |= {"closing": closing, "events": events}
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


PEOPLE = ("who", "person", "device", "owner_words", "note", "text", "seen", "reason", "what")
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
    for case, closing in with_closing(store, cases):
        row: dict[str, Any] = dict.fromkeys(STEP_COLUMNS)
        row |= {name: value for name, value in case.as_dict().items() if name in STEP_COLUMNS}
        row |= {"modules": " ".join(case.modules), "case_minutes": case.minutes, "unit": None}
        row["closing"] = closing
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
