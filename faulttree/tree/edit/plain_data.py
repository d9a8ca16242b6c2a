"""The same edits on plain data, and the protocol of editors."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Any, Protocol

Keys = Sequence[str | int]


class Edits(Protocol):
    """The edits of a document, or of plain data."""

    def set(self, keys: Keys, value: Any) -> None:
        """Set the value at a place."""

    def rename_key(self, keys: Keys, new: str) -> None:
        """Rename the last key of a place."""

    def add(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Add an entry to a mapping."""

    def append(self, keys: Keys, value: Any) -> None:
        """Add an item to the end of a list."""

    def into(self, keys: Keys, key: str, value: Any) -> None:
        """Add an item to the list under a key; the list is created if missing."""


class DataEdits:
    """The edits of an :class:`Editor`, applied to plain data at once, to try a change.

    Args:
        data: changed in place.
    """

    def __init__(self, data: Any) -> None:
        self.data = data

    def set(self, keys: Keys, value: Any) -> None:
        """Set the value at a place."""
        put(self.data, keys, value)

    def rename_key(self, keys: Keys, new: str) -> None:
        """Rename the last key of a place."""
        rename(self.data, keys, new)

    def add(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Add an entry to a mapping."""
        insert(value_at(self.data, keys), after, key, value)

    def append(self, keys: Keys, value: Any) -> None:
        """Add an item to the end of a list."""
        value_at(self.data, keys).append(copy.deepcopy(value))

    def into(self, keys: Keys, key: str, value: Any) -> None:
        """Add an item to the list under a key; the list is created if missing."""
        here = value_at(self.data, keys)
        if isinstance(here.get(key), list):
            self.append((*keys, key), value)
        else:
            self.add(keys, key, [value])


def value_at(data: Any, keys: Keys) -> Any:
    """The value at a place."""
    for key in keys:
        data = data[key]
    return data


def put(data: Any, keys: Keys, value: Any) -> None:
    """Set the value at a place."""
    value_at(data, keys[:-1])[keys[-1]] = copy.deepcopy(value)


def insert(mapping: dict[str, Any], follows: str | None, key: str, value: Any) -> None:
    """Insert an entry after another one, keeping the order of all."""
    names = list(mapping)
    at = names.index(follows) + 1 if follows in mapping else len(names)
    kept = [(name, mapping[name]) for name in names]
    kept.insert(at, (key, copy.deepcopy(value)))
    mapping.clear()
    mapping.update(kept)


def rename(data: Any, keys: Keys, new: str) -> None:
    """Rename the last key of a place, keeping the order of all."""
    mapping = value_at(data, keys[:-1])
    kept = [(new if name == keys[-1] else name, item) for name, item in mapping.items()]
    mapping.clear()
    mapping.update(kept)
