"""``faulttree tips keep`` and ``result``: remarks kept with a case, and what became of them."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from faulttree.cli.cases_common import common
from faulttree.cli.options import now, say, say_json
from faulttree.cli.places import RecordOptions, open_library

if TYPE_CHECKING:
    from faulttree.cases import Case, Store
    from faulttree.tips.remarks import Remark
    from faulttree.tips.results import RemarkResult
    from faulttree.tree import Library, Tree
    from faulttree.walk.events import Event, RemarkKept
    from faulttree.walk.state import State


@click.command(
    "keep",
    short_help="Keep remarks with a case, each with what is decided on it.",
    epilog="Example: faulttree tips keep said.csv --case 14 --contradict 2 'reads 58 ohm'",
)
@click.argument("file", metavar="FILE")
@click.option("--case", metavar="CASE", required=True, help="The case to keep them with.")
@click.option(
    "--contradict",
    nargs=2,
    type=(click.IntRange(1), str),
    multiple=True,
    metavar="NUMBER REASON",
    help="This suspect of `tips sort --case` is not so, and why; may be repeated.",
)
@click.option(
    "--leave",
    type=click.IntRange(1),
    multiple=True,
    metavar="NUMBER",
    help="Leave this suspect alone; may be repeated.",
)
@common
def keep(
    file: str,
    case: str,
    contradict: tuple[tuple[int, str], ...],
    leave: tuple[int, ...],
    options: RecordOptions,
) -> None:
    """Keep each remark of FILE in the record of CASE, with its author and the decision on it.

    A remark that means a fault of the tree is attached to it, or told as added if the tree got
    that fault since. All others are left, with the reason. Nothing is dropped. A remark that the
    case holds already is kept again only with a new decision.
    """
    from faulttree.tips.keeping import kept
    from faulttree.tips.sorting import sort_remarks
    from faulttree.tips.thesaurus import thesaurus_of

    library = open_library(options.library)
    remarks = remarks_from(file)
    with options.store() as store:
        row, tree, events, state = walked_case(store, library, case)
        by_group = sort_remarks(remarks, thesaurus_of(library), tree=tree, state=state)
        last = len(by_group.groups)
        if wrong := next((n for n in (*leave, *dict(contradict)) if n > last), None):
            raise click.UsageError(f"there are {last} suspects, no number {wrong}.")
        new = kept(
            by_group, events, at=now(), since=_faults_since(library, row.tree, tree, remarks),
            contradicted=dict(contradict), left=leave,
        )  # fmt: skip
        store.append(row.id, len(events), *new)
    if options.as_json:
        say_json({"kept": [one.to_dict() for one in new]})
        return
    _tell_kept(new, len(remarks))


def _faults_since(
    library: Library, name: str, then: Tree, remarks: Sequence[Remark]
) -> dict[int, str]:
    """Number of a remark → the fault it means, of those that the tree has got since the case."""
    from faulttree.tips.sorting import sort_remarks
    from faulttree.tips.thesaurus import thesaurus_of

    if name not in library.trees():
        return {}
    tree = library.load(name)
    if tree.hash == then.hash:
        return {}
    found = sort_remarks(remarks, thesaurus_of(library), tree=tree)
    return {
        number: group.fault
        for group in found.groups
        if group.fault and group.fault not in then.faults
        for number in group.remarks
    }


def _tell_kept(new: Sequence[RemarkKept], several: int) -> None:
    from faulttree.tips.remarks import quoted

    counts = Counter(one.decision for one in new)
    told = ", ".join(f"{count} {decision}" for decision, count in sorted(counts.items()))
    say(f"{len(new)} of {several} remarks kept{f': {told}' if told else ''}.")
    for one in new:
        meant = f" [{one.fault}]" if one.fault else ""
        why = f" ({one.reason})" if one.reason else ""
        say(f"- {one.decision}{meant}: {quoted(one.text, 80)}{why}", wrap=True)


@click.command(
    "result",
    short_help="Tell which remarks were right in a case, in words to send back.",
    epilog="Example: faulttree tips result --case 14\n\n"
    "Example: faulttree tips result remarks.jsonl --case 14",
)
@click.argument("file", metavar="[FILE]", default="")
@click.option("--case", metavar="CASE", required=True, help="The case that tells.")
@click.option("--without-names", is_flag=True, help="Number the authors instead of naming them.")
@click.option("--page", is_flag=True, help="One public page of the case, in Markdown.")
@common
def result(file: str, case: str, without_names: bool, page: bool, options: RecordOptions) -> int:
    """Tell for each author which remarks were right in CASE, wrong, or not tested.

    Without FILE these are the remarks kept with the case. Each comes with the reading or repair
    that decided it, in words that can be sent back. Nothing of the owner and no serial number
    of the unit is in them.
    """
    from faulttree.tips.public_page import public_page
    from faulttree.tips.results import by_author, letters_to

    results, state, events = _results(file, case, options)
    if not results and not file:
        say(f"Case {case} holds no remarks. Keep them with `faulttree tips keep`.", to_people=True)
    told = by_author(results, names=not without_names)
    if options.as_json:
        say_json(told)
        return 0
    for line in [public_page(results, state, events).rstrip()] if page else letters_to(told):
        say(line)
    return 0 if results else 1


def _results(
    file: str, case: str, options: RecordOptions
) -> tuple[tuple[RemarkResult, ...], State, tuple[Event, ...]]:
    """What became of the remarks of a file, or of those kept with the case."""
    from faulttree.tips.keeping import reasons_kept, remarks_kept
    from faulttree.tips.results import results_of
    from faulttree.tips.sorting import sort_remarks
    from faulttree.tips.thesaurus import thesaurus_of

    library = open_library(options.library)
    with options.store(read_only=True) as store:
        _, tree, events, state = walked_case(store, library, case)
    remarks = remarks_from(file) if file else remarks_kept(events)
    sorted_ones = sort_remarks(remarks, thesaurus_of(library), tree=tree, state=state)
    return results_of(sorted_ones, state, {} if file else reasons_kept(events)), state, events


class WalkedCase(NamedTuple):
    """A case of the record, with its tree and its walk."""

    row: Case
    tree: Tree
    events: tuple[Event, ...]
    state: State


def walked_case(store: Store, library: Library, case: str) -> WalkedCase:
    """A case with its tree and walk; the tree of the library where the record lacks the old one.

    Args:
        store: the record, opened.
        library: where the tree is if the record does not have it.
        case: as it was typed: the number or id.

    Raises:
        RecordError: there is no such case.
        TreeError: neither the record nor the library has its tree.
    """
    from faulttree.cases.historical_tree import tree_of
    from faulttree.walk.fold import fold

    row = store.find(case)
    tree = tree_of(store, row.tree_hash) or library.load(row.tree)
    events = tuple(store.events(row.id))
    return WalkedCase(row, tree, events, fold(tree, events))


def remarks_from(file: str) -> tuple[Remark, ...]:
    from faulttree.tips.remarks import read_remarks, remarks_in

    if file != "-":
        return read_remarks(Path(file))
    if sys.stdin.isatty():
        say("Paste the remarks, one a line or paragraph; end with Ctrl-D.", to_people=True)
    return remarks_in(sys.stdin.read())
