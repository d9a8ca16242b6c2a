"""Orders of tests to replay on recorded cases: the tree's order, and a planned order.

Both are replayed in the same way. If a case took a test, its own outcome is used. Otherwise the
fault table gives the outcome of its fault; if the table allows several outcomes, the minutes are
the mean over them. Minutes are those of the tree, access included.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Any

from faulttree.odds import priors
from faulttree.odds.last_checks import Endings
from faulttree.odds.plan_document import plan_tree
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Draft, Search
from faulttree.tree.ids import free_id
from faulttree.tree.safety import is_check

if TYPE_CHECKING:
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step, Tree


WIDTH = 4
SHOWN = 6
"""Number of first steps that are named for an order."""

DEEP = 200
"""Greatest number of steps in a replayed walk; a longer one counts as lost."""


@dataclass(frozen=True, slots=True)
class ReplayCase:
    """The data of one case for a replay: its fault, and its outcomes."""

    fault: str
    seen: frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class OrderPath:
    """Minutes until a walk ends, and the chance that it ends at its fault."""

    minutes: float
    arrives: float


class CurrentOrder:
    """The current order of the tree."""

    def __init__(self, tree: Tree, table: FaultTable) -> None:
        self.tree, self.table = tree, table

    def way(self, case: ReplayCase) -> OrderPath:
        """The minutes of the case in this order, and the chance to find its fault."""
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
        minutes, entered = self.tree.enter(step.access, entered)
        ways = [
            (share, self._from(step.targets[outcome], case, seen, entered, depth + 1))
            for outcome, share in self._outcomes(step, case, seen).items()
        ]
        return _mean(minutes + step.cost, ways)

    def surely(self, case: ReplayCase) -> float | None:
        """Minutes until its fault is found; None if it may be missed or the walk may cycle."""
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

        If a path has a cycle, the whole result is None; cached values therefore hold on
        every path.
        """
        step = self.tree.steps.get(name)
        if step is None:
            return 0.0 if name == case.fault else None
        if name in been:
            return None
        if (name, entered) in known:
            return known[name, entered]
        minutes, within = self.tree.enter(step.access, entered)
        whole = 0.0
        for outcome, share in self._outcomes(step, case, seen).items():
            more = self._surely(step.targets[outcome], case, seen, within, been | {name}, known)
            if more is None:
                return None
            whole += share * more
        known[name, entered] = minutes + step.cost + whole
        return known[name, entered]

    def _outcomes(
        self, step: Step, case: ReplayCase, seen: Mapping[str, str]
    ) -> Mapping[str, float]:
        if seen.get(step.id) in step.targets:
            return {seen[step.id]: 1.0}
        if step.id not in self.table.test_index:
            return dict.fromkeys([*step.targets][:1], 1.0)
        return self.table.shows(case.fault, step.id)


@dataclass(frozen=True)
class PlannedOrder:
    """An order chosen by weights: at each place a test, as :mod:`faulttree.odds` plans it.

    Attributes:
        whole: the table including faults that no test shows. guarded: steps that come
            first, once; ``ahead`` are their minutes.
    """

    table: FaultTable
    graph: PlanGraph
    draft: Draft
    whole: FaultTable
    guarded: tuple[str, ...] = ()
    ahead: float = 0.0

    def way(self, case: ReplayCase) -> OrderPath:
        """The minutes of the case in this order; it succeeds if its fault is still possible."""
        start = (frozenset[str](), self.graph.state)
        way = self._from(self.graph.root, case, dict(case.seen), 0, *start)
        return OrderPath(way.minutes + self.ahead, way.arrives)

    @cached_property
    def _endings(self) -> Endings:
        return Endings(self.whole, self.graph.problem)

    def _from(
        self,
        place: Place,
        case: ReplayCase,
        seen: Mapping[str, str],
        depth: int,
        passed: frozenset[str],
        state: int,
    ) -> OrderPath:
        test = self.draft.tests.get(place)
        row = self.table.fault_index[case.fault]
        possible = bool(place.faults >> row & 1)
        if test is None and possible:
            return OrderPath(self._endings.minutes(self.graph.names(place), passed, state), 1.0)
        if test is None or depth > DEEP or not possible:
            return OrderPath(0.0, 0.0)
        name = self.table.tests[test]
        ends = {at: end for at, _, end in self.graph.ends(place, test)}
        outcomes = self.table.outcomes[test]
        told = seen.get(name)
        taken = {*self.graph.items(place, test), name} & self._endings.asked
        later, after = passed | taken, self.graph.after(place, test, state)
        chances = {told: 1.0} if told in outcomes else self.table.shows(case.fault, name)
        ways = [
            (share, self._from(ends[at], case, seen, depth + 1, later, after))
            for outcome, share in chances.items()
            if (at := outcomes.index(outcome)) in ends
        ]
        return _mean(self.graph.cost(place, test), ways)

    def document(self) -> dict[str, Any]:
        """The order as a tree document, plain data.

        Raises:
            TableError: it would have too many steps.
        """
        document = plan_tree(self.whole, self.graph, self.draft)
        tree = self.table.source
        assert tree is not None
        return dict(with_guards_first(tree, document, self.guarded))

    @cached_property
    def first(self) -> tuple[str, ...]:
        """The first steps on the likeliest path, with the prerequisites of each test."""
        return (*self.guarded, *islice(self._first(), SHOWN))

    def _first(self) -> Iterator[str]:
        place = self.graph.root
        while (test := self.draft.tests.get(place)) is not None:
            items = self.graph.items(place, test)
            yield from (item for item in items if item not in self.table.states)
            yield self.table.tests[test]
            place = max(self.graph.ends(place, test), key=lambda end: (end[1], -end[0]))[2]


def _mean(minutes: float, ways: list[tuple[float, OrderPath]]) -> OrderPath:
    return OrderPath(
        minutes + sum(share * way.minutes for share, way in ways),
        sum(share * way.arrives for share, way in ways),
    )


def planned(table: FaultTable, counts: Mapping[tuple[str, str], float]) -> PlannedOrder | None:
    """Plan an order with the weights of confirmed cases; None if there is nothing to order.

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
    graph = PlanGraph(PlanningProblem(told))
    search = Search(graph)
    search.look_ahead(WIDTH)
    return PlannedOrder(told, graph, search.draft(), weighed, guarded, ahead)


def first_guards(tree: Tree, table: FaultTable) -> tuple[str, ...]:
    """The guards at the start of the tree that do not distinguish faults.

    They are asked once, as in the tree, and are not part of the planned order.

    Args:
        table: as :func:`faulttree.odds.guarded_table` gives it.
    """
    plain = [
        name
        for at, name in enumerate(table.tests)
        if is_check(tree, tree.steps[name]) and len({row[at] for row in table.entries} - {()}) < 2
    ]
    found: list[str] = []
    name = tree.start
    # The start of the tree, as long as it is a chain of guards.
    while name in plain and name not in found:
        found.append(name)
        on = {to for to in tree.steps[name].targets.values() if to not in tree.stops}
        if len(on) != 1:
            break
        name = on.pop()
    return tuple(found)


def without(table: FaultTable, tests: Sequence[str]) -> FaultTable:
    """The table without some of its tests; they are removed from all prerequisites."""
    left = [at for at, name in enumerate(table.tests) if name not in tests]

    def kept(column: Sequence[Any]) -> tuple[Any, ...]:
        return tuple(column[at] for at in left) if column else ()

    def waits(names: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in names if name not in tests)

    return replace(
        table,
        tests=kept(table.tests),
        minutes=kept(table.minutes),
        outcomes=kept(table.outcomes),
        entries=tuple(kept(row) for row in table.entries),
        access=kept(table.access),
        after=tuple(waits(names) for names in kept(table.after)),
        actions={
            name: replace(action, after=waits(action.after))
            for name, action in table.actions.items()
        },
        normal=kept(table.normal),
        kinds=kept(table.kinds),
        gear=kept(table.gear),
    )


def with_guards_first(tree: Tree, document: Mapping[str, Any], names: Sequence[str]) -> Any:
    """The tree document with these guards put before its start."""
    made = copy.deepcopy(dict(document))
    following: str = made["start"]
    steps: dict[str, Any] = {}
    for name in reversed(names):
        own = free_id(name.replace(".", "-"), {*made["steps"], *steps, *made["faults"]})
        steps[own] = _asked(tree, tree.steps[name], following)
        following = own
    written = tree.bundle["tree"]["stops"]
    met = {to for name in names for to in tree.steps[name].targets.values()}
    stops = {name: stop for name, stop in written.items() if name in met or name in made["stops"]}
    return made | {
        "start": following,
        "steps": dict(reversed(steps.items())) | made["steps"],
        "stops": {**stops, **made["stops"]},
    }


def _asked(tree: Tree, step: Step, following: str) -> dict[str, Any]:
    targets = {
        outcome: to if to in tree.stops else following for outcome, to in step.targets.items()
    }
    said = {
        "measure" if step.kind == "measure" else "ask": step.text,
        "how": step.how,
        "needs": list(step.needs),
        "minutes": step.minutes,
        "cautions": list(step.cautions),
        "access": list(step.access),
        "live": step.live or None,
        "limits": copy.deepcopy(step.limits),
        "unit": step.unit if step.limits is None else None,
        "results" if step.kind == "measure" else "answers": targets,
    }
    return {key: value for key, value in said.items() if value not in (None, "", [])}
