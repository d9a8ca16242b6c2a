"""What one line of an export or of a journal holds, looked through before it is believed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, TypeGuard

from faulttree.cases import rows
from faulttree.cases.complete_case import CompleteCase, whole_of
from faulttree.cases.journal.file import (
    BROUGHT,
    JournalErased,
    JournalItem,
    JournalLine,
    JournalPhoto,
    JournalTree,
    understood,
)
from faulttree.errors import RecordError
from faulttree.walk.events import KINDS, TUPLES, Event, Opened, from_dict

FORMAT = "faulttree-case-8"
"""What an export writes."""

READABLE = frozenset({*(f"faulttree-case-{version}" for version in range(1, 8)), FORMAT})
LONGEST_LINE = 64 << 20

Item = JournalItem | CompleteCase


def taken_all(lines: Sequence[bytes]) -> tuple[list[Item], list[tuple[int, str]]]:
    """What several lines hold, and what is wrong with those that could not be taken.

    Returns:
        the items, and (position among the lines, reason) of each damaged line.
    """
    items: list[Item] = []
    damaged: list[tuple[int, str]] = []
    for at, raw in enumerate(lines):
        try:
            items += taken(raw)
        except RecordError as error:
            damaged.append((at, error.message))
    return items, damaged


def taken(raw: bytes) -> list[Item]:
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
    if data["format"] not in READABLE:
        raise RecordError(f"the line has the unknown format {str(data['format'])[:40]!r}")
    return from_export(data)


def from_journal(line: JournalLine) -> list[Item]:
    """A line of a journal."""
    if line.record:
        return []
    if line.holds is None:
        raise RecordError("the line is damaged: it is neither a case nor an event")
    if isinstance(line.holds, JournalPhoto):
        check_photo(line.holds)
    elif isinstance(line.holds, JournalTree):
        check_text(line.holds.hash, line.holds.text)
    elif isinstance(line.holds, JournalErased):
        check_mark(line.holds)
    elif not is_id(line.holds.case):
        raise RecordError("the line is damaged: it names no case")
    else:
        checked(json.loads(line.holds.event))
        return [replace(line.holds, writer=BROUGHT)]
    return [line.holds]


def from_export(data: Mapping[str, Any]) -> list[Item]:
    """A line of an export.

    Raises:
        RecordError: something is missing, or an event or the tree is damaged.
    """
    case, events = data.get("case"), data.get("events")
    if not is_id(case) or not isinstance(events, list):
        raise RecordError("the line is damaged: it names no case or has no events")
    items: list[Item] = []
    if isinstance(text := data.get("tree_text"), str):
        check_text(str(data.get("tree_hash")), text)
        items.append(JournalTree(str(data["tree_hash"]), text))
    parsed = [checked(event) for event in events]
    if not parsed or not isinstance(parsed[0], Opened):
        raise RecordError("the line is damaged: it does not begin with an opening")
    if isinstance(erased := data.get("erased"), dict):
        mark = understood(0, json.dumps(erased | {"erased": case}).encode()).holds
        if not isinstance(mark, JournalErased):
            raise RecordError("the line is damaged: it marks no case as erased")
        check_mark(mark)
        items.append(mark)
    items.append(whole_of(case, parsed, [(BROUGHT, rows.as_json(event)) for event in events]))
    return items


def is_id(case: object) -> TypeGuard[str]:
    """Whether this can be the id of a case: printable ASCII, so that every store takes it."""
    return isinstance(case, str) and 1 <= len(case) <= 64 and case.isascii() and case.isprintable()


def check_photo(photo: JournalPhoto) -> None:
    """Refuse what a record does not keep as a photo. Originals are never shown, so any will do."""
    if not photo.original:
        from faulttree.cases.photos.picture import checked as picture

        picture(photo.data)


def check_mark(mark: JournalErased) -> None:
    """Refuse the mark of an erased case that names none."""
    if not is_id(mark.case) or mark.events < 0 or not mark.at.isprintable():
        raise RecordError("the line is damaged: it marks no case as erased")


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
    *("caution", "path", "sha256", "cause", "then", "device", "person", "name", "value"),
    *("source", "stage", "use", "exit", "standing", "ends_at", "words", "original"),
)
NUMBERS = ("seconds", "minutes", "cost", "probability", "threshold", "usually_normal")
ABSURD = 1e12
"""No time, cost or count of steps is as large; a float could not even hold some that are."""

MUST_BE: Mapping[str, tuple[type | tuple[type, ...], str]] = {
    **dict.fromkeys(TEXTS, (str, "text")),
    **dict.fromkeys(NUMBERS, ((int, float), "number")),
    **dict.fromkeys(
        ("unit", "priors", "ratings", "reading", "verdict", "mains"), (dict, "mapping")
    ),
    **dict.fromkeys(TUPLES, (list, "list")),
    **dict.fromkeys(("steps", "target", "width", "height", "size"), (int, "whole number")),
    **dict.fromkeys(("passed", "safety", "cut"), (bool, "truth value")),
}
"""Field of an event → what it must be, so that nothing later stumbles over it."""

NULLABLE = frozenset(
    each.name for kind in KINDS.values() for each in fields(kind) if each.default is None
)
"""Fields of an event that may be null."""

TEXT_LISTS = ("parts", "kept", "open_tests")
MAPPING_LISTS = ("suspects", "rivals", "decided")
HOLDS: Mapping[str, tuple[type | tuple[type, ...], str]] = {
    **dict.fromkeys(TEXT_LISTS, (str, "texts")),
    **dict.fromkeys(MAPPING_LISTS, (dict, "mappings")),
    "priors": ((int, float), "numbers"),
    **dict.fromkeys(("ratings", "mains"), (str, "texts")),
}
"""Field of an event → what its items or values must be."""

NO_TEXTS = MUST_BE.keys() - {*TEXTS}


def checked(data: Any) -> Event:
    """The event, if its fields are of the kind they must be.

    Raises:
        RecordError: they are not.
    """
    if not isinstance(data, dict):
        raise RecordError("the line is damaged: an event is no mapping")
    for name, value in data.items():
        if value.__class__ is str and name not in NO_TEXTS:
            continue
        must = MUST_BE.get(name)
        if value is None and name in NULLABLE:
            continue
        if must is not None and not isinstance(value, must[0]):
            raise RecordError(f"the line is damaged: {name} of an event is no {must[1]}")
        if isinstance(value, int | float) and not abs(value) < ABSURD:
            raise RecordError(f"the line is damaged: {name} of an event is no figure of a bench")
    for name in HOLDS.keys() & data.keys():
        kind, what = HOLDS[name]
        items = data[name].values() if isinstance(data[name], dict) else data[name]
        if not all(isinstance(item, kind) for item in items):
            raise RecordError(f"the line is damaged: {name} of an event holds more than {what}")
    return from_dict(data)
