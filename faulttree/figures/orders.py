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

import networkx as nx

from faulttree.odds import priors, table_from_tree
from faulttree.odds.lookahead import Draft, look_ahead
from faulttree.odds.plan_tree import plan_tree
from faulttree.odds.problem import Problem
from faulttree.odds.search import Search, search_of
from faulttree.walk.state import HARD_STOPS

if TYPE_CHECKING:
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step, Tree

__all__ = ["Case", "Planned", "Standing", "guarded_table", "guards", "planned"]

WIDTHS = (4,)
SHOWN = 6
"""Steps that are named as the first of an order."""

DEEP = 200
"""Steps after which a walk that still goes on is called lost."""


@dataclass(frozen=True, slots=True)
class Case:
    """What a case says of the tests: its fault, and the outcomes it saw."""

    fault: str
    seen: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Way:
    """Minutes until a walk ends, and the chance that it ends at its fault."""

    minutes: float
    arrives: float


class Standing:
    """The order of the tree as it stands."""

    def __init__(self, tree: Tree, table: FaultTable) -> None:
        self.tree, self.table = tree, table

    def way(self, case: Case) -> Way:
        """What the case takes in this order."""
        return self._from(self.tree.start, case, dict(case.seen), frozenset(), 0)

    def _from(
        self, name: str, case: Case, seen: Mapping[str, str], entered: frozenset[str], depth: int
    ) -> Way:
        step = self.tree.steps.get(name)
        if step is None or depth > DEEP:
            return Way(0.0, float(name == case.fault))
        minutes, entered = self._enter(step, entered)
        outcomes = self._outcomes(step, case, seen)
        ways = [
            self._from(step.targets[outcome], case, seen, entered, depth + 1)
            for outcome in outcomes
        ]
        return _mean(minutes + step.cost, ways)

    def _outcomes(self, step: Step, case: Case, seen: Mapping[str, str]) -> tuple[str, ...]:
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
class Planned:
    """An order chosen by weights: at each place a test, as :mod:`faulttree.odds` plans it."""

    table: FaultTable
    problem: Problem
    search: Search[Any]
    draft: Draft
    whole: FaultTable

    def way(self, case: Case) -> Way:
        """What the case takes in this order; it arrives where its fault is still possible."""
        return self._from(self.search.root, case, dict(case.seen), 0)

    def _from(self, place: Any, case: Case, seen: Mapping[str, str], depth: int) -> Way:
        test = self.draft.tests.get(place)
        row = self.table.fault_index[case.fault]
        possible = bool(self.search.mask(place) >> row & 1)
        if test is None or depth > DEEP or not possible:
            return Way(0.0, float(possible and test is None))
        name = self.table.tests[test]
        ends = {at: end for at, _, end in self.search.ends(place, test)}
        outcomes = self.table.outcomes[test]
        shown: tuple[str, ...] = (seen[name],) if seen.get(name) in outcomes else ()
        shown = shown or self.table.entry(case.fault, name) or outcomes
        ways = [
            self._from(ends[at], case, seen, depth + 1)
            if (at := outcomes.index(outcome)) in ends
            else Way(0.0, 0.0)
            for outcome in shown
        ]
        return _mean(self.search.cost(place, test), ways)

    def document(self) -> dict[str, Any]:
        """The order as a tree document, plain data.

        Raises:
            TableError: it would have too many steps.
        """
        return plan_tree(self.whole, self.problem, self.search, self.draft)

    @cached_property
    def first(self) -> tuple[str, ...]:
        """What comes first on the likeliest way, with what must come before each test."""
        return tuple(islice(self._first(), SHOWN))

    def _first(self) -> Iterator[str]:
        place = self.search.root
        while (test := self.draft.tests.get(place)) is not None:
            items = self.search.items(place, test)
            yield from (item for item in items if item not in self.table.states)
            yield self.table.tests[test]
            place = max(self.search.ends(place, test), key=lambda end: (end[1], -end[0]))[2]


def _mean(minutes: float, ways: list[Way]) -> Way:
    share = 1 / len(ways)
    return Way(
        minutes + share * sum(way.minutes for way in ways),
        share * sum(way.arrives for way in ways),
    )


def guarded_table(tree: Tree) -> FaultTable:
    """The tree's fault table, each test behind the questions that guard it in the tree.

    Where every way to a test comes by a question whose answer can end the walk as unsafe or
    for licensed people only, no other order may go round that question.

    Raises:
        TableError: steps that wait for one another.
    """
    table = table_from_tree(tree)
    known = {*table.tests, *table.deeds}
    graph = nx.DiGraph((a, b) for a, _, b in tree.edges())
    if tree.start not in graph:
        return table
    above = nx.immediate_dominators(graph, tree.start)
    guarding = {name for name in table.tests if guards(tree, name)}
    after = []
    for at, test in enumerate(table.tests):
        before = [name for name in _chain(above, test) if name in guarding and name in known]
        after.append(tuple(dict.fromkeys([*reversed(before), *table.after[at]])))
    return replace(table, after=tuple(after))


def _chain(above: Mapping[str, str | None], name: str) -> Iterator[str]:
    """What every way to a step comes by, the nearest first."""
    while name in above and above[name] not in (None, name):
        name = str(above[name])
        yield name


def guards(tree: Tree, name: str) -> bool:
    """Whether an answer to a step can end the walk as unsafe or for licensed people only."""
    targets = tree.steps[name].targets.values()
    return any(tree.stops[to].reason in HARD_STOPS for to in targets if to in tree.stops)


def planned(table: FaultTable, counts: Mapping[tuple[str, str], float]) -> Planned | None:
    """The order that confirmed cases suggest; None where there is nothing to put in order.

    Args:
        table: as :func:`guarded_table` gives it.
        counts: (module or family, fault) → confirmed cases.
    """
    shares = priors(table, counts)
    weighed = replace(table, weights=tuple(max(shares[f], 1e-9) for f in table.faults))
    keep = [row for row, entries in enumerate(table.entries) if any(entries)]
    if len(keep) < 2:
        return None
    told = replace(
        weighed,
        faults=tuple(weighed.faults[row] for row in keep),
        weights=tuple(weighed.weights[row] for row in keep),
        entries=tuple(weighed.entries[row] for row in keep),
    )
    problem = Problem(told)
    search = search_of(problem, lambda: False)
    draft = look_ahead(problem, search, (), stop=lambda: False)
    draft = look_ahead(problem, search, WIDTHS, draft)
    return Planned(told, problem, search, draft, weighed)
