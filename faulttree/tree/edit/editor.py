"""Edits of one document, as replacements of parts of its text."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from faulttree.errors import TreeError
from faulttree.tree.document import Document, parse
from faulttree.tree.edit.change import FileChange
from faulttree.tree.edit.plain_data import Keys, insert, put, rename, value_at
from faulttree.tree.edit.spelling import round_trip, words
from faulttree.tree.edit.yaml_text import block, flow, quoted, scalar_text
from faulttree.tree.nodes import child_of
from faulttree.tree.text_places import ANY, Shape

FIRST = -1_000


@dataclass(frozen=True, slots=True)
class Splice:
    """A replacement for the text from one character to another.

    If two are at one place, the deeper one comes first: it belongs to the node that ends there.
    """

    begin: int
    end: int
    text: str
    depth: int


@dataclass
class Editor:
    """Edits of one document; each is checked when added, and :meth:`change` applies all.

    Places are keys and positions of the document as it was read, whatever else is edited.

    Args:
        document: as :func:`faulttree.tree.document.parse` read it.
        raw: the bytes of its file; None for a text without a file.
        shape: the shape used to read the document, for the verification.
    """

    document: Document
    raw: bytes | None = None
    shape: Shape = ANY
    _splices: list[Splice] = field(default_factory=list)
    _edits: list[tuple[int, Callable[[Any], None]]] = field(default_factory=list)
    _behind: dict[tuple[Keys, str | None], str] = field(default_factory=dict)

    # -- edits -------------------------------------------------------------------------

    def set(self, keys: Keys, value: Any) -> None:
        """Set the value at a place; the new value keeps the quotes of the old one."""
        _, node = self._node(keys)
        old = self._text(node)
        new = flow(value)
        if isinstance(node, ScalarNode):
            if not old:
                raise self._refused(keys, "an empty value cannot be replaced")
            quote = old[0]
            if isinstance(value, str) and quote in "\"'" and quote == old[-1]:
                new = quoted(value, quote)
        elif not _in_flow(node):
            raise self._refused(keys, "a block is edited entry by entry")
        self._splice(node.start_mark.index, self._end(node), new, keys)
        self._edits.append((FIRST, lambda data: put(data, keys, value)))

    def rename_key(self, keys: Keys, new: str) -> None:
        """Give the last key of a place another name."""
        key_node, _ = self._node(keys)
        if key_node is None:
            raise self._refused(keys, "this is not a key")
        old = self._text(key_node)
        text = quoted(new, old[0]) if old[0] in "\"'" else scalar_text(new)
        self._splice(key_node.start_mark.index, key_node.end_mark.index, text, keys)
        # Renaming comes last, from the inside out, so that all other places stay valid.
        self._edits.append((-len(keys), lambda data: rename(data, keys, new)))

    def add(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Add an entry to a mapping: after the key ``after``, else at its end."""
        _, node = self._node(keys)
        if not isinstance(node, MappingNode):
            raise self._refused(keys, "this is not a mapping")
        names = [name.value for name, _ in node.value]
        if key in names:
            raise self._refused((*keys, key), "it already exists")
        at = names.index(after) if after in names else len(names) - 1
        deep = (*keys, key)
        if node.flow_style:
            entry = f"{scalar_text(key)}: {flow(value)}"
            self._into_flow([node, *(held for _, held in node.value)], at, entry, deep)
        else:
            self._into_block(node, at, deep, value)
        # A later addition after the same entry comes after this one, as in the text.
        spot = (tuple(keys), names[at] if names else None)
        follows = self._behind.get(spot, spot[1])
        self._behind[spot] = key
        self._edits.append((FIRST, lambda data: insert(value_at(data, keys), follows, key, value)))

    def append(self, keys: Keys, value: Any) -> None:
        """Add an item to the end of a list."""
        _, node = self._node(keys)
        if not isinstance(node, SequenceNode):
            raise self._refused(keys, "this is not a list")
        if node.flow_style:
            self._into_flow([node, *node.value], len(node.value) - 1, flow(value), (*keys, 0))
        else:
            lead = " " * node.start_mark.column
            lines = [f"{lead}- {flow(value)}"]
            self._line_after(node.value[-1], node.start_mark.column, lines, (*keys, 0))
        self._edits.append((FIRST, lambda data: value_at(data, keys).append(copy.deepcopy(value))))

    def put(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Set a key of a mapping; it is added if it is missing, after the key ``after``.

        Raises:
            TreeError: the file has no such mapping.
        """
        here = self.document.data
        for name in keys:
            here = here.get(name) if isinstance(here, Mapping) else None
        if not isinstance(here, Mapping):
            raise TreeError(
                f"`{'.'.join(map(str, keys[1:]))}` is not in this file.",
                path=self.document.path,
                remedy="A shared procedure belongs to other trees too: edit its own file.",
            )
        if key in here:
            self.set((*keys, key), value)
        else:
            self.add(keys, key, value, after=after)

    def into(self, keys: Keys, key: str, value: Any) -> None:
        """Add an item to the list under a key of a mapping; the list is created if missing."""
        here = value_at(self.document.data, keys)
        if isinstance(here, Mapping) and isinstance(here.get(key), list):
            self.append((*keys, key), value)
        else:
            self.add(keys, key, [value])

    # -- the result --------------------------------------------------------------------

    @property
    def touched(self) -> bool:
        """Whether there is any edit."""
        return bool(self._splices)

    def change(self) -> FileChange:
        """The text with all edits.

        Raises:
            TreeError: more than intended would change; nothing is written.
        """
        text = self.document.text
        for splice in sorted(self._splices, key=_order)[::-1]:
            text = text[: splice.begin] + splice.text + text[splice.end :]
        document = self._prove(text)
        path = self.document.path or Path("<text>")
        return FileChange(path, self.raw, text, document)

    def _prove(self, text: str) -> Document:
        document = parse(text, path=self.document.path, shape=self.shape, name=self.document.name)
        wanted = self._edited(self.document.data)
        mine = not document.findings and list(words(document.data)) == list(words(wanted))
        if mine:
            before, after = round_trip(self.document.text), round_trip(text)
            mine = before is not None and list(words(after)) == list(words(self._edited(before)))
        if not mine:
            raise TreeError(
                "This edit would change more of the file than it should.",
                path=self.document.path,
                remedy="Write out anchors, aliases and tags in it, or make the edit manually.",
            )
        return document

    def _edited(self, data: Any) -> Any:
        """Data with the edits applied."""
        data = copy.deepcopy(data)
        for _, edit in sorted(self._edits, key=lambda one: one[0]):
            edit(data)
        return data

    # -- places ------------------------------------------------------------------------

    def _node(self, keys: Keys) -> tuple[Node | None, Node]:
        key_node, node = None, self.document.root
        for key in keys:
            found = child_of(node, key)
            if found is None:
                raise self._refused(keys, "there is no such place")
            key_node, node = found
        if node is None:
            raise self._refused(keys, "the file is empty")
        return key_node, node

    def _refused(self, keys: Keys, why: str) -> TreeError:
        line, column = self.document.place(keys)
        place = ".".join(map(str, keys))
        return TreeError(
            f"`{place}` cannot be edited here: {why}.",
            path=self.document.path,
            line=line,
            column=column,
            remedy="Make the edit manually.",
        )

    def _text(self, node: Node) -> str:
        return self.document.text[node.start_mark.index : node.end_mark.index]

    def _end(self, node: Node) -> int:
        """The end of a node's content, without blank lines and comments after it."""
        if isinstance(node, ScalarNode):
            if node.style in ("|", ">"):
                return node.start_mark.index + len(self._text(node).rstrip())
            return int(node.end_mark.index)
        if _in_flow(node) or not node.value:
            return int(node.end_mark.index)
        last = node.value[-1]
        return self._end(last[1] if isinstance(node, MappingNode) else last)

    # -- splices -----------------------------------------------------------------------

    def _splice(self, begin: int, end: int, text: str, keys: Keys) -> None:
        if any(one.begin < end and begin < one.end for one in self._splices):
            raise TreeError(
                "Two edits of one place.", path=self.document.path, remedy="Make one at a time."
            )
        self._splices.append(Splice(begin, end, text, len(keys)))

    def _into_flow(self, nodes: Sequence[Node], at: int, entry: str, keys: Keys) -> None:
        """Insert after the item at a position of the first node, or as the first item."""
        held, *items = nodes
        if not items:
            begin = held.start_mark.index + 1
            self._splice(begin, begin, entry, keys)
        else:
            end = self._end(items[at])
            self._splice(end, end, f", {entry}", keys)

    def _into_block(self, node: MappingNode, at: int, keys: Keys, value: Any) -> None:
        column = node.value[0][0].start_mark.column
        lines = block(str(keys[-1]), value, column, self._unit())
        if self._spaced(node) and isinstance(value, Mapping):
            lines = ["", *lines]
        self._line_after(node.value[at][1], column, lines, keys)

    def _spaced(self, node: MappingNode) -> bool:
        """Whether blank lines separate the entries."""
        for (_, value), (key, _) in zip(node.value, node.value[1:], strict=False):
            gap = self.document.text[self._end(value) : key.start_mark.index]
            if re.search(r"\n[ \t]*\r?\n", gap):
                return True
        return False

    def _unit(self) -> int:
        """Columns that one level of the file is indented by."""
        root = self.document.root
        pairs = root.value if isinstance(root, MappingNode) else []
        for key, value in pairs:
            if isinstance(value, MappingNode) and not value.flow_style and value.value:
                unit = value.value[0][0].start_mark.column - key.start_mark.column
                return int(unit) if 1 <= unit <= 8 else 2
        return 2

    def _line_after(self, node: Node, column: int, lines: list[str], keys: Keys) -> None:
        """Insert lines after the last line of a node and its own comments."""
        text = self.document.text
        ending = "\r\n" if "\r\n" in text else "\n"
        at = self._line_end(self._end(node))
        if self._last_scalar_keeps_lines(node):
            at = self._line_end(max(at, self._last(node).end_mark.index - 1))
        while at < len(text):
            begin = at + (2 if text.startswith("\r\n", at) else 1)
            stop = self._line_end(begin)
            line = text[begin:stop]
            if not line.lstrip().startswith("#") or len(line) - len(line.lstrip()) <= column:
                break
            at = stop
        self._splice(at, at, "".join(ending + line for line in lines), keys)

    def _last(self, node: Node) -> Node:
        while not isinstance(node, ScalarNode) and not _in_flow(node) and node.value:
            last = node.value[-1]
            node = last[1] if isinstance(node, MappingNode) else last
        return node

    def _last_scalar_keeps_lines(self, node: Node) -> bool:
        """Whether the blank lines after it belong to a text (``|+``)."""
        last = self._last(node)
        head = self._text(last).split("\n", 1)[0] if isinstance(last, ScalarNode) else ""
        return isinstance(last, ScalarNode) and last.style in ("|", ">") and "+" in head

    def _line_end(self, index: int) -> int:
        text = self.document.text
        found = text.find("\n", index)
        if found < 0:
            return len(text)
        return found - 1 if found and text[found - 1] == "\r" else found


def _in_flow(node: Node) -> bool:
    return isinstance(node, MappingNode | SequenceNode) and bool(node.flow_style)


def _order(splice: Splice) -> tuple[int, int, int]:
    return splice.begin, splice.end, -splice.depth
