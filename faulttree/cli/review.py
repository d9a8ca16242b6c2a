"""``faulttree review``: which branches found faults, and what to change."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cases_common import bar, width
from faulttree.cli.options import say, say_json
from faulttree.cli.places import open_library
from faulttree.cli.prompter import Prompter, show_diff
from faulttree.cli.writing import (
    WriteOptions,
    own_folder,
    within,
    writing,
)
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from faulttree.figures import Review
    from faulttree.figures.proposals.apply import Edit
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.tree import Library
    from faulttree.tree.model import Tree


FEW = 5
"""Cases that are named one by one."""

WHOLE = 10_000
"""Columns where output is no terminal: nothing is cut."""

ENDINGS = {".html": "html", ".htm": "html", ".csv": "csv", ".json": "json"}


@click.command(
    epilog="Example: faulttree review --family bench-supply\n\n"
    "Example: faulttree review --since 2026-01-01 --html review.html\n\n"
    "Example: faulttree review --tree bench-supply/no-output --apply 1"
)
@click.option("--tree", help="One tree, as family/complaint.")
@click.option("--family", help="Kind of unit.")
@click.option("--module", help="Units with this module inside.")
@click.option("--who", help="Cases that this bench opened.")
@click.option("--since", metavar="DATE", help="Cases opened on this day or later.")
@click.option("--until", metavar="DATE", help="Cases opened on this day or earlier.")
@click.option("--explain", is_flag=True, help="Also how to read the figures.")
@click.option("--full", is_flag=True, default=None, help="Every figure of every tree.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write, by its ending: .html, .csv or .json.",
)
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write one HTML page that works from disk and prints on A4.",
)
@click.option(
    "--apply",
    "number",
    type=click.IntRange(min=1),
    metavar="N",
    help="Write proposal N of the tree into its file, or without --tree proposal N for shared "
    "procedures, after showing the change.",
)
@click.option("--even-so", is_flag=True, help="Write despite warnings of the rules.")
@writing
def command(
    explain: bool,
    full: bool | None,
    output: Path | None,
    html: Path | None,
    number: int | None,
    even_so: bool,
    options: WriteOptions,
    **wanted: Any,
) -> int:
    """Show which branches found faults, and what to change in the trees.

    Up to three trees are shown in full, more as a list with what to change.
    """
    from faulttree.figures import review

    kinds = [(path, _kind(path)) for path in (output,) if path]
    kinds += [(path, "html") for path in (html,) if path]
    shelf = open_library(options.library)
    with options.store(read_only=True) as store, bar("Reviewing") as show:
        trees = trees_of(shelf, wanted["tree"], wanted["family"])
        found = review(
            *(store, trees),
            **{"library": shelf, "progress": lambda _, done, of: show(done, of), **wanted},
        )
    if wanted["tree"] and not found.trees:
        shelf.path_of(wanted["tree"])  # A name that nothing has is told with those near it.
    for path, kind in kinds:
        _write(found, path, kind)
        say(f"written: {path}", to_people=True)
    if number is not None:
        chosen = _chosen(found, number, one_tree=bool(wanted["tree"]))
        return _apply(shelf, chosen, options, even_so=even_so)
    if options.as_json:
        say_json(found.as_dict())
    elif not kinds:
        _show(found, full, explain=explain)
    return 0


def trees_of(library: Library, tree: str | None, family: str | None) -> list[Tree]:
    """The trees of the library that are asked about, as far as they can be built.

    A broken one is taken from the record.
    """
    found = []
    for name in library.trees():
        if tree not in (None, name) or family not in (None, name.partition("/")[0]):
            continue
        examined = library.examine(name)
        if examined.tree is None:
            say(f"{name} cannot be read; the last text in the record is used", to_people=True)
        else:
            found.append(examined.tree)
    return found


def _chosen(found: Review, number: int, *, one_tree: bool) -> ReviewProposal:
    """The proposal of the one tree, or else of the shared procedures, by its number from 1."""
    proposals = found.shared
    if one_tree:
        proposals = found.trees[0].proposals if found.trees else ()
    if number > len(proposals):
        of = "this tree" if one_tree else "shared procedures"
        more = "" if one_tree else " For one of a tree, name the tree with --tree."
        raise FaulttreeError(
            f"there is no proposal {number} for {of}",
            remedy=f"There are {len(proposals)}; `faulttree review` lists them.{more}",
        )
    return proposals[number - 1]


def _apply(
    shelf: Library, proposal: ReviewProposal, options: WriteOptions, *, even_so: bool
) -> int:
    """Show what a proposal changes, and write it where that is agreed to."""
    from faulttree.figures.proposals.apply import edit_of

    if "fragment" in proposal.change:
        return _to_fill_in(proposal, as_json=options.as_json)
    own_folder(shelf.root)
    with options.store(read_only=True) as store:
        edit = edit_of(shelf, proposal, even_so=even_so, store=store)
    asking = options.asking()
    path = within(edit.change.path, shelf.root)
    diff = edit.change.diff(path)

    def show(place: Prompter) -> None:
        place.tell(proposal.why)
        show_diff(place.place, diff)
        for line in _besides(edit):
            place.tell(line)

    message = f"{proposal.owner}: {proposal.what}\n\n{proposal.why}\n"
    made = options.settle(edit, shelf.root, message, asking, show)
    if options.as_json:
        say_json({"path": path, "diff": diff, **edit.as_dict(), **proposal.as_dict(), **made})
    elif made["written"]:
        say(f"Written: {path}")
    return 0 if made["written"] or options.as_json else 1


def _to_fill_in(proposal: ReviewProposal, *, as_json: bool) -> int:
    """A piece of the file, where only a person can say what is missing; nothing is written."""
    if as_json:
        say_json({"path": None, "diff": "", "written": False, **proposal.as_dict()})
        return 1
    say(f"faulttree: {proposal.what} Only you can make this change.", to_people=True)
    say(str(proposal.change["fragment"]).rstrip("\n"))
    return 1


def _besides(edit: Edit) -> Iterator[str]:
    """What a diff does not show of steps in other places."""
    if edit.minutes is not None:
        before, after = edit.minutes
        yield f"Expected time: {before:.3g} min before, {after:.3g} min with this order."
    if edit.moved:
        yield f"{len(edit.moved)} recorded cases would continue or end elsewhere:"
    for one in edit.moved[:FEW]:
        yield f"  {one}"
    if len(edit.moved) > FEW:
        yield f"  and {len(edit.moved) - FEW} more; --json lists them"


def _kind(path: Path) -> str:
    kind = ENDINGS.get(path.suffix.lower())
    if kind is None:
        raise FaulttreeError(
            f"'{path.name}' does not end like a review",
            remedy=f"End it in {', '.join(ENDINGS)}.",
        )
    return kind


def _show(found: Review, full: bool | None, *, explain: bool) -> None:
    from faulttree.figures.render.text import lines

    if not found.trees:
        say("The record has no such case yet.", to_people=True)
        return
    wide = width() if sys.stdout.isatty() else WHOLE
    for line in lines(found, wide, full=full, explain=explain):
        say(line)


def _write(found: Review, path: Path, kind: str) -> None:
    if kind == "html":
        from faulttree.figures.render.html import page

        with bar("Drawing") as show:
            text = page(found, progress=show)
    elif kind == "csv":
        from faulttree.figures.render.csv_table import to_csv

        file = io.StringIO(newline="")
        to_csv(found, file)
        text = file.getvalue()
    else:
        text = json.dumps(found.as_dict(), ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(text)
