"""Between what the program means and what a table holds."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from itertools import islice
from operator import attrgetter
from typing import Any, TypeVar

from faulttree.cases.case import Case
from faulttree.cases.projection import StepRecord
from faulttree.errors import RecordError
from faulttree.walk.events import INTAKE, KINDS, Event, from_dict

T = TypeVar("T")

ENCODER = json.JSONEncoder(separators=(",", ":"), allow_nan=False, default=str)
STEP_FIELDS = tuple(field.name for field in fields(StepRecord))
step_values = attrgetter(*STEP_FIELDS)
STEP_TEXTS = ("step", "outcome", "at", "unit", "instrument")
step_texts = attrgetter(*STEP_TEXTS)
LISTS = ("modules", "kept")
UNSTORABLE = re.compile("[\x00\ud800-\udfff]")
WORD = re.compile(r"[^\W_]+")
LONGEST_WORD = 40
SPOKEN = ("complaint", "owner_words", "note", "text", "reason", "what", "seen", "who", "words")
"""Fields of events that people write words into."""

SPOKEN_BY: Mapping[str, tuple[str, ...]] = {
    kind: tuple(field.name for field in fields(event) if field.name in SPOKEN)
    for kind, event in KINDS.items()
}


def as_json(data: object) -> str:
    """JSON in ASCII, so that any text a terminal can deliver can be stored.

    Raises:
        RecordError: a figure that JSON has no word for.
    """
    try:
        return ENCODER.encode(data)
    except ValueError as error:
        raise RecordError(f"this cannot be recorded: {error}") from None


def event(text: str) -> Event:
    """The event a row holds.

    Raises:
        RecordError: the text is damaged or of a newer program.
    """
    try:
        data = json.loads(text)
    except ValueError:
        data = None
    if not isinstance(data, dict):
        raise RecordError(
            f"an event of the record is damaged: {text[:40]!r}",
            remedy="Run `faulttree cases verify --repair`.",
        )
    return from_dict(data)


def flat(row: Mapping[str, Any]) -> dict[str, Any]:
    """Columns of a summary as a table takes them."""
    return {key: flattened(value) for key, value in row.items()}


def flattened(value: object) -> Any:
    """One value: lists as ``,a,b,``, mappings as JSON, texts without what no store can hold."""
    if isinstance(value, str):
        plain = value.isascii() and "\x00" not in value
        return value if plain else UNSTORABLE.sub("\ufffd", value)
    if isinstance(value, tuple):
        items = ",".join(UNSTORABLE.sub("\ufffd", item.replace(",", " ")) for item in value)
        return f",{items}," if items else ""
    return as_json(value) if isinstance(value, Mapping) else value


def case(row: Any) -> Case:
    """The case a row of the list holds."""
    values = dict(row._mapping)
    for name in LISTS:
        values[name] = tuple(filter(None, values[name].split(",")))
    return Case(**(values | {"unit": json.loads(values["unit"])}))


def step(number: int, taken: StepRecord) -> dict[str, Any]:
    """One step as the table takes it."""
    values = dict(zip(STEP_FIELDS, step_values(taken), strict=True))
    if flattened(texts := "".join(step_texts(taken))) != texts:
        values |= {name: flattened(values[name]) for name in STEP_TEXTS}
    values["number"] = number
    return values


def taken(row: Any) -> StepRecord:
    """The step a row holds."""
    values = dict(row._mapping)
    del values["number"]
    return StepRecord(**values)


def words_in(text: str) -> set[str]:
    """The words of a text as they are looked up: lower case, accents off.

    Numbers count as words; signs part words.
    """
    if text.isascii():
        plain = text.lower()
    else:
        decomposed = unicodedata.normalize("NFKD", text).casefold()
        plain = "".join(char for char in decomposed if not unicodedata.combining(char))
    return {word[:LONGEST_WORD] for word in WORD.findall(plain)}


def words_of(events: Iterable[Event]) -> set[str]:
    """Every word that a case can be found by, as far as these events say any."""
    texts: list[str] = []
    for one in events:
        texts += [getattr(one, name) for name in SPOKEN_BY[one.kind]]
        if one.kind == "opened":
            unit: Mapping[str, Any] = getattr(one, "unit", {})
            texts += [getattr(one, "tree", ""), *map(str, flat_values(unit))]
        elif one.kind == "fact-given" and getattr(one, "name", "") in INTAKE:
            texts.append(getattr(one, "value", ""))
        elif one.kind in {"closed", "repair-tried"}:
            texts += [getattr(one, "fault", ""), getattr(one, "result", "")]
            texts += [getattr(one, "became", ""), *map(str, getattr(one, "parts", ()))]
    return {word for text in texts if text for word in words_in(text)}


def flat_values(unit: Mapping[str, Any]) -> Iterable[object]:
    """The values of a unit, those of its lists singly."""
    for value in unit.values():
        if isinstance(value, list | tuple):
            yield from value
        elif value is not None:
            yield value


def batched(items: Iterable[T], size: int) -> Iterator[list[T]]:
    """Some at a time."""
    rest = iter(items)
    while batch := list(islice(rest, size)):
        yield batch
