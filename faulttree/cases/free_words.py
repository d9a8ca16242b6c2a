"""The free words of an event: what people wrote, which can name anybody."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from faulttree.cases.rows import as_json
from faulttree.errors import RecordError

FREE = (
    *("who", "person", "device", "complaint", "owner_words", "note", "text", "seen", "reason"),
    *("what", "parts", "path", "words", "author"),
)
"""Fields of events that people write, or that name a person, a device or a file of theirs."""

TECHNICAL = ("family", "model", "modules", "serial", "tag", "ratings")
"""What of a unit is no free word."""

SPOKEN_FACTS = frozenset({"unit.complaint", "unit.owner-words"})
"""Facts whose value is free words."""

KINDS_WITH_WORDS = "opened|noted|fact-given|photo-added|remark-kept"
NAMES = "|".join(name for name in FREE if name not in {"text", "path"})
MAY_HAVE = re.compile(f'"kind":"(?:{KINDS_WITH_WORDS})"|"(?:{NAMES})":')

Word = Callable[[str], str]


def may_have_words(event: str) -> bool:
    """Whether the JSON of an event can hold free words; False is certain."""
    return MAY_HAVE.search(event) is not None


def replaced(event: Mapping[str, Any], word: Word) -> dict[str, Any]:
    """An event with another text in the place of each of its free words.

    The order of the words is always the same, also where they are empty.

    Example:
        >>> replaced({"kind": "noted", "text": "ring Jo", "step": "fuse"}, lambda _: "")
        {'kind': 'noted', 'text': '', 'step': 'fuse'}
    """
    new = dict(event)
    for name in FREE:
        if name in new:
            new[name] = each(new[name], word)
    if isinstance(unit := new.get("unit"), dict):
        new["unit"] = {
            name: value if name in TECHNICAL else each(value, word) for name, value in unit.items()
        }
    if new.get("name") in SPOKEN_FACTS and "value" in new:
        new["value"] = each(new["value"], word)
    return new


def each(value: Any, word: Word) -> Any:
    """Every text of a value replaced; figures and truth values stay."""
    if isinstance(value, str):
        return word(value)
    if isinstance(value, list | tuple):
        return [each(item, word) for item in value]
    if isinstance(value, dict):
        return {name: each(item, word) for name, item in value.items()}
    return value


def blanked(event: str) -> str:
    """The JSON of an event with empty texts in the place of its free words.

    Raises:
        RecordError: the event is damaged.
    """
    if not may_have_words(event):
        return event
    try:
        data = json.loads(event)
    except ValueError:
        raise RecordError(
            "an event of the case is damaged, so its words cannot be found",
            remedy="Run `faulttree cases verify --repair`, then try again.",
        ) from None
    return as_json(replaced(data, lambda _: ""))
