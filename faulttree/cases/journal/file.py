"""Events in a plain file, one JSON document a line: the second copy, and what waits to be sent.

The file beside an SQLite record holds what the database acknowledged, so that a torn
database loses nothing. The file kept for a server holds what it could not be told yet.
"""

from __future__ import annotations

import json
import mmap
import os
from base64 import b64decode, b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Protocol
from zlib import crc32

from faulttree.errors import RecordError

CHUNK = 1 << 16
BROUGHT = "import"
"""The writer of events that were brought in from another record."""


quoted = lru_cache(maxsize=64)(json.dumps)
"""A name as JSON: the events of a case come one after another, and share theirs."""


PHOTO = '{"photo":'
"""How the line of a photo begins."""

SUM = ',"sum":"'


def summed(body: str) -> str:
    """A JSON object with its checksum as the last key: CRC-32 (ISO 3309) of all before it."""
    head = body[:-1]
    return f'{head}{SUM}{crc32(head.encode()):08x}"}}'


def chained(before: str, event: str) -> str:
    """The running hash of a case: SHA-256 over the one before and the event, 16 hex digits.

    Args:
        before: the running hash after the event before; empty for the first.
        event: the JSON of the event as the record keeps it.

    Example:
        >>> chained("", "{}")
        '44136fa355b3678a'
    """
    return sha256((before + event).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One event with its place in the record; ``event`` is its JSON as the record keeps it.

    ``chain`` is the running hash of the case up to this event, empty where it is not known;
    ``salt`` the salt of the digests of its words in it; ``digests`` the digests of words that
    were erased; ``checked`` whether it was read from a line with a right checksum.
    """

    case: str
    sequence: int
    event: str
    writer: str = ""
    number: int = 0
    chain: str = field(default="", compare=False)
    salt: str = field(default="", compare=False)
    digests: tuple[str, ...] = field(default=(), compare=False)
    checked: bool = field(default=False, compare=False)

    def line(self) -> str:
        """Its line, without the line end."""
        chain = f'"chain":"{self.chain}",' if self.chain else ""
        chain += f'"salt":"{self.salt}",' if self.salt else ""
        if self.digests:
            chain += f'"digests":{json.dumps(self.digests, separators=(",", ":"))},'
        return summed(
            f'{{"case":{quoted(self.case)},"sequence":{self.sequence:d},'
            f'"number":{self.number:d},"writer":{quoted(self.writer)},{chain}"event":{self.event}}}'
        )


@dataclass(frozen=True, slots=True)
class JournalTree:
    """The text of a tree, by its hash."""

    hash: str
    text: str

    def line(self) -> str:
        """Its line, without the line end."""
        return summed(json.dumps({"tree": self.hash, "text": self.text}, separators=(",", ":")))


@dataclass(frozen=True, slots=True)
class JournalPhoto:
    """A photo by the SHA-256 of its bytes; ``original`` where it is as the camera made it."""

    sha256: str
    data: bytes = field(repr=False)
    original: bool = False

    def line(self) -> str:
        """Its line, without the line end; the bytes as Base64 (RFC 4648)."""
        mark = '"original":true,' if self.original else ""
        data = b64encode(self.data).decode()
        return summed(f'{PHOTO}{quoted(self.sha256)},{mark}"data":"{data}"}}')


@dataclass(frozen=True, slots=True)
class JournalErased:
    """The free words of a case were erased, in its first ``events`` events, at this time."""

    case: str
    events: int
    at: str = ""

    def line(self) -> str:
        """Its line, without the line end."""
        data = {"erased": self.case, "events": self.events, "at": self.at}
        return summed(json.dumps(data, separators=(",", ":")))


JournalItem = JournalEntry | JournalTree | JournalPhoto | JournalErased


@dataclass(frozen=True, slots=True)
class JournalLine:
    """One line read: what it holds, or None where it is damaged; ``record`` names its record.

    ``checked`` tells whether it has a checksum; lines of earlier versions have none.
    """

    number: int
    holds: JournalItem | None
    record: str = ""
    checked: bool = False


class JournalNote(Protocol):
    """What a journal can hold."""

    def line(self) -> str:
        """Its line or lines, without the last line end."""


def journal_path(record: Path) -> Path:
    """Where the journal of an SQLite record stands."""
    return record.with_name(f"{record.name}.events.jsonl")


class JournalFile:
    """A file that only grows. Several programs may write to it at once, a line at a time.

    A line is handed to the system at once, so that no crash of the program loses it;
    :meth:`sync` brings it onto the disk.
    """

    def __init__(self, path: Path, record: str = "") -> None:
        self.path = path
        flags = os.O_CREAT | os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self.file = os.open(path, flags, 0o600)
        size = os.fstat(self.file).st_size
        if size == 0 and record:
            self.write(summed(json.dumps({"record": record})) + "\n")
        elif size:
            os.lseek(self.file, -1, os.SEEK_END)
            if os.read(self.file, 1) != b"\n":
                # A line torn by a crash must not swallow the next one.
                self.write("\n")

    def add(self, items: Iterable[JournalNote]) -> None:
        """Write the lines of each, all in one piece.

        Raises:
            OSError: the disk is full or gone.
        """
        self.write("".join(f"{item.line()}\n" for item in items))

    def write(self, text: str) -> None:
        """All of it, or an error."""
        data = text.encode()
        while data:
            data = data[os.write(self.file, data) :]

    def in_place(self) -> bool:
        """Whether the path still names the file that is open."""
        try:
            there = self.path.stat()
        except OSError:
            return False
        return os.path.samestat(there, os.fstat(self.file))

    def sync(self) -> None:
        """Bring what was written onto the disk."""
        getattr(os, "fdatasync", os.fsync)(self.file)

    def close(self) -> None:
        """Sync and close; again does nothing."""
        if self.file >= 0:
            try:
                self.sync()
            finally:
                os.close(self.file)
                self.file = -1


def entries(path: Path) -> Iterator[JournalLine]:
    """Every line of a journal, oldest first; a missing file has none."""
    return (understood(number, raw) for number, raw in numbered_lines(path))


def numbered_lines(path: Path) -> Iterator[tuple[int, bytes]]:
    """Number and bytes of every line that is not empty, oldest first; a missing file has none.

    Raises:
        RecordError: the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            for number, raw in enumerate(file, 1):
                if raw.strip():
                    yield number, raw
    except FileNotFoundError:
        return
    except OSError as error:
        raise RecordError(f"the journal cannot be read: {error.strerror}", path=path) from None


def entries_and_trees(path: Path) -> list[JournalItem]:
    """What a journal holds but its photos: all of them would need too much memory.

    The lines of photos are passed over without decoding them, which takes long.
    """
    rest = (line for line in numbered_lines(path) if not is_photo(line[1]))
    held = (understood(*line).holds for line in rest)
    return [item for item in held if item is not None and not isinstance(item, JournalPhoto)]


def photos(path: Path) -> Iterator[JournalPhoto]:
    """The photos of a journal, one at a time."""
    for line in numbered_lines(path):
        held = understood(*line).holds if is_photo(line[1]) else None
        if isinstance(held, JournalPhoto):
            yield held


def is_photo(raw: bytes) -> bool:
    """Whether a line begins as that of a photo does."""
    return raw.startswith(PHOTO.encode())


def newest_first(path: Path) -> Iterator[JournalLine]:
    """The same from its end, reading no more than is asked for; lines are numbered 0.

    Photos are passed over, so that an opening does not take longer by their size.
    """
    for raw in lines_backwards(path):
        if raw.strip() and not is_photo(raw):
            yield understood(0, raw)


def lines_backwards(path: Path) -> Iterator[bytes]:
    """The lines of a file, the last one first."""
    with path.open("rb") as file:
        position = file.seek(0, os.SEEK_END)
        # The pieces of a line of which the beginning was not read yet, the last piece first.
        rest: list[bytes] = []
        while position:
            size = min(CHUNK, position)
            position -= size
            file.seek(position)
            begun, *lines = file.read(size).split(b"\n")
            if lines:
                rest.append(lines.pop())
                yield b"".join(reversed(rest))
                yield from reversed(lines)
                rest = []
            rest.append(begun)
        yield b"".join(reversed(rest))


def understood(number: int, raw: bytes) -> JournalLine:
    """What one line holds; a line whose checksum is wrong holds nothing that is believed."""
    damaged = JournalLine(number, None)
    body, sign, rest = raw.rstrip().rpartition(SUM.encode())
    try:
        if sign and (len(rest) == len('01234567"}')) and int(rest[:8], 16) != crc32(body):
            return damaged
        data: Any = json.loads(raw)
        checked = "sum" in data
        if "record" in data:
            return JournalLine(number, None, str(data["record"]), checked)
        if "tree" in data:
            tree = JournalTree(str(data["tree"]), str(data["text"]))
            return JournalLine(number, tree, checked=checked)
        if "photo" in data:
            picture = photo_in(data)
            return JournalLine(number, picture, checked=checked)
        if "erased" in data:
            mark = JournalErased(storable(data["erased"]), int(data["events"]), str(data["at"]))
            return JournalLine(number, mark, checked=checked)
        event = json.dumps(data["event"], separators=(",", ":"))
        place = (storable(data["case"]), int(data["sequence"]))
        more = (storable(data.get("writer", "")), int(data.get("number", 0)))
        digests = tuple(map(str, data.get("digests", ())))
        chain, salt = str(data.get("chain", "")), str(data.get("salt", ""))
        entry = JournalEntry(*place, event, *more, chain, salt, digests, checked)
        return JournalLine(number, entry, checked=checked)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return damaged


def photo_in(data: Mapping[str, Any]) -> JournalPhoto:
    """The photo of a line.

    Raises:
        ValueError: the bytes are not what the hash says.
    """
    found = JournalPhoto(
        data["photo"], b64decode(data["data"], validate=True), data.get("original") is True
    )
    if sha256(found.data).hexdigest() != found.sha256:
        raise ValueError("the photo is damaged")
    return found


def storable(data: object) -> str:
    """A name that every store can hold.

    Raises:
        ValueError: it has half of a character, as damage can leave it.
    """
    return str(data).encode().decode()


def last_of(path: Path, case: str, before: int) -> JournalEntry | None:
    """The last entry of a case before a position; None where there is none that can be read.

    The file is searched from its end without being parsed, so that one of many megabytes costs
    some hundredths of a second.
    """
    wanted = f'{{"case":{quoted(case)},'.encode()
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as there:
            at = there.rfind(wanted)
            while at >= 0:
                end = there.find(b"\n", at)
                found = understood(0, there[at : end if end >= 0 else len(there)]).holds
                if isinstance(found, JournalEntry) and found.sequence < before:
                    return found
                at = there.rfind(wanted, 0, at)
    except (OSError, ValueError):
        pass
    return None


def first_record(path: Path) -> str:
    """Which record a journal belongs to; empty where it does not say."""
    return next((line.record for line in entries(path)), "")


def free_name(path: Path) -> Path:
    """A name beside a file under which it can be put aside.

    Raises:
        RecordError: very many were put aside already.
    """
    for number in range(1, 10_000):
        there = path.with_name(f"{path.name}.aside-{number}")
        if not there.exists():
            return there
    raise RecordError("too many files were put aside", path=path, remedy="Remove the oldest.")


def grouped(items: Sequence[JournalEntry]) -> dict[str, list[JournalEntry]]:
    """Entries by case, each case's in order of their sequence."""
    groups: dict[str, list[JournalEntry]] = {}
    for entry in items:
        groups.setdefault(entry.case, []).append(entry)
    for group in groups.values():
        group.sort(key=lambda entry: entry.sequence)
    return groups
