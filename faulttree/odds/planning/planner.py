"""The cheapest order of tests for a fault table, with proof or with a proved bound.

How a plan is found, each stage starting from what the last one left:

1. Greedy, by information per minute: a whole plan in milliseconds.
2. Look-ahead: at each place several tests are tried, each judged by the plan behind it, first
   by a greedy plan, then by plans that look ahead themselves.
3. Branch and bound in between, where the table is small enough to hope for proof.

The search ends when the plan is proved, when its work is used up, or when it is told to stop.
Work is counted in places looked at, so that the result does not depend on the machine.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any, Literal

from faulttree.odds.current_order import minutes_as_it_stands
from faulttree.odds.last_checks import Endings
from faulttree.odds.plan_document import plan_tree
from faulttree.odds.planning.lower_bounds import LowerBounds, root_bounds
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import EPSILON, Draft, OutOfWork, Search
from faulttree.odds.table import FaultTable, TableError
from faulttree.odds.table_from_tree import guarded
from faulttree.odds.testability import Testability, Wanted, groups_of, testability, wanted

__all__ = ["WORK", "Plan", "plan"]

WORK = 20_000
"""Places looked at where nothing else is asked for: one to four seconds for a shipped tree."""

EXACT_UP_TO = 120
"""Faults up to which a proof is tried for."""

MOST_CELLS = 20_000_000
"""Tests times faults squared up to which a proof is tried for; bounds memory."""

MOST_LINES = 1_000
"""Lines of a plan for people; places that are met again are written again."""

EndedBy = Literal["proof", "work", "stop", "all tried"]
"""Why a search ended: also where all look-ahead was tried and nothing was proved."""

ALL = 1_000_000
"""More tests than any table has: every one is tried."""

STAGES: tuple[tuple[int, ...] | float, ...] = (
    (16,), 0.1, (3, 6), (2, 3, 6), (8, ALL), 0.5, (4, 8, ALL), 1.0,
)  # fmt: skip
"""Widths of look-ahead, and the part of the work left that goes into a proof."""


@dataclass(frozen=True)
class Plan:
    """An order of tests: what to take first and, for each outcome, what then.

    Attributes:
        expected_minutes: until nothing more can be told apart, by the table's weights.
        lower_bound: no plan takes fewer; equal to ``expected_minutes`` where exact.
        exact: whether the plan is proved to be the cheapest.
        groups: faults that no test tells apart, two or more together.
        tree: the plan as a tree document, plain data.
        confirming_minutes: expected minutes, besides, of the safety checks and of the last
            confirmations that the plan's tree asks before it ends at a fault; 0 for a table
            that comes from no tree.
        before: expected minutes of the order as it stands: a tree's own, or a table's
            tests from left to right.
        bounds: ``entropy``, ``huffman``, ``pairs`` and ``rate``, in minutes; the first is
            never above the second, and none above ``expected_minutes``; one that does not
            apply or would take too long is 0.
        testability: what the tests can do, whatever their order.
        wanted: for each group, the new test that would split it best; the heaviest first.
        loose: faults of a tree that no test says anything of; no plan finds them.
        ended_by: ``proof``, ``work`` (used up), ``stop`` (by the clock or by the user), or
            ``all tried`` (nothing wider to try).
        order: up to 1,000 lines of the plan for people: (depth, outcome that leads here,
            what comes, probability).
    """

    expected_minutes: float
    lower_bound: float
    exact: bool
    groups: tuple[tuple[str, ...], ...]
    tree: Mapping[str, Any] = field(repr=False)
    before: float
    bounds: Mapping[str, float]
    testability: Testability
    wanted: tuple[Wanted, ...]
    loose: tuple[str, ...]
    order: tuple[tuple[int, str, str, float], ...] = field(repr=False)
    confirming_minutes: float = 0.0
    ended_by: EndedBy = "proof"

    @property
    def gap(self) -> float:
        """How far the plan may be from the cheapest, as a part of its minutes, 0 to 1."""
        if self.expected_minutes <= 0:
            return 0.0
        return max(0.0, 1 - self.lower_bound / self.expected_minutes)

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, numbers not rounded."""
        return {
            "expected_minutes": self.expected_minutes,
            "lower_bound": self.lower_bound,
            "exact": self.exact,
            "groups": [list(group) for group in self.groups],
            "tree": self.tree,
            "before": self.before,
            "confirming_minutes": self.confirming_minutes,
            "ended_by": self.ended_by,
            "gap": self.gap,
            "bounds": dict(self.bounds),
            "testability": self.testability.as_dict(),
            "wanted": [one.as_dict() for one in self.wanted],
            "loose": list(self.loose),
        }


def plan(
    table: FaultTable,
    *,
    work: int | None = None,
    seconds: float | None = None,
    progress: Callable[[float, float], None] | None = None,
    stopped: Callable[[], bool] = lambda: False,
    clock: Callable[[], float] = time.monotonic,
) -> Plan:
    r"""The cheapest order of tests that can be found with some work, and how good it is.

    One fault is present; outcomes count as certain, those of a vague entry as equally likely.

    Args:
        table: the fault table. Of one drawn from a tree, faults that no test says anything of
            are left out, and every test stays behind the safety checks of the tree.
        work: how many places of plans to look at, 0 or more; the same work gives the same plan
            on every machine. 20,000 where neither this nor ``seconds`` is given.
        seconds: ends the search sooner than its work does; the plan depends on the machine.
            The first plan of a small table is finished all the same.
        progress: told the best expected minutes and the proved lower bound, as they change.
        stopped: once true, the best plan so far is given.
        clock: seconds from any start.

    Raises:
        TableError: a table without faults, one that says so little that a plan would have too
            many steps, or a large one for which the time is over before a first plan.

    Example:
        >>> from faulttree.odds import table_from_csv
        >>> found = plan(table_from_csv("fault,weight,a,b\\nminutes,,2,1\\nx,1,0,0\\ny,3,1,1\\n"))
        >>> found.expected_minutes, found.exact
        (1.0, True)
    """
    if not table.faults:
        raise TableError("the table has no faults", remedy="Give each fault a row.")
    limit = float(work) if work is not None else WORK if seconds is None else math.inf
    return _planned(table, _TimeLimit(seconds, stopped, clock), limit, progress)


def _planned(
    table: FaultTable,
    time_limit: _TimeLimit,
    limit: float,
    progress: Callable[[float, float], None] | None,
) -> Plan:
    """The plan that the stages of the search come to within their limits."""
    table = guarded(table)
    planned, loose = _without_loose(table)
    problem = PlanningProblem(planned)
    graph = PlanGraph(problem)
    search = Search(graph, time_limit.reached, _bounds(graph))
    search.draft()
    before = minutes_as_it_stands(planned, graph, search.check_first)
    time_limit.keep_free()
    static = root_bounds(graph, search.bounds)
    least = max(static.values())
    ended_by: EndedBy = "all tried"
    for reason in _stages(search, least, limit):
        ended_by, draft, low = reason, search.draft(), max(least, search.low)
        if progress is not None:
            progress(draft.total, min(low, draft.total))
    exact = low >= draft.total * (1 - 2 * EPSILON)
    endings = Endings(table, problem)
    return Plan(
        expected_minutes=draft.total,
        lower_bound=draft.total if exact else low,
        exact=exact,
        groups=groups_of(problem),
        tree=plan_tree(table, graph, draft),
        before=before,
        bounds={name: min(bound, draft.total) for name, bound in static.items()},
        testability=testability(graph, draft),
        wanted=wanted(problem),
        loose=loose,
        order=tuple(islice(_order(graph, draft, endings), MOST_LINES)),
        confirming_minutes=endings.expected(graph, draft),
        ended_by="proof" if exact else ended_by,
    )


class _TimeLimit:
    """When a search must end, so that all of it takes the seconds that were given.

    What follows the search goes through the plan a few times, as making the first plan does. So
    the time of the first plan is kept free for it.
    """

    def __init__(
        self, seconds: float | None, stopped: Callable[[], bool], clock: Callable[[], float]
    ) -> None:
        self.timed, self.stopped, self.clock = seconds is not None, stopped, clock
        self.began = clock() if self.timed else 0.0
        self.end = self.began + (seconds or 0.0)

    def keep_free(self) -> None:
        """Keep as much time free at the end as was used so far."""
        if self.timed:
            self.end -= self.clock() - self.began

    def reached(self) -> bool:
        """Whether the search must end."""
        return self.stopped() or (self.timed and self.clock() >= self.end)


def _bounds(graph: PlanGraph) -> LowerBounds | None:
    n, m = graph.problem.n, graph.problem.m
    return LowerBounds(graph) if n <= EXACT_UP_TO and m * n * n <= MOST_CELLS else None


def _stages(search: Search, least: float, limit: float) -> Iterator[EndedBy]:
    """Improve a search stage by stage; gives, after each, why it would end there."""
    search.draft()
    yield "work" if limit <= 0 else "all tried"
    for stage in STAGES:
        best = search.draft().total
        if max(least, search.low) >= best * (1 - EPSILON):
            return
        if search.bounds is None and isinstance(stage, float):
            continue
        left = limit - search.graph.work
        search.limit = search.graph.work + (left * stage if isinstance(stage, float) else left)
        try:
            if isinstance(stage, float):
                for _ in search.prove():
                    yield "all tried"
            else:
                search.look_ahead(*stage)
        except OutOfWork:
            pass
        if search.stopped or search.graph.work >= limit:
            yield "stop" if search.stopped else "work"
            return
        yield "all tried"


def _without_loose(table: FaultTable) -> tuple[FaultTable, tuple[str, ...]]:
    """A tree's table without the faults that no test says anything of."""
    keep = [row for row, entries in enumerate(table.entries) if any(entries)]
    if table.source is None or len(keep) == len(table.faults) or not keep:
        return table, ()
    loose = tuple(f for row, f in enumerate(table.faults) if row not in set(keep))
    return (
        replace(
            table,
            faults=tuple(table.faults[row] for row in keep),
            weights=tuple(table.weights[row] for row in keep),
            entries=tuple(table.entries[row] for row in keep),
        ),
        loose,
    )


def _order(
    graph: PlanGraph, draft: Draft, endings: Endings
) -> Iterator[tuple[int, str, str, float]]:
    """The plan line by line, depth first."""
    table = graph.problem.table
    stack: list[tuple[int, str, Place, float, frozenset[str], int]]
    stack = [(0, "", graph.root, 1.0, frozenset(), graph.state)]
    while stack:
        depth, outcome, place, probability, passed, state = stack.pop()
        if place not in draft.tests:
            faults = graph.names(place)
            last = [(*items, name) for _, items, name in endings.missing(faults, passed, state)]
            first = "".join(f"{item}, " for items in last for item in items)
            yield depth, outcome, f"{first}= " + " or ".join(faults), probability
            continue
        test = draft.tests[place]
        items, names = graph.items(place, test), table.outcomes[test]
        yield depth, outcome, ", ".join((*items, table.tests[test])), probability
        later = passed | ({*items, table.tests[test]} & endings.asked)
        left = graph.after(place, test, state)
        stack += [
            (depth + 1, names[at], end, probability * share, later, left)
            for at, share, end in reversed(graph.ends(place, test))
        ]
