"""The keys and scalars of a text in order, to compare two texts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def spelt(text: str) -> list[str] | None:
    """Every key (with a colon) and scalar of a text, as ruamel.yaml reads it, in order.

    Two texts with the same words have the same meaning in any layout. None if the text
    cannot be read.
    """
    data = round_trip(text)
    return None if data is None else list(words(data))


def words(value: Any) -> Iterator[str]:
    """Keys and scalars in the order of the file, with the ends of mappings and lists."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield f"{key}:"
            yield from words(item)
        yield "}"
    elif isinstance(value, list | tuple):
        for item in value:
            yield from words(item)
        yield "]"
    else:
        yield _same(value)


def _same(value: Any) -> str:
    """A scalar as it is compared: a number is the same in all its spellings."""
    try:
        return str(value) if isinstance(value, bool) else repr(float(value))
    except (TypeError, ValueError, OverflowError):
        return str(value)


def round_trip(text: str) -> Any:
    """The text as ruamel.yaml reads it, as plain data."""
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        return _plain(YAML(typ="rt", pure=True).load(text))
    except (YAMLError, ValueError, RecursionError):
        return None


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value
