"""A file before and after an edit; files are replaced completely or not at all."""

from __future__ import annotations

import difflib
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.convert import Plain
from faulttree.errors import TreeError
from faulttree.tree.source import LINE_END

if TYPE_CHECKING:
    from faulttree.tree.document import Document


BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class FileChange:
    """A file before and after an edit, verified to differ only as intended.

    Attributes:
        path: the file.
        raw: its bytes as they were read; None for a file that is not there yet.
        text: the new text, without a byte order mark.
        document: the new text as read during verification; None if it was not read.
    """

    path: Path
    raw: bytes | None
    text: str
    document: Document | None = field(default=None, repr=False, compare=False)

    def with_text(self, text: str) -> FileChange:
        """The same change with another new text that is not yet read."""
        return replace(self, text=text, document=None)

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


@dataclass(frozen=True)
class ChangeSet(Plain):
    r"""Files that change together; nothing is written yet.

    Attributes:
        changes: the files before and after.

    Example:
        >>> change = FileChange(Path("lamp.yaml"), b"title: Lamp\n", "title: Dark lamp\n")
        >>> print(ChangeSet(changes=(change,)).diff.splitlines()[-1])
        +title: Dark lamp
    """

    COMPUTED = ("diff",)
    LEFT_OUT = frozenset(("changes",))

    changes: tuple[FileChange, ...] = field(default=(), repr=False, kw_only=True)

    @property
    def diff(self) -> str:
        """The changes as a unified diff."""
        return "".join(change.diff() for change in self.changes)

    def write(self) -> None:
        """Write the files, whole or not at all.

        Raises:
            TreeError: a file was changed since it was read.
            OSError: a file cannot be written.
        """
        write_all(self.changes)


def _shown(text: str) -> list[str]:
    return [line + "\n" for line in LINE_END.sub("\n", text).removesuffix("\n").split("\n")]


def write_all(changes: Sequence[FileChange]) -> None:
    """Write the new texts of files: all of them, or none.

    Each is first written completely beside its file and synced to the disk. Only then do they
    replace the files, one by one; if one fails, those before it are restored.

    Raises:
        TreeError: a file was changed or removed since it was read.
        OSError: a file cannot be written.
    """
    ready: list[tuple[FileChange, Path, Path]] = []
    done: list[tuple[FileChange, Path]] = []
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


def _unchanged(change: FileChange, target: Path) -> None:
    """Raise if the file is not the one that the change was made from."""
    try:
        here: bytes | None = target.read_bytes()
    except FileNotFoundError:
        here = None
    if here == change.raw:
        return
    if change.raw is None:
        raise TreeError(
            "This file already exists.",
            path=change.path,
            remedy="Choose another name, or move it away.",
        )
    raise TreeError(
        "The file was changed meanwhile; nothing was written.",
        path=change.path,
        remedy="Check the file, then repeat the command.",
    )


def _beside(target: Path, data: bytes) -> Path:
    """Write new bytes to a file in the same folder and sync it to the disk."""
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


def _put_back(change: FileChange, target: Path) -> None:
    if change.raw is None:
        target.unlink(missing_ok=True)
    else:
        _beside(target, change.raw).replace(target)


def _settle(folder: Path) -> None:
    """Sync the names of a folder to the disk, if the system can."""
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
