"""The cheapest order of tests for a fault table, with proof or with a proved bound.

How a plan is found, each stage starting from what the last one left:

1. Greedy, by information per minute: a whole plan in milliseconds.
2. Look-ahead: at each place several tests are tried, each judged by the plan behind it.
3. Exact search by branch and bound, where the table is small enough to hope for proof.
4. Wider look-ahead, and exact plans for the small places of a large plan, until the time
   is up.

Large tables without vague entries or getting ready go by nested look-ahead and by chains
instead, see :mod:`faulttree.odds.planning.nested_lookahead` and
:mod:`faulttree.odds.planning.beam_search`.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import count, islice
from typing import Any

from faulttree.odds.current_order import minutes_as_it_stands
from faulttree.odds.guarded_table import guarded
from faulttree.odds.last_checks import Endings
from faulttree.odds.plan_document import plan_tree
from faulttree.odds.planning.beam_search import Chains
from faulttree.odds.planning.exact_search import EPSILON, OutOfTime, PlainSearch, Search, search_of
from faulttree.odds.planning.lookahead import Draft, look_ahead, reachable
from faulttree.odds.planning.lower_bounds import (
    entropy_bound,
    huffman_bound,
    pair_bound,
    rate_bound,
)
from faulttree.odds.planning.nested_lookahead import nested
from faulttree.odds.planning.problem import PlanningProblem, bits
from faulttree.odds.planning.shortlist import shortlist
from faulttree.odds.table import FaultTable, TableError
from faulttree.odds.testability import Testability, Wanted, groups_of, testability, wanted

__all__ = ["Plan", "plan"]

SECONDS = 10.0
EXACT_UP_TO = 120
"""Faults up to which a proof is tried for; beyond, all time goes into a better plan."""

SMALL_PLACE = 14
"""Faults up to which places of a large plan are planned exactly."""

MOST_LINES = 1_000
"""Lines of a plan for people; places that are met again are written again."""

FIRST_WIDTHS = ((6,), (16, 3))
LATER_WIDTHS = ((12,), (40,), (6, 3), (16, 4), (30, 6), (60, 8))


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
            "gap": self.gap,
            "bounds": dict(self.bounds),
            "testability": self.testability.as_dict(),
            "wanted": [one.as_dict() for one in self.wanted],
            "loose": list(self.loose),
        }


def plan(
    table: FaultTable,
    *,
    seconds: float | None = None,
    work: int | None = None,
    progress: Callable[[float, float], None] | None = None,
    stopped: Callable[[], bool] = lambda: False,
    clock: Callable[[], float] = time.monotonic,
) -> Plan:
    """The cheapest order of tests that can be found in the time, and how good it is.

    A plan goes on until no test left could rule out a fault that is still possible, one
    fault being present. Outcomes count as certain, those of a vague entry as equally likely.

    Args:
        table: the fault table. Of a table drawn from a tree, faults that no test says
            anything of are left out, for no order of tests finds them; and every test stays
            behind the safety checks of the tree (:func:`faulttree.odds.guarded_table.guarded`).
        seconds: how long to look for something better, 0 or more; a first plan is always
            finished, and a proof found sooner ends the search. 10 where neither this nor
            ``work`` is given. How far a search comes in a time depends on the machine.
        work: how many turns of the search to look for something better, 0 or more. The same
            table and the same work give the same plan on every machine, busy or not, unless
            ``seconds`` are given too and are over before. A turn takes between a
            three-thousandth and a thirtieth of a second (measured on shipped trees and on
            random tables of up to 300 faults).
        progress: told the best expected minutes and the proved lower bound, as they change.
        stopped: once true, the best plan so far is given.
        clock: seconds from any start.

    Raises:
        TableError: a table without faults, or one that says so little that a plan would
            have too many steps.
    """
    if not table.faults:
        raise TableError("the table has no faults", mend="Give each fault a row.")
    table = guarded(table)
    planned, loose = _without_loose(table)
    problem = PlanningProblem(planned)
    timer = _timer(seconds, work, stopped, clock)
    search = search_of(problem, timer.up)
    static = {
        "entropy": entropy_bound(problem),
        "huffman": huffman_bound(problem),
        "pairs": pair_bound(problem) if problem.n <= EXACT_UP_TO else 0.0,
        "rate": rate_bound(problem),
    }
    first = look_ahead(problem, search, ())
    for best, low in _improve(problem, search, first, max(static.values()), timer):
        if progress is not None:
            progress(best.total, min(low, best.total))
    low, endings = min(low, best.total), Endings(table, problem)
    exact = low >= best.total * (1 - 2 * EPSILON)
    return Plan(
        expected_minutes=best.total,
        lower_bound=best.total if exact else low,
        exact=exact,
        groups=groups_of(problem),
        tree=plan_tree(table, problem, search, best),
        before=minutes_as_it_stands(planned, problem, search),
        bounds={name: min(bound, best.total) for name, bound in static.items()},
        testability=testability(problem, search, best),
        wanted=wanted(problem),
        loose=loose,
        order=tuple(islice(_order(problem, search, best, endings), MOST_LINES)),
        confirming_minutes=endings.expected(search, best),
    )


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


def _timer(
    seconds: float | None,
    work: int | None,
    stopped: Callable[[], bool],
    clock: Callable[[], float],
) -> _Timer:
    """A timer of seconds or, where work is given, of turns with the seconds as a limit."""
    if work is None:
        return _Timer(clock, SECONDS if seconds is None else seconds, stopped)
    turns, begun = count(), clock()

    def ended() -> bool:
        return stopped() or (seconds is not None and clock() - begun >= seconds)

    return _Timer(lambda: float(next(turns)), float(work), ended)


class _Timer:
    """When a stage is to stop."""

    def __init__(
        self, clock: Callable[[], float], seconds: float, stopped: Callable[[], bool]
    ) -> None:
        self._clock, self._stopped = clock, stopped
        self._start, self.seconds = clock(), seconds
        self.share = 1.0

    def up(self) -> bool:
        """Whether the stage's share of the time is spent, or the search was stopped."""
        return self._stopped() or self._clock() - self._start >= self.seconds * self.share

    def over(self) -> bool:
        """Whether all time is spent."""
        return self._stopped() or self._clock() - self._start >= self.seconds

    def begin(self, part: float) -> None:
        """Give the stage that comes now this part of the time that is left."""
        end = self._start + self.seconds
        left = max(0.0, end - self._clock())
        self.share = 1 - left * (1 - part) / self.seconds if self.seconds > 0 else 1.0


def _improve(
    problem: PlanningProblem, search: Search[Any], best: Draft, low: float, timer: _Timer
) -> Iterator[tuple[Draft, float]]:
    """Better plans and higher bounds, as they are found."""
    yield best, low
    small = problem.n <= EXACT_UP_TO
    if low >= best.total * (1 - EPSILON):
        return
    if not small and isinstance(search, PlainSearch):
        for better in _by_stages(problem, search, best, timer):
            yield better, low
        return
    timer.share = 0.1 if small else 0.7
    for widths in FIRST_WIDTHS if small else ((4,), *LATER_WIDTHS):
        if timer.up() or low >= best.total * (1 - EPSILON):
            break
        best = _wider(problem, search, best, widths, timer)
        yield best, low
    if small:
        timer.share = 0.85
        for drafted, proved in _prove(search, best, low):
            best, low = drafted, proved
            yield best, low
    timer.share = 1.0
    if low < best.total * (1 - EPSILON):
        best = _polish(search, best, timer)
        yield best, low
        for widths in LATER_WIDTHS:
            if timer.up():
                break
            best = _wider(problem, search, best, widths, timer)
            yield best, low


def _by_stages(
    problem: PlanningProblem, search: PlainSearch, best: Draft, timer: _Timer
) -> Iterator[Draft]:
    """Better plans of a large table, as they are found."""
    tests = shortlist(problem, best)
    chains = Chains(problem, search, tests, best, timer.up)

    def rolled_out(*widths: int, power: float = 1.0) -> Iterator[Draft]:
        with suppress(OutOfTime):
            found = nested(problem, search, tests, widths, timer.up, power=power)
            yield chains.learn(found.tests)

    stages = (
        (0.4, rolled_out(12)),
        (0.15, chains.rounds()),
        (0.6, rolled_out(12, 10)),
        (0.15, chains.rounds()),
        (0.6, rolled_out(12, 10, power=1.3)),
        (0.8, rolled_out(12, 10, power=0.8)),
        (0.3, chains.rounds()),
        (0.3, chains.settle()),
        (0.9, rolled_out(24, 20)),
        (1.0, chains.settle()),
    )
    for part, stage in stages:
        timer.begin(part)
        yield from stage


def _wider(
    problem: PlanningProblem,
    search: Search[Any],
    best: Draft,
    widths: tuple[int, ...],
    timer: _Timer,
) -> Draft:
    found = look_ahead(problem, search, widths, best, timer.up)
    return found if found.total <= best.total else best


def _prove(search: Search[Any], best: Draft, low: float) -> Iterator[tuple[Draft, float]]:
    try:
        for proved in search.prove(search.root, best.total):
            low = max(low, proved)
            yield best, min(low, best.total)
    except OutOfTime:
        low = max(low, search.low.get(search.root, 0.0))
    if search.root in search.value:
        best = Draft.of(search, reachable(search, search.best))
        low = best.total
    yield best, low


def _polish(search: Search[Any], best: Draft, timer: _Timer) -> Draft:
    """Plan the small places of a plan exactly, the largest among them first."""
    tests = dict(best.tests)
    places = [p for p in tests if 2 < search.mask(p).bit_count() <= SMALL_PLACE]
    settled: set[Any] = set()
    for place in sorted(places, key=search.depth):
        if place in settled:
            continue
        try:
            search.solve(place, math.inf)
        except OutOfTime:
            break
        stack = [place]
        while stack:
            at = stack.pop()
            settled.add(at)
            if at in search.best:
                tests[at] = search.best[at]
                stack += [end for _, _, end in search.ends(at, tests[at]) if end not in settled]
    found = Draft.of(search, reachable(search, tests))
    return found if found.total <= best.total else best


def _order(
    problem: PlanningProblem, search: Search[Any], draft: Draft, endings: Endings
) -> Iterator[tuple[int, str, str, float]]:
    """The plan line by line, depth first."""
    table = problem.table
    stack: list[tuple[int, str, Any, float, frozenset[str], int]]
    stack = [(0, "", search.root, 1.0, frozenset(), search.state)]
    while stack:
        depth, outcome, place, probability, passed, state = stack.pop()
        if place not in draft.tests:
            faults = [table.faults[fault] for fault in bits(search.mask(place))]
            last = [(*items, name) for _, items, name in endings.missing(faults, passed, state)]
            first = "".join(f"{item}, " for items in last for item in items)
            yield depth, outcome, f"{first}= " + " or ".join(faults), probability
            continue
        test = draft.tests[place]
        first = "".join(f"{item}, " for item in search.items(place, test))
        yield depth, outcome, first + table.tests[test], probability
        ends = search.ends(place, test)
        names = table.outcomes[test]
        taken = {*search.items(place, test), table.tests[test]} & endings.asked
        later, left = passed | taken, search.after(place, test)
        stack += [
            (depth + 1, names[at], end, probability * share, later, left)
            for at, share, end in reversed(ends)
        ]
