"""``faulttree rename``: a step, fault or stop under another name, everywhere it is meant."""

from __future__ import annotations

import click

from faulttree.cli.authoring_shared import (
    Asking,
    agreed,
    console,
    keep_in_git,
    own_folder,
    show_diff,
    within,
    writing,
)
from faulttree.cli.options import json_option, library_option, open_library, say, say_json

__all__ = ["command"]


@click.command(
    epilog="Example: faulttree rename bench-supply/no-output reservoir-esr reservoir-loss\n\n"
    "Example: faulttree rename diode-test forward forward-drop --yes"
)
@click.argument("where", metavar="TREE|PROCEDURE")
@click.argument("old")
@click.argument("new")
@writing
@library_option
@json_option
def command(
    where: str,
    old: str,
    new: str,
    yes: bool,
    commit: bool,
    plain: bool,
    library: str | None,
    as_json: bool,
) -> int:
    """Call the step, fault or stop OLD of a tree or procedure NEW, everywhere it is meant.

    Targets, prerequisites, proofs, signs, formulas and accepted findings follow, in every
    file; a fault of a module is renamed in all its trees. The former name stays in the file,
    so that recorded cases are still understood. Texts for people are not changed.
    """
    from faulttree.authoring.renaming import rename
    from faulttree.bench.console import AwayError
    from faulttree.tree.edit import write_all

    found = open_library(library)
    own_folder(found.root)
    asking = None if yes or as_json else Asking(console(plain=plain))
    renaming = rename(found, where, old, new)
    if not as_json:
        place = asking.place if asking else console(plain=True, to_people=True)
        for change in renaming.changes:
            show_diff(place, change.diff(within(change.path, found.root)))
    try:
        done = agreed(asking, editable=False) == "yes" if asking else yes
    except (AwayError, KeyboardInterrupt):
        say("faulttree: left; nothing was written", to_people=True)
        return 1
    made = ""
    if done:
        write_all(renaming.changes)
        text = f"{where}: call {renaming.kind} {old} {new}\n"
        made = keep_in_git(found.root, renaming.changes, text, asking, asked=commit)
    if as_json:
        say_json({**renaming.as_dict(), "written": done, "commit": made or None})
        return 0
    for path, count in renaming.places.items():
        say(f"{path}: {count} place{'s' * (count != 1)}")
    return 0 if done else 1
