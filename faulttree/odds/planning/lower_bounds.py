"""What no order of tests can beat.

* **Entropy** (Shannon 1948) and the **Huffman** code's mean length (Huffman 1952): a plan is a
  code for the faults, with an outcome as a letter, so its mean number of tests is no less. A
  path of l tests takes l different ones, so no fewer minutes than the l cheapest; that cost is
  convex in l, so a bound on the mean length is one on the minutes (Jensen).
* **Pairs**: every two faults that can be told apart must be told apart somewhere. A test of c
  minutes at a place with outcome weights W₁ … Wₖ (W in all) costs c·W and tells apart pairs of
  weight Σ WᵢWⱼ over i < j. Its minutes per pair weight only grow from a set of faults to its
  subsets (the derivative of W/ΣWᵢWⱼ in each Wᵢ is never positive). So a plan pays for the pair
  (f, g) no less than w_f·w_g times the least ratio, over the tests that tell f from g.
* **Prerequisites**: the path of each fault must tell it from the fault that is dearest to get
  ready for, and pays that once. Added to either of the others.
* **Rate**: :func:`rate_bound`.

The pair bound is the strong one where each test concerns few faults, the Huffman bound where
tests split evenly, the rate bound in large tables whose tests concern few faults each.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.planning.plan_graph import Floats, Ints, Place, PlanGraph, View
from faulttree.odds.planning.problem import PlanningProblem

__all__ = ["LowerBounds", "cheapest_path", "huffman_length", "rate_bound", "root_bounds"]

Bools = NDArray[np.bool_]

CODES = ("entropy", "huffman", "pairs")

TINY = 1e-12
"""Shares below this are rounding."""


def huffman_length(weights: Sequence[float], letters: int = 2) -> float:
    """Mean word length of the best prefix code, times the sum of the weights.

    Args:
        weights: any sum, each 0 or more.
        letters: size of the alphabet, 2 or more.

    Source: D. A. Huffman, Proc. IRE 40 (1952).

    Example:
        >>> huffman_length([1, 1, 1], 3)
        3.0
    """
    heap = list(weights)
    if len(heap) < 2:
        return 0.0
    heap += [0.0] * (-(len(heap) - 1) % (letters - 1))
    heapq.heapify(heap)
    length = 0.0
    while len(heap) > 1:
        merged = sum([heapq.heappop(heap) for _ in range(letters)])
        length += merged
        heapq.heappush(heap, merged)
    return length


def cheapest_path(costs: Sequence[float], length: float) -> float:
    """Minutes of the cheapest ``length`` tests, linear between whole numbers of tests.

    Args:
        costs: minutes of each test, in rising order.
        length: mean number of tests.

    Example:
        >>> cheapest_path([1.0, 2.0, 8.0], 1.5)
        2.0
    """
    sums = [0.0, *accumulate(costs)]
    whole = min(int(length), len(costs))
    rest = length - whole
    return sums[whole] + (rest * costs[whole] if rest > 0 and whole < len(costs) else 0.0)


class LowerBounds:
    r"""Bounds from below for the places of one graph, in minutes.

    Args:
        graph: the places. It takes m·n² bytes for m tests and n faults.

    Example:
        >>> from faulttree.odds import table_from_csv
        >>> table = table_from_csv("fault,weight,a\\nminutes,,4\\nx,1,0\\ny,1,1\\n")
        >>> graph = PlanGraph(PlanningProblem(table))
        >>> LowerBounds(graph).of(graph.root)
        4.0
    """

    def __init__(self, graph: PlanGraph) -> None:
        self.graph, problem = graph, graph.problem
        shape = problem.m, problem.n, problem.n
        self._sure, self._may = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
        for test in range(problem.m):
            shown = problem.allowed[:, problem.first[test] : problem.first[test + 1]]
            shared = (shown.astype(np.float32) @ shown.T.astype(np.float32)) > 0
            single = problem.count[:, test] == 1
            self._sure[test] = ~shared
            self._may[test] = ~(shared & single[:, None] & single[None, :])

    def of(self, place: Place) -> float:
        """The best of the bounds of a place."""
        graph, view = self.graph, self.graph.view(place.faults, place.done)
        if len(view.rows) < 2 or not len(view.tests):
            return 0.0
        sure, may = self._between(view)
        low = self._pairs(view, sure, may)
        if len(view.rows) > 2:
            # Of two faults the pair bound is the cheapest test that tells them apart.
            low = max(low, self._code(view, sure, may, huffman=True))
        if graph.problem.readying.nothing:
            return low
        extra = graph.extra_minutes(place)
        needed = _least(np.where(np.isfinite(extra), extra, 0.0), may)
        return low + float(view.shares @ np.where(sure, needed, 0.0).max(axis=1))

    def _between(self, view: View) -> tuple[Bools, Bools]:
        """(k, k) whether some test surely tells two faults apart; (q, k, k) which ones may."""
        which = np.ix_(view.tests, view.rows, view.rows)
        may = self._may[which]
        return _any(may if self.graph.problem.sharp else self._sure[which]), may

    def _pairs(self, view: View, sure: Bools, may: Bools) -> float:
        with np.errstate(over="ignore"):
            ratio = self.graph.problem.minutes[view.tests] / np.maximum(view.apart, 1e-300)
        least = np.where(sure, _least(ratio, may), 0.0)
        return float(view.shares @ least @ view.shares) / 2

    def _code(self, view: View, sure: Bools, may: Bools, *, huffman: bool) -> float:
        masses = _groups(view.shares, sure, _any(may))
        return _code_minutes(self.graph.problem, masses, view.tests, huffman=huffman)

    def at_root(self) -> dict[str, float]:
        """The entropy, Huffman and pair bounds of the whole plan."""
        view = self.graph.view(self.graph.root.faults, self.graph.root.done)
        if not len(view.tests):
            return dict.fromkeys(CODES, 0.0)
        sure, may = self._between(view)
        return {
            "entropy": self._code(view, sure, may, huffman=False),
            "huffman": self._code(view, sure, may, huffman=True),
            "pairs": self._pairs(view, sure, may),
        }


def root_bounds(graph: PlanGraph, bounds: LowerBounds | None) -> dict[str, float]:
    r"""``entropy``, ``huffman``, ``pairs`` and ``rate`` of the whole plan, in minutes.

    Args:
        graph: the places.
        bounds: of the same graph. Without it, for a table too large, the pair bound is 0, and
            so are the others where an entry is vague.

    Example:
        >>> from faulttree.odds import table_from_csv
        >>> table = table_from_csv("fault,weight,a\nminutes,,4\nx,1,0\ny,1,1\n")
        >>> root_bounds(PlanGraph(PlanningProblem(table)), None)["huffman"]
        4.0
    """
    problem = graph.problem
    if not problem.sharp:
        found = bounds.at_root() if bounds is not None else dict.fromkeys(CODES, 0.0)
        return {**found, "rate": 0.0}
    masses: dict[bytes, float] = {}
    for row, weight in zip(problem.allowed, problem.weights.tolist(), strict=True):
        masses[row.tobytes()] = masses.get(row.tobytes(), 0.0) + weight
    groups, tests = list(masses.values()), graph.view(graph.root.faults, graph.root.done).tests
    return {
        "entropy": _code_minutes(problem, groups, tests, huffman=False),
        "huffman": _code_minutes(problem, groups, tests, huffman=True),
        "pairs": bounds.at_root()["pairs"] if bounds is not None else 0.0,
        "rate": rate_bound(problem, groups),
    }


def _code_minutes(
    problem: PlanningProblem, masses: Sequence[float], tests: Ints, *, huffman: bool
) -> float:
    """Minutes that a code for these groups takes at least."""
    if not len(tests) or len(masses) < 2:
        return 0.0
    letters, whole = int(np.diff(problem.first)[tests].max()), math.fsum(masses)
    if huffman:
        length = huffman_length(masses, letters) / whole
    else:
        length = -sum(p / whole * math.log(p / whole, letters) for p in masses if p > 0)
    return whole * cheapest_path(np.sort(problem.minutes[tests]).tolist(), length)


def _any(of_tests: Bools) -> Bools:
    return np.asarray(of_tests.any(axis=0), dtype=bool)


def _least(figures: Floats, may: Bools) -> Floats:
    """(k, k) the least figure of the tests that may tell two faults apart."""
    least: Floats = np.where(may, figures[:, None, None], np.inf).min(axis=0)
    return least


def _groups(shares: Floats, sure: Bools, may: Bools) -> list[float]:
    """Weights of groups of faults that every plan tells from one another.

    A plan, looked at for some of the faults only, is a code for those. So they are picked,
    heaviest first, such that a test surely tells each from all picked before; a fault that no
    test can tell from one that was picked counts with it.
    """
    if np.count_nonzero(sure) == sure.size - len(sure):
        return [float(share) for share in shares]
    picked: list[int] = []
    masses: dict[int, float] = {}
    for fault in np.argsort(-shares, kind="stable").tolist():
        if sure[fault, picked].all():
            picked.append(fault)
            masses[fault] = float(shares[fault])
        else:
            twin = next((other for other in picked if not may[fault, other]), None)
            if twin is not None:
                masses[twin] += float(shares[fault])
    return list(masses.values())


def rate_bound(problem: PlanningProblem, masses: Sequence[float]) -> float:
    """Minutes that the information needed takes at the best rate a place of its size allows.

    A test's rarer outcomes together never weigh more than they do with all faults possible,
    R. So at a place of weight w no test tells more than w·h(R/w), h the binary entropy (for
    k outcomes with log₂(k − 1) of the rarer share more), and the best rate r(w) in bits per
    minute falls as w grows. By the places of weight x or more, a plan has told at least
    J(x) = Σ w_g·log₂(1/max(w_g, x)) over the groups g, for it parts the whole into pieces
    lighter than x or single groups. Hence minutes ≥ ∫ dJ/r, here summed over steps of an
    eighth of a bit with each step's best rate.

    0 where a telling test is free. Only for tables without vague entries.

    Args:
        problem: the table laid out.
        masses: weights of the groups of faults that can be told apart, 1 in all.
    """
    mass = problem.weights @ problem.chance
    rest = 1 - np.maximum.reduceat(mass, problem.first[:-1])
    telling = rest > TINY
    if not telling.any() or (problem.minutes[telling] <= 0).any():
        return 0.0
    rest, minutes = rest[telling], problem.minutes[telling]
    others = np.diff(problem.first)[telling] - 1
    groups = np.array(masses)
    sizes = np.exp2(-np.arange(0.0, math.ceil(-math.log2(groups.min())) + 0.125, 0.125))
    told = -(groups * np.log2(np.maximum(groups, sizes[:, None]))).sum(axis=1)
    share = np.minimum(rest / sizes[:, None], others / (others + 1))
    gain = share * np.log2(others / share) - (1 - share) * np.log2(1 - share)
    return float((np.diff(told) / (gain / minutes).max(axis=1)[1:]).sum())
