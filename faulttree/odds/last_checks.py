"""What a plan of a tree does before it ends at a fault: safety checks and last confirmations."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Draft
from faulttree.odds.table import FaultTable
from faulttree.tree.graph import graph_of
from faulttree.tree.model import Tree
from faulttree.tree.safety import is_guard

__all__ = ["Endings"]


class Endings:
    """The tests that a plan passes before it ends at a fault, as the tree has them.

    These are the safety checks that every path of the tree to the fault passes, and its last
    confirmation: a test with the fault behind some outcomes and a stop behind all others
    ("not reproduced"). Such a test tells the fault from no other fault of the table, but from
    a cause that the tree does not have. A table without a tree has none of them.

    Attributes:
        asked: what a walk must remember that it has passed.
    """

    def __init__(self, table: FaultTable, problem: PlanningProblem) -> None:
        self.tree, self.problem = table.source, problem
        self._before = dict(_before_ends(table.source, table)) if table.source is not None else {}
        self.asked = frozenset(problem.readying.bit).union(*self._before.values())

    def missing(
        self, faults: Sequence[str], passed: Collection[str], state: int
    ) -> Iterator[tuple[float, tuple[str, ...], str]]:
        """(minutes, what comes first, test) of each test still to pass before the faults.

        Where several faults are left, only safety checks: to confirm one is not yet possible.

        Args:
            faults: those that are left.
            passed: tests and actions on the way here.
            state: what holds (see :class:`faulttree.odds.planning.problem.Readying`).
        """
        for name in dict.fromkeys(one for f in faults for one in self._before.get(f, ())):
            guard = self.tree is not None and is_guard(self.tree, self.tree.steps[name])
            if name in passed or (len(faults) > 1 and not guard):
                continue
            test = self.problem.table.test_index[name]
            readied = self.problem.readying.ready(state, test, frozenset())
            assert readied is not None  # blocked only by tests that are told to be telling
            state = readied.state
            yield float(self.problem.minutes[test]) + readied.minutes, readied.items, name

    def minutes(self, faults: Sequence[str], passed: Collection[str], state: int) -> float:
        """Minutes of what is still to pass before the faults."""
        return sum(minutes for minutes, _, _ in self.missing(faults, passed, state))

    def expected(self, graph: PlanGraph, draft: Draft) -> float:
        """Expected minutes of these tests over a whole plan."""
        if not self._before:
            return 0.0
        known = dict[tuple[Place, frozenset[str], int], float]()

        def beyond(place: Place, passed: frozenset[str], state: int) -> float:
            if place not in draft.tests:
                return self.minutes(graph.names(place), passed, state)
            key = (place, passed, state)
            if key not in known:
                test = draft.tests[place]
                taken = {*graph.items(place, test), self.problem.table.tests[test]}
                later, state = passed | (taken & self.asked), graph.after(place, test, state)
                known[key] = sum(
                    share * beyond(end, later, state) for _, share, end in graph.ends(place, test)
                )
            return known[key]

        return beyond(graph.root, frozenset(), graph.state)


def _before_ends(tree: Tree, table: FaultTable) -> Iterator[tuple[str, tuple[str, ...]]]:
    graph = graph_of(tree)
    for fault in table.faults:
        wanted = [
            name
            for name in graph.before(fault)
            if name in table.test_index
            and (name in graph.checks_before(fault) or _confirms(tree, name, fault))
        ]
        if wanted:
            yield fault, tuple(wanted)


def _confirms(tree: Tree, name: str, fault: str) -> bool:
    others = {to for to in tree.steps[name].targets.values() if to != fault}
    return bool(others) and others <= tree.stops.keys()
