"""Convert results to plain data for JSON; this is the only definition of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any, ClassVar

import msgspec

__all__ = ["Plain", "to_data"]


class Plain:
    """Base of dataclasses that convert themselves to plain data, one key for each field.

    Attributes:
        COMPUTED: properties that also get a key, after the fields.
        RENAMED: field or property → its key, if the two differ.
        LEFT_OUT: fields that get no key.
        EMPTY_AS_NONE: fields and properties whose empty value becomes None.

    Example:
        >>> from dataclasses import dataclass
        >>> @dataclass(frozen=True)
        ... class Part(Plain):
        ...     COMPUTED = ("whole",)
        ...     RENAMED = {"id": "part"}
        ...     id: str
        ...     pins: tuple[int, ...] = ()
        ...
        ...     @property
        ...     def whole(self) -> bool:
        ...         return bool(self.pins)
        >>> Part("R1", (1, 2)).as_dict()
        {'part': 'R1', 'pins': [1, 2], 'whole': True}
    """

    __slots__ = ()

    COMPUTED: ClassVar[tuple[str, ...]] = ()
    RENAMED: ClassVar[Mapping[str, str]] = {}
    LEFT_OUT: ClassVar[frozenset[str]] = frozenset()
    EMPTY_AS_NONE: ClassVar[frozenset[str]] = frozenset()

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON: mappings, lists, texts, unrounded numbers."""
        stored = (field.name for field in fields(self) if field.name not in self.LEFT_OUT)  # type: ignore[arg-type]
        return {
            self.RENAMED.get(name, name): to_data(
                getattr(self, name) or None if name in self.EMPTY_AS_NONE else getattr(self, name)
            )
            for name in (*stored, *self.COMPUTED)
        }


def to_data(value: Any) -> Any:
    """Convert any value of a result to plain data for JSON.

    Raises:
        TypeError: a value has no form in JSON.

    Example:
        >>> to_data({"steps": ("fuse", "lamp"), "tools": frozenset({"meter"})})
        {'steps': ['fuse', 'lamp'], 'tools': ['meter']}
    """
    if value is None or type(value) in _AS_THEY_ARE:
        return value
    if isinstance(value, Plain):
        return value.as_dict()
    # msgspec converts only the fields of a dataclass; computed keys need this function.
    if isinstance(value, Mapping):
        return {key: to_data(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [to_data(one) for one in value]
    return msgspec.to_builtins(value)


_AS_THEY_ARE = frozenset({str, int, float, bool})
