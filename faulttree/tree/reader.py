"""From a YAML text to plain data: one reading, with all that is wrong on the way."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from yaml.error import MarkedYAMLError, YAMLError
from yaml.nodes import MappingNode, Node, ScalarNode

from faulttree.tree.finding import Edit, Finding
from faulttree.tree.model import Where
from faulttree.tree.nodes import (
    MAX_DEPTH,
    MAX_NODES,
    PLAIN,
    QUOTED,
    Composer,
    RefusedError,
    ring_in,
    scalars_of,
    too_deep,
    too_many,
)
from faulttree.tree.scalars import scalar
from faulttree.tree.source import HIDDEN, MAX_BYTES, position, shown
from faulttree.tree.text_places import Shape

MAX_TEXT = 4 * MAX_BYTES
"""Characters of all texts once aliases are followed."""

MAX_FINDINGS = 50

CORE = "tag:yaml.org,2002:"
ODD_KEYS = frozenset(("", "<<"))
TAGS: dict[type, str] = {int: "int", float: "float", bool: "bool", type(None): "null"}
BRACE_REMEDY = "A text that begins with { or [ must stand in quotes."
SYNTAX_REMEDY = "Look at this line and the one above: indentation, colons, quotes, brackets."
DEEP = f"Nested deeper than {MAX_DEPTH} levels."
SYNTAX = (
    (
        "found another document",
        "A second document begins here.",
        "Keep one document in a file.",
    ),
    (
        "second occurrence",
        "The anchor is defined twice.",
        "Give each anchor its own name.",
    ),
    (
        "found undefined alias",
        "The alias names no anchor above it.",
        "Write out what is meant, or quote a text that begins with *.",
    ),
    ("exceeded maximum nesting depth", DEEP, "No file of a library needs that."),
    (
        "mapping values are not allowed",
        "A colon stands where no key can be.",
        "Quote a text that holds `: `, and look at the indentation.",
    ),
    (
        "cannot start any token",
        "A character stands here that cannot begin a value.",
        "Indent with spaces, not tabs; quote a text that begins with @, ` or %.",
    ),
    (
        "did not find expected key",
        "The indentation changes, or a text goes on after its closing quote.",
        SYNTAX_REMEDY,
    ),
    ("could not find expected ':'", "A key stands without its colon.", SYNTAX_REMEDY),
    ("found unexpected end of stream", "The file ends inside a quote.", "Close the quote."),
)
"""What the parser says, what that means, and how to remedy it."""


class Reader:
    """One reading of one text."""

    def __init__(self, text: str, path: Path | None, name: str) -> None:
        self.text, self.path, self.name = text, path, name
        self.findings: list[Finding] = []
        self.left = MAX_NODES
        self.composed = 0

    def add(
        self,
        rule: str,
        message: str,
        remedy: str,
        at: Node | tuple[int, int] | None,
        edit: Edit | None = None,
    ) -> None:
        if len(self.findings) >= MAX_FINDINGS:
            return
        if isinstance(at, Node):
            at = (at.start_mark.line + 1, at.start_mark.column + 1)
        line, column = at or (1, 1)
        where, path = Where(self.name, ()), str(self.path or "")
        self.findings.append(
            Finding(
                where, message, remedy, rule=rule, edit=edit, path=path, line=line, column=column
            )
        )

    def compose(self) -> Node | None:
        if len(self.text) > MAX_BYTES:
            size = f"The text is larger than {MAX_BYTES // 1024} KiB."
            self.add("unreadable", size, "A tree is one complaint of one family; split it.", None)
            return None
        if self._hidden_in_source():
            return None
        try:
            composer = Composer(self.text)
        except UnicodeEncodeError as error:
            self._no_text(error.start)
            return None
        try:
            root: Node | None = composer.get_single_node()
        except RefusedError as refusal:
            self.add("unreadable", refusal.message, refusal.remedy, refusal.node)
            return None
        except YAMLError as error:
            self._syntax(error)
            return None
        finally:
            composer.dispose()
        self.composed = composer.nodes
        if root is not None and "!" in self.text:
            self._lone_marks(root)
        if root is None:
            self.add("unreadable", "The file is empty.", "Begin with `title:`.", None)
        return root

    def _no_text(self, index: int) -> None:
        """Half a surrogate pair; Python also keeps bytes so that it could not decode."""
        code = ord(self.text[index])
        what = f"Byte 0x{code - 0xDC00:02X}" if 0xDC80 <= code <= 0xDCFF else f"U+{code:04X}"
        remedy = "Save the file as UTF-8; a binary file is no tree."
        self.add("unreadable", f"{what} is no UTF-8 text.", remedy, position(self.text, index))

    def _lone_marks(self, root: Node) -> None:
        """A lone ``!`` makes a text of any scalar; the parser passes over it."""
        for node in scalars_of(root):
            begun = node.start_mark.index
            if node.tag is PLAIN and self.text[begun : begun + 1] == "!":
                node.tag = QUOTED

    def _hidden_in_source(self) -> bool:
        """Report characters that no library file may hold, before the parser counts lines.

        The parser takes U+0085, U+2028 and U+2029 for line ends, as YAML 1.1 did.
        """
        for match in islice(HIDDEN.finditer(self.text), MAX_FINDINGS):
            self.hidden(match.group(), position(self.text, match.start()))
        return bool(self.findings)

    def hidden(self, character: str, at: Node | tuple[int, int]) -> None:
        self.add(
            "hidden-character",
            f"Character U+{ord(character):04X} is a control or direction character.",
            "Take it out; it can make a text look other than it is.",
            at,
            Edit(character, ""),
        )

    def _syntax(self, error: YAMLError) -> None:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        place = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        matter = (error.problem if isinstance(error, MarkedYAMLError) else str(error)) or ""
        for told, message, remedy in SYNTAX:
            if told in matter:
                self.add("unreadable", message, remedy, place)
                return
        self.add("unreadable", f"This is no YAML: {matter}.", SYNTAX_REMEDY, place)

    def plain(self, root: Node, shape: Shape) -> Any:
        try:
            data = self.value(root, shape, 0)
            self._follow_up(root, data)
        except RefusedError as refusal:
            message, remedy = refusal.message, refusal.remedy
            ring = ring_in(root)
            if ring is not None:
                message, remedy = "An alias stands inside what it stands for.", "Write it out."
            elif self.left < 0:
                message = f"Aliases make more than {MAX_NODES} keys and values of it."
                remedy = "Write out what is meant, or share a procedure."
            self.add("unreadable", message, remedy, ring or refusal.node)
            return None
        return data

    def _follow_up(self, root: Node, data: Any) -> None:
        """What is looked for only where the source shows a sign of it."""
        aliased = "*" in self.text and self.composed != MAX_NODES - self.left + 1
        if aliased and characters_in(data) > MAX_TEXT:
            raise RefusedError("Aliases make too long a text of it.", "Write it out.", root)
        if "\\" in self.text:
            for node in scalars_of(root):
                match = HIDDEN.search(node.value) if node.style == '"' else None
                if match and len(self.findings) < MAX_FINDINGS:
                    self.hidden(match.group(), node)

    def value(self, node: Node, shape: Shape, depth: int) -> Any:
        if node.__class__ is ScalarNode:
            text = node.value
            if node.tag is PLAIN:
                return text if shape.word and text else scalar(text)
            return text if node.tag is QUOTED else self._tagged(node, shape)
        if node.tag is not PLAIN:
            self._tagged(node, shape)
        if depth > MAX_DEPTH:
            raise too_deep(node)
        if isinstance(node, MappingNode):
            return self._mapping(node, shape, depth + 1)
        items = node.value
        self.left -= len(items)
        if self.left < 0:
            raise too_many(node)
        inner = shape.items
        return [self.value(item, inner, depth + 1) for item in items]

    def _mapping(self, node: MappingNode, shape: Shape, depth: int) -> Any:
        pairs = node.value
        self.left -= 2 * len(pairs)
        if self.left < 0:
            raise too_many(node)
        if shape.text and len(pairs) == 1 and node.flow_style:
            name = braced(pairs[0])
            if name:
                return name
        keys, rest = shape.keys, shape.rest
        out: dict[str, Any] = {}
        for key_node, value_node in pairs:
            key = key_node.value
            odd = key_node.__class__ is not ScalarNode or key in out or key in ODD_KEYS
            if odd and not self._odd_key(key_node, pairs):
                continue
            inner = keys.get(key, rest)
            if value_node.__class__ is ScalarNode and value_node.tag is PLAIN:
                text = value_node.value
                out[key] = text if inner.word and text else scalar(text)
            else:
                out[key] = self.value(value_node, inner, depth)
        return out

    def _odd_key(self, node: Node, pairs: Sequence[tuple[Node, Node]]) -> bool:
        """Report a key that cannot stand; tells whether it can after all."""
        if not isinstance(node, ScalarNode):
            self.add("odd-key", "A key is a word, not a list or mapping.", BRACE_REMEDY, node)
        elif node.value == "":
            self.add("odd-key", "A key is empty.", "Write the word before the colon.", node)
        elif node.value == "<<":
            if node.tag is not PLAIN:
                return True
            remedy = "Write the keys out; merge keys are no part of YAML 1.2."
            self.add("odd-key", "`<<` is a merge key.", remedy, node)
        else:
            first = next(key for key, _ in pairs if key.value == node.value)
            line, column = first.start_mark.line + 1, first.start_mark.column + 1
            self.add(
                "duplicate-key",
                f"The key `{shown(node.value)}` stands twice; first at {line}:{column}.",
                "Keep one of them, or give one another name.",
                node,
            )
        return False

    def _tagged(self, node: Node, shape: Shape) -> Any:
        """A node with a tag of its own: the core schema's where they fit, no other."""
        tag, text = str(node.tag), node.value
        if isinstance(node, ScalarNode):
            if tag == CORE + "str":
                return text
            plain = scalar(text)
            if tag == CORE + TAGS.get(type(plain), "?") or (
                tag == CORE + "float" and type(plain) is int
            ):
                return text if shape.word and text else plain
        elif tag == CORE + ("map" if isinstance(node, MappingNode) else "seq"):
            return None
        self.add(
            "foreign-tag",
            f"The tag `{shown(tag.replace(CORE, '!!'))}` does not fit here.",
            "Take the tag out; quotes make a text of a number.",
            node,
        )
        return text if isinstance(node, ScalarNode) else None


def braced(pair: tuple[Node, Node]) -> str:
    """``{name}`` where a flow mapping of one key without value was meant as that text."""
    key, value = pair
    named = isinstance(key, ScalarNode) and isinstance(value, ScalarNode)
    empty = named and value.value == "" and value.tag is PLAIN
    unwritten = empty and value.start_mark.index == value.end_mark.index
    return f"{{{key.value}}}" if unwritten else ""


def characters_in(data: Any) -> int:
    total, todo = 0, [data]
    while todo:
        item = todo.pop()
        if isinstance(item, str):
            total += len(item)
        elif isinstance(item, dict):
            todo += item.keys()
            todo += item.values()
        elif isinstance(item, list):
            todo += item
    return total
