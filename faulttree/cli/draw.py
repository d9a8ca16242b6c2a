"""``faulttree draw``: a tree, a case or a whole library as a picture or on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.cli.options import library_option, record_option, say
from faulttree.cli.places import open_library, open_record
from faulttree.diagram.picture import KINDS, Picture, kind_of, overview, picture
from faulttree.errors import FaulttreeError, TreeError

if TYPE_CHECKING:
    from faulttree.diagram.overlay import Counts
    from faulttree.diagram.palette import ThemeName
    from faulttree.tree import Library
    from faulttree.tree.model import Tree
    from faulttree.walk.state import State


TEXTS = frozenset({"svg", "dot", "mermaid", "html", "sheet"})
"""Kinds that may go to standard output."""


@click.command(
    epilog="Example: faulttree draw bench-supply/no-output -o no-output.svg\n\n"
    "Example: faulttree draw --case 'tag 14' -o tag-14.pdf"
)
@click.argument("tree", required=False)
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to write.")
@click.option(
    "--as",
    "kind",
    type=click.Choice(KINDS),
    help="Kind of picture. [default: by the ending of --output, else svg]",
)
@click.option("--unfold", is_flag=True, help="Draw the steps of shared procedures too.")
@click.option("--depth", type=click.IntRange(min=1), help="Fold what lies deeper than this.")
@click.option(
    "--pages/--whole",
    "paged",
    default=None,
    help="Split over A4 pages, or keep on one. [default: by kind and size]",
)
@click.option(
    "--theme",
    type=click.Choice(["auto", "light", "dark"]),
    default="auto",
    show_default=True,
    help="Colours; auto follows the reader's screen.",
)
@click.option("--case", metavar="CASE", help="Lay a case over its tree as it was then.")
@click.option("--counts", is_flag=True, help="Shade by how often the record walked each way.")
@click.option("--compare", metavar="OLD NEW", nargs=2, help="Show what changed between two trees.")
@record_option
@library_option
def command(
    tree: str | None,
    output: Path | None,
    kind: str | None,
    unfold: bool,
    depth: int | None,
    paged: bool | None,
    theme: ThemeName,
    case: str | None,
    counts: bool,
    compare: tuple[str, str] | None,
    record: str | None,
    library: tuple[str, ...],
) -> None:
    """Draw TREE, by its id or its file; without TREE the whole library.

    SVG, HTML, DOT, Mermaid and the walk sheet go to standard output where no file is named.
    """
    pdf_sheet = kind == "sheet" and output is not None and output.suffix.lower() == ".pdf"
    kind = kind or (kind_of(output) if output else "svg")
    if output is None and kind not in TEXTS:
        raise FaulttreeError(f"{kind} cannot be printed", remedy="Name a file with -o.")
    _one_subject(tree, case, compare, counts)
    drawn: Picture
    if case is not None:
        old, state, name = _case(record, library, case)
        drawn = picture(
            old, unfold=unfold, depth=depth, paged=paged, theme=theme, case=state, note=name
        )
    elif compare is not None:
        was, now = (_tree(library, name) for name in compare)
        drawn = picture(now, old=was, unfold=unfold, depth=depth, paged=paged, theme=theme)
    elif tree is not None:
        found = _tree(library, tree)
        counted = _counts(record, library, found) if counts else None
        drawn = picture(found, unfold=unfold, depth=depth, paged=paged, theme=theme, counts=counted)
    else:
        drawn = _overview(open_library(library), paged, theme)
    _write([drawn.sheet(pdf=True)] if pdf_sheet else drawn.files(kind), output)


def _one_subject(
    tree: str | None, case: str | None, compare: tuple[str, str] | None, counts: bool
) -> None:
    """One thing is drawn at a time."""
    named = [
        word
        for word, given in (("TREE", tree), ("--case", case), ("--compare", compare))
        if given is not None
    ]
    if len(named) > 1:
        raise FaulttreeError(f"{' and '.join(named)} are given", remedy="Draw one thing at a time.")
    if counts and tree is None:
        raise FaulttreeError("--counts needs a tree to shade", remedy="Name the tree.")


def _tree(library: tuple[str, ...], name: str) -> Tree:
    """A tree by id or file. A broken one is drawn as far as it could be built, and said so."""
    path = Path(name)
    is_file = path.suffix in (".yaml", ".yml") or path.is_file()
    examined = open_library(library).examine(path if is_file else name)
    wrong = examined.errors()
    if examined.tree is None:
        if wrong:
            raise wrong[0].error()
        raise TreeError("this is no tree", path=path, remedy="Name a tree of the library.")
    if wrong:
        count = f"{len(wrong)} error{'s' * (len(wrong) != 1)}"
        say(f"{name} has {count}, the first: {wrong[0].message}", to_people=True)
        say("It is drawn as far as it makes sense; `faulttree check` says more.", to_people=True)
    return examined.tree


def _case(record: str | None, library: tuple[str, ...], words: str) -> tuple[Tree, State, str]:
    """A case of the record: the tree as it was then, where the walk stands, its name."""
    from faulttree.cases.historical_tree import walked_tree
    from faulttree.walk.fold import fold

    with open_record(record, library=library, read_only=True) as store:
        found = store.find(words)
        events = store.events(found.id)
        tree = walked_tree(store, events)
    name = f"case {found.number}, {found.title}, {found.opened[:10]}"
    return tree, fold(tree, events), name


def _counts(record: str | None, library: tuple[str, ...], tree: Tree) -> Counts:
    """The walks of a tree on record, whatever its text was then, as far as its steps stand."""
    from faulttree.diagram.overlay import count_walks
    from faulttree.walk.fold import fold

    with open_record(record, library=library, read_only=True) as store:
        cases = store.each(tree=tree.id)
        return count_walks(fold(tree, store.events(case.id)) for case in cases)


def _overview(library: Library, paged: bool | None, theme: ThemeName) -> Picture:
    trees = []
    for name in library.trees():
        examined = library.examine(name)
        if examined.tree is None:
            say(f"{name} is left out: it could not be built", to_people=True)
        else:
            trees.append(examined.tree)
    title = f"Library {library.root.resolve().name}"
    return overview(trees, library.families, title, paged=paged, theme=theme)


def _write(files: list[bytes], output: Path | None) -> None:
    if output is None:
        for content in files:
            click.echo(content, nl=False)
        return
    for at, content in enumerate(files, 1):
        path = output if len(files) == 1 else output.with_stem(f"{output.stem}-{at}")
        path.write_bytes(content)
        say(f"drawn: {path}", to_people=True)
