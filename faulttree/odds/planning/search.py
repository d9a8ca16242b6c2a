"""The search for the cheapest order of tests: greedy plans, look-ahead, branch and bound.

The three share one graph of places. For each place the search keeps the fewest minutes found so
far, with the test that gives them (an upper bound), and a proved lower bound.

Sources: one-step information gain per minute, Pattipati and Alexandridis, IEEE Trans. SMC 20
(1990); nested rollout of a base policy, Bertsekas, Tsitsiklis and Wu, Journal of Heuristics 3
(1997); for sequential tests Tu and Pattipati, IEEE Trans. SMC-A 33 (2003).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from faulttree.odds.planning.lower_bounds import LowerBounds
from faulttree.odds.planning.plan_graph import End, Place, PlanGraph
from faulttree.odds.table import TableError

__all__ = ["EPSILON", "Draft", "OutOfWork", "Search"]

EPSILON = 1e-9
"""Two values closer than this part of the plan's minutes count as equal."""

MOST_PLACES = 50_000
"""Places of one plan at most."""

MOST_CELLS = 1_000_000_000
"""Entries of the table looked at for a first plan, at most: places times faults times tests."""

SOON = 30_000_000
"""Entries looked at for a first plan before its time limit counts: a second or less."""

Waiting = Generator[Any, float, float]
"""A computation that yields those it waits for and gives minutes."""


class OutOfWork(Exception):  # noqa: N818 - it is a signal, not an error
    """The work is used up, or the search was told to stop."""


@dataclass(frozen=True)
class Draft:
    """A plan: for each place that it comes by the test to take there.

    Attributes:
        root: where it starts.
        tests: place → test. Where a place has none, the plan ends.
        minutes: place → expected minutes from there.
    """

    root: Place
    tests: Mapping[Place, int]
    minutes: Mapping[Place, float]

    @classmethod
    def of(cls, graph: PlanGraph, choose: Callable[[Place], int | None]) -> Draft:
        """The plan that takes the chosen test at each place, from the root to the ends.

        Args:
            graph: the places.
            choose: gives the test to take at a place, or None where the plan ends.
        """
        tests: dict[Place, int] = {}
        waiting = [graph.root]
        while waiting:
            place = waiting.pop()
            test = choose(place) if place not in tests else None
            if test is not None:
                tests[place] = test
                waiting += [end for _, _, end in graph.ends(place, test)]
        minutes: dict[Place, float] = {}
        for place in sorted(tests, key=lambda one: one.depth, reverse=True):
            ends = graph.ends(place, tests[place])
            minutes[place] = graph.cost(place, tests[place]) + _mean(ends, minutes)
        return cls(graph.root, tests, minutes)

    @property
    def total(self) -> float:
        """Expected minutes of the whole plan."""
        return self.minutes.get(self.root, 0.0)


class Search:
    r"""Looks for the cheapest plan of one graph.

    Args:
        graph: the places.
        stop: once true, the search is broken off.
        bounds: of the same graph; only :meth:`prove` needs them.

    Attributes:
        stopped: whether ``stop`` broke it off.
        limit: work, in places looked at, after which the search is broken off.

    Example:
        >>> from faulttree.odds import table_from_csv
        >>> from faulttree.odds.planning.problem import PlanningProblem
        >>> table = table_from_csv("fault,weight,a,b\\nminutes,,2,1\\nx,1,0,0\\ny,3,1,1\\n")
        >>> search = Search(PlanGraph(PlanningProblem(table)))
        >>> search.value(search.graph.root)
        1.0
    """

    def __init__(
        self,
        graph: PlanGraph,
        stop: Callable[[], bool] = lambda: False,
        bounds: LowerBounds | None = None,
    ) -> None:
        self.graph, self.bounds = graph, bounds
        self.limit, self.stopped = math.inf, False
        self._stop = stop
        self._upper: dict[Place, float] = {}
        self._choice: dict[Place, int] = {}
        self._widths: dict[tuple[Place, int], int] = {}
        self._low: dict[Place, float] = {}
        self._proved: set[Place] = set()

    def _check(self) -> None:
        self.stopped = self.stopped or self._stop()
        if self.graph.work >= self.limit or self.stopped:
            raise OutOfWork

    # -- greedy ----------------------------------------------------------------------------

    def value(self, place: Place) -> float:
        """The fewest minutes found so far from a place; at first those of the greedy plan."""
        if place not in self._upper:
            self._greedy(place)
        return self._upper[place]

    def _greedy(self, place: Place) -> None:
        upper, graph, waiting, known = self._upper, self.graph, [place], len(self._upper)
        while waiting:
            at = waiting[-1]
            options = graph.options(at)
            if at in upper or not options.order:
                upper.setdefault(at, 0.0)
                waiting.pop()
                continue
            test = options.order[0]
            ends = graph.ends(at, test)
            missing = [end for _, _, end in ends if end not in upper]
            if not missing:
                self._improved(at, test, options.minutes[test] + _mean(ends, upper))
                waiting.pop()
            waiting += missing
            if graph.root not in upper:
                self.check_first(len(upper) - known)
            elif len(upper) - known > MOST_PLACES:
                raise OutOfWork

    def check_first(self, places: int) -> None:
        """Refuse a first plan that grows too large, or for which the time is over.

        Raises:
            TableError: as said above.
        """
        cells = places * self.graph.problem.n * self.graph.problem.m
        if places > MOST_PLACES or cells > MOST_CELLS:
            raise TableError(
                f"a plan would have more than {places - 1} places",
                remedy="Say more of the faults in the table, so that tests tell them apart.",
            )
        if cells > SOON and self._stop():
            raise TableError(
                f"no plan was complete when the search was stopped, after {places:,} places",
                remedy="Give it more time, or fill in blank entries of the table.",
            )

    def _improved(self, place: Place, test: int, minutes: float) -> None:
        self._upper[place], self._choice[place] = minutes, test

    # -- look-ahead ------------------------------------------------------------------------

    def look_ahead(self, *widths: int) -> float:
        """Improve the plan: at each place several tests are tried, then what follows them.

        Args:
            widths: how many tests are tried at each place. What follows them is judged by
                plans that look ahead with the widths after the first; last by greedy plans.

        Returns:
            Expected minutes of the plan, never more than before.

        Raises:
            OutOfWork: what was found until then stays.
        """
        return _run(self._look_ahead(self.graph.root, widths))

    def _look_ahead(self, place: Place, widths: tuple[int, ...]) -> Waiting:
        best, level, graph = self.value(place), len(widths), self.graph
        if not widths or place not in self._choice or place in self._proved:
            return best
        if self._widths.get((place, level), 0) >= widths[0]:
            return best
        self._check()
        options = graph.options(place)
        for test in options.order[: widths[0]]:
            total = options.minutes[test]
            for _, share, end in graph.ends(place, test):
                if total >= self._upper[place]:
                    break
                total += share * (yield self._look_ahead(end, widths[1:]))
            if total < self._upper[place] * (1 - EPSILON):
                self._improved(place, test, total)
        test = self._choice[place]
        total = options.minutes[test]
        for _, share, end in graph.ends(place, test):
            total += share * (yield self._look_ahead(end, widths))
        self._upper[place] = min(total, self._upper[place])
        self._widths[place, level] = widths[0]
        return self._upper[place]

    def draft(self) -> Draft:
        """The best plan found so far."""
        found = Draft.of(self.graph, self._chosen)
        self._upper.update(found.minutes)
        return found

    def _chosen(self, place: Place) -> int | None:
        self.value(place)
        return self._choice.get(place)

    # -- branch and bound ------------------------------------------------------------------

    def prove(self) -> Iterator[float]:
        """Raise the lower bound of the whole plan step by step, until the best is proved.

        Yields each bound. Depth first over the places; the limit is raised step by step, so
        that a search that is broken off has proved a bound for the whole plan.

        Raises:
            OutOfWork: what was found until then stays; see :attr:`low`.
        """
        root = self.graph.root
        low, best = self._bound(root), self.value(root)
        yield low
        while low < best * (1 - EPSILON) and root not in self._proved:
            step = low + max((best - low) * 0.34, best * 0.01)
            low = _run(self._solve(root, min(step, best)))
            best = self._upper[root]
            yield low

    @property
    def low(self) -> float:
        """The proved lower bound of the whole plan; 0 where none was looked for."""
        return self._low.get(self.graph.root, 0.0)

    def _bound(self, place: Place) -> float:
        low = self._low.get(place)
        if low is None:
            assert self.bounds is not None, "a proof needs bounds"
            low = self._low[place] = self.bounds.of(place)
        return low

    def _solve(self, place: Place, limit: float) -> Waiting:
        """The least minutes from a place if below ``limit``, else a lower bound that is not."""
        low = self._bound(place)
        if place in self._proved or low >= limit:
            return low
        self._check()
        self.graph.work += 1
        known = self._upper.get(place, math.inf)
        best, chosen, floor = min(known, limit), -1, math.inf
        for total, test, ends in self._moves(place):
            if total >= best:
                floor = min(floor, total)
                break
            total = yield self._follow(place, test, ends, best)
            if total < best * (1 - EPSILON):
                best, chosen = total, test
            else:
                floor = min(floor, total)
        if chosen >= 0:
            self._improved(place, chosen, best)
        if chosen >= 0 or min(floor, best) >= known * (1 - EPSILON):
            self._proved.add(place)
            self._low[place] = self._upper.setdefault(place, 0.0 if math.isinf(best) else best)
        else:
            self._low[place] = max(low, min(floor, best))
        return self._low[place]

    def _moves(self, place: Place) -> list[tuple[float, int, tuple[End, ...]]]:
        """(lower bound, test, ends) of each test; of tests that lead alike the cheapest."""
        moves: dict[tuple[End, ...], tuple[float, int]] = {}
        for test, minutes in self.graph.options(place).minutes.items():
            ends = self.graph.ends(place, test)
            alike = tuple(sorted((0, share, end) for _, share, end in ends))
            if alike not in moves or minutes < moves[alike][0]:
                moves[alike] = minutes, test
        bound = self._bound
        found = [
            (minutes + sum(share * bound(end) for _, share, end in ends), test, ends)
            for ends, (minutes, test) in moves.items()
        ]
        return sorted(found, key=lambda move: move[:2])

    def _follow(self, place: Place, test: int, ends: tuple[End, ...], cut: float) -> Waiting:
        """The minutes of a test and what follows if below ``cut``, else a bound that is not."""
        total = self.graph.cost(place, test) + _mean(ends, self._low)
        # Bounds as they are now: settling one end may raise that of another, or of its twin.
        known = [(share, end, self._low[end]) for _, share, end in ends if share > 0]
        for share, end, low in sorted(known, key=lambda one: one[1].faults.bit_count()):
            if total >= cut:
                return total
            rest = total - share * low
            total = rest + share * (yield self._solve(end, (cut - rest) / share))
        return total


def _mean(ends: tuple[End, ...], minutes: Mapping[Place, float]) -> float:
    return math.fsum(share * minutes.get(end, 0.0) for _, share, end in ends)


def _run(work: Waiting) -> float:
    """The result of a computation, however deep it waits for others."""
    stack: list[Waiting] = [work]
    value: float | None = None
    while stack:
        try:
            stack.append(stack[-1].send(value))  # type: ignore[arg-type]
            value = None
        except StopIteration as ended:
            stack.pop()
            value = ended.value
    assert value is not None
    return value
