"""Read a YAML file as plain data with the position of each key and value.

PyYAML's C parser composes the nodes, this module turns them into plain data: only mappings,
lists, texts, numbers, true, false and null. The nodes are kept, so a position is computed only
when it is needed.

Choices where YAML versions differ:

- One document a file, a mapping at its root, UTF-8 (a byte order mark is passed over).
- A key is always its source text, quoted or not: ``on:`` is ``on``, ``10:`` is ``10``.
- Where the schema of the file allows only a text, a scalar stays the text as written; only
  an empty value is nothing there. Elsewhere :func:`faulttree.tree.scalars.scalar` decides.
- Aliases are followed, within bounds. Merge keys (``<<``, YAML 1.1 only), keys that are no
  scalars, and tags outside the core schema are refused.
- An unquoted ``{name}`` where a text is meant is the text ``{name}``, as procedures need it.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from yaml.nodes import Node

from faulttree.tree.finding import Finding
from faulttree.tree.nodes import child_of
from faulttree.tree.reader import Reader
from faulttree.tree.source import LINE_END, load_text
from faulttree.tree.text_places import ANY, Shape


@dataclass(frozen=True)
class Document:
    """One file, read.

    Attributes:
        data: plain data; None where the file could not be read at all.
        text: the source.
        path: its file; None for a text.
        name: ``tree``, ``procedure:<name>``, ``cautions`` and so on; names it in places.
        findings: the findings of the reader; if there are none, ``data`` is complete.
    """

    data: Any
    text: str
    path: Path | None = None
    name: str = ""
    findings: tuple[Finding, ...] = ()
    root: Node | None = field(default=None, repr=False, compare=False)

    def place(self, keys: Sequence[str | int], of_key: bool = False) -> tuple[int, int]:
        """Line and column, from 1, of the value at a path of keys and positions.

        ``of_key`` gives the place of the last key itself. If the path does not exist, the
        place of its deepest existing part.
        """
        node, key_node = self.root, None
        for key in keys:
            found = child_of(node, key)
            if found is None:
                of_key = of_key or key_node is not None
                break
            key_node, node = found
        best = key_node if of_key and key_node is not None else node
        return (best.start_mark.line + 1, best.start_mark.column + 1) if best else (1, 1)

    @cached_property
    def lines(self) -> tuple[str, ...]:
        """The lines of the source, as the positions count them."""
        return tuple(LINE_END.split(self.text))

    def line(self, number: int) -> str:
        """One line of the source, from 1; empty if there is no such line."""
        return self.lines[number - 1] if 0 < number <= len(self.lines) else ""


def read_document(
    source: Path | str, *, path: Path | None = None, shape: Shape = ANY, name: str = ""
) -> Document:
    """Read a file (a :class:`Path`) or a YAML text (a :class:`str`) as plain data.

    Args:
        source: the file, or the text itself.
        path: the file to name in messages when ``source`` is a text.
        shape: where texts are meant (:func:`faulttree.tree.schema.shape_of`).
        name: the document's name in places.

    Raises:
        TreeError: at the first error, with line, column and remedy.
    """
    if isinstance(source, Path):
        path, source = source, load_text(source)
    document = parse(source, path=path, shape=shape, name=name)
    if document.findings:
        raise document.findings[0].error()
    return document


def parse(text: str, *, path: Path | None = None, shape: Shape = ANY, name: str = "") -> Document:
    """Read a YAML text; all errors are collected in :attr:`Document.findings`."""
    text = text.removeprefix("\ufeff")
    reader = Reader(text, path, name)
    with uncollected():
        root = reader.compose()
        data = reader.plain(root, shape) if root is not None else None
    document = Document(data, text, path, name, root=root)
    found = tuple(finding.located(document) for finding in reader.findings)
    return replace(document, findings=found) if found else document


@contextmanager
def uncollected() -> Iterator[None]:
    """Switch off the garbage collector within the context.

    A tree is tens of thousands of small objects, none of them garbage. While they are made, the
    collector would scan them repeatedly, which takes a fifth of the time.
    """
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()
