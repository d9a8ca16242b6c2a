"""What can be wrong with a record, in one message with place and remedy."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.exc import IntegrityError

from faulttree.cases.backends.urls import shown, sqlite_path, without_secret
from faulttree.errors import RecordError

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.walk.events import Event


MEMORY = ":memory:"


class SequenceTaken(RecordError):  # noqa: N818
    """Somebody else wrote this step of the case first.

    Attributes:
        case: id of the case.
        sequence: the position that was asked for.
        happened: the events that stand from that position on, oldest first.
    """

    def __init__(self, case: str, sequence: int, happened: Sequence[Event]) -> None:
        what = ", ".join(tells(event) for event in happened) or "another event"
        super().__init__(
            f"the case went on elsewhere meanwhile: {what}",
            remedy="Nothing of yours was written. Look at what happened, then answer again.",
        )
        self.case = case
        self.sequence = sequence
        self.happened = tuple(happened)


def tells(event: Event) -> str:
    """One event in a few words."""
    data = event.to_dict()
    parts = [str(data[key]) for key in ("step", "outcome", "fault", "result") if key in data]
    return f"{event.kind} {' '.join(parts)}".strip()


class NoSuchCase(RecordError):  # noqa: N818
    """No case of the record is meant by these words."""


class AmbiguousCase(RecordError):  # noqa: N818
    """Several cases are meant; ``cases`` holds them."""

    def __init__(self, words: str, cases: Sequence[Case]) -> None:
        names = "; ".join(f"case {case.number}: {case.title}" for case in cases[:6])
        more = "" if len(cases) <= 6 else f" and {len(cases) - 6} more"
        super().__init__(
            f"{words!r} means several cases: {names}{more}",
            remedy="Name one by its number, as in #14.",
        )
        self.cases = tuple(cases)


class NewerRecord(RecordError):  # noqa: N818
    """The record was written by a newer program."""


class CutOff(RecordError):  # noqa: N818
    """The server of the record cannot be reached now."""


class Hung(CutOff):
    """The server of the record took too long; asking it again would take as long."""


class Collision(RecordError):  # noqa: N818
    """Another bench wrote the same place first."""


class LostRace(RecordError):  # noqa: N818
    """The server made one of two transactions give way; it can be made again."""


SQLITE_SAYS: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_FULL: (
        "the disk is full, so nothing more can be recorded",
        "Make room, then answer again; all that was answered before is kept.",
    ),
    sqlite3.SQLITE_READONLY: (
        "the record is read-only",
        "Give yourself write permission on the file and its folder, or name another --record.",
    ),
    sqlite3.SQLITE_BUSY: (
        "the record is locked by another program",
        "Close the program that holds it, then answer again; nothing is lost.",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "the record is damaged",
        "Run `faulttree cases verify --repair`: a sound copy is made from what can be read "
        "and from the journal beside it.",
    ),
    sqlite3.SQLITE_NOTADB: (
        "this file is no record, or its beginning is damaged",
        "Name another --record; if it should be one, run `faulttree cases verify --repair`.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "the record cannot be opened",
        "See that the folder exists and that you may write in it, or name another --record.",
    ),
    sqlite3.SQLITE_IOERR: (
        "the disk refused to read or write the record",
        "See whether the disk is full, gone or failing; all that was answered before is kept.",
    ),
}
SQLITE_SAYS[sqlite3.SQLITE_LOCKED] = SQLITE_SAYS[sqlite3.SQLITE_BUSY]
SQLITE_SAYS[sqlite3.SQLITE_PERM] = SQLITE_SAYS[sqlite3.SQLITE_CANTOPEN]


def explained(error: BaseException, url: str) -> RecordError:
    """A driver's error as one message for people; passwords are struck out.

    Args:
        error: what SQLAlchemy or a driver raised.
        url: the record it was about.
    """
    origin = getattr(error, "orig", None) or error
    path = sqlite_path(url) if url != MEMORY else Path(MEMORY)
    if isinstance(error, IntegrityError):
        return Collision(
            f"another bench wrote into the record {shown(url)} at the same place",
            remedy="Look at what happened, then try again.",
        )
    if path is None:
        return server_error(error, origin, url)
    code = getattr(origin, "sqlite_errorcode", None)
    says = SQLITE_SAYS.get(code & 0xFF) if isinstance(code, int) else None
    if says is None:
        says = (f"the record cannot be used: {origin}", "Run `faulttree cases verify`.")
    return RecordError(says[0], path=path, remedy=says[1])


def server_error(error: BaseException, origin: BaseException, url: str) -> RecordError:
    """The same for a server."""
    state = getattr(origin, "sqlstate", None) or ""
    first = without_secret(str(origin), url).strip().splitlines()
    detail = first[0] if first else type(origin).__name__
    if is_refused(origin):
        return RecordError(
            f"the server of the record at {shown(url)} does not let this user in: {detail}",
            remedy="Correct user, password and name of the database: in the URL, in PostgreSQL's "
            "password file, or in PGPASSWORD.",
        )
    if lost(error):
        kind = Hung if type(origin).__name__ == "ConnectionTimeout" else CutOff
        return kind(
            f"the record at {shown(url)} cannot be reached: {detail}",
            remedy="See that the server runs and the network stands, then try again.",
        )
    if state.startswith("40"):
        return LostRace(
            f"the record at {shown(url)} is too busy: {detail}", remedy="Try again in a moment."
        )
    if state in BUSY:
        return CutOff(
            f"the record at {shown(url)} is {BUSY[state]}: {detail}",
            remedy="End the session that holds its tables, then answer again; nothing is lost.",
        )
    if state.startswith("53"):
        return RecordError(
            f"the server of the record at {shown(url)} is out of room: {detail}",
            remedy="Make room on the server, then answer again; what was answered before is kept.",
        )
    if state in {"42501", "25006"}:
        return RecordError(
            f"the record at {shown(url)} may not be written: {detail}",
            remedy="Ask for the right to write, or name another --record.",
        )
    return RecordError(
        f"the record at {shown(url)} cannot be used: {detail}",
        remedy="Run `faulttree cases verify`.",
    )


BUSY = {"55P03": "locked by another session", "57014": "too slow to answer"}
"""SQLSTATE of a time-out on the server: the bench goes on as if it were away."""


def is_refused(origin: BaseException) -> bool:
    """Whether the server was reached and refused the user: waiting for it cannot help.

    The protocol gives no SQLSTATE for an attempt to connect, and the text is in the server's
    language; that the server asked for a password shows that it was reached.
    """
    state = getattr(origin, "sqlstate", None)
    if state is not None:
        return str(state).startswith(("28", "3D"))
    attempt = getattr(origin, "pgconn", None)
    return attempt is not None and bool(attempt.used_password or attempt.needs_password)


GONE = ("08", "57P")
"""SQLSTATE classes of a server that is away or going down."""


def lost(error: BaseException) -> bool:
    """Whether the connection is gone, so that trying again later can help."""
    origin = getattr(error, "orig", None) or error
    if getattr(error, "connection_invalidated", False):
        return True
    state = getattr(origin, "sqlstate", None)
    if state is None:
        return type(origin).__name__ in {"OperationalError", "ConnectionTimeout", "PoolTimeout"}
    return str(state).startswith(GONE)
