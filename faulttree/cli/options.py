"""What all commands share: options, the record and library they name, how results are said."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from faulttree.texts import wrapped

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.errors import FaulttreeError
    from faulttree.tree import Library

__all__ = [
    "json_option",
    "library_option",
    "now",
    "open_library",
    "open_record",
    "places_named",
    "program",
    "record_option",
    "record_url",
    "say",
    "say_json",
]

Command = TypeVar("Command", bound=Callable[..., Any])


def library_option(command: Command) -> Command:
    """``--library DIR``: which trees are meant."""
    return click.option(
        "--library",
        metavar="DIR",
        help="Folder that holds trees/ and shared/. "
        "[default: $FAULTTREE_LIBRARY, the nearest parent folder with trees/, the shipped one]",
    )(command)


def record_option(command: Command) -> Command:
    """``--record URL``: where cases are kept."""
    return click.option(
        "--record",
        metavar="URL",
        help="Record of cases: a file, or a database URL. "
        "[default: $FAULTTREE_RECORD, the record in bench.yaml, this user's data folder]",
    )(command)


def json_option(command: Command) -> Command:
    """``--json``: one JSON document on standard output and nothing else there."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")(command)


def open_library(library: str | None) -> Library:
    """The library that ``--library``, the environment or the working directory names."""
    from faulttree.tree import find_library

    return find_library(library, os.environ, Path.cwd())


def open_record(
    record: str | None,
    *,
    read_only: bool = False,
    library: str | None = None,
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
        say(
            "faulttree: others on this computer can read the password in --record while the "
            "program runs. Leave it out, and use PostgreSQL's password file or PGPASSWORD.",
            to_people=True,
        )
    folder = None if is_sqlite(url) else data_folder(os.environ) / "unsent"
    store = open_store(url, read_only=read_only, folder=folder, alone=alone, held=held)
    store.wait = None if read_only else wait_for_server
    if store.away:
        say(f"{store.away}.", to_people=True)
        say(
            "Cases begun here wait on this bench, under numbers of their own, and are sent when "
            "it is back.",
            to_people=True,
        )
    for line in store.notices:
        say(f"{line}.", to_people=True)
    for line in store.brought_back:
        say(f"{line}: missing from the record, brought back", to_people=True)
    return store


def record_url(record: str | None, library: str | None = None, in_bench: str | None = None) -> str:
    """``--record``, else ``$FAULTTREE_RECORD``, else ``bench.yaml``, else the user's own file."""
    from faulttree.cases import default_url

    if named := record or os.environ.get("FAULTTREE_RECORD"):
        return named
    if in_bench is None:
        in_bench = record_in_bench(library)
    return in_bench or default_url(os.environ)


def record_in_bench(library: str | None) -> str:
    """The record that the library's ``bench.yaml`` names; empty where none does.

    Raises:
        FaulttreeError: the file is there and cannot be read: better no record than the wrong one.
    """
    path = open_library(library).root / "bench.yaml"
    if not path.is_file():
        return ""
    from faulttree.tree import read_document

    data = read_document(path).data
    return beside(path, str(data.get("record") or "")) if isinstance(data, dict) else ""


def beside(file: Path, record: str) -> str:
    """A record named in a file: a relative path starts from the file's own folder."""
    plain = record and "://" not in record
    return str(file.parent / Path(record).expanduser()) if plain else record


def places_named(**places: str | None) -> str:
    """The options that name places, to be typed again: `` --record shop.db``; empty for none.

    A record's URL stands there without its password.
    """
    from faulttree.cases.backends.urls import to_type_again

    named = {name: at for name, at in places.items() if at}
    if "record" in named:
        named["record"] = to_type_again(named["record"])
    return "".join(f" --{name} {shlex.quote(at)}" for name, at in named.items())


def program() -> str:
    """What to type for this program: its name, or its path where the shell would not find it."""
    called = sys.argv[0]
    if Path(called).name != "faulttree" or shutil.which("faulttree"):
        return "faulttree"
    return shlex.quote(called)


TRIES = 4


def wait_for_server(problem: FaulttreeError, tried: int) -> bool:
    """Say that the record's server is away and pause; False once it was tried often enough."""
    import time

    say(problem.message, to_people=True)
    if tried >= TRIES:
        say("Answers are kept on this bench and sent when it is back.", to_people=True)
        return False
    seconds = 2 ** (tried - 1)
    say(f"Trying again in {seconds} s …", to_people=True)
    time.sleep(seconds)
    return True


def now() -> str:
    """The time, UTC, ISO 8601 to the millisecond."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def say_json(document: object) -> None:
    """Print the one JSON document of a command."""
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def say(text: str, *, to_people: bool = False, wrap: bool = False) -> None:
    """Print text made harmless; ``to_people`` sends it to standard error.

    With ``wrap`` its lines are broken between words where a terminal shows them; a pipe gets
    them whole, and so does whatever is there to be copied.
    """
    from faulttree.texts import harmless

    file = sys.stderr if to_people else sys.stdout
    shown = harmless(text)
    click.echo(_wrapped(shown) if wrap and file.isatty() else shown, file=file)


def _wrapped(text: str) -> str:
    """The text in lines no longer than the terminal is wide, each set in as it was."""
    columns = max(shutil.get_terminal_size().columns, 20)
    lines: list[str] = []
    for line in text.splitlines():
        inset = line[: len(line) - len(line.lstrip())]
        lines += wrapped(line.strip(), columns, inset, whole_words=True)
    return "\n".join(lines)
