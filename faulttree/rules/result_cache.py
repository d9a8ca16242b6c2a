"""What was found before, by content: an unchanged file is not looked at again.

A result is known by everything it rests on: the file's name and bytes, all shared files, and
the program itself. So nothing ever has to be thrown away for being old, and a cache that is
broken, locked or read-only only costs time.

A file that is unchanged by its status (number, size, time of change and time of writing) is not
read again. The system sets the time of change at every write, so only a clock that is set back
can make a changed file look unchanged. A file changed so lately that a second change could have
the same time is read again.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from stat import S_ISLNK, S_ISREG
from types import TracebackType
from typing import TYPE_CHECKING

import msgspec

from faulttree.rules.report import CheckedFile, Report
from faulttree.tree.source import MAX_BYTES

if TYPE_CHECKING:
    from hashlib import _Hash as Hash

    from faulttree.rules.targets import Target
    from faulttree.tree import Library


FILE = "check.sqlite3"
KEPT = 100_000
"""Results kept; the oldest go first."""


SETTLED = 2_000_000_000
"""Nanoseconds after which a further change has another time on every usual file system."""

Status = tuple[int, int, int, int]
"""Number, size, time of writing and of change in nanoseconds."""


class FileStamp:
    """The files of one run, known from the last one.

    Args:
        known: what :meth:`kept` gave, as it was kept; empty at first.
        now: the time of the file system in nanoseconds; None where it is not known, and
            nothing is held for unchanged.
    """

    def __init__(self, known: str = "", now: int | None = None) -> None:
        self.now = now
        self._known: dict[str, tuple[Status, str]] = _read(known) if now is not None else {}
        self._found: dict[str, tuple[Status, str]] = {}
        self.news = False

    def digest(self, path: Path) -> str:
        """What stands for the bytes of a file and, where it is a link, for where it leads.

        Raises:
            OSError: where it cannot be read.
            ValueError: where it is no plain file, or larger than any that is read.
        """
        name = str(path)
        status = os.lstat(name)
        link = ""
        if S_ISLNK(status.st_mode):
            link = f"{_target(path)}\0"
            status = path.stat()
        if not S_ISREG(status.st_mode) or status.st_size > 2 * MAX_BYTES:
            raise ValueError("no plain file, or too large")
        stamp = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
        known = self._known.get(name)
        if known is not None and known[0] == stamp:
            digest = known[1]
        else:
            digest = sha256(path.read_bytes()).hexdigest()
            self.news = True
        if self.now is not None and max(stamp[2], stamp[3]) + SETTLED < self.now:
            self._found[name] = stamp, digest
        return f"{link}{digest}"

    def kept(self, *, whole: bool) -> str:
        """What is to be kept for the next run: of a whole library only what it still has."""
        held = self._found if whole else {**self._known, **self._found}
        return json.dumps({name: [*stamp, digest] for name, (stamp, digest) in held.items()})


def _read(known: str) -> dict[str, tuple[Status, str]]:
    """What was kept; nothing where it is damaged."""
    with suppress(ValueError, TypeError):
        held = json.loads(known or "{}")
        if isinstance(held, Mapping):
            return {
                name: ((number, size, written, changed), digest)
                for name, (number, size, written, changed, digest) in held.items()
            }
    return {}


def _target(path: Path) -> str:
    """Where a link leads."""
    with suppress(OSError, RuntimeError):
        return str(path.resolve())
    return "?"


class ResultCache:
    """Results by content, in one SQLite file of a folder; without a folder nothing is kept."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.connection: sqlite3.Connection | None = None
        self.keys: list[str | None] = []
        self._shared: dict[Path, bytes] = {}
        self._beginnings: dict[Path, Hash] = {}

    def __enter__(self) -> ResultCache:
        if self.folder is not None:
            with suppress(OSError, sqlite3.Error):
                self.folder.mkdir(parents=True, exist_ok=True)
                self.connection = _open(self.folder / FILE)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.connection is not None:
            with suppress(sqlite3.Error):
                self.connection.close()

    def report(self, targets: Sequence[Target], make: Callable[[], Report]) -> Report:
        """The whole report where every file is as it was, else a new one."""
        if self.connection is None:
            self.keys = [None] * len(targets)
            return make()
        self.keys = self._keys(targets)
        if any(key is None for key in self.keys):
            return make()
        together = sha256("\n".join(str(key) for key in self.keys).encode())
        key = f"run {together.hexdigest()}"
        known = self._get([key]).get(key)
        if known is not None:
            with suppress(ValueError):
                return msgspec.json.decode(known, type=Report)
        report = make()
        self._put({key: msgspec.json.encode(report).decode()})
        return report

    def recall(self, targets: Sequence[Target]) -> list[CheckedFile | None]:
        """What is known of each target."""
        known = self._get([key for key in self.keys if key is not None])
        return [_decoded(known.get(key)) if key else None for key in self.keys]

    def keep(self, looked: Mapping[int, CheckedFile]) -> None:
        """Keep what is new."""
        new: dict[str, str] = {}
        for number, one in looked.items():
            key = self.keys[number] if number < len(self.keys) else None
            if key is not None:
                new[key] = msgspec.json.encode(one).decode()
        self._put(new)

    # -- the store ---------------------------------------------------------------------

    def _get(self, keys: Sequence[str]) -> dict[str, str]:
        if self.connection is None:
            return {}
        found: dict[str, str] = {}
        with suppress(sqlite3.Error):
            for at in range(0, len(keys), 500):
                some = keys[at : at + 500]
                marks = ",".join("?" * len(some))
                query = f"SELECT key, value FROM result WHERE key IN ({marks})"  # noqa: S608
                found.update(self.connection.execute(query, some).fetchall())
        return found

    def _put(self, new: Mapping[str, str]) -> None:
        if self.connection is None or not new:
            return
        with suppress(sqlite3.Error), self.connection:
            self.connection.executemany(
                "INSERT OR REPLACE INTO result (key, value) VALUES (?, ?)", list(new.items())
            )
            self.connection.execute(
                "DELETE FROM result WHERE rowid <= (SELECT max(rowid) FROM result) - ?", (KEPT,)
            )

    # -- keys --------------------------------------------------------------------------

    def _keys(self, targets: Sequence[Target]) -> list[str | None]:
        """What the result of each rests on; None where a file cannot be read."""
        # Names are kept apart by library: one run mostly looks at one.
        roots = sorted({str(target.library.root) for target in targets})
        index = f"seen {sha256(chr(0).join(roots).encode()).hexdigest()}"
        seen = FileStamp(self._get([index]).get(index, ""), self._now())
        keys = [self._key(target, seen) for target in targets]
        if seen.news:
            self._put({index: seen.kept(whole=all(target.whole for target in targets))})
        return keys

    def _key(self, target: Target, seen: FileStamp) -> str | None:
        try:
            if target.path is not None:
                digest = seen.digest(target.path)
            else:
                digest = sha256((target.text or "").encode()).hexdigest()
            made = self._begun(target.library).copy()
            made.update(f"{target.name}\0{target.whole}\0{digest}".encode())
            original = _original(target)
            if original is not None:
                made.update(seen.digest(original).encode())
        except (OSError, ValueError):
            return None
        return made.hexdigest()

    def _begun(self, library: Library) -> Hash:
        """What all keys of a library begin with: the program, and all that its trees share."""
        root = library.root
        if root not in self._beginnings:
            self._beginnings[root] = sha256(program() + self._shared_of(library))
        return self._beginnings[root]

    def _now(self) -> int | None:
        """The time of the file system: that of a file written just now."""
        if self.folder is None or os.name != "posix":
            return None
        file = self.folder / FILE
        with suppress(OSError):
            os.utime(file)
            return file.stat().st_mtime_ns
        return None

    def _shared_of(self, library: Library) -> bytes:
        """Hash of all that trees of a library share, that of the library beneath included."""
        root = library.root
        if root not in self._shared:
            made = sha256(str(root).encode())
            shared = root / "shared"
            for path in sorted([*shared.glob("*.yaml"), *shared.glob("procedures/*.yaml")]):
                made.update(f"{path.name}\0".encode())
                with suppress(OSError):
                    made.update(sha256(path.read_bytes()).digest())
            beneath = library.beneath
            made.update(self._shared_of(beneath) if beneath is not None else b"")
            self._shared[root] = made.digest()
        return self._shared[root]


def _original(target: Target) -> Path | None:
    """The file in a library beneath that a tree replaces; a copy is compared with it."""
    below = target.library.beneath
    if target.path is None or below is None:
        return None
    file = Path("trees", target.path.parent.name, target.path.name)
    return next((one for layer in below.layers if (one := layer.root / file).is_file()), None)


def _open(path: Path) -> sqlite3.Connection:
    try:
        return _ready(path)
    except sqlite3.DatabaseError:
        path.unlink(missing_ok=True)
        return _ready(path)


def _ready(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=2)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("CREATE TABLE IF NOT EXISTS result (key TEXT UNIQUE, value TEXT)")
    except BaseException:
        connection.close()
        raise
    return connection


@cache
def program() -> bytes:
    """Hash of what decides about findings: the files of the rooms at work."""
    from faulttree.version import __version__

    package = Path(__file__).resolve().parents[1]
    made = sha256(__version__.encode())
    for room in ("rules", "tree", "reading", "odds"):
        for path in sorted([*(package / room).rglob("*.py"), *(package / room).rglob("*.toml")]):
            status = path.stat()
            made.update(f"{path.name} {status.st_size} {status.st_mtime_ns}\n".encode())
    return made.digest()


def _decoded(text: str | None) -> CheckedFile | None:
    """A kept result; None where there is none or it is damaged."""
    if text is not None:
        with suppress(ValueError):
            return msgspec.json.decode(text, type=CheckedFile)
    return None
