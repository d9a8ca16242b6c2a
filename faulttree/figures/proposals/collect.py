"""What to change in a tree, by its record: each with why, and as plain data to apply."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from faulttree.authoring.operations.move import reorder
from faulttree.errors import FaulttreeError
from faulttree.figures.proposals.branches import move_down, tell_apart
from faulttree.figures.proposals.limits import contradicted, limits
from faulttree.figures.proposals.moves import Mover
from faulttree.figures.proposals.order import order
from faulttree.figures.proposals.weights import minutes, weights
from faulttree.figures.replay import cases_of, recorded
from faulttree.odds import TableError

if TYPE_CHECKING:
    from faulttree.authoring.edited_check import EditedCheck
    from faulttree.authoring.operations.move import StepMoves
    from faulttree.cases.store import Store
    from faulttree.figures.counts import Condition
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.figures.tree_counts import TreeCount
    from faulttree.tree.model import Tree

__all__ = ["propose"]


def propose(
    store: Store,
    count: TreeCount,
    filters: Mapping[str, Any],
    part: Sequence[Condition] = (),
    *,
    fitness: EditedCheck | None = None,
) -> tuple[ReviewProposal, ...]:
    """All that a tree's record suggests to change, what saves most time first.

    A tree that the library does not have is not changed. One whose steps wait for one another
    cannot be put in order; `faulttree check` says so.

    Args:
        store: the record.
        count: what was counted of the tree.
        filters: see :func:`faulttree.cases.filters.conditions`.
        part: conditions on the cases besides these.
        fitness: of the library whose file the tree is: only moves that its rules let pass are
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
    table, mover = known.table, Mover(known, _fits(count.tree, fitness))
    return (
        *order(known, mover),
        *weights(count, table),
        *move_down(count, mover),
        *limits(count),
        *contradicted(count, table),
        *minutes(count),
        *tell_apart(count, table),
    )


def _fits(tree: Tree, fitness: EditedCheck | None) -> Callable[[Sequence[StepMoves]], bool] | None:
    """Whether moves leave the tree's file fit; None where it is not the library's file."""
    if fitness is None:
        return None

    def fits(moves: Sequence[StepMoves]) -> bool:
        try:
            reorder(fitness.library, tree.id, moves, fitness=fitness)
        except FaulttreeError:
            return False
        return True

    return fits
