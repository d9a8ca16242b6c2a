"""``faulttree suspect``: what others suspect, added and listed with its standing."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cases_common import bar, common, table
from faulttree.cli.cause_options import cause_of, cause_options, pair, test_of
from faulttree.cli.options import say, say_json
from faulttree.cli.places import RecordOptions, open_library
from faulttree.cli.prompter import Prompter, show_diff
from faulttree.cli.writing import WriteOptions, today, within, writing_without_record

if TYPE_CHECKING:
    from faulttree.authoring.operations.suspects import SuspectAddition
    from faulttree.authoring.suspect_standing import SuspectStanding


KINDS = ("reported", "documented", "contradicted")


@click.group(epilog="Example: faulttree suspect list bench-supply/no-output")
def command() -> None:
    """Add suspected faults, and list them with their status in the record."""


@command.command(
    "add",
    short_help="Add a suspect to a tree, or to all trees of a module.",
    epilog="Example: faulttree suspect add bench-supply/no-output --title 'Relay joint cracked' "
    "--source 'a visitor' --yes\n\n"
    "Example: faulttree suspect add bridge-and-reservoir --title 'Vent glued over' "
    "--source 'a colleague' --yes\n\n"
    "Example: faulttree suspect add bench-supply/no-output --title 'Diode open' --part D5 "
    "--source 'a visitor' --use diode-test --exit bad",
)
@click.argument("target", metavar="TREE|MODULE")
@click.option("--source", help="Who said so, or where it is written.")
@click.option("--date", help="The day it was said, as YYYY-MM-DD. [default: today]")
@click.option(
    "--kind",
    type=click.Choice(KINDS),
    default="reported",
    show_default=True,
    help="What kind of evidence it is.",
)
@click.option("--reason", help="What speaks for it, or why it is contradicted.")
@partial(cause_options, leave=("--source", "--reading", "--confirm", "--seen"))
@click.option(
    "--at",
    metavar="STEP=OUTCOME",
    help="Where to put the test. [default: the end of a unit that passed the other tests]",
)
@click.option("--even-so", is_flag=True, help="Write despite warnings of the rules.")
@writing_without_record
def add(
    target: str,
    at: str | None,
    even_so: bool,
    options: WriteOptions,
    **said: Any,
) -> int:
    """Add a suspect to TREE, or to every tree of MODULE, with its source.

    Without a test it is a suspect without a step: every walk that ends without a fault names
    it. A reported fault never counts as confirmed; only a proven repair does.
    """
    from faulttree.authoring.operations.suspects import Statement, add_suspect

    found = options.own_library()
    asking = options.asking()
    cause = cause_of(said)
    if asking and not cause.title and not cause.fault:
        cause = replace(cause, title=asking.text("What is suspected", needed=True))
    source = said["source"] or (asking.text("Who said so", needed=True) if asking else "")
    test = test_of(said)
    addition = add_suspect(
        found,
        target,
        cause,
        Statement(source, said["date"] or today(), said["kind"], said["reason"] or ""),
        test=test if test.told else None,
        at=pair(at, "--at"),
        even_so=even_so,
    )
    text = f"Suspect {addition.fault}\n\n{source}: {cause.title or addition.fault}\n"
    told = options.settle(
        addition, found.root, text, asking, lambda place: _show(place, addition, found.root)
    )
    if options.as_json:
        say_json({**addition.as_dict(), **told})
        return 0
    for tree, what in addition.trees:
        say(f"{tree}: {addition.fault}, {what}")
    return 0 if told["written"] else 1


def _show(told: Prompter, addition: SuspectAddition, root: Path) -> None:
    """What is to be added, for people."""
    for change in addition.changes:
        show_diff(told.place, change.diff(within(change.path, root)))
    if addition.place is not None:
        told.tell(f"The test is put {addition.place}.")
    if addition.unsaid:
        listed = "`, `".join(addition.unsaid)
        told.tell(
            f"The exits `{listed}` lead to the next step too (--lead EXIT=TARGET).", "warning"
        )


@command.command(
    "list",
    short_help="List suspects with their status.",
    epilog="Example: faulttree suspect list --module bridge-and-reservoir",
)
@click.argument("trees", nargs=-1, metavar="[TREE]...")
@click.option("--module", default="", help="Only suspects of this module.")
@click.option("--all", "everything", is_flag=True, help="Every fault, also confirmed ones.")
@common
def list_them(
    trees: tuple[str, ...], module: str, everything: bool, options: RecordOptions
) -> None:
    """List suspects with their status: how often tested, found, cleared, or contradicted.

    A suspect is a fault that was reported or contradicted, or that no step leads to.
    """
    from faulttree.authoring.suspect_standing import list_suspects
    from faulttree.cli.revisit import load

    found = load(open_library(options.library), trees)
    with options.store(read_only=True) as store, bar("Looking") as show:
        listed = list_suspects(store, found, module=module, everything=everything, progress=show)
    if options.as_json:
        say_json({"suspects": [one.as_dict() for one in listed]})
        return
    if not listed:
        say("No suspects.", to_people=True)
        return
    rows = [("tree", "suspect", "standing", "tested", "found", "cleared", "who said so")]
    for line in table([*rows, *map(_row, listed)]):
        say(line)
    for one in listed:
        for reason in one.contradicted:
            say(f"{one.tree} {one.fault}, contradicted: {reason}")


def _row(one: SuspectStanding) -> tuple[str, ...]:
    who = next((said.get("source", "") for said in one.evidence if said["kind"] == "reported"), "")
    name = f"{one.fault} (loose)" if one.loose else one.fault
    counts = (str(one.tested), str(one.found), str(one.cleared))
    return (one.tree, name, one.standing, *counts, who)
