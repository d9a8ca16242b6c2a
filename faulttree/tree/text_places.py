"""Where a file means texts: the part of a schema that the reader needs.

A scalar at a place where the schema allows only a text stays the text as written, so that
``model: 007``, ``date: 2026-02-11`` or the outcome ``1:30`` never become anything else.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class Shape:
    """What may stand at one place of a file.

    Attributes:
        text: whether a text may stand there.
        word: whether a scalar there can only be a text.
        keys: the shapes below named keys.
        rest: the shape below any other key.
        items: the shape of a list's items.
    """

    __slots__ = ("items", "keys", "rest", "text", "word")

    def __init__(self) -> None:
        self.text = False
        self.word = False
        self.keys: dict[str, Shape] = {}
        self.rest: Shape = self
        self.items: Shape = self


ANY = Shape()

COMBINED = ("allOf", "anyOf", "oneOf")
NOT_TEXT = {"number", "integer", "boolean"}


def shape_from(schema: Mapping[str, Any]) -> Shape:
    """The shape of a JSON Schema whose references all point into itself."""
    return _Shaper(schema).shape([schema])


class _Shaper:
    def __init__(self, root: Mapping[str, Any]) -> None:
        self.root = root
        self.known: dict[tuple[int, ...], Shape] = {}

    def shape(self, schemas: list[Any]) -> Shape:
        parts = [part for schema in schemas for part in self._parts(schema)]
        key = tuple(sorted({id(part) for part in parts}))
        if not key:
            return ANY
        if key in self.known:
            return self.known[key]
        shape = self.known[key] = Shape()
        types = {kind for part in parts for kind in _types(part)}
        shape.text = "string" in types
        shape.word = shape.text and not types & NOT_TEXT
        names = {name for part in parts for name in part.get("properties", {})}
        for name in names:
            shape.keys[name] = self.shape(
                [part["properties"][name] for part in parts if name in part.get("properties", {})]
            )
        shape.rest = self.shape(_every(parts, "additionalProperties"))
        shape.items = self.shape(_every(parts, "items"))
        return shape

    def _parts(self, schema: Any) -> list[Mapping[str, Any]]:
        """The schema and all it refers to or combines, as one list."""
        if not isinstance(schema, Mapping):
            return []
        parts = [schema]
        if "$ref" in schema:
            parts += self._parts(self.root["$defs"][schema["$ref"].rsplit("/", 1)[-1]])
        for word in COMBINED:
            for inner in schema.get(word, ()):
                parts += self._parts(inner)
        return parts


def _every(parts: list[Mapping[str, Any]], word: str) -> list[Any]:
    return [part[word] for part in parts if isinstance(part.get(word), Mapping)]


def _types(part: Mapping[str, Any]) -> list[str]:
    kinds = part.get("type", [])
    return [kinds] if isinstance(kinds, str) else list(kinds)
