"""Plain data taken as what it should be: anything else counts as not there.

The schemas say what a file may hold; the model is built from whatever it does hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from functools import cache
from typing import Any, TypeVar

T = TypeVar("T")


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


def made(cls: type[T], raw: Mapping[str, Any], /, **given: Any) -> T:
    """A dataclass of the model, its fields read from the keys of the same names.

    Args:
        cls: the class.
        raw: plain data; what does not fit the type of a field counts as not there.
        given: fields that need more than that, and those of other types.

    Example:
        >>> from faulttree.tree.model import Confirm
        >>> made(Confirm, {"step": "esr", "gives": "inside", "safety": "yes"})
        Confirm(step='esr', gives='inside', safety=False)
    """
    known = _readers(cls)  # type: ignore[arg-type]  # mypy takes no class for hashable
    said = {name: read(raw.get(name)) for name, read in known if name not in given}
    return cls(**said, **given)


@cache
def _readers(kind: type) -> tuple[tuple[str, Callable[[Any], Any]], ...]:
    """The fields of a class that are read by their type alone."""
    return tuple((one.name, READERS[str(one.type)]) for one in fields(kind) if one.type in READERS)


READERS: Mapping[str, Callable[[Any], Any]] = {
    "str": as_text,
    "str | None": lambda value: as_text(value) or None,
    "bool": lambda value: value is True,
    "float": lambda value: as_number(value) or 0.0,
    "float | None": as_number,
    "tuple[str, ...]": as_texts,
    "Mapping[str, str]": lambda value: {k: as_text(v) for k, v in as_mapping(value).items()},
    "Mapping[str, tuple[str, ...]]": lambda value: {
        k: as_texts(v) for k, v in as_mapping(value).items()
    },
}
"""Type of a field, as the model writes it → how it is read."""
