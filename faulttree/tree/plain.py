"""Plain data taken as what it should be: anything else counts as not there.

The schemas say what a file may hold; the model is built from whatever it does hold.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


def as_mapping(value: Any) -> dict[str, Any]:
    """The mapping, or an empty one."""
    return value if isinstance(value, dict) else {}


def as_list(value: Any) -> list[Any]:
    """The list, or an empty one."""
    return value if isinstance(value, list) else []


def entries(value: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    """The entries of a mapping that are mappings themselves."""
    return ((key, item) for key, item in as_mapping(value).items() if isinstance(item, dict))


def as_text(value: Any) -> str:
    """The text, a number as it is written, or an empty text."""
    if isinstance(value, str):
        return value
    return "" if value is None or isinstance(value, (dict, list)) else str(value)


def as_texts(value: Any) -> tuple[str, ...]:
    """The texts of a list, or a single text as a list of one."""
    if not value:
        return ()
    if isinstance(value, str):
        return (value,)
    return tuple([item for item in as_list(value) if isinstance(item, str)])


def as_words(value: Any) -> dict[str, str]:
    """The entries of a mapping that are texts."""
    return {key: item for key, item in as_mapping(value).items() if isinstance(item, str)}


def as_number(value: Any) -> float | None:
    """The number, or None."""
    return value if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def joined(*groups: tuple[str, ...]) -> tuple[str, ...]:
    """The names of all groups, each once, in order."""
    filled = [group for group in groups if group]
    if len(filled) < 2:
        return filled[0] if filled else ()
    return tuple(dict.fromkeys(name for group in filled for name in group))
