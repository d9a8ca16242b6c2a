"""``faulttree suspect``: what others suspect, added and listed with its standing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.authoring_common import (
    Asking,
    Writing,
    agreed,
    console,
    keep_in_git,
    pair,
    procedure_told,
    sharing,
    show_diff,
    today,
    within,
    words,
    writing_without_record,
)
from faulttree.cli.cases_common import bar, common, table
from faulttree.cli.options import say, say_json
from faulttree.cli.places import open_library, open_record

if TYPE_CHECKING:
    from faulttree.authoring.cause import Test
    from faulttree.authoring.operations.suspects import SuspectAddition
    from faulttree.authoring.suspect_standing import SuspectStanding
    from faulttree.tree import Library, Tree

__all__ = ["command"]

KINDS = ("reported", "documented", "contradicted")


@click.group(epilog="Example: faulttree suspect list bench-supply/no-output")
def command() -> None:
    """Add what others suspect, and list it with its standing in the record."""


@command.command(
    "add",
    short_help="Put a suspect into a tree, or into those of a module.",
    epilog="Example: faulttree suspect add bench-supply/no-output --title 'Relay joint cracked' "
    "--source 'a visitor' --yes\n\n"
    "Example: faulttree suspect add bridge-and-reservoir --title 'Vent glued over' "
    "--source 'a colleague' --yes\n\n"
    "Example: faulttree suspect add bench-supply/no-output --title 'Diode open' --part D5 "
    "--source 'a visitor' --use diode-test --exit bad",
)
@click.argument("target", metavar="TREE|MODULE")
@click.option("--fault", help="Id of the suspect; one that is known gets more evidence.")
@click.option("--title", help="What is suspected, in a few words.")
@click.option("--remedy", help="What would mend it, where that is known.")
@click.option("--part", help="The part, as the board or the sheet names it.")
@click.option("--module", help="The module it belongs to.")
@click.option("--weight", type=float, help="How common it is. [default: the least of the others]")
@click.option("--source", help="Who said so, or where it stands.")
@click.option("--date", help="The day it was said, as YYYY-MM-DD. [default: today]")
@click.option(
    "--kind",
    type=click.Choice(KINDS),
    default="reported",
    show_default=True,
    help="What kind of evidence it is.",
)
@click.option("--reason", help="What speaks for it, or why it is contradicted.")
@click.option("--step", help="Id of the step that tests it. [default: made from its words]")
@click.option("--ask", help="The question that would show it.")
@click.option("--measure", help="The measurement that would show it.")
@sharing
@click.option("--shows", help="The answer or outcome that it would give.")
@click.option("--fine", help="The answer that a good unit gives.")
@click.option("--min", "minimum", help="Limits of a good reading: the least.")
@click.option("--max", "maximum", help="Limits of a good reading: the largest.")
@click.option("--how", help="How to do the test, and what to watch.")
@click.option("--minutes", type=float, help="How long the test takes.")
@click.option("--needs", multiple=True, metavar="NAME", help="Test gear; may be given again.")
@click.option("--cautions", multiple=True, metavar="NAME", help="Cautions that hold at the test.")
@click.option("--access", multiple=True, metavar="NAME", help="States the unit must be in.")
@click.option("--after", multiple=True, metavar="STEP", help="Steps that must come first.")
@click.option("--live", is_flag=True, help="The unit is powered for the test.")
@click.option("--at", metavar="STEP=OUTCOME", help="Where the test comes. [default: cheapest end]")
@click.option("--even-so", is_flag=True, help="Write although the rules warn of it.")
@writing_without_record
def add(
    target: str,
    at: str | None,
    even_so: bool,
    manner: Writing,
    **said: Any,
) -> int:
    """Put a suspect into TREE, or into every tree of MODULE, with who said so.

    Without a test it is a loose suspect: every walk that ends without a fault names it.
    Reported never counts as confirmed; only a repair that held does.
    """
    from faulttree.authoring.cause import Cause
    from faulttree.authoring.operations.suspects import Statement, add_suspect

    found = manner.shelf()
    asking = manner.asking()
    title = said["title"] or ("" if said["fault"] or not asking else _asked(asking, "title"))
    source = said["source"] or (_asked(asking, "source") if asking else "")
    cause = Cause(
        fault=said["fault"] or "",
        title=title,
        remedy=said["remedy"] or "",
        part=said["part"] or "",
        module=said["module"] or "",
        weight=said["weight"],
    )
    addition = add_suspect(
        found,
        target,
        cause,
        Statement(source, said["date"] or today(), said["kind"], said["reason"] or ""),
        test=_test(said),
        at=pair(at, "--at"),
        even_so=even_so,
    )
    done = _settled(addition, found.root, asking, yes=manner.yes, as_json=manner.as_json)
    made = ""
    if done:
        from faulttree.tree.edit import write_all

        write_all(addition.changes)
        text = f"Suspect {addition.fault}\n\n{source}: {title or addition.fault}\n"
        made = keep_in_git(found.root, addition.changes, text, asking, asked=manner.commit)
    if manner.as_json:
        say_json({**addition.as_dict(), "written": done, "commit": made or None})
        return 0
    for tree, what in addition.trees:
        say(f"{tree}: {addition.fault}, {what}")
    return 0 if done else 1


def _asked(asking: Asking, what: str) -> str:
    question = {"title": "What is suspected", "source": "Who said so"}[what]
    return asking.text(question, needed=True)


def _test(said: dict[str, Any]) -> Test | None:
    from faulttree.authoring.cause import Test

    shared = procedure_told(said)
    if not said["ask"] and not said["measure"] and not shared:
        return None
    limits = {"min": said["minimum"], "max": said["maximum"]}
    test = Test(
        step=said["step"] or "",
        ask=said["ask"] or "",
        measure=said["measure"] or "",
        shows=said["shows"] or "",
        fine=said["fine"] or "",
        limits={key: value for key, value in limits.items() if value},
        how=said["how"] or "",
        minutes=said["minutes"],
        needs=words(said["needs"]),
        cautions=words(said["cautions"]),
        access=words(said["access"]),
        after=words(said["after"]),
        live=said["live"],
    )
    return replace(test, **shared)


def _settled(
    addition: SuspectAddition, root: Path, asking: Asking | None, *, yes: bool, as_json: bool
) -> bool:
    """Whether it is to be written, once it was shown."""
    if as_json:
        return yes
    told = asking or Asking(console(plain=True, to_people=True))
    for change in addition.changes:
        show_diff(told.place, change.diff(within(change.path, root)))
    if addition.place is not None:
        told.tell(f"Its test comes {addition.place}.")
    if addition.unsaid:
        listed = "`, `".join(addition.unsaid)
        told.tell(f"Its exits `{listed}` lead onward too (--lead EXIT=TARGET).", "warning")
    return yes if asking is None else agreed(asking, editable=False) == "yes"


@command.command(
    "list",
    short_help="List suspects with their standing.",
    epilog="Example: faulttree suspect list --module bridge-and-reservoir",
)
@click.argument("trees", nargs=-1, metavar="[TREE]...")
@click.option("--module", default="", help="Only suspects of this module.")
@click.option("--all", "everything", is_flag=True, help="Every fault, confirmed ones too.")
@common
def list_them(
    trees: tuple[str, ...],
    module: str,
    everything: bool,
    record: str | None,
    library: tuple[str, ...],
    as_json: bool,
) -> None:
    """List suspects with their standing: how often tested, found, cleared, or contradicted.

    A suspect is a fault that somebody reported or contradicted, or that no step leads to.
    """
    from faulttree.authoring.suspect_standing import list_suspects

    found = _loaded(open_library(library), trees)
    with open_record(record, library=library, read_only=True) as store, bar("Looking") as show:
        listed = list_suspects(store, found, module=module, everything=everything, progress=show)
    if as_json:
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
            say(f"{one.tree} {one.fault}, not so: {reason}")


def _row(one: SuspectStanding) -> tuple[str, ...]:
    who = next((said.get("source", "") for said in one.evidence if said["kind"] == "reported"), "")
    name = f"{one.fault} (loose)" if one.loose else one.fault
    counts = (str(one.tested), str(one.found), str(one.cleared))
    return (one.tree, name, one.standing, *counts, who)


def _loaded(library: Library, names: tuple[str, ...]) -> list[Tree]:
    from faulttree.cli.revisit import load

    return load(library, names)
