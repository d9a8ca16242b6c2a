"""What a command works on: the libraries, the record and the bench that it was given."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.cli.options import now, say
from faulttree.errors import FaulttreeError, RecordError

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.reading import Bench
    from faulttree.tree import Document, Library


def open_library(library: Sequence[str] = ()) -> Library:
    """The libraries that options, environment and working directory name, as one."""
    from faulttree.tree import find_library

    return find_library(library, os.environ, Path.cwd())


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """The options of a command that uses the record.

    Attributes:
        library: what ``--library`` says.
        record: what ``--record`` says.
        as_json: print one document.
    """

    library: tuple[str, ...]
    record: str | None
    as_json: bool

    @property
    def url(self) -> str:
        """Where the record is."""
        return record_url(self.record, self.library)

    def store(self, *, read_only: bool = False) -> Store:
        """The record, opened."""
        return open_record(self.record, library=self.library, read_only=read_only)


def open_record(
    record: str | None,
    *,
    read_only: bool = False,
    library: Sequence[str] = (),
    in_bench: str | None = None,
    alone: bool = False,
    held: bool = False,
) -> Store:
    """The store that ``--record``, the environment or the library's ``bench.yaml`` names.

    Args:
        record: what ``--record`` says.
        read_only: never write, not even a missing file.
        library: what ``--library`` says.
        in_bench: the record that a bench file names, where it was read already.
        alone: go on without a server that is away; see :func:`faulttree.cases.open_store`.
        held: the caller holds the lock of the file itself.
    """
    from faulttree.cases import open_store
    from faulttree.cases.backends.urls import data_folder, has_secret, is_sqlite

    url = record_url(record, library, in_bench)
    if record and has_secret(record):
        say(f"faulttree: {SEEN_BY_OTHERS}", to_people=True)
    folder = None if is_sqlite(url) else data_folder(os.environ) / "unsent"
    store = open_store(url, read_only=read_only, folder=folder, alone=alone, held=held)
    store.wait = None if read_only else wait_for_server
    store.tell = lambda warning: say(f"faulttree: {warning}.", to_people=True)
    for line in _told_at_opening(store):
        say(line, to_people=True)
    if not read_only:
        _finish_write_ups(store, library)
    return store


SEEN_BY_OTHERS = (
    "others on this computer can read the password in --record while the program runs. Leave it "
    "out, and use PostgreSQL's password file or PGPASSWORD."
)


def _told_at_opening(store: Store) -> Iterator[str]:
    """What people must know of a record that was just opened."""
    if store.away:
        yield f"{store.away}."
        yield (
            "New cases are kept on this bench, under numbers of their own, and are sent when the "
            "server is back."
        )
    yield from (f"{line}." for line in store.notices)
    yield from (f"{line}: missing from the record, restored" for line in store.brought_back)


MANY = 20
"""Below this number of cases, a walk does not remind of a backup."""


def say_age_of_backup(store: Store, *, at_least: int = 0) -> None:
    """Say when a record in a file needs a new backup; nothing of one with few cases."""
    from faulttree.cases.backends.urls import is_sqlite

    if not is_sqlite(store.url) or store.count() < at_least:
        return
    from faulttree.cases.repair.backup import age_of_backup

    age = age_of_backup(store, now())
    if age.is_old:
        last = "No backup was made yet" if age.days is None else f"The last is {age.days} days old"
        say(f"{last}: make one with `faulttree backup FILE`.", to_people=True)


def _finish_write_ups(store: Store, library: Sequence[str]) -> None:
    """Complete or take back a write-up that a program left unfinished."""
    root = open_library(library).root
    if (root / ".write-up").is_dir():
        from faulttree.authoring.pending import finish_write_ups

        for line in finish_write_ups(root, store):
            say(f"{line}.", to_people=True)


def record_url(record: str | None, library: Sequence[str] = (), in_bench: str | None = None) -> str:
    """``--record``, else ``$FAULTTREE_RECORD``, else ``bench.yaml``, else the user's own file."""
    from faulttree.cases import default_url

    if named := record or os.environ.get("FAULTTREE_RECORD"):
        return named
    if in_bench is None:
        in_bench = record_in_bench(library)
    return in_bench or default_url(os.environ)


def record_in_bench(library: Sequence[str]) -> str:
    """The record that the library's ``bench.yaml`` names; empty where none does.

    Raises:
        FaulttreeError: the file is there and cannot be read: better no record than the wrong one.
    """
    path = bench_of(open_library(library))
    if path is None:
        return ""
    from faulttree.tree import read_document

    data = read_document(path).data
    return beside(path, str(data.get("record") or "")) if isinstance(data, dict) else ""


def bench_of(library: Library) -> Path | None:
    """The ``bench.yaml`` of the topmost library that has one."""
    files = (layer.root / "bench.yaml" for layer in library.layers)
    return next((file for file in files if file.is_file()), None)


def beside(file: Path, record: str) -> str:
    """A record named in a file: a relative path starts from the file's own folder."""
    plain = record and "://" not in record
    return str(file.parent / Path(record).expanduser()) if plain else record


def places_named(**places: str | Sequence[str] | None) -> str:
    """The options that name places, to be typed again: `` --record shop.db``; empty for none.

    A record's URL stands there without its password.
    """
    from faulttree.cases.backends.urls import to_type_again

    named = [
        (name, to_type_again(at) if name == "record" else at)
        for name, given in places.items()
        for at in ([given] if isinstance(given, str) else given or ())
        if at
    ]
    return "".join(f" --{name} {shlex.quote(at)}" for name, at in named)


TRIES = 4


def wait_for_server(problem: FaulttreeError, tried: int) -> bool:
    """Say that the record's server is away and pause; False once it was tried often enough."""
    import time

    say(problem.message, to_people=True)
    if tried >= TRIES:
        say("Answers are kept on this bench and sent when the server is back.", to_people=True)
        return False
    seconds = 2 ** (tried - 1)
    say(f"Trying again in {seconds} s …", to_people=True)
    time.sleep(seconds)
    return True


def read_bench_file(named: str | None, library: Library) -> Bench | None:
    """The instruments declared in ``bench.yaml``: the file named, or the library's own.

    Raises:
        FaulttreeError: the file is missing though named, or says what cannot be understood.
    """
    path = Path(named) if named else bench_of(library)
    if path is None:
        return None
    from faulttree.reading import read_bench
    from faulttree.tree import read_document, shape_of

    document = read_document(path, shape=shape_of("bench"))
    try:
        return read_bench(document.data)
    except FaulttreeError as error:
        raise placed(error, document) from None


def placed(error: FaulttreeError, document: Document) -> FaulttreeError:
    """An error with the file, line and column that its keys lead to.

    What is wrong with the record has no place in the file.
    """
    if error.path is None and not isinstance(error, RecordError):
        error.path = document.path
        error.line, error.column = document.place(error.key)
    return error
