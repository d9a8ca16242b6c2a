"""What the commands of the record share: options, tables, and how much is done."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from typing import Any

import click

from faulttree.cli.options import json_option, library_option, record_option
from faulttree.cli.places import RecordOptions


def common(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options of every command of the record, given to it as one ``options``."""

    @wraps(command)
    def run(*, record: str | None, library: tuple[str, ...], as_json: bool, **said: Any) -> Any:
        return command(options=RecordOptions(library, record, as_json), **said)

    return record_option(library_option(json_option(run)))


def width() -> int:
    """Columns of the terminal, 100 where there is none."""
    return shutil.get_terminal_size((100, 24)).columns


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a list, as wide as the terminal; whole where output is no terminal."""
    from faulttree.texts import table as set_table

    return set_table(rows, width() if sys.stdout.isatty() else 10_000)


@contextmanager
def bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar on standard error where that is a terminal, told how much of how much."""
    with click.progressbar(
        length=1, label=label, file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as progress:

        def show(done: int, total: int) -> None:
            progress.length = max(total, 1)
            progress.update(max(done - progress.pos, 0))

        yield show
