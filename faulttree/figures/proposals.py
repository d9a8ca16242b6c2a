"""What to change in a tree, by its record: each with why, and as plain data to apply."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from faulttree.figures.guarding import guarded_table
from faulttree.figures.proposed_branches import move_down, tell_apart
from faulttree.figures.proposed_limits import contradicted, limits
from faulttree.figures.proposed_order import order
from faulttree.figures.proposed_weights import minutes, weights
from faulttree.figures.replay import cases_of, replay
from faulttree.odds import TableError

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.figures.built_in import Condition
    from faulttree.figures.gathering import TreeCount
    from faulttree.figures.proposal import Proposal

__all__ = ["propose"]


def propose(
    store: Store,
    count: TreeCount,
    filters: Mapping[str, Any],
    part: Sequence[Condition] = (),
) -> tuple[Proposal, ...]:
    """All that a tree's record suggests to change, what saves most time first.

    A tree that the library does not have is not changed. One whose steps wait for one another
    cannot be put in order; `faulttree check` says so.

    Raises:
        RecordError: the record cannot be read.
    """
    if count.gone:
        return ()
    try:
        table = guarded_table(count.tree)
        tried = replay(cases_of(store, count, filters, part), count)
    except TableError:
        return ()
    return (
        *order(count, tried),
        *weights(count, table),
        *move_down(count),
        *limits(count),
        *contradicted(count, table),
        *minutes(count),
        *tell_apart(count, table),
    )
