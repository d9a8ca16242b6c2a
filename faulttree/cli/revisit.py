"""``faulttree revisit``: units given up that a newer suspect may explain."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import click

from faulttree.cli.cases_common import bar, common
from faulttree.cli.options import say, say_json
from faulttree.cli.places import RecordOptions, open_library
from faulttree.errors import TreeError
from faulttree.texts import counted, wrapped

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faulttree.cases.case import Case
    from faulttree.cases.revisit import Chance
    from faulttree.tree import Library, Tree


@click.command(epilog="Example: faulttree revisit bench-supply/no-output")
@click.argument("trees", nargs=-1, metavar="[TREE]...")
@click.option("--all", "everything", is_flag=True, help="Also suspects that were already open.")
@click.option("--limit", type=click.IntRange(1), help="Maximum number of cases.")
@common
def command(
    trees: tuple[str, ...], everything: bool, limit: int | None, options: RecordOptions
) -> None:
    """List unsolved units that a newer suspect may explain, the most probable first.

    These are unsolved, waiting and kept-for-parts cases of the trees' families, or with a
    module the trees know more of, that never took the test that would tell.
    """
    from faulttree.cases.revisit import revisit

    found = load(open_library(options.library), trees)
    with options.store(read_only=True) as store, bar("Looking") as show:
        chances = revisit(store, found, everything=everything, progress=show)[:limit]
    if options.as_json:
        say_json({"cases": [chance.as_dict() for chance in chances]})
        return
    by_case: dict[str, list[Chance]] = {}
    for chance in chances:
        by_case.setdefault(chance.case.id, []).append(chance)
    for found_for in by_case.values():
        for line in told(found_for[0].case, found_for):
            say(line)
    many = len(by_case)
    what = f"{counted(many, 'case')} to revisit" if many else "No case to revisit"
    say(f"{what}.", to_people=True)


def load(library: Library, names: tuple[str, ...]) -> list[Tree]:
    """The trees named; all of the library without a name, passing over any that is broken."""
    if names:
        return [library.load(name) for name in names]
    found = []
    for name in library.trees():
        try:
            found.append(library.load(name))
        except TreeError as error:
            say(f"skipped: {error}", to_people=True)
    return found


def told(case: Case, chances: Sequence[Chance]) -> list[str]:
    """What a technician reads of one case: every suspect that may explain it."""
    lines = [f"Case {case.number}, {case.title} ({case.became or case.result})"]
    for chance in chances:
        where = f" (module {chance.module})" if chance.module else ""
        share = f"{100 * chance.probability:.2g} %"
        tests = ", ".join(chance.steps)
        how = f"test {tests}: {chance.minutes:g} min" if tests else "no test of it is known yet"
        lines += _wrapped(f"{chance.title}{where}, {share}; {how}", "  ")
    if case.kept:
        lines += _wrapped(f"kept: {', '.join(case.kept)}", "  ")
    return lines


def _wrapped(text: str, indent: str) -> list[str]:
    """Text as wide as the terminal; the names of steps stay whole."""
    width = max(shutil.get_terminal_size((80, 24)).columns, 40)
    return wrapped(text, width, indent, f"{indent}  ", whole_words=True)
