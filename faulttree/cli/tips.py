"""``faulttree tips``: remarks of others, sorted into tests worth making."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.cli.cases_common import common
from faulttree.cli.options import say, say_json
from faulttree.cli.places import RecordOptions, open_library

if TYPE_CHECKING:
    from faulttree.tips.remarks import Remark
    from faulttree.tips.sorting import SortedGroup, SortedRemarks
    from faulttree.tree import Library, Tree
    from faulttree.walk.state import State


@click.group(epilog="Example: faulttree tips sort remarks.txt --tree bench-supply/no-output")
def command() -> None:
    """Sort what others say of a unit into tests worth making."""


@command.command(
    "sort",
    short_help="Sort remarks into suspects, with the tests that settle them.",
    epilog="Example: faulttree tips sort remarks.txt --tree bench-supply/no-output\n\n"
    "Example: faulttree tips sort remarks.jsonl --case 14 --json",
)
@click.argument("file", metavar="FILE")
@click.option("--tree", "tree_id", metavar="TREE", help="The tree of the unit's complaint.")
@click.option("--case", metavar="CASE", help="The case: its tree, and what it has seen so far.")
@common
def sort(file: str, tree_id: str | None, case: str | None, options: RecordOptions) -> int:
    """Sort the remarks of FILE into suspects, each with the test that settles it soonest.

    FILE is text with one remark a line or paragraph, CSV or JSON Lines (text, author, date,
    unit); `-` reads pasted text. Without --tree and --case the remarks stand alone. Remarks
    without a test, and unsafe ones, are set apart; nothing becomes confirmed by being said.
    """
    from faulttree.tips.sorting import sort_remarks
    from faulttree.tips.thesaurus import thesaurus_of

    if tree_id and case:
        raise click.UsageError("--tree and --case exclude each other.")
    library = open_library(options.library)
    remarks = _remarks(file)
    tree, state = _place(library, tree_id, case, options)
    found = sort_remarks(remarks, thesaurus_of(library), tree=tree, state=state)
    if options.as_json:
        say_json(found.as_dict())
    else:
        _tell(found)
    return 0 if found.groups else 1


def _remarks(file: str) -> tuple[Remark, ...]:
    from faulttree.tips.remarks import read_remarks, remarks_in

    if file != "-":
        return read_remarks(Path(file))
    if sys.stdin.isatty():
        say("Paste the remarks, one a line or paragraph; end with Ctrl-D.", to_people=True)
    return remarks_in(sys.stdin.read())


def _place(
    library: Library, tree_id: str | None, case: str | None, options: RecordOptions
) -> tuple[Tree | None, State | None]:
    """The tree, and the walk of the case."""
    if case is None:
        return (library.load(tree_id) if tree_id else None), None
    from faulttree.cases.historical_tree import tree_of
    from faulttree.walk.fold import fold

    with options.store(read_only=True) as store:
        found = store.find(case)
        tree = tree_of(store, found.tree_hash) or library.load(found.tree)
        return tree, fold(tree, store.events(found.id))


def _tell(found: SortedRemarks) -> None:
    """The sorted remarks, for people."""
    for place, group in enumerate(found.groups, 1):
        _tell_group(place, group, found)
    text = {one.number: one.text for one in found.remarks}
    for number, hazards in found.unsafe.items():
        say(f"\nNot safe, never a step: {_quoted(text[number])}", wrap=True)
        for hazard in hazards:
            say(f"  {hazard.caution}", wrap=True)
    for title, numbers in (
        ("No test in these; thanks all the same:", found.no_test),
        ("Questions about the unit, worth an answer:", found.questions),
        ("Something to do, but no suspect named:", found.unplaced),
    ):
        if numbers:
            say(f"\n{title}")
        for number in numbers:
            say(f"  {number}: {_quoted(text[number])}", wrap=True)


def _tell_group(place: int, group: SortedGroup, found: SortedRemarks) -> None:
    named = f" [{group.fault}]" if group.fault else " [new]" if not group.candidates else ""
    say(f"{place}. {group.suspect}{named}")
    say(f"   {group.why}", wrap=True)
    if not group.fault and group.candidates:
        say(f"   May be one of: {', '.join(group.candidates)}", wrap=True)
    if group.test is not None:
        cautions = ", ".join(group.test["cautions"])
        what = group.test["step"] or "as said"
        say(f"   Test ({what}, {group.test['minutes']:.3g} min): {_quoted(group.test['text'])}",
            wrap=True)  # fmt: skip
        if cautions:
            say(f"   Cautions: {cautions}", wrap=True)
    who = {one.number: f" ({one.author})" if one.author else "" for one in found.remarks}
    said = ", ".join(f"{number}{who[number]}" for number in group.remarks)
    say(f"   Remarks: {said}", wrap=True)


def _quoted(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= 160 else f"{flat[:157]}…"
