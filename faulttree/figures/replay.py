"""Replay recorded cases in another order, and compare minutes and misled cases."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

from sqlalchemy import ColumnElement, Connection, not_, select

from faulttree.cases.filters import conditions
from faulttree.cases.tables import CASES, STEPS
from faulttree.convert import Plain
from faulttree.figures.order_replay import (
    CurrentOrder,
    OrderPath,
    PlannedOrder,
    ReplayCase,
    planned,
)
from faulttree.figures.statistics import Mean, Share, bootstrap_mean, share_of
from faulttree.figures.tree_counts import FOUND
from faulttree.odds import guarded_table

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.figures.tree_counts import TreeCount
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Tree


class Order(Protocol):
    """An order of tests in which a case can be replayed."""

    def way(self, case: ReplayCase) -> OrderPath:
        """The minutes of the case, and the chance to find its fault."""


@dataclass(frozen=True)
class Replay(Plain):
    """The result of replaying the recorded cases of a tree in another order.

    Attributes:
        cases: those replayed. left_out: those whose own readings do not lead to their fault
            in the current tree (a slip, a jump, an older text), or whose fault no test
            shows.
        before, after: mean minutes in the tree's order and in the other.
        saved: minutes saved a case; a case that the other order misleads is charged the
            tree's order on top.
        held_out: the same, each half of the cases in an order chosen from the other half.
        longer: cases that would have taken longer.
        misled: cases that the other order would not have led to their fault.
        worst: minutes lost by the case that loses most.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {
        "before": "minutes_before",
        "after": "minutes_after",
        "held_out": "saved_held_out",
        "worst": "most_lost",
    }

    cases: int
    left_out: int
    before: float
    after: float
    saved: Mean
    held_out: Mean
    longer: Share
    misled: int
    worst: float

    @property
    def sure(self) -> bool:
        """Whether both intervals of the saved minutes are above zero, held-out cases included."""
        return self.saved.low > 0 and self.held_out.low > 0


Counted = Mapping[tuple[ReplayCase, int], int]
"""(case, half of the record) → number of such cases."""


def cases_of(
    store: Store,
    count: TreeCount,
    filters: Mapping[str, Any],
    part: Sequence[ColumnElement[bool]] = (),
) -> Counted:
    """The cases of a tree with a known fault; equal cases are counted together.

    Args:
        store: the record.
        count: the counts of the tree.
        filters: see :func:`faulttree.cases.filters.conditions`.
        part: conditions besides these.
    """
    known = {**filters, "tree": count.tree.id}

    def work(connection: Connection) -> Counter[tuple[ReplayCase, int]]:
        asked = (
            select(
                *(CASES.c.number, CASES.c.tree_hash, CASES.c.fault),
                *(STEPS.c.step, STEPS.c.outcome),
            )
            .select_from(CASES.join(STEPS, CASES.c.number == STEPS.c.number))
            .where(
                *part,
                *conditions(connection, known),
                CASES.c.result.in_(sorted(FOUND)),
                STEPS.c.standing,
                not_(STEPS.c.skipped),
                STEPS.c.round == 0,
                STEPS.c.outcome != "undecided",
            )
            .order_by(STEPS.c.number, STEPS.c.sequence)
        )
        rows = connection.execute(asked).all()
        return Counter(_cases(rows, count))

    return store.read(work)


def _cases(rows: Any, count: TreeCount) -> Iterator[tuple[ReplayCase, int]]:
    for number, group in groupby(rows, key=itemgetter(0)):
        taken = list(group)
        bridge = count.bridges.get(taken[0][1])
        fault = count.fault(taken[0][1], taken[0][2]) if bridge else None
        if bridge is None or fault is None:
            continue
        seen = {bridge.steps[step]: outcome for *_, step, outcome in taken if step in bridge.steps}
        yield ReplayCase(fault, frozenset(seen.items())), number % 2


@dataclass(frozen=True)
class Recorded:
    """The recorded cases of a tree, replayed in its current order.

    Attributes:
        table: the tree's fault table, guards first.
        usual: case → its result in the current order.
        fit: the cases whose own readings lead to their fault; only these are replayed.
    """

    tree: Tree
    table: FaultTable
    counted: Counted
    usual: Mapping[ReplayCase, OrderPath]
    fit: Counted

    def replay(
        self, order: Order, halves: Sequence[Order], told: Collection[str] | None = None
    ) -> Replay | None:
        """Replay every case in another order; None if there are no cases.

        Args:
            order: the order planned from all cases.
            halves: the orders planned from the even half and from the odd half.
            told: the faults that the order can find; None for all.
        """
        fit = {key: n for key, n in self.fit.items() if told is None or key[0].fault in told}
        if not fit:
            return None
        usual, cases = self.usual, sum(fit.values())
        saved = _saved(fit, usual, lambda half: order)
        held_out = _saved(fit, usual, lambda half: halves[1 - half])
        before = sum(usual[case].minutes * many for (case, _), many in fit.items()) / cases
        gained = sum(saved[key][0] * many for key, many in fit.items()) / cases
        longer = sum(many for key, many in fit.items() if saved[key][0] < -1e-9)
        return Replay(
            cases=cases,
            left_out=sum(self.counted.values()) - cases,
            before=before,
            after=before - gained,
            saved=_mean(fit, saved),
            held_out=_mean(fit, held_out),
            longer=share_of(longer, cases),
            misled=sum(many for key, many in fit.items() if saved[key][1] < 1 - 1e-9),
            worst=max(0.0, -min(minutes for minutes, _ in saved.values())),
        )


def recorded(counted: Counted, tree: Tree) -> Recorded:
    """Replay every case in the current order of the tree.

    Raises:
        TableError: steps of the tree need each other in a cycle.
    """
    table = guarded_table(tree)
    standing = CurrentOrder(tree, table)
    usual = {case: standing.way(case) for case, _ in counted}
    fit = {key: many for key, many in counted.items() if usual[key[0]].arrives > 1 - 1e-9}
    return Recorded(tree, table, counted, usual, fit)


def replanned(known: Recorded) -> tuple[PlannedOrder, Replay] | None:
    """Plan an order from the record and replay it; None if no order is possible."""
    parts = [_only(known.counted, half) for half in (None, 0, 1)]
    chosen = [one for part in parts if (one := _order(known.table, part)) is not None]
    if len(chosen) < len(parts):
        return None
    order, *halves = chosen
    tried = known.replay(order, halves, set(order.table.faults))
    return None if tried is None else (order, tried)


def _only(counted: Counted, half: int | None) -> Counted:
    return {key: many for key, many in counted.items() if half in (None, key[1])}


def _order(table: Any, counted: Counted) -> PlannedOrder | None:
    counts: Counter[tuple[str, str]] = Counter()
    for (case, _), many in counted.items():
        if case.fault in table.identities:
            counts[table.identities[case.fault]] += many
    return planned(table, dict(counts))


def _saved(
    fit: Counted, usual: Mapping[ReplayCase, OrderPath], order_for: Callable[[int], Order]
) -> dict[tuple[ReplayCase, int], tuple[float, float]]:
    """(case, half) → minutes saved, and the chance that the order leads to the fault."""
    known: dict[tuple[int, ReplayCase], OrderPath] = {}
    found = {}
    for case, half in fit:
        order = order_for(half)
        key = (id(order), case)
        way = known.get(key)
        if way is None:
            way = known[key] = order.way(case)
        # A misled case is charged the current order on top.
        minutes = way.minutes + (1 - way.arrives) * usual[case].minutes
        found[case, half] = (usual[case].minutes - minutes, way.arrives)
    return found


def _mean(fit: Counted, saved: Mapping[tuple[ReplayCase, int], tuple[float, float]]) -> Mean:
    by_value: Counter[float] = Counter()
    for key, many in fit.items():
        by_value[round(saved[key][0], 9)] += many
    return bootstrap_mean(by_value)
