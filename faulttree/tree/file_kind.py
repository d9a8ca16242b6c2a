"""The kind of a file, by its place and name, else by its text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from faulttree.tree.schema import FileKind

SHARED: tuple[FileKind, ...] = (
    "cautions", "instruments", "families", "properties", "words", "thesaurus",
)  # fmt: skip
KEYS = re.compile(r"^([A-Za-z_-]+)\s*:", re.MULTILINE)
TREE_KEYS = frozenset(("title", "steps", "start", "faults", "stops", "symptoms"))


def _entry_with(keys: str) -> re.Pattern[str]:
    return re.compile(rf"^\s+({keys})\s*:|\{{.*\b({keys})\s*:", re.MULTILINE)


INNER: Mapping[FileKind, re.Pattern[str]] = {
    "cautions": _entry_with("signal"),
    "instruments": _entry_with("measures|brings"),
    "families": _entry_with("complaints|mains"),
    "properties": _entry_with("values"),
}
"""Keys of the entries that tell one kind of shared table from the others."""


def kind_of(text: str, path: Path | None) -> FileKind | Literal["table"]:
    """The kind of a file: by its place and name, else by its text.

    Args:
        text: its text.
        path: its path; None for a text without a file.

    Example:
        >>> kind_of("procedure: fuse-test", None)
        'procedure'
    """
    return _kind_by_place(path) or _kind_by_text(text, path)


def _kind_by_place(path: Path | None) -> FileKind | Literal["table"] | None:
    if path is not None:
        if path.suffix == ".csv":
            return "table"
        if path.parent.name == "procedures":
            return "procedure"
        for kind in SHARED:
            if path.parent.name == "shared" and path.stem == kind:
                return kind
        if path.parent.parent.name == "trees":
            return "tree"
    return None


def _kind_by_text(text: str, path: Path | None) -> FileKind | Literal["table"]:
    keys = set(KEYS.findall(text))
    # Both may have a title, as a tree has one.
    named = path is not None and path.name in ("library.yaml", "bench.yaml")
    if path is not None and named and not keys & (TREE_KEYS - {"title"}):
        return "library" if path.stem == "library" else "bench"
    if "procedure" in keys:
        return "procedure"
    if keys & TREE_KEYS:
        return "tree"
    if "answers" in keys:
        return "answers"
    if not keys and text.lstrip("\ufeff").lower().startswith(("fault,", '"fault"')):
        return "table"
    for kind, sign in INNER.items():
        if sign.search(text):
            return kind
    return "tree"
