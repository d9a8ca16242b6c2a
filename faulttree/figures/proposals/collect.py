"""Collect the proposals for a tree, each with its reason and its edit as plain data."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faulttree.authoring.operations.move import reorder
from faulttree.errors import FaulttreeError
from faulttree.figures.proposals.apply import edit_of
from faulttree.figures.proposals.branches import move_down, tell_apart
from faulttree.figures.proposals.limits import contradicted, limits
from faulttree.figures.proposals.moves import Mover
from faulttree.figures.proposals.order import order
from faulttree.figures.proposals.shared_steps import shared_steps
from faulttree.figures.proposals.weights import minutes, weights
from faulttree.figures.replay import cases_of, recorded
from faulttree.odds import TableError

if TYPE_CHECKING:
    from faulttree.authoring.edited_check import EditedCheck
    from faulttree.authoring.operations.move import StepMoves
    from faulttree.cases.store import Store
    from faulttree.figures.counts import Condition
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.figures.replay import Recorded
    from faulttree.figures.tree_counts import TreeCount
    from faulttree.tree.model import Tree


def propose(
    store: Store,
    count: TreeCount,
    filters: Mapping[str, Any],
    part: Sequence[Condition] = (),
    *,
    fitness: EditedCheck | None = None,
) -> tuple[ReviewProposal, ...]:
    """All proposals for a tree, those that save most time first.

    A tree that is not in the library gets no proposals. A tree whose steps need each other in a
    cycle cannot be ordered; `faulttree check` reports it.

    Args:
        store: the record.
        count: the counts of the tree.
        filters: see :func:`faulttree.cases.filters.conditions`.
        part: conditions on the cases besides these.
        fitness: the check of edited files of the library: only moves that break no rule are
            proposed.

    Raises:
        RecordError: the record cannot be read.
    """
    if count.gone:
        return ()
    try:
        known = recorded(cases_of(store, count, filters, part), count.tree)
    except TableError:
        return ()
    made = _all_kinds(count, known, Mover(known, _fits(count.tree, fitness)))
    return tuple(applicable(one, fitness) for one in made)


def _all_kinds(count: TreeCount, known: Recorded, mover: Mover) -> tuple[ReviewProposal, ...]:
    """The proposals of every kind, before it is known which of them can be applied."""
    table = known.table
    return (
        *order(known, mover),
        *weights(count, table),
        *move_down(count, mover),
        *limits(count),
        *contradicted(count, table),
        *minutes(count),
        *tell_apart(count, table),
    )


def propose_shared(
    counts: Sequence[TreeCount], fitness: EditedCheck | None = None
) -> tuple[ReviewProposal, ...]:
    """All proposals for shared procedures, each made once for all trees that use them."""
    return tuple(applicable(one, fitness) for one in shared_steps(counts))


def applicable(proposal: ReviewProposal, fitness: EditedCheck | None) -> ReviewProposal:
    """The same proposal, marked as manual work if its edit cannot be made.

    Without files to edit (``fitness`` None) nothing is tried. Moves were tried when they were
    chosen.
    """
    if fitness is None or proposal.by_hand or "moves" in proposal.change:
        return proposal
    try:
        edit_of(fitness.library, proposal, fitness=fitness)
    except FaulttreeError as error:
        return replace(proposal, by_hand=f"The program cannot make this edit: {error.message}")
    return proposal


def _fits(tree: Tree, fitness: EditedCheck | None) -> Callable[[Sequence[StepMoves]], bool] | None:
    """A function that checks moves by the rules; None if the file is not in the library."""
    if fitness is None:
        return None

    def fits(moves: Sequence[StepMoves]) -> bool:
        try:
            reorder(fitness.library, tree.id, moves, fitness=fitness)
        except FaulttreeError:
            return False
        return True

    return fits
