"""Edits that keep the author's file: text is spliced at known places, all else stays.

A round trip through a YAML writer re-indents even a tidy file, so nothing is written anew but
the words meant. That old and new differ in those words only is then proved twice: ruamel.yaml
reads both texts, and so does this program's own reader; each must see exactly the data that
the edits make of the old one, in the same order.

Files are replaced whole or not at all, and never where somebody else has written meanwhile.
"""

from __future__ import annotations

import copy
import difflib
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from faulttree.errors import TreeError
from faulttree.tree.document import HIDDEN, LINE_END, Document, child_of, parse
from faulttree.tree.scalars import scalar
from faulttree.tree.shape import ANY, Shape

__all__ = ["Change", "DataEdits", "Editor", "Edits", "block", "flow", "spelt", "write_all"]

Keys = Sequence[str | int]

BOM = b"\xef\xbb\xbf"
DATE = re.compile(r"\d{4}-\d\d-\d\d")
PLAIN = re.compile(r"[^\W_](?:[^\n\t\r#:,\[\]{}]|(?<=\S)#|:(?=[^\s,\[\]{}]))*")
"""A text that can stand unquoted, in a flow mapping too."""
FIGURES = re.compile(r"(?=.*\d)[\d_.:+-]+(?:[eE][\d+-]*)?|0[xo][\da-fA-F_]+")
"""A text that some reader makes a number or a time of: 1_000, 0o17, 12:30."""
ODD_WORDS = frozenset(("yes", "no", "on", "off", "y", "n", "true", "false", "null"))
FIRST = -1_000
LINE = 100
"""Columns; a mapping that is longer in flow style is written one entry a line."""


def scalar_text(value: Any) -> str:
    """One scalar as YAML, quoted where another reader could take it for something else.

    Raises:
        TreeError: a text holds a character that no library file may hold.
    """
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        whole = isinstance(value, float) and value.is_integer() and abs(value) < 1e15
        return str(int(value)) if whole else repr(value)
    text = str(value)
    hidden = HIDDEN.search(text)
    if hidden:
        raise TreeError(
            f"Character U+{ord(hidden.group()):04X} is a control or direction character.",
            mend="Write the text without it; it can make a text look other than it is.",
        )
    same = isinstance(scalar(text), str) and text.casefold() not in ODD_WORDS
    if DATE.fullmatch(text):
        return text
    figures = FIGURES.fullmatch(text)
    if same and not figures and PLAIN.fullmatch(text) and text.strip() == text:
        return text
    return json.dumps(text, ensure_ascii=False)


def flow(value: Any) -> str:
    """Plain data as YAML in flow style, on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{scalar_text(k)}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(flow(item) for item in value) + "]"
    return scalar_text(value)


def block(key: str, value: Any, indent: int, unit: int, *, top: bool = True) -> list[str]:
    """An entry of a block mapping as lines: its own keys a line each, what they hold in flow."""
    lead = f"{' ' * indent}{scalar_text(key)}:"
    whole = f"{lead} {flow(value)}"
    if isinstance(value, Mapping) and value and (top or len(whole) > LINE):
        lines = [lead]
        for inner, item in value.items():
            lines += block(str(inner), item, indent + unit, unit, top=False)
        return lines
    if isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
        return [lead, *(f"{' ' * (indent + unit)}- {flow(item)}" for item in value)]
    return [whole]


@dataclass(frozen=True, slots=True)
class Splice:
    """From one character of the text to another, this instead.

    Where two stand at one place, the deeper comes first: it belongs to what ends there.
    """

    begin: int
    end: int
    text: str
    depth: int


@dataclass(frozen=True, slots=True)
class Change:
    """A file before and after, proved to differ only as meant.

    Attributes:
        path: the file.
        raw: its bytes as they were read; None for a file that is not there yet.
        text: what it is to say, without a byte order mark.
    """

    path: Path
    raw: bytes | None
    text: str

    @property
    def before(self) -> str:
        """The text as it was."""
        return (self.raw or b"").decode("utf-8-sig")

    @property
    def new(self) -> bytes:
        """The bytes to write; a byte order mark is kept."""
        bom = BOM if self.raw is not None and self.raw.startswith(BOM) else b""
        return bom + self.text.encode()

    def diff(self, name: str | None = None) -> str:
        """The change as a unified diff."""
        shown = name or str(self.path)
        lines = difflib.unified_diff(
            _shown(self.before),
            _shown(self.text),
            "/dev/null" if self.raw is None else shown,
            shown,
        )
        return "".join(lines)


def _shown(text: str) -> list[str]:
    return [line + "\n" for line in LINE_END.sub("\n", text).removesuffix("\n").split("\n")]


@dataclass
class Editor:
    """Edits of one document, each checked as it is made, brought about by :meth:`change`.

    Places are keys and positions of the document as it was read, whatever else is edited.

    Args:
        document: as :func:`faulttree.tree.document.parse` read it.
        raw: the bytes of its file; None for a text without a file.
        shape: as for the document's own reading, to prove the new text by the same reading.
    """

    document: Document
    raw: bytes | None = None
    shape: Shape = ANY
    _splices: list[Splice] = field(default_factory=list)
    _edits: list[tuple[int, Callable[[Any], None]]] = field(default_factory=list)
    _behind: dict[tuple[Keys, str | None], str] = field(default_factory=dict)

    # -- edits -------------------------------------------------------------------------

    def set(self, keys: Keys, value: Any) -> None:
        """Give the value at a place another one; quotes stay where the old one had them."""
        _, node = self._node(keys)
        old = self._text(node)
        new = flow(value)
        if isinstance(node, ScalarNode):
            if not old:
                raise self._refused(keys, "an empty value cannot be replaced")
            quote = old[0]
            if isinstance(value, str) and quote in "\"'" and quote == old[-1]:
                new = _quoted(value, quote)
        elif not _in_flow(node):
            raise self._refused(keys, "a block is edited entry by entry")
        self._splice(node.start_mark.index, self._end(node), new, keys)
        self._edits.append((FIRST, lambda data: _put(data, keys, value)))

    def rename_key(self, keys: Keys, new: str) -> None:
        """Give the last key of a place another name."""
        key_node, _ = self._node(keys)
        if key_node is None:
            raise self._refused(keys, "this is no key")
        old = self._text(key_node)
        text = _quoted(new, old[0]) if old[0] in "\"'" else scalar_text(new)
        self._splice(key_node.start_mark.index, key_node.end_mark.index, text, keys)
        # Renaming comes last, from the inside out, so that the places of all others hold.
        self._edits.append((-len(keys), lambda data: _rename(data, keys, new)))

    def add(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Add an entry to a mapping: behind the key ``after``, else at its end."""
        _, node = self._node(keys)
        if not isinstance(node, MappingNode):
            raise self._refused(keys, "this is no mapping")
        names = [name.value for name, _ in node.value]
        if key in names:
            raise self._refused((*keys, key), "it is there already")
        at = names.index(after) if after in names else len(names) - 1
        deep = (*keys, key)
        if node.flow_style:
            entry = f"{scalar_text(key)}: {flow(value)}"
            self._into_flow([node, *(held for _, held in node.value)], at, entry, deep)
        else:
            self._into_block(node, at, deep, value)
        # Another one behind the same entry comes behind this one, as it does in the text.
        spot = (tuple(keys), names[at] if names else None)
        follows = self._behind.get(spot, spot[1])
        self._behind[spot] = key
        self._edits.append((FIRST, lambda data: _insert(_at(data, keys), follows, key, value)))

    def append(self, keys: Keys, value: Any) -> None:
        """Add an item to the end of a list."""
        _, node = self._node(keys)
        if not isinstance(node, SequenceNode):
            raise self._refused(keys, "this is no list")
        if node.flow_style:
            self._into_flow([node, *node.value], len(node.value) - 1, flow(value), (*keys, 0))
        else:
            lead = " " * node.start_mark.column
            lines = [f"{lead}- {flow(value)}"]
            self._line_after(node.value[-1], node.start_mark.column, lines, (*keys, 0))
        self._edits.append((FIRST, lambda data: _at(data, keys).append(copy.deepcopy(value))))

    def into(self, keys: Keys, key: str, value: Any) -> None:
        """Add an item to the list under a key of a mapping, made where there is none."""
        here = _at(self.document.data, keys)
        if isinstance(here, Mapping) and isinstance(here.get(key), list):
            self.append((*keys, key), value)
        else:
            self.add(keys, key, [value])

    # -- the result --------------------------------------------------------------------

    @property
    def touched(self) -> bool:
        """Whether there is any edit."""
        return bool(self._splices)

    def change(self) -> Change:
        """The text with all edits.

        Raises:
            TreeError: where more than was meant would change; nothing is written then.
        """
        text = self.document.text
        for splice in sorted(self._splices, key=_order)[::-1]:
            text = text[: splice.begin] + splice.text + text[splice.end :]
        self._prove(text)
        path = self.document.path or Path("<text>")
        return Change(path, self.raw, text)

    def _prove(self, text: str) -> None:
        document = parse(text, path=self.document.path, shape=self.shape, name=self.document.name)
        wanted = self._edited(self.document.data)
        mine = not document.problems and list(_words(document.data)) == list(_words(wanted))
        if mine:
            before, after = _round_trip(self.document.text), _round_trip(text)
            mine = before is not None and list(_words(after)) == list(_words(self._edited(before)))
        if not mine:
            raise TreeError(
                "This edit would change more of the file than it should.",
                path=self.document.path,
                mend="Write out anchors, aliases and tags in it, or make the edit by hand.",
            )

    def _edited(self, data: Any) -> Any:
        """What the edits make of data."""
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
            mend="Make the edit by hand.",
        )

    def _text(self, node: Node) -> str:
        return self.document.text[node.start_mark.index : node.end_mark.index]

    def _end(self, node: Node) -> int:
        """Where what a node says ends: no blank lines, no comments behind it."""
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
                "Two edits of one place.", path=self.document.path, mend="Make one at a time."
            )
        self._splices.append(Splice(begin, end, text, len(keys)))

    def _into_flow(self, nodes: Sequence[Node], at: int, entry: str, keys: Keys) -> None:
        """Behind the item at a position of the first node, or as its first."""
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
        """Whether blank lines part the entries."""
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
        """Put lines behind the one on which a node ends, and behind comments that are its own."""
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
        """Whether the blank lines behind it belong to a text (``|+``)."""
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


def _quoted(text: str, quote: str) -> str:
    if quote == "'" and text.isprintable():
        return "'" + text.replace("'", "''") + "'"
    return json.dumps(text, ensure_ascii=False)


# -- the same edits on plain data ------------------------------------------------------


class Edits(Protocol):
    """What can be done to a document, or to its data alone."""

    def set(self, keys: Keys, value: Any) -> None:
        """Give the value at a place another one."""

    def rename_key(self, keys: Keys, new: str) -> None:
        """Give the last key of a place another name."""

    def add(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Add an entry to a mapping."""

    def append(self, keys: Keys, value: Any) -> None:
        """Add an item to the end of a list."""

    def into(self, keys: Keys, key: str, value: Any) -> None:
        """Add an item to the list under a key, made where there is none."""


class DataEdits:
    """The edits of an :class:`Editor` on plain data, at once: to try out what they make of it.

    Args:
        data: changed in place.
    """

    def __init__(self, data: Any) -> None:
        self.data = data

    def set(self, keys: Keys, value: Any) -> None:
        """Give the value at a place another one."""
        _put(self.data, keys, value)

    def rename_key(self, keys: Keys, new: str) -> None:
        """Give the last key of a place another name."""
        _rename(self.data, keys, new)

    def add(self, keys: Keys, key: str, value: Any, *, after: str | None = None) -> None:
        """Add an entry to a mapping."""
        _insert(_at(self.data, keys), after, key, value)

    def append(self, keys: Keys, value: Any) -> None:
        """Add an item to the end of a list."""
        _at(self.data, keys).append(copy.deepcopy(value))

    def into(self, keys: Keys, key: str, value: Any) -> None:
        """Add an item to the list under a key, made where there is none."""
        here = _at(self.data, keys)
        if isinstance(here.get(key), list):
            self.append((*keys, key), value)
        else:
            self.add(keys, key, [value])


def _at(data: Any, keys: Keys) -> Any:
    for key in keys:
        data = data[key]
    return data


def _put(data: Any, keys: Keys, value: Any) -> None:
    _at(data, keys[:-1])[keys[-1]] = copy.deepcopy(value)


def _insert(mapping: dict[str, Any], follows: str | None, key: str, value: Any) -> None:
    """Put an entry behind another one, keeping the order of all."""
    names = list(mapping)
    at = names.index(follows) + 1 if follows in mapping else len(names)
    kept = [(name, mapping[name]) for name in names]
    kept.insert(at, (key, copy.deepcopy(value)))
    mapping.clear()
    mapping.update(kept)


def _rename(data: Any, keys: Keys, new: str) -> None:
    mapping = _at(data, keys[:-1])
    kept = [(new if name == keys[-1] else name, item) for name, item in mapping.items()]
    mapping.clear()
    mapping.update(kept)


def spelt(text: str) -> list[str] | None:
    """Every key (with a colon) and scalar of a text, as ruamel.yaml reads it, in order.

    Two texts that spell the same words say the same, whatever their layout. None where it
    cannot be read.
    """
    data = _round_trip(text)
    return None if data is None else list(_words(data))


def _words(value: Any) -> Iterator[str]:
    """Keys and scalars in the order of the file, with the ends of what holds them."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield f"{key}:"
            yield from _words(item)
        yield "}"
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _words(item)
        yield "]"
    else:
        yield _same(value)


def _same(value: Any) -> str:
    """A scalar as it is compared: a number is the same in all its spellings."""
    try:
        return str(value) if isinstance(value, bool) else repr(float(value))
    except (TypeError, ValueError, OverflowError):
        return str(value)


def _round_trip(text: str) -> Any:
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


# -- writing ---------------------------------------------------------------------------


def write_all(changes: Sequence[Change]) -> None:
    """Put new texts in the place of old ones: all of them, or none.

    Each is first written whole beside its file and brought to the disk. Only then do they
    take the files' places, one by one; where one fails, those before it are put back.

    Raises:
        TreeError: a file is not as it was read, or not there any more.
        OSError: where nothing can be written.
    """
    ready: list[tuple[Change, Path, Path]] = []
    done: list[tuple[Change, Path]] = []
    try:
        for change in changes:
            target = change.path.resolve()
            ready.append((change, target, _beside(target, change.new)))
        for change, target, _ in ready:
            _unchanged(change, target)
        for change, target, beside in ready:
            beside.replace(target)
            done.append((change, target))
    except BaseException:
        for change, target in reversed(done):
            _put_back(change, target)
        raise
    finally:
        for _, _, beside in ready:
            beside.unlink(missing_ok=True)
    for folder in {target.parent for _, target in done}:
        _settle(folder)


def _unchanged(change: Change, target: Path) -> None:
    """Refuse where the file is not what the change was made from."""
    try:
        here: bytes | None = target.read_bytes()
    except FileNotFoundError:
        here = None
    if here == change.raw:
        return
    if change.raw is None:
        raise TreeError(
            "There is such a file already.",
            path=change.path,
            mend="Choose another name, or move it away.",
        )
    raise TreeError(
        "The file was changed meanwhile; nothing was written.",
        path=change.path,
        mend="Look at it, then do this again.",
    )


def _beside(target: Path, data: bytes) -> Path:
    """New bytes in a file of the same folder, on the disk."""
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".new")
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        beside.chmod(target.stat().st_mode & 0o7777 if target.exists() else 0o644)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    return beside


def _put_back(change: Change, target: Path) -> None:
    if change.raw is None:
        target.unlink(missing_ok=True)
    else:
        _beside(target, change.raw).replace(target)


def _settle(folder: Path) -> None:
    """Bring the names of a folder to the disk, where the system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)
