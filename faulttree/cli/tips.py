"""``faulttree tips``: remarks of others, sorted into tests worth making."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cases_common import common
from faulttree.cli.options import say, say_json
from faulttree.cli.places import RecordOptions, open_library
from faulttree.cli.tips_case import keep, remarks_from, result, walked_case
from faulttree.cli.writing import WriteOptions, own_folder, today, within, writing_without_record

if TYPE_CHECKING:
    from faulttree.authoring.operations.suspects import SuspectAddition
    from faulttree.cli.prompter import Prompter
    from faulttree.tips.sorting import SortedGroup, SortedRemarks
    from faulttree.tree import Library, Tree
    from faulttree.walk.state import State


@click.group(epilog="Example: faulttree tips sort remarks.txt --tree bench-supply/no-output")
def command() -> None:
    """Sort what others say of a unit into tests worth making."""


command.add_command(keep)
command.add_command(result)


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
    remarks = remarks_from(file)
    tree, state = _place(library, tree_id, case, options)
    found = sort_remarks(remarks, thesaurus_of(library), tree=tree, state=state)
    if options.as_json:
        say_json(found.as_dict())
    else:
        _tell(found)
    return 0 if found.groups else 1


@command.command(
    "add",
    short_help="Keep suspects of the sorted remarks in the tree.",
    epilog="Example: faulttree tips add remarks.txt 1 --tree bench-supply/no-output\n\n"
    "Example: faulttree tips add remarks.txt --all --tree bench-supply/no-output",
)
@click.argument("file", metavar="FILE")
@click.argument("number", type=click.IntRange(1), metavar="[NUMBER]", required=False)
@click.option("--all", "every", is_flag=True, help="All suspects, one after the other.")
@click.option("--tree", "tree_id", metavar="TREE", required=True, help="The tree to add it to.")
@click.option("--contradicted", metavar="REASON", default="", help="It is not so, and why.")
@writing_without_record
def add(
    file: str,
    number: int | None,
    every: bool,
    tree_id: str,
    contradicted: str,
    options: WriteOptions,
) -> int:
    """Add the suspect with this NUMBER in `tips sort` to the tree, or all, as reported.

    If the tree has the fault, the source joins its evidence. A report confirms nothing. What
    is not added is named with the reason.
    """
    from faulttree.tips.sorting import sort_remarks
    from faulttree.tips.thesaurus import thesaurus_of

    if every == (number is not None):
        raise click.UsageError("give a NUMBER, or --all.")
    if every and contradicted:
        raise click.UsageError("--contradicted is for one suspect: give its NUMBER.")
    library = options.own_library()
    found = sort_remarks(remarks_from(file), thesaurus_of(library), tree=library.load(tree_id))
    if number is not None and number > len(found.groups):
        raise click.UsageError(f"there are {len(found.groups)} suspects, no number {number}.")
    if number is None:
        return _add_all(found, tree_id, options)
    told = _add_one(found, found.groups[number - 1], tree_id, contradicted, options)
    if options.as_json:
        say_json(told)
        return 0
    return 0 if told["written"] else 1


def _add_one(
    found: SortedRemarks,
    group: SortedGroup,
    tree_id: str,
    contradicted: str,
    options: WriteOptions,
) -> dict[str, Any]:
    """Add one suspect; the library is read again, as the suspect before may have changed it."""
    from faulttree.tips.applying import add_group

    library = options.own_library()
    addition = add_group(library, tree_id, found, group, today(), contradicted)
    text = f"Suspect {addition.fault}\n\nSorted from remarks of others.\n"
    told = options.settle(
        addition, library.root, text, options.asking(),
        lambda place: _show_addition(place, addition, library),
    )  # fmt: skip
    if not options.as_json:
        for tree, what in addition.trees:
            say(f"{tree}: {addition.fault}, {what}")
    return {**addition.as_dict(), **told}


def _add_all(found: SortedRemarks, tree_id: str, options: WriteOptions) -> int:
    """Add every suspect; tell which remarks are left, and why."""
    from faulttree.errors import FaulttreeError
    from faulttree.tips.keeping import NO_SUSPECT, NO_TEST, NOT_SAFE

    added, left = [], []
    for group in found.groups:
        try:
            added.append(_add_one(found, group, tree_id, "", options))
        except FaulttreeError as error:
            left.append({"suspect": group.suspect, "remarks": list(group.remarks),
                         "reason": error.message})  # fmt: skip
    placed = {number for group in found.groups for number in group.remarks}
    for reason, numbers in (
        (NOT_SAFE, found.unsafe), (NO_TEST, found.no_test),
        ("a question", found.questions), (NO_SUSPECT, found.unplaced),
    ):  # fmt: skip
        if rest := sorted(set(numbers) - placed):
            left.append({"suspect": "", "remarks": rest, "reason": reason})
    if options.as_json:
        say_json({"added": added, "left": left})
        return 0
    for one in left:
        listed = ", ".join(map(str, one["remarks"]))
        named = f"{one['suspect']} (remarks {listed})" if one["suspect"] else f"remarks {listed}"
        say(f"Left: {named}: {one['reason']}", wrap=True)
    return 0 if any(one["written"] for one in added) else 1


def _show_addition(told: Prompter, addition: SuspectAddition, library: Library) -> None:
    from faulttree.cli.prompter import show_diff

    for change in addition.changes:
        show_diff(told.place, change.diff(within(change.path, library.root)))


@command.command(
    "new",
    short_help="Start a tree from remarks about a unit without one.",
    epilog="Example: faulttree tips new remarks.txt kiln-controller/stays-cold --yes",
)
@click.argument("file", metavar="FILE")
@click.argument("tree", metavar="FAMILY/COMPLAINT")
@click.option("--title", default="", help="Title of the tree. [default: made from its id]")
@click.option("--symptom", "symptoms", multiple=True, help="What owners say; may be repeated.")
@click.option(
    "--cautions", multiple=True, metavar="NAME", help="Cautions that apply to every step."
)
@writing_without_record
def new(
    file: str,
    tree: str,
    title: str,
    symptoms: tuple[str, ...],
    cautions: tuple[str, ...],
    options: WriteOptions,
) -> int:
    """Start a tree from the suspects for which a safe remark gives a test.

    Each becomes one question, with the remark quoted; the order is by weight and minutes. It
    is a first draft: replace the questions by readings with limits as you learn them.
    """
    from faulttree.authoring.operations.new_tree import Start, begin
    from faulttree.cli.cause_options import words
    from faulttree.cli.new import settled, title_of, written
    from faulttree.tips.applying import first_tree
    from faulttree.tips.sorting import sort_remarks
    from faulttree.tips.thesaurus import thesaurus_of
    from faulttree.tree.layers import own_root

    library = open_library(options.library)
    root = own_folder(own_root(options.library, os.environ, Path.cwd()))
    found = sort_remarks(remarks_from(file), thesaurus_of(library))
    start = Start(tree, title or title_of(tree), words(symptoms), words(cautions))
    begun = begin(root, start, first_tree(start, found, today()))
    asking = options.asking()
    done = settled(begun, asking, options)
    made = written(begun, root, asking, options) if done else None
    if options.as_json:
        say_json({**begun.as_dict(), "written": done, "commit": made})
    elif done:
        say(f"Written: {within(begun.change.path, root)}")
    return 0 if done or options.as_json else 1


def _place(
    library: Library, tree_id: str | None, case: str | None, options: RecordOptions
) -> tuple[Tree | None, State | None]:
    """The tree, and the walk of the case."""
    if case is None:
        return (library.load(tree_id) if tree_id else None), None
    with options.store(read_only=True) as store:
        found = walked_case(store, library, case)
    return found.tree, found.state


def _tell(found: SortedRemarks) -> None:
    """The sorted remarks, for people."""
    from faulttree.tips.remarks import quoted

    for place, group in enumerate(found.groups, 1):
        _tell_group(place, group, found)
    text = {one.number: one.text for one in found.remarks}
    for number, hazards in found.unsafe.items():
        say(f"\nNot safe, never a step: {quoted(text[number])}", wrap=True)
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
            say(f"  {number}: {quoted(text[number])}", wrap=True)


def _tell_group(place: int, group: SortedGroup, found: SortedRemarks) -> None:
    from faulttree.tips.remarks import quoted

    named = f" [{group.fault}]" if group.fault else " [new]" if not group.candidates else ""
    say(f"{place}. {group.suspect}{named}")
    say(f"   {group.why}", wrap=True)
    if not group.fault and group.candidates:
        say(f"   May be one of: {', '.join(group.candidates)}", wrap=True)
    if group.test is not None:
        cautions = ", ".join(group.test["cautions"])
        what = group.test["step"] or "as said"
        say(f"   Test ({what}, {group.test['minutes']:.3g} min): {quoted(group.test['text'])}",
            wrap=True)  # fmt: skip
        if cautions:
            say(f"   Cautions: {cautions}", wrap=True)
    who = {one.number: f" ({one.author})" if one.author else "" for one in found.remarks}
    said = ", ".join(f"{number}{who[number]}" for number in group.remarks)
    say(f"   Remarks: {said}", wrap=True)
