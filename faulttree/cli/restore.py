"""``faulttree restore``: a backup put at the place of the record."""

from __future__ import annotations

from pathlib import Path

import click

from faulttree.cli.cases_common import common
from faulttree.cli.options import say, say_json
from faulttree.cli.places import RecordOptions
from faulttree.texts import counted


@click.command(epilog="Example: faulttree restore /media/stick/record.sqlite")
@click.argument("file", type=click.Path(dir_okay=False))
@common
def command(file: str, options: RecordOptions) -> None:
    """Put the backup FILE at the place of the record. The record that was there is kept.

    No program may have the record open. The command names the file where the former record is
    now, and how to add the cases that only it has.
    """
    from faulttree.cases.repair.backup import restore_record

    made = restore_record(Path(file), options.url)
    if options.as_json:
        say_json(made.as_dict())
        return
    held = f"{counted(made.cases, 'case')}, {counted(made.events, 'event')}"
    say(f"Restored: {made.path} ({held}).", to_people=True)
    if made.aside:
        say(f"The former record is now {made.aside}.", to_people=True)
        say("To add what only it has, import its journal:", to_people=True)
        say(f"faulttree cases import {made.aside}.events.jsonl", to_people=True)
