"""``faulttree new``: a first tree."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cause_options import words
from faulttree.cli.options import now, say, say_json
from faulttree.cli.prompter import BackConsole, Prompter, agreed, console
from faulttree.cli.writing import (
    WriteOptions,
    keep_in_git,
    own_folder,
    today,
    within,
    writing,
)

if TYPE_CHECKING:
    from faulttree.authoring.free_case import FreeCase
    from faulttree.authoring.operations.new_tree import KnownTest, NewTree, Start


@click.command(
    epilog="Example: faulttree new glue-gun/stays-cold --title 'Glue gun, stays cold'\n\n"
    "Example: faulttree new glue-gun/stays-cold --title 'Glue gun, stays cold' "
    "--from-table faults.csv --yes\n\n"
    "Example: faulttree new glue-gun/stays-cold --from-case walk.yaml --keep --yes"
)
@click.argument("tree", metavar="FAMILY/COMPLAINT")
@click.option("--title", default="", help="Title of the tree. [default: made from its id]")
@click.option("--symptom", "symptoms", multiple=True, help="What owners say; may be repeated.")
@click.option(
    "--cautions", multiple=True, metavar="NAME", help="Cautions that apply to every step."
)
@click.option("--closing", multiple=True, metavar="NAME", help="Procedures to do after a repair.")
@click.option("--from-table", metavar="FILE", help="A fault table in CSV; the order is computed.")
@click.option("--from-case", metavar="FILE", help="A case without a tree, in YAML.")
@click.option("--keep", is_flag=True, help="Also record that case, on the new tree.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=0),
    help="Limit the computation of the order of a table to this many seconds.",
)
@writing
def command(
    tree: str,
    title: str,
    symptoms: tuple[str, ...],
    cautions: tuple[str, ...],
    closing: tuple[str, ...],
    from_table: str | None,
    from_case: str | None,
    keep: bool,
    seconds: float | None,
    options: WriteOptions,
) -> int:
    """Start a tree: by questions, from a fault table, or from a case without a tree.

    The questions ask what can be faulty and what shows it; the tests are ordered so that the
    expected minutes are lowest. Type back to repeat the last question.
    """
    from faulttree.authoring.operations.new_tree import Start
    from faulttree.tree.layers import own_root

    _fitting(from_table, from_case, keep)
    root = own_folder(own_root(options.library, os.environ, Path.cwd()))
    names = (words(given) for given in (symptoms, cautions, closing))
    start = Start(tree, title or title_of(tree), *names)
    asking = options.asking()
    case = _read(Path(from_case)) if from_case else None
    if case is not None:
        begun = _from_case(root, start, case)
    elif from_table:
        begun = _from_table(root, start, Path(from_table), seconds)
    if case is not None or from_table:
        done = settled(begun, asking, options, case)
    else:
        begun, done = _from_questions(root, start, options)
    made = written(begun, root, asking, options) if done else None
    kept = _keep(root, begun.id, case, options) if done and keep and case is not None else None
    if options.as_json:
        say_json({**begun.as_dict(), "written": done, "commit": made, "case": kept})
    elif done:
        say(f"Written: {within(begun.change.path, root)}")
    return 0 if done or options.as_json else 1


def _fitting(from_table: str | None, from_case: str | None, keep: bool) -> None:
    """Refuse options that do not fit together."""
    if from_table and from_case:
        raise click.UsageError("--from-table and --from-case exclude each other.")
    if keep and not from_case:
        raise click.UsageError("--keep records the case of --from-case.")


def title_of(tree: str) -> str:
    """A title made from an id: ``glue-gun/stays-cold`` is "Glue gun, stays cold"."""
    return tree.replace("-", " ").replace("/", ", ").capitalize()


# -- three beginnings -------------------------------------------------------------------------


def _from_table(root: Path, start: Start, path: Path, seconds: float | None) -> NewTree:
    from faulttree.authoring.operations.new_tree import begin, from_table
    from faulttree.tree.source import load_text

    data, minutes = from_table(start, load_text(path), path, seconds=seconds)
    return begin(root, start, data, minutes=minutes)


def _read(path: Path) -> FreeCase:
    from faulttree.authoring.free_case import read_free_case
    from faulttree.tree import read_document

    return read_free_case(read_document(path))


def _from_case(root: Path, start: Start, case: FreeCase) -> NewTree:
    from dataclasses import replace

    from faulttree.authoring.free_case import tree_of_case
    from faulttree.authoring.operations.new_tree import begin

    for line in case.verdicts:
        say(line, to_people=True)
    if not start.symptoms and case.complaint:
        start = replace(start, symptoms=(case.complaint,))
    return begin(root, start, tree_of_case(start, case, day=today()))


def _from_questions(root: Path, start: Start, options: WriteOptions) -> tuple[NewTree, bool]:
    """A tree from questions, and whether it is to be written."""
    asked_only = options.yes or options.as_json
    way = BackConsole(console(plain=options.plain or asked_only, to_people=options.as_json))
    asking = Prompter(way)

    def questions() -> tuple[NewTree, bool]:
        begun = _asked(root, start, asking)
        return begun, settled(begun, None if asked_only else asking, options)

    return way.through(questions)


def _asked(root: Path, start: Start, asking: Prompter) -> NewTree:
    from dataclasses import replace

    from faulttree.authoring.operations.new_tree import begin, from_known

    asking.tell(
        f"Name each cause of '{start.title}', how to repair it and what shows it. The tree goes "
        f"into trees/{start.id}.yaml; nothing is written before you agree. Type 'back' to "
        "repeat the last question; Ctrl-C leaves."
    )
    if not start.symptoms:
        said = asking.text("What do owners say about it (separated by commas)")
        start = replace(start, symptoms=words([said]))
    known: list[KnownTest] = []
    while True:
        more = "What can be faulty" if not known else "What else can be faulty (empty: nothing)"
        what = asking.text(more, needed=not known)
        if not what:
            break
        known.append(_known(asking, what))
    return begin(root, start, from_known(start, known))


def _known(asking: Prompter, title: str) -> KnownTest:
    from faulttree.authoring.cause import Cause, Test
    from faulttree.authoring.operations.new_tree import KnownTest

    remedy = asking.text("How to repair it", needed=True)
    part = asking.text("Which part")
    weight = asking.minutes("How common is it, compared with the others (empty: 1)")
    minutes = asking.minutes("Minutes that the test takes")
    said: dict[str, Any] = {"minutes": minutes}
    if asking.one("What shows it: a question or a reading", ("question", "reading")) == "question":
        ask = asking.text("The question", needed=True)
        shows = asking.text("The answer if it is faulty", needed=True)
        fine = asking.text("The answer if it is good", needed=True)
        test = Test(ask=ask, shows=shows, fine=fine, **said)
    else:
        test = _reading(asking, said)
    return KnownTest(Cause(title=title, remedy=remedy, part=part, weight=weight), test)


def _reading(asking: Prompter, said: dict[str, Any]) -> Any:
    from faulttree.authoring.cause import Test

    measure = asking.text("What to measure", needed=True)
    limits = asking.limits()
    source = asking.text("Where these limits come from")
    if source:
        limits["source"] = source
    sides = [side for side, key in (("low", "min"), ("high", "max")) if key in limits]
    shows = sides[0] if len(sides) == 1 else asking.one("It is faulty when the reading is", sides)
    return Test(measure=measure, limits=limits, shows=shows, **said)


# -- the end ----------------------------------------------------------------------------------


def settled(
    begun: NewTree, asking: Prompter | None, options: WriteOptions, case: FreeCase | None = None
) -> bool:
    """Show a new tree, and ask whether to write it.

    Args:
        begun: the tree; nothing of it is written yet.
        asking: asks; None where the options say whether to write it.
        options: those of the command.
        case: the case without a tree that it was made from, whose notes are shown.
    """
    place = asking or Prompter(console(plain=True, to_people=True))
    if not options.as_json:
        place.place.show([[("", line)] for line in begun.change.text.splitlines()])
        for finding in begun.findings:
            place.tell(f"{finding.level}: {finding.message} [{finding.rule}]", "warning")
        if begun.expected_minutes is not None:
            place.tell(f"Expected time: {begun.expected_minutes:.3g} min.")
        for note in case.notes if case is not None else ():
            place.tell(f"Note, not in the tree: {note}")
    return agreed(asking, editable=False) == "yes" if asking is not None else options.yes


def written(
    begun: NewTree, root: Path, asking: Prompter | None, options: WriteOptions
) -> str | None:
    """Write a new tree, and commit it where that is wanted; give the commit, if one was made.

    Raises:
        TreeError: a file of this name was written meanwhile, or ``--commit`` was given and the
            library is not a git checkout.
    """
    begun.write()
    made = keep_in_git(root, [begun.change], f"Start {begun.id}\n", asking, asked=options.commit)
    return made or None


def _keep(root: Path, tree: str, case: FreeCase, options: WriteOptions) -> str:
    from faulttree.authoring.free_case import events_of
    from faulttree.tree import Library

    loaded = Library(root).load(tree)
    with options.store() as store:
        kept = store.open_case(list(events_of(case, loaded, now())), tree_text=loaded.text)
        say(f"recorded as case {store.case(kept).number}", to_people=True)
    return kept
