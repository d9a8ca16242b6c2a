"""A YAML file as plain data that knows where each key and value stands.

PyYAML's C parser composes the nodes, this module turns them into plain data. Nothing but
mappings, lists, texts, numbers, true, false and nothing is ever built. The nodes are kept
beside the data, so a place costs nothing until it is asked for.

Choices where YAML leaves or once left one:

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
import re
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from itertools import islice
from pathlib import Path
from typing import Any

from yaml.cyaml import CParser  # type: ignore[attr-defined]
from yaml.error import MarkedYAMLError, YAMLError
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from faulttree.errors import TreeError
from faulttree.tree.model import Where
from faulttree.tree.problems import Problem
from faulttree.tree.scalars import scalar
from faulttree.tree.shape import ANY, Shape

__all__ = ["MAX_BYTES", "MAX_DEPTH", "MAX_NODES", "Document", "parse", "read_document"]

MAX_BYTES = 1_048_576
"""A tree of 1,000 lines has about 35,000 bytes."""

MAX_NODES = 50_000
"""Keys and values, each alias counted as what it stands for."""

MAX_DEPTH = 40
"""Levels of nesting; the deepest file of the format needs about ten."""

MAX_TEXT = 4 * MAX_BYTES
"""Characters of all texts once aliases are followed."""

MAX_PROBLEMS = 50

PLAIN = "plain"
QUOTED = "quoted"
CORE = "tag:yaml.org,2002:"

HIDDEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff]"
)
LINE_END = re.compile("\r\n|\r|\n")


@dataclass(frozen=True)
class Document:
    """One file, read.

    Attributes:
        data: plain data; None where the file could not be read at all.
        text: the source.
        path: where it came from, where it came from a file.
        name: ``tree``, ``procedure:<name>``, ``cautions`` and so on; names it in places.
        problems: what the reader found wrong; without them ``data`` says all the file says.
    """

    data: Any
    text: str
    path: Path | None = None
    name: str = ""
    problems: tuple[Problem, ...] = ()
    root: Node | None = field(default=None, repr=False, compare=False)

    def place(self, keys: Sequence[str | int], of_key: bool = False) -> tuple[int, int]:
        """Line and column, from 1, of the value that keys and positions lead to.

        ``of_key`` gives the place of the last key itself. Where the document does not go
        that far, the place of the deepest thing it has on that way.
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
        """The source's lines, as the places count them."""
        return tuple(LINE_END.split(self.text))


def child_of(node: Node | None, key: str | int) -> tuple[Node, Node] | None:
    """Key node and value node under a key or position; None where there is none."""
    if isinstance(node, SequenceNode):
        if isinstance(key, int) and 0 <= key < len(node.value):
            return node.value[key], node.value[key]
    elif isinstance(node, MappingNode):
        for key_node, value in node.value:
            if key_node.value == key:
                return key_node, value
    return None


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
        TreeError: at the first thing wrong, with line, column and mend.
    """
    if isinstance(source, Path):
        path, source = source, load_text(source)
    document = parse(source, path=path, shape=shape, name=name)
    if document.problems:
        raise document.problems[0].error()
    return document


def load_text(path: Path) -> str:
    """The text of a file: regular, not too large, UTF-8.

    Raises:
        TreeError: where it is none of these, or cannot be opened.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise TreeError("This is a folder, not a file.", path=path, mend="Name a file in it.")
        if not stat.S_ISREG(status.st_mode):
            raise TreeError("This is no regular file.", path=path, mend="Name a YAML file.")
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise TreeError("There is no such file.", path=path, mend="Look at the spelling.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise TreeError(
            f"The file cannot be opened: {reason}.", path=path, mend="Look at its permissions."
        ) from None
    return decode(raw, path)


def decode(raw: bytes, path: Path | None = None) -> str:
    """The text that bytes of a library file hold: UTF-8, within the size bound.

    Raises:
        TreeError: with the line and column of the first byte that is no UTF-8.
    """
    if len(raw) > MAX_BYTES:
        raise TreeError(
            f"The file is larger than {MAX_BYTES // 1024} KiB.",
            path=path,
            line=1,
            column=1,
            mend="A tree is one complaint of one family; split it, or share procedures.",
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")):
        raise TreeError(
            "The file is UTF-16 or UTF-32.", path=path, line=1, column=1, mend="Save it as UTF-8."
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", "replace")
        line, column = position(before, len(before))
        raise TreeError(
            f"Byte 0x{raw[error.start]:02X} is no UTF-8 text.",
            path=path,
            line=line,
            column=column,
            mend="Save the file as UTF-8; a binary file is no tree.",
        ) from None


def position(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a character."""
    ends = list(LINE_END.finditer(text, 0, index))
    return len(ends) + 1, index - (ends[-1].end() if ends else 0) + 1


def parse(text: str, *, path: Path | None = None, shape: Shape = ANY, name: str = "") -> Document:
    """Read a YAML text leniently: what is wrong stands in :attr:`Document.problems`."""
    text = text.removeprefix("\ufeff")
    reader = _Reader(text, path, name)
    with uncollected():
        root = reader.compose()
        data = reader.plain(root, shape) if root is not None else None
    return Document(data, text, path, name, tuple(reader.problems), root)


@contextmanager
def uncollected() -> Iterator[None]:
    """No search for garbage meanwhile.

    A tree is tens of thousands of small objects, none of them garbage; the collector would
    go through them again and again while they are made, for a fifth of the whole time.
    """
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


class _RefusedError(Exception):
    """Composing or building went over a bound."""

    def __init__(self, message: str, mend: str, node: Node | None = None) -> None:
        super().__init__(message)
        self.message, self.mend, self.node = message, mend, node


class _Composer(CParser):
    """Composes nodes in C; tags are only whether a scalar was plain."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.depth = 0
        self.nodes = 0

    def descend_resolver(self, parent: Node | None, index: Any) -> None:
        """Called before each node, before the C code goes deeper."""
        self.depth += 1
        self.nodes += 1
        if self.depth > MAX_DEPTH or self.nodes > MAX_NODES:
            raise _too_deep(parent) if self.depth > MAX_DEPTH else _too_many(parent)

    def ascend_resolver(self) -> None:
        """Called after each node."""
        self.depth -= 1

    def resolve(self, kind: type[Node], value: str, implicit: Any) -> str:
        """The tag of a node that has none written."""
        return PLAIN if kind is not ScalarNode or implicit[0] else QUOTED


def _too_deep(node: Node | None) -> _RefusedError:
    return _RefusedError(
        f"Nested deeper than {MAX_DEPTH} levels.", "No file of a library needs that.", node
    )


def _too_many(node: Node | None) -> _RefusedError:
    return _RefusedError(
        f"More than {MAX_NODES} keys and values.",
        "A tree is one complaint of one family; split it, or share procedures.",
        node,
    )


class _Reader:
    """One reading of one text."""

    def __init__(self, text: str, path: Path | None, name: str) -> None:
        self.text, self.path, self.name = text, path, name
        self.problems: list[Problem] = []
        self.left = MAX_NODES
        self.composed = 0

    def add(self, rule: str, message: str, mend: str, at: Node | tuple[int, int] | None) -> None:
        if len(self.problems) >= MAX_PROBLEMS:
            return
        if isinstance(at, Node):
            at = (at.start_mark.line + 1, at.start_mark.column + 1)
        line, column = at or (1, 1)
        self.problems.append(
            Problem(rule, "error", message, self.path, line, column, mend, Where(self.name, ()))
        )

    def compose(self) -> Node | None:
        if len(self.text) > MAX_BYTES:
            size = f"The text is larger than {MAX_BYTES // 1024} KiB."
            self.add("unreadable", size, "A tree is one complaint of one family; split it.", None)
            return None
        if self._hidden_in_source():
            return None
        try:
            composer = _Composer(self.text)
        except UnicodeEncodeError as error:
            self._no_text(error.start)
            return None
        try:
            root: Node | None = composer.get_single_node()
        except _RefusedError as refusal:
            self.add("unreadable", refusal.message, refusal.mend, refusal.node)
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
        mend = "Save the file as UTF-8; a binary file is no tree."
        self.add("unreadable", f"{what} is no UTF-8 text.", mend, position(self.text, index))

    def _lone_marks(self, root: Node) -> None:
        """A lone ``!`` makes a text of any scalar; the parser passes over it."""
        for node in _scalars(root):
            begun = node.start_mark.index
            if node.tag is PLAIN and self.text[begun : begun + 1] == "!":
                node.tag = QUOTED

    def _hidden_in_source(self) -> bool:
        """Report characters that no library file may hold, before the parser counts lines.

        The parser takes U+0085, U+2028 and U+2029 for line ends, as YAML 1.1 did.
        """
        for match in islice(HIDDEN.finditer(self.text), MAX_PROBLEMS):
            self.hidden(match.group(), position(self.text, match.start()))
        return bool(self.problems)

    def hidden(self, character: str, at: Node | tuple[int, int]) -> None:
        self.add(
            "hidden-character",
            f"Character U+{ord(character):04X} is a control or direction character.",
            "Take it out; it can make a text look other than it is.",
            at,
        )

    def _syntax(self, error: YAMLError) -> None:
        mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
        place = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        matter = (error.problem if isinstance(error, MarkedYAMLError) else str(error)) or ""
        for told, message, mend in SYNTAX:
            if told in matter:
                self.add("unreadable", message, mend, place)
                return
        self.add("unreadable", f"This is no YAML: {matter}.", SYNTAX_MEND, place)

    def plain(self, root: Node, shape: Shape) -> Any:
        try:
            data = self.value(root, shape, 0)
            self._follow_up(root, data)
        except _RefusedError as refusal:
            message, mend = refusal.message, refusal.mend
            ring = _ring(root)
            if ring is not None:
                message, mend = "An alias stands inside what it stands for.", "Write it out."
            elif self.left < 0:
                message = f"Aliases make more than {MAX_NODES} keys and values of it."
                mend = "Write out what is meant, or share a procedure."
            self.add("unreadable", message, mend, ring or refusal.node)
            return None
        return data

    def _follow_up(self, root: Node, data: Any) -> None:
        """What is looked for only where the source shows a sign of it."""
        aliased = "*" in self.text and self.composed != MAX_NODES - self.left + 1
        if aliased and _characters(data) > MAX_TEXT:
            raise _RefusedError("Aliases make too long a text of it.", "Write it out.", root)
        if "\\" in self.text:
            for node in _scalars(root):
                match = HIDDEN.search(node.value) if node.style == '"' else None
                if match and len(self.problems) < MAX_PROBLEMS:
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
            raise _too_deep(node)
        if isinstance(node, MappingNode):
            return self._mapping(node, shape, depth + 1)
        items = node.value
        self.left -= len(items)
        if self.left < 0:
            raise _too_many(node)
        inner = shape.items
        return [self.value(item, inner, depth + 1) for item in items]

    def _mapping(self, node: MappingNode, shape: Shape, depth: int) -> Any:
        pairs = node.value
        self.left -= 2 * len(pairs)
        if self.left < 0:
            raise _too_many(node)
        if shape.text and len(pairs) == 1 and node.flow_style:
            name = _braced(pairs[0])
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
            self.add("odd-key", "A key is a word, not a list or mapping.", BRACE_MEND, node)
        elif node.value == "":
            self.add("odd-key", "A key is empty.", "Write the word before the colon.", node)
        elif node.value == "<<":
            if node.tag is not PLAIN:
                return True
            mend = "Write the keys out; merge keys are no part of YAML 1.2."
            self.add("odd-key", "`<<` is a merge key.", mend, node)
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


ODD_KEYS = frozenset(("", "<<"))
TAGS: dict[type, str] = {int: "int", float: "float", bool: "bool", type(None): "null"}
BRACE_MEND = "A text that begins with { or [ must stand in quotes."
SYNTAX_MEND = "Look at this line and the one above: indentation, colons, quotes, brackets."
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
        SYNTAX_MEND,
    ),
    ("could not find expected ':'", "A key stands without its colon.", SYNTAX_MEND),
    ("found unexpected end of stream", "The file ends inside a quote.", "Close the quote."),
)
"""What the parser says, what that means, and how to mend it."""


def shown(text: str, longest: int = 60) -> str:
    """A text from a file as a message may carry it: short, one line, nothing hidden."""
    safe = "".join(c if c.isprintable() else "\ufffd" for c in text[: longest + 1])
    return safe if len(safe) <= longest else f"{safe[:longest]}…"


def _braced(pair: tuple[Node, Node]) -> str:
    """``{name}`` where a flow mapping of one key without value was meant as that text."""
    key, value = pair
    named = isinstance(key, ScalarNode) and isinstance(value, ScalarNode)
    empty = named and value.value == "" and value.tag is PLAIN
    unwritten = empty and value.start_mark.index == value.end_mark.index
    return f"{{{key.value}}}" if unwritten else ""


def _characters(data: Any) -> int:
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


def _inner(node: Node) -> list[Node]:
    if isinstance(node, MappingNode):
        return [part for pair in node.value for part in pair]
    return list(node.value) if isinstance(node, SequenceNode) else []


def _scalars(root: Node) -> list[ScalarNode]:
    found: dict[int, Node] = {}
    todo = [root]
    while todo:
        node = todo.pop()
        if id(node) not in found:
            found[id(node)] = node
            todo += _inner(node)
    return [node for node in found.values() if isinstance(node, ScalarNode)]


def _ring(root: Node) -> Node | None:
    """A node that holds itself through an alias, if there is one."""
    done: set[int] = set()
    way: list[tuple[Node, list[Node]]] = [(root, _inner(root))]
    on_way = {id(root)}
    while way:
        node, rest = way[-1]
        if not rest:
            way.pop()
            on_way.discard(id(node))
            done.add(id(node))
            continue
        child = rest.pop()
        if id(child) in on_way:
            return child
        if id(child) not in done:
            on_way.add(id(child))
            way.append((child, _inner(child)))
    return None
