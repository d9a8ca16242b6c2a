"""What the closing checks of recorded cases showed, worked out from their events."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from faulttree.cases import rows
from faulttree.cases.historical_tree import last_state_of, tree_of
from faulttree.cases.queries import PAGE
from faulttree.cases.tables import STEPS
from faulttree.tree.scopes import CLOSING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from faulttree.cases.case import Case
    from faulttree.cases.store import Store
    from faulttree.tree.model import Tree
    from faulttree.walk.state import ClosingResult


def closing_of(store: Store, case: Case) -> ClosingResult | None:
    """What the closing checks of one case showed; None where its tree has none or is missing."""
    return next(result for _, result in with_closing(store, [case]))


def with_closing(
    store: Store, cases: Iterable[Case]
) -> Iterator[tuple[Case, ClosingResult | None]]:
    """Each case with what its closing checks showed.

    Nothing of it is stored: cases of every age are read alike. Only cases that took a step of
    a closing check are walked again.
    """
    trees: dict[str, Tree | None] = {}
    for page in rows.batched(cases, PAGE):
        made = _began(store, page)
        for case in page:
            if case.number in made:
                state = last_state_of(store, case)
                yield case, state.closing_result if state else None
                continue
            if case.tree_hash not in trees:
                trees[case.tree_hash] = tree_of(store, case.tree_hash)
            tree = trees[case.tree_hash]
            yield case, "not-made" if tree is not None and tree.closing else None


def _began(store: Store, cases: Sequence[Case]) -> set[int]:
    """The numbers of the cases that took a step of a closing check."""
    first, after = f"{CLOSING}.", f"{CLOSING}/"  # "/" follows "." in ASCII
    wanted = (
        select(STEPS.c.number)
        .distinct()
        .where(
            STEPS.c.number.in_([case.number for case in cases]),
            STEPS.c.step >= first,
            STEPS.c.step < after,
        )
    )
    return set(store.read(lambda connection: connection.execute(wanted).scalars().all()))
