"""What a unit is, said after its case was opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.cases.historical_tree import walked_tree
from faulttree.errors import RecordError
from faulttree.walk.events import INTAKE, FactGiven
from faulttree.walk.fold import fold
from faulttree.walk.follow_up import fact_given
from faulttree.walk.rejudge import with_decided

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.cases.store import Store
    from faulttree.reading import Bench

__all__ = ["set_late"]


def set_late(
    store: Store, case: Case, name: str, value: str, *, at: str, bench: Bench | None = None
) -> FactGiven:
    """Record a property or rating of a unit, or correct what it was taken in with.

    Args:
        store: the record.
        case: the case of the unit.
        name: a property or rating of its tree, or model, tag, complaint, owner-words.
        value: what it is.
        at: the time, UTC, ISO 8601.
        bench: the instruments on this bench, for readings that are judged again.

    Returns:
        The event as it is recorded, with the answers that it decided.

    Raises:
        WalkError: there is nothing of that name, or it has no such value.
        ReadingError: a rating cannot be understood in its unit.
        RecordError: a closed case would be judged again, or a proof rests on what changes.
    """
    events = store.events(case.id)
    tree = walked_tree(store, events)
    state = fold(tree, events)
    fact = with_decided(tree, events, fact_given(state, name, value, at=at), bench)
    remedy = f"`faulttree cases reopen {case.number}`, then say it in the walk with 'set'."
    if case.state == "closed" and (fact.decided or fact.name not in INTAKE):
        raise RecordError(f"case {case.number} is closed, and this decides its walk", remedy=remedy)
    if fact.decided and state.repairs:
        remedy = f"`faulttree diagnose --resume {case.number}`, then say it with 'set'."
        message = f"case {case.number} has a repair whose proof this may change"
        raise RecordError(message, remedy=remedy)
    store.append(case.id, case.events, fact)
    return fact
