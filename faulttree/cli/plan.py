"""``faulttree plan``: the cheapest order of tests, from a fault table or a tree."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.options import json_option, library_option, say, say_json
from faulttree.cli.places import open_library
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from types import FrameType

    from faulttree.odds import FaultTable, Plan
    from faulttree.tree.model import Tree


MOST_LINES = 200
"""Lines of the order that are printed; the tree that ``-o`` writes has them all."""


@click.command(
    epilog="Example: faulttree plan table.csv -o trees/bench-supply/no-output.yaml\n\n"
    "Example: faulttree plan bench-supply/no-output --seconds 30"
)
@click.argument("file", metavar="FILE")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="Write the plan as a tree.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=0),
    help="End the search after so many seconds; the plan then depends on the machine. Ctrl-C"
    " ends it too and keeps the best plan.",
)
@click.option(
    "--work",
    type=click.IntRange(min=0),
    metavar="PLACES",
    help="How many places of plans to look at: the same work gives the same plan on every"
    " machine, busy or not.  [default: 20000 without --seconds]",
)
@library_option
@json_option
def command(
    file: str,
    output: Path | None,
    seconds: float | None,
    work: int | None,
    library: tuple[str, ...],
    as_json: bool,
) -> None:
    """Find the cheapest order of tests for FILE: a fault table (CSV), or a tree by its
    id or file.

    Prints the expected minutes of the order as it stands and of the plan, how far the plan
    can be from the best, the order itself, the faults that no test tells apart, and what the
    tests can do at all.
    """
    from faulttree.odds import plan

    table = _table(file, library)
    if output is not None and output.exists() and Path(file).exists() and output.samefile(file):
        raise FaulttreeError(
            "the plan would overwrite what it is made from", path=output,
            remedy="Name another file with --output.",
        )  # fmt: skip
    with _interruptible() as stopped, _progress() as progress:
        found = plan(table, seconds=seconds, work=work, progress=progress, stopped=stopped)
    if output is not None:
        _write(output, found)
    if as_json:
        say_json(found.as_dict())
    else:
        for line in _lines(table, found):
            say(line)
    if output is not None:
        say(f"Written to {output}.", to_people=True)


def _table(file: str, library: tuple[str, ...]) -> FaultTable:
    from faulttree.odds import guarded_table, table_from_csv

    path = Path(file)
    if path.suffix.lower() in (".csv", ".tsv", ".txt"):
        return table_from_csv(_text(path), path)
    return guarded_table(_tree(file, library))


def _text(path: Path) -> str:
    data = path.read_bytes()
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # What spreadsheets save without asking, where they do not save UTF-8.
        try:
            return data.decode("cp1252")
        except UnicodeDecodeError as error:
            line = data.count(b"\n", 0, error.start) + 1
            column = error.start - data.rfind(b"\n", 0, error.start)
            raise FaulttreeError(
                "the file is not text", path=path, line=line, column=column,
                remedy="Save the table as CSV in UTF-8.",
            ) from None  # fmt: skip


def _tree(file: str, library: tuple[str, ...]) -> Tree:
    shelf = open_library(library)
    if not Path(file).is_file():
        return shelf.load(file)
    examined = shelf.examine(Path(file))
    for finding in examined.errors():
        raise finding.error()
    if examined.tree is None:
        raise FaulttreeError(
            "this is neither a fault table nor a tree", path=file,
            remedy="Name a .csv file, a tree's file or a tree's id.",
        )  # fmt: skip
    return examined.tree


@contextmanager
def _interruptible() -> Iterator[Callable[[], bool]]:
    """Let the first Ctrl-C end the search and keep what was found; a second one ends all."""
    pressed: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        if pressed:
            raise KeyboardInterrupt
        pressed.append(number)

    before = signal.signal(signal.SIGINT, note)
    try:
        yield lambda: bool(pressed)
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _progress() -> Iterator[Callable[[float, float], None] | None]:
    """A line on standard error with the best so far and its bound, in a terminal only."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("Looking for the cheapest order") as status:
        yield lambda best, low: status.update(
            f"Best {_number(best)} min, none below {_number(low)} min"
            f" (gap {_percent(1 - low / best if best > 0 else 0.0)})  Ctrl-C keeps the best"
        )


def _write(output: Path, found: Plan) -> None:
    import yaml

    tree = dict(found.tree)
    home = output.absolute().parent
    if home.parent.name == "trees":
        tree["family"] = home.name
    text = yaml.safe_dump(tree, sort_keys=False, allow_unicode=True, width=100)
    partial = output.with_name(f".{output.name}.partial")
    try:
        partial.write_text(text, encoding="utf-8")
        partial.replace(output)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise FaulttreeError(
            f"the plan cannot be written: {error.strerror}", path=output,
            remedy="Name a file in a folder that can be written to.",
        ) from None  # fmt: skip


def _lines(table: FaultTable, found: Plan) -> Iterator[str]:
    proof = (
        "the cheapest there is" if found.exact
        else f"none is below {_number(found.lower_bound)}, gap {_percent(found.gap)}"
    )  # fmt: skip
    yield f"{table.name}: {len(table.faults)} faults, {len(table.tests)} tests"
    yield f"Expected minutes: {_number(found.before)} as it is, " + (
        f"{_number(found.expected_minutes)} by this plan ({proof})"
    )
    if found.ended_by == "stop":
        yield "  The search was stopped before its work was done; another run may end elsewhere."
    if found.confirming_minutes:
        yield f"  and {_number(found.confirming_minutes)} more for the last checks before a repair"
    if found.before < found.expected_minutes * (1 - 1e-9):
        yield "  The order as it is leaves more faults undistinguished than this plan does."
    yield ""
    yield from _order(found)
    yield from _groups(table, found)
    figures = found.testability
    yield ""
    yield (
        f"The tests detect {_percent(figures.detected)} of the faults by weight; "
        f"{_percent(figures.isolated_to_one)} are isolated to one "
        f"({_percent(figures.shown_by_test)} by a test that shows the fault, the rest by "
        "elimination), "
        f"{_percent(figures.isolated_to_two)} to two or fewer, "
        f"{_number(figures.mean_group_size)} on average; "
        f"{_number(figures.mean_minutes)} minutes on average."
    )


def _order(found: Plan) -> Iterator[str]:
    for depth, outcome, what, probability in found.order[:MOST_LINES]:
        led = f"{outcome}: " if outcome else ""
        yield f"{'  ' * depth}{led}{what}  ({_percent(probability)})"
    if len(found.order) > MOST_LINES:
        yield "... and so on; --output writes all of it."


def _groups(table: FaultTable, found: Plan) -> Iterator[str]:
    for one in found.wanted:
        yield ""
        yield f"No test distinguishes these ({_percent(one.probability)}): {', '.join(one.group)}"
        sides = " from ".join(", ".join(side) for side in one.sides)
        bits = f"{_number(one.bits)} bit a walk"
        yield f"  A test that distinguishes {sides} would split them best ({bits})."
    if found.loose:
        yield ""
        yield f"Loose suspects, which no test says anything of: {', '.join(found.loose)}"


def _number(value: Any) -> str:
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"
