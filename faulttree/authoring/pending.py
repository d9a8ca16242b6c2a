"""Write a tree file and close its case as one operation.

The intent is saved first, then the file is replaced, then the case is closed, then the
intent is removed. A program that ends in between leaves the intent, and the next one that opens
the record for writing completes it or takes it back. It does so only where the file is exactly
the intended text or the text before; otherwise it keeps both texts and names them.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faulttree.authoring.operations.write_up import record_ending
from faulttree.cases.backends.outbox import free, hold
from faulttree.cases.closing import Closing
from faulttree.cases.errors import NoSuchCase
from faulttree.errors import FaulttreeError
from faulttree.tree.edit import FileChange, write_all

if TYPE_CHECKING:
    from faulttree.authoring.proposal import TreeProposal
    from faulttree.cases import Store


FOLDER = ".write-up"
"""Folder in a library for write-ups that are not finished."""


@dataclass(frozen=True)
class _Intent:
    """The planned changes of one write-up.

    Attributes:
        case, number: the case.
        path: the tree file, relative to the library.
        before, after: SHA-256 of its bytes; ``before`` is empty where there is no file yet.
        text: the intended text.
        closing: how the case is to be closed; None if it is already closed.
        at: time of the write-up, UTC, ISO 8601.
    """

    case: str
    number: int
    path: str
    before: str
    after: str
    text: str
    closing: dict[str, Any] | None
    at: str


def write_and_close(proposal: TreeProposal, store: Store, root: Path, at: str) -> None:
    """Write the files of a proposal and close its case: both, or neither.

    Args:
        proposal: the accepted proposal; it may change no file.
        store: the record of the case.
        root: the folder of the library.
        at: time of the write-up, UTC, ISO 8601.

    Raises:
        TreeError: the file was changed by somebody else; nothing is written.
        RecordError: the case cannot be closed; the file is as it was before.
        OSError: the file cannot be written.
    """
    solved = proposal.solved
    if not proposal.changes:
        record_ending(store, solved.case.id, solved.closing, at)
        return
    (change,) = proposal.changes
    intent = _Intent(
        case=solved.case.id,
        number=solved.case.number,
        path=change.path.relative_to(root).as_posix(),
        before=_digest(change.raw),
        after=_digest(change.new),
        text=change.text,
        closing=asdict(solved.closing) if solved.closing is not None else None,
        at=at,
    )
    with _kept(root, intent) as file:
        try:
            write_all([change])
            record_ending(store, solved.case.id, solved.closing, at)
        except Exception:
            if _read(change.path) == change.new and not _closed(store, intent):
                _restore(change)
            file.unlink()
            raise
        file.unlink()


def finish_write_ups(root: Path, store: Store) -> Iterator[str]:
    """Complete or take back the write-ups of a library that a program left unfinished.

    Args:
        root: the folder of the library.
        store: the record, open for writing.

    Yields:
        One sentence for each, without its full stop.
    """
    for file in sorted((root / FOLDER).glob("*.json")):
        if free(file):
            yield _finish(root, file, store)


def _finish(root: Path, file: Path, store: Store) -> str:
    try:
        intent = _Intent(**json.loads(file.read_text(encoding="utf-8")))
    except (ValueError, TypeError):
        file.unlink()  # Written only in part: then the tree file was not touched yet.
        return "A write-up that had only begun was taken back; no file was changed"
    path = root / intent.path
    what, here = f"The write-up of case {intent.number}", _digest(_read(path))
    if here == intent.before:
        file.unlink()
        return f"{what} was interrupted and is taken back; {intent.path} is unchanged"
    if here != intent.after:
        kept = file.with_suffix(".text")
        kept.write_text(intent.text, encoding="utf-8")
        file.unlink()
        return (
            f"{what} was interrupted, and {intent.path} was changed since. The file is left as "
            f"it is, the text of the write-up is in {kept.relative_to(root)}, and the case is "
            "as it was"
        )
    try:
        if intent.closing is not None and not _closed(store, intent):
            closing = Closing(**{**intent.closing, "kept": tuple(intent.closing["kept"])})
            record_ending(store, intent.case, closing, intent.at)
    except NoSuchCase:
        return f"{what} is unfinished, and this record has no such case: name the right --record"
    except FaulttreeError as error:
        return f"{what} is unfinished: {error.message}"
    file.unlink()
    return f"{what} was interrupted and is completed now"


def _closed(store: Store, intent: _Intent) -> bool:
    """Whether the case is closed as intended, or need not be closed."""
    if intent.closing is None:
        return True
    case = store.case(intent.case)
    wanted = (intent.closing["result"], intent.closing["fault"])
    return case.state == "closed" and (case.result, case.fault) == wanted


@contextmanager
def _kept(root: Path, intent: _Intent) -> Iterator[Path]:
    """The intent on the disk, marked as in use by this program."""
    folder = root / FOLDER
    folder.mkdir(exist_ok=True)
    file = folder / f"{intent.case}.json"
    handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        hold(handle)
        os.write(handle, json.dumps(asdict(intent)).encode())
        os.fsync(handle)
        yield file
    finally:
        os.close(handle)
        with suppress(OSError):
            folder.rmdir()  # The folder is removed only if it is empty.


def _restore(change: FileChange) -> None:
    if change.raw is None:
        change.path.unlink()
    else:
        write_all([FileChange(change.path, change.new, change.before)])


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _digest(raw: bytes | None) -> str:
    return "" if raw is None else sha256(raw).hexdigest()
