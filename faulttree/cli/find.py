"""``faulttree find``: trees by complaint, family, module or model."""

from __future__ import annotations

from dataclasses import asdict

import click

from faulttree.cli.options import json_option, library_option, say, say_json
from faulttree.cli.places import open_library


@click.command(epilog="Example: faulttree find supply no output")
@click.argument("words", nargs=-1)
@click.option("--limit", type=click.IntRange(0), default=10, help="Maximum number; 0 for all.")
@library_option
@json_option
def command(words: tuple[str, ...], limit: int, library: tuple[str, ...], as_json: bool) -> int:
    """Find the trees that fit WORDS: a complaint, family, module or model; typos allowed.

    Without words every tree is listed.
    """
    from faulttree.tree.search import FIRST_TESTS, find

    searched = open_library(library)
    found = find(" ".join(words), searched, limit=limit if words else 0)
    origin = {match.tree: searched.layer_of(match.tree) for match in found}
    if as_json:
        matches = [{**asdict(match), "library": origin[match.tree].about.title} for match in found]
        say_json({"matches": matches})
    for match in () if as_json else found:
        layer = origin[match.tree]
        named = layer.about.invented or layer is not searched
        say(f"{match.tree}{f'  [{layer.about}]' if named else ''}\n    {match.title}")
        if match.symptoms:
            say(f"    {', '.join(match.symptoms)}")
    if not found:
        said = " ".join(words)
        what = f"no tree fits '{said}'" if said else "the library has no tree"
        remedy = "'faulttree find' lists them all."
        if FIRST_TESTS in searched.trees():
            remedy = f"'faulttree diagnose {FIRST_TESTS}' makes the first tests; {remedy}"
        say(f"faulttree: {what}\n  {remedy}", to_people=True)
    return 0 if found else 1
