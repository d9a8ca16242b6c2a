"""What all commands share: options and how results are printed."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from faulttree.texts import wrapped

Command = TypeVar("Command", bound=Callable[..., Any])


def library_option(command: Command) -> Command:
    """``--library DIR``: the library to put on top of the others; it may be repeated."""
    return click.option(
        "--library",
        metavar="DIR",
        multiple=True,
        help="Folder with trees/ and shared/; may be repeated, the first is on top. Beneath are "
        "those in $FAULTTREE_LIBRARY, the nearest parent folder with trees/, the library in "
        "bench.yaml, and the shipped one.",
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


def program() -> str:
    """What to type for this program: its name, or its path where the shell would not find it."""
    called = sys.argv[0]
    if Path(called).name != "faulttree" or shutil.which("faulttree"):
        return "faulttree"
    import shlex

    return shlex.quote(called)


def now() -> str:
    """The time, UTC, ISO 8601 to the millisecond."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def say_json(document: object) -> None:
    """Print the one JSON document of a command, harmful characters as their escapes."""
    import json

    from faulttree.texts import escaped

    click.echo(escaped(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False)))


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
