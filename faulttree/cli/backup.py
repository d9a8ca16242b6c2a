"""``faulttree backup``: a checked copy of the record."""

from __future__ import annotations

from pathlib import Path

import click

from faulttree.cli.cases_common import common
from faulttree.cli.options import now, say, say_json
from faulttree.cli.places import RecordOptions
from faulttree.texts import counted


@click.command(epilog="Example: faulttree backup /media/stick/record.sqlite")
@click.argument("file", type=click.Path(dir_okay=False))
@click.option(
    "--every",
    type=click.IntRange(1),
    metavar="DAYS",
    help="Ask for a new backup when the last is older than this. [default: 7]",
)
@common
def command(file: str, every: int | None, options: RecordOptions) -> None:
    """Copy the record and its journal to FILE, and check the copy. Walks may go on meanwhile.

    An earlier backup of the same record is replaced; any other file is refused. Keep the backup
    on another disk than the record. The record and its journal contain the photos.
    """
    from faulttree.cases.repair.backup import back_up_record

    made = back_up_record(options.url, Path(file), at=now(), days=every)
    if options.as_json:
        say_json(made.as_dict())
        return
    held = f"{counted(made.cases, 'case')}, {counted(made.events, 'event')}"
    say(f"Backup made and checked: {made.path} ({held}).", to_people=True)
