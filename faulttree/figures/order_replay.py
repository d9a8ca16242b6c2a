"""An order of tests to try on recorded cases: the tree's own, and one chosen by the record.

Both are walked in the same way: what a case saw at a test is what the test shows; where it did
not take it, the fault table says what its fault shows, and where the table leaves several
outcomes open the minutes are the mean over them. Minutes are the tree's own, access included.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Any

from faulttree.figures.guards import first_guards, with_guards_first, without
from faulttree.odds import priors
from faulttree.odds.last_checks import Endings
from faulttree.odds.plan_document import plan_tree
from faulttree.odds.planning.exact_search import Search, search_of
from faulttree.odds.planning.lookahead import Draft, look_ahead
from faulttree.odds.planning.problem import PlanningProblem, bits

if TYPE_CHECKING:
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step, Tree

__all__ = ["CurrentOrder", "PlannedOrder", "ReplayCase", "planned"]

WIDTHS = (4,)
SHOWN = 6
"""Steps that are named as the first of an order."""

DEEP = 200
"""Steps after which a walk that still goes on is called lost."""


@dataclass(frozen=True, slots=True)
class ReplayCase:
    """What a case says of the tests: its fault, and the outcomes it saw."""

    fault: str
    seen: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class OrderPath:
    """Minutes until a walk ends, and the chance that it ends at its fault."""

    minutes: float
    arrives: float


class CurrentOrder:
    """The order of the tree as it stands."""

    def __init__(self, tree: Tree, table: FaultTable) -> None:
        self.tree, self.table = tree, table

    def way(self, case: ReplayCase) -> OrderPath:
        """What the case takes in this order."""
        return self._from(self.tree.start, case, dict(case.seen), frozenset(), 0)

    def _from(
        self,
        name: str,
        case: ReplayCase,
        seen: Mapping[str, str],
        entered: frozenset[str],
        depth: int,
    ) -> OrderPath:
        step = self.tree.steps.get(name)
        if step is None or depth > DEEP:
            return OrderPath(0.0, float(name == case.fault))
        minutes, entered = self._enter(step, entered)
        outcomes = self._outcomes(step, case, seen)
        ways = [
            self._from(step.targets[outcome], case, seen, entered, depth + 1)
            for outcome in outcomes
        ]
        return _mean(minutes + step.cost, ways)

    def surely(self, case: ReplayCase) -> float | None:
        """Minutes until its fault is found; None where it may be missed, or walked round for."""
        known: dict[tuple[str, frozenset[str]], float] = {}
        return self._surely(self.tree.start, case, dict(case.seen), frozenset(), frozenset(), known)

    def _surely(
        self,
        name: str,
        case: ReplayCase,
        seen: Mapping[str, str],
        entered: frozenset[str],
        been: frozenset[str],
        known: dict[tuple[str, frozenset[str]], float],
    ) -> float | None:
        """``known``: step and access → minutes; steps that paths share are counted once.

        Where a path leads round, nothing is sure and the whole walk is None; what is kept
        is therefore right on every path.
        """
        step = self.tree.steps.get(name)
        if step is None:
            return 0.0 if name == case.fault else None
        if name in been:
            return None
        if (name, entered) in known:
            return known[name, entered]
        minutes, within = self._enter(step, entered)
        outcomes, whole = self._outcomes(step, case, seen), 0.0
        for outcome in outcomes:
            more = self._surely(step.targets[outcome], case, seen, within, been | {name}, known)
            if more is None:
                return None
            whole += more
        known[name, entered] = minutes + step.cost + whole / len(outcomes)
        return known[name, entered]

    def _outcomes(self, step: Step, case: ReplayCase, seen: Mapping[str, str]) -> tuple[str, ...]:
        if seen.get(step.id) in step.targets:
            return (seen[step.id],)
        test = self.table.test_index.get(step.id)
        if test is None:
            return tuple(step.targets)[:1]
        return self.table.entry(case.fault, step.id) or self.table.outcomes[test]

    def _enter(self, step: Step, entered: frozenset[str]) -> tuple[float, frozenset[str]]:
        minutes = 0.0
        for name in step.access:
            state = self.tree.access.get(name)
            if state is None or name in entered:
                continue
            minutes += state.minutes
            rivals = {
                other
                for other in entered
                if state.group is not None and self.tree.access[other].group == state.group
            }
            entered = (entered - rivals) | {name}
        return minutes, entered


@dataclass(frozen=True)
class PlannedOrder:
    """An order chosen by weights: at each place a test, as :mod:`faulttree.odds` plans it.

    Attributes:
        whole: the table with the faults that no test tells of. guarded: steps that come
            first, once, and ``ahead`` the minutes they take.
    """

    table: FaultTable
    problem: PlanningProblem
    search: Search[Any]
    draft: Draft
    whole: FaultTable
    guarded: tuple[str, ...] = ()
    ahead: float = 0.0

    def way(self, case: ReplayCase) -> OrderPath:
        """What the case takes in this order; it arrives where its fault is still possible."""
        start = (frozenset[str](), self.search.state)
        way = self._from(self.search.root, case, dict(case.seen), 0, *start)
        return OrderPath(way.minutes + self.ahead, way.arrives)

    @cached_property
    def _endings(self) -> Endings:
        return Endings(self.whole, self.problem)

    def _from(
        self,
        place: Any,
        case: ReplayCase,
        seen: Mapping[str, str],
        depth: int,
        passed: frozenset[str],
        state: int,
    ) -> OrderPath:
        test = self.draft.tests.get(place)
        row = self.table.fault_index[case.fault]
        possible = bool(self.search.mask(place) >> row & 1)
        if test is None and possible:
            left = [self.table.faults[fault] for fault in bits(self.search.mask(place))]
            return OrderPath(self._endings.minutes(left, passed, state), 1.0)
        if test is None or depth > DEEP or not possible:
            return OrderPath(0.0, 0.0)
        name = self.table.tests[test]
        ends = {at: end for at, _, end in self.search.ends(place, test)}
        outcomes = self.table.outcomes[test]
        shown: tuple[str, ...] = (seen[name],) if seen.get(name) in outcomes else ()
        taken = {*self.search.items(place, test), name} & self._endings.asked
        later, after = passed | taken, self.search.after(place, test)
        shown = shown or self.table.entry(case.fault, name) or outcomes
        ways = [
            self._from(ends[at], case, seen, depth + 1, later, after)
            if (at := outcomes.index(outcome)) in ends
            else OrderPath(0.0, 0.0)
            for outcome in shown
        ]
        return _mean(self.search.cost(place, test), ways)

    def document(self) -> dict[str, Any]:
        """The order as a tree document, plain data.

        Raises:
            TableError: it would have too many steps.
        """
        document = plan_tree(self.whole, self.problem, self.search, self.draft)
        tree = self.table.source
        assert tree is not None
        return dict(with_guards_first(tree, document, self.guarded))

    @cached_property
    def first(self) -> tuple[str, ...]:
        """What comes first on the likeliest way, with what must come before each test."""
        return (*self.guarded, *islice(self._first(), SHOWN))

    def _first(self) -> Iterator[str]:
        place = self.search.root
        while (test := self.draft.tests.get(place)) is not None:
            items = self.search.items(place, test)
            yield from (item for item in items if item not in self.table.states)
            yield self.table.tests[test]
            place = max(self.search.ends(place, test), key=lambda end: (end[1], -end[0]))[2]


def _mean(minutes: float, ways: list[OrderPath]) -> OrderPath:
    share = 1 / len(ways)
    return OrderPath(
        minutes + share * sum(way.minutes for way in ways),
        share * sum(way.arrives for way in ways),
    )


def planned(table: FaultTable, counts: Mapping[tuple[str, str], float]) -> PlannedOrder | None:
    """The order that confirmed cases suggest; None where there is nothing to put in order.

    Args:
        table: as :func:`faulttree.odds.guarded_table` gives it.
        counts: (module or family, fault) → confirmed cases.
    """
    tree = table.source
    guarded = first_guards(tree, table) if tree is not None else ()
    ahead = sum(table.minutes[table.test_index[name]] for name in guarded)
    shares = priors(table, counts)
    weighed = replace(
        without(table, guarded), weights=tuple(max(shares[f], 1e-9) for f in table.faults)
    )
    keep = [row for row, entries in enumerate(weighed.entries) if any(entries)]
    if len(keep) < 2:
        return None
    told = replace(
        weighed,
        faults=tuple(weighed.faults[row] for row in keep),
        weights=tuple(weighed.weights[row] for row in keep),
        entries=tuple(weighed.entries[row] for row in keep),
    )
    problem = PlanningProblem(told)
    search = search_of(problem, lambda: False)
    draft = look_ahead(problem, search, (), stop=lambda: False)
    draft = look_ahead(problem, search, WIDTHS, draft)
    return PlannedOrder(told, problem, search, draft, weighed, guarded, ahead)
