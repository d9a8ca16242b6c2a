"""``faulttree review``: which branches found faults, and what to change."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cases_shared import bar, width
from faulttree.cli.options import (
    json_option,
    library_option,
    open_library,
    open_record,
    record_option,
    say,
    say_json,
)
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from faulttree.figures import Review
    from faulttree.tree import Library
    from faulttree.tree.model import Tree

__all__ = ["command"]

WHOLE = 10_000
"""Columns where output is no terminal: nothing is cut."""

ENDINGS = {".html": "html", ".htm": "html", ".csv": "csv", ".json": "json"}


@click.command(
    epilog="Example: faulttree review --family bench-supply\n\n"
    "Example: faulttree review --since 2026-01-01 --html review.html"
)
@click.option("--tree", help="One tree, as family/complaint.")
@click.option("--family", help="Kind of unit.")
@click.option("--module", help="Trees that know a fault of this module.")
@click.option("--who", help="Cases that this bench took in.")
@click.option("--since", metavar="DATE", help="Cases opened on this day or later.")
@click.option("--until", metavar="DATE", help="Cases opened on this day or earlier.")
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
@record_option
@library_option
@json_option
def command(
    full: bool | None,
    output: Path | None,
    html: Path | None,
    record: str | None,
    library: str | None,
    as_json: bool,
    **wanted: Any,
) -> int:
    """Show which branches found faults, and what to change in the trees.

    Up to three trees are shown in full, more as a list with what to change.
    """
    from faulttree.figures import review

    kinds = [(path, _kind(path)) for path in (output,) if path]
    kinds += [(path, "html") for path in (html,) if path]
    with open_record(record, read_only=True) as store, bar("Reviewing") as show:
        trees = trees_of(open_library(library), wanted["tree"], wanted["family"])
        found = review(store, trees, progress=lambda _, done, of: show(done, of), **wanted)
    for path, kind in kinds:
        _write(found, path, kind)
        say(f"written: {path}", to_people=True)
    if as_json:
        say_json(found.as_dict())
    elif not kinds:
        _show(found, full)
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
            say(f"{name} could not be built: the record's last text of it is used", to_people=True)
        else:
            found.append(examined.tree)
    return found


def _kind(path: Path) -> str:
    kind = ENDINGS.get(path.suffix.lower())
    if kind is None:
        raise FaulttreeError(
            f"'{path.name}' does not end like a review",
            mend=f"End it in {', '.join(ENDINGS)}.",
        )
    return kind


def _show(found: Review, full: bool | None) -> None:
    from faulttree.figures.terminal import lines

    if not found.trees:
        say("The record holds no such case yet.", to_people=True)
        return
    for line in lines(found, width() if sys.stdout.isatty() else WHOLE, full=full):
        say(line)


def _write(found: Review, path: Path, kind: str) -> None:
    if kind == "html":
        from faulttree.figures.webpage import page

        with bar("Drawing") as show:
            text = page(found, progress=show)
    elif kind == "csv":
        from faulttree.figures.csv_file import to_csv

        file = io.StringIO(newline="")
        to_csv(found, file)
        text = file.getvalue()
    else:
        text = json.dumps(found.as_dict(), ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(text)
