"""``faulttree rename``: another name, module or place for what a tree has, wherever it is meant."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from faulttree.cli.cause_options import pair
from faulttree.cli.options import say, say_json
from faulttree.cli.prompter import Prompter, show_diff
from faulttree.cli.writing import WriteOptions, within, writing
from faulttree.errors import TreeError
from faulttree.texts import counted

if TYPE_CHECKING:
    from faulttree.authoring.operations.move import StepMove
    from faulttree.tree import Library
    from faulttree.tree.edit import FileChange


class _Wanted(NamedTuple):
    """What is to change, and what is said of it.

    ``lines`` stand with their style before it is agreed to, ``done`` after; ``message`` is that
    of a commit.
    """

    changes: Sequence[FileChange]
    document: dict[str, Any]
    message: str
    lines: Sequence[tuple[str, str]]
    done: Sequence[str]


@click.command(
    epilog="Example: faulttree rename bench-supply/no-output reservoir-esr reservoir-loss\n\n"
    "Example: faulttree rename diode-test forward forward-drop --yes\n\n"
    "Example: faulttree rename usb-lamp/does-not-light bad-lamp-switch --module usb-port\n\n"
    "Example: faulttree rename usb-lamp/does-not-light driver-in --after switch=inside"
)
@click.argument("where", metavar="TREE|PROCEDURE")
@click.argument("old")
@click.argument("new", required=False)
@click.option("--module", help="Assign the fault OLD to this module, in all its trees.")
@click.option("--after", metavar="STEP=OUTCOME", help="Put the step OLD after this outcome.")
@click.option("--first", is_flag=True, help="Put the step OLD first.")
@click.option(
    "--passed",
    default="",
    metavar="OUTCOME",
    help="Outcome of a good unit at the step OLD, if the tree does not say it.",
)
@click.option("--even-so", is_flag=True, help="Move a step despite warnings of the rules.")
@writing
def command(
    where: str,
    old: str,
    new: str | None,
    module: str | None,
    after: str | None,
    first: bool,
    passed: str,
    even_so: bool,
    options: WriteOptions,
) -> int:
    """Rename the step, fault or stop OLD of a tree or procedure to NEW, everywhere.

    Targets, prerequisites, proofs, signs, formulas and accepted findings are changed in every
    file; a fault of a module is renamed in all its trees. The old name stays in the file, so
    that recorded cases can still be read. Texts for people are not changed.

    Instead of NEW, --module moves a fault to another module, with its history; --after or
    --first moves a step to another place, if all safety checks and prerequisites still hold.
    """
    found = options.own_library()
    _one_thing(new, module, after, first, passed, even_so)
    if new is not None:
        wanted = _renamed(found, where, old, new)
    elif module is not None:
        wanted = _belonging(found, where, old, module)
    else:
        with options.store(read_only=True) as store:
            place = pair(after, "--after")
            wanted = _moved(found, where, old, place, passed=passed, even_so=even_so, store=store)
    told = _settled(wanted, found, options)
    if options.as_json:
        say_json({**wanted.document, **told})
        return 0
    for line in wanted.done if told["written"] else ():
        say(line)
    return 0 if told["written"] else 1


def _one_thing(
    new: str | None,
    module: str | None,
    after: str | None,
    first: bool,
    passed: str,
    even_so: bool,
) -> None:
    """Refuse where nothing is to change, or more than one thing at a time."""
    told = [new is not None, module is not None, after is not None, first]
    if sum(told) != 1:
        text = "Nothing to change is given." if not any(told) else "Give one change at a time."
        remedy = "Give a new name, or --module, or --after STEP=OUTCOME, or --first."
        raise TreeError(text, remedy=remedy)
    for option, given in (("--passed", passed), ("--even-so", even_so)):
        if given and after is None and not first:
            raise TreeError(f"{option} is for a step that is moved.", remedy="Omit it.")


def _settled(wanted: _Wanted, library: Library, options: WriteOptions) -> dict[str, Any]:
    from faulttree.tree.edit import ChangeSet

    changes = ChangeSet(changes=tuple(wanted.changes))
    return options.settle(
        changes,
        library.root,
        wanted.message,
        options.asking(),
        lambda place: _show(place, wanted, library),
    )


def _show(asking: Prompter, wanted: _Wanted, library: Library) -> None:
    for change in wanted.changes:
        show_diff(asking.place, change.diff(within(change.path, library.root)))
    for text, style in wanted.lines:
        asking.tell(text, style)


def _renamed(library: Library, where: str, old: str, new: str) -> _Wanted:
    from faulttree.authoring.operations.rename import rename

    renaming = rename(library, where, old, new)
    done = [f"{path}: {counted(count, 'place')}" for path, count in renaming.places.items()]
    message = f"{where}: call {renaming.kind} {old} {new}\n"
    return _Wanted(renaming.changes, renaming.as_dict(), message, (), done)


def _belonging(library: Library, where: str, fault: str, module: str) -> _Wanted:
    from faulttree.authoring.operations.move_fault import move_fault

    move = move_fault(library, where, fault, module)
    lines = [(f"{fault} belongs to {module}, no longer to {move.old}: "
              f"in {counted(len(move.trees), 'tree')}.", "")]  # fmt: skip
    if move.joined:
        text = f"It is now the same cause as {fault} of {', '.join(move.joined)}, with one history."
        lines.append((text, "warning"))
    done = [f"{tree}: {fault} belongs to {module}" for tree in move.trees]
    message = f"{where}: {fault} belongs to {module}, no longer to {move.old}\n"
    return _Wanted(move.changes, move.as_dict(), message, lines, done)


def _moved(
    library: Library, where: str, step: str, after: tuple[str, str] | None, **how: Any
) -> _Wanted:
    from faulttree.authoring.operations.move import move_step

    move = move_step(library, where, step, after, **how)
    lines = _lines_of(move)
    told = "\n".join(text for text, _ in lines)
    done = f"{move.tree}: {move.step} comes {str(move).replace('`', '')}"
    return _Wanted(move.changes, move.as_dict(), f"{done}\n\n{told}\n", lines, [done])


def _lines_of(move: StepMove) -> list[tuple[str, str]]:
    before, after = move.minutes
    lines = [
        (f"What led to {move.step} leads to {move.onward}.", ""),
        (f"Expected time over all faults: {before:.3g} min before, {after:.3g} min now.", ""),
    ]
    lines += [(f"Another case changes: {one}.", "warning") for one in move.moved]
    lines += [(f"Accepted warning: {one.message} [{one.rule}]", "warning") for one in move.findings]
    return lines
