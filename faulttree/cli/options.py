"""What all commands share: options, the record and library they name, how results are said."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.tree import Library

__all__ = [
    "json_option",
    "library_option",
    "now",
    "open_library",
    "open_record",
    "record_option",
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
        "[default: $FAULTTREE_RECORD, this user's data folder]",
    )(command)


def json_option(command: Command) -> Command:
    """``--json``: one JSON document on standard output and nothing else there."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")(command)


def open_library(library: str | None) -> Library:
    """The library that ``--library``, the environment or the working directory names."""
    from faulttree.tree import find_library

    return find_library(library, os.environ, Path.cwd())


def open_record(record: str | None, *, read_only: bool = False) -> Store:
    """The store that ``--record`` or the environment names."""
    from faulttree.cases import default_url, open_store

    return open_store(record or default_url(os.environ), read_only=read_only)


def now() -> str:
    """The time, UTC, ISO 8601 to the millisecond."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def say_json(document: object) -> None:
    """Print the one JSON document of a command."""
    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def say(text: str, *, to_people: bool = False) -> None:
    """Print text made harmless; ``to_people`` sends it to standard error."""
    from faulttree.texts import harmless

    click.echo(harmless(text), file=sys.stderr if to_people else sys.stdout)
