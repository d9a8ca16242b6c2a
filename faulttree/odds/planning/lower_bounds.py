"""What no order of tests can beat, for a whole table.

* Entropy (Shannon 1948) and the Huffman code's mean length (Huffman 1952): a plan is a
  code for the faults, with an outcome as a letter, so its mean number of tests is no less.
  A path of length l takes l different tests, and so no fewer minutes than the l cheapest;
  that cost is convex in l, so a bound on the mean length is one on the minutes (Jensen).
* The pair bound: every two faults that can be told apart must be told apart somewhere. A
  test of c minutes at a place with outcome weights W₁ … Wₖ (W in all) costs c·W and tells
  apart pairs of weight Σ WᵢWⱼ over i < j. Its minutes per pair weight only grow from a set
  of faults to its subsets (the derivative of W/ΣWᵢWⱼ in each Wᵢ is never positive), so for
  the pair (f, g) no plan pays less than w_f·w_g times the least ratio, over the tests that
  tell f from g, that the tests have with all faults still possible.

* The rate bound: :func:`rate_bound`.

The pair bound is the strong one where each test concerns few faults, the Huffman bound
where tests split evenly, the
rate bound in large tables whose tests concern few faults each.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from itertools import accumulate

import numpy as np

from faulttree.odds.planning.problem import PlanningProblem

__all__ = [
    "apart",
    "cheapest_path",
    "entropy_bound",
    "huffman_bound",
    "huffman_length",
    "pair_bound",
    "rate_bound",
]


TINY = 1e-12
"""Shares below this are rounding."""


def huffman_length(weights: Sequence[float], letters: int = 2) -> float:
    """Mean word length of the best prefix code, times the sum of the weights.

    Args:
        weights: any sum, each 0 or more.
        letters: size of the alphabet, 2 or more.

    Source: D. A. Huffman, Proc. IRE 40 (1952).
    """
    heap = list(weights)
    if len(heap) < 2:
        return 0.0
    heap += [0.0] * (-(len(heap) - 1) % (letters - 1))
    heapq.heapify(heap)
    length = 0.0
    while letters == 2 and len(heap) > 1:
        merged = heapq.heappop(heap)
        merged += heap[0]
        heapq.heapreplace(heap, merged)
        length += merged
    while len(heap) > 1:
        merged = math.fsum(heapq.heappop(heap) for _ in range(letters))
        length += merged
        heapq.heappush(heap, merged)
    return length


def cheapest_path(costs: Sequence[float], length: float) -> float:
    """Minutes of the cheapest ``length`` tests, linear between whole numbers of tests.

    Args:
        costs: minutes of each test, in rising order.
        length: mean number of tests.
    """
    sums = [0.0, *accumulate(costs)]
    whole = min(int(length), len(costs))
    rest = length - whole
    return sums[whole] + (rest * costs[whole] if rest > 0 and whole < len(costs) else 0.0)


def entropy_bound(problem: PlanningProblem) -> float:
    """Minutes that the entropy of faults that must be told apart allows, at least."""
    masses = _masses(problem)
    whole = math.fsum(masses)
    bits_needed = -sum(p / whole * math.log2(p / whole) for p in masses if p > 0)
    return whole * cheapest_path(_costs(problem), bits_needed / math.log2(_letters(problem)))


def huffman_bound(problem: PlanningProblem) -> float:
    """Minutes that the Huffman code of faults that must be told apart allows, at least."""
    masses = _masses(problem)
    whole = math.fsum(masses)
    length = huffman_length(masses, _letters(problem)) / whole
    return whole * cheapest_path(_costs(problem), length)


def apart(
    weights: Mapping[int, float], sure: Mapping[int, int], alike: Mapping[int, int]
) -> list[float]:
    """Weights of groups of faults that every plan tells from one another.

    A plan, looked at for some of the faults only, is a code for those. So they are picked,
    heaviest first, such that a test surely tells each from all picked before; a fault like
    one that was picked counts with it.

    Args:
        weights: fault → weight.
        sure: fault → the faults that some test surely tells from it, as a bit mask.
        alike: fault → the faults that no test can tell from it, as a bit mask.
    """
    picked, masses = 0, dict[int, float]()
    for fault in sorted(weights, key=lambda f: (-weights[f], f)):
        if sure[fault] & picked == picked:
            picked |= 1 << fault
            masses[fault] = weights[fault]
        else:
            twin = alike[fault] & picked
            if twin:
                masses[twin.bit_length() - 1] += weights[fault]
    return list(masses.values())


def _letters(problem: PlanningProblem) -> int:
    return max(2, int(np.diff(problem.first).max(initial=2)))


def _costs(problem: PlanningProblem) -> list[float]:
    """Minutes in rising order, of tests that tell any two faults apart; alike ones once."""
    best: dict[tuple[int, ...], float] = {}
    full = (1 << problem.n) - 1
    for test in np.argsort(problem.minutes, kind="stable"):
        masks = problem.masks[test]
        if len(set(masks)) > 1 or (masks and masks[0] != full):
            best.setdefault(tuple(sorted(masks)), float(problem.minutes[test]))
    return sorted(best.values())


def _masses(problem: PlanningProblem) -> list[float]:
    everyone = (1 << problem.n) - 1
    rows = [problem.allowed[fault].tobytes() for fault in range(problem.n)]
    same: dict[bytes, int] = {}
    for fault, row in enumerate(rows):
        same[row] = same.get(row, 0) | 1 << fault
    weights = dict(enumerate(problem.weights.tolist()))
    sure = {fault: everyone & ~mask for fault, mask in enumerate(problem.together)}
    return apart(weights, sure, {fault: same[row] for fault, row in enumerate(rows)})


def pair_bound(problem: PlanningProblem) -> float:
    """Minutes that telling every pair of faults apart takes, at least.

    O(n²) for each test; tests with more than one vague fault count as able to tell those
    apart, which only lowers the bound.
    """
    least = np.full((problem.n, problem.n), np.inf)
    sure = np.zeros((problem.n, problem.n), dtype=bool)
    weighed = problem.weights @ problem.chance
    for test in range(problem.m):
        here = slice(int(problem.first[test]), int(problem.first[test + 1]))
        pairs = (1.0 - float(weighed[here] @ weighed[here])) / 2
        shown = problem.allowed[:, here].astype(np.float32)
        shared = shown @ shown.T
        sure |= shared == 0
        single = problem.count[:, test] == 1
        differ = (shared == 0) | ~(single[:, None] & single[None, :])
        if pairs > 0:
            np.minimum(least, problem.minutes[test] / pairs, out=least, where=differ)
    products = problem.weights[:, None] * problem.weights[None, :]
    return float((products[sure] * least[sure]).sum() / 2) if sure.any() else 0.0


def rate_bound(problem: PlanningProblem) -> float:
    """Minutes that the information needed takes at the best rate a place of its size allows.

    A test's rarer outcomes together never weigh more than they do with all faults possible,
    R. So at a place of weight w no test tells more than w·h(R/w), h the binary entropy (for
    k outcomes with log₂(k − 1) of the rarer share more), and the best rate r(w) in bits per
    minute falls as w grows. By the places of weight x or more, a plan has told at least
    J(x) = Σ w_g·log₂(1/max(w_g, x)) over the groups g, for it parts the whole into pieces
    lighter than x or single groups. Hence minutes ≥ ∫ dJ/r, here summed over steps of an
    eighth of a bit with each step's best rate.

    0 where an entry is vague or a telling test is free.
    """
    masses = _masses(problem)
    mass = problem.weights @ problem.chance
    rest = 1 - np.maximum.reduceat(mass, problem.first[:-1])
    telling = rest > TINY
    if not problem.sharp or not telling.any() or (problem.minutes[telling] <= 0).any():
        return 0.0
    rest, minutes = rest[telling], problem.minutes[telling]
    others = np.diff(problem.first)[telling] - 1
    groups = np.array(masses)
    sizes = np.exp2(-np.arange(0.0, math.ceil(-math.log2(groups.min())) + 0.125, 0.125))
    told = -(groups * np.log2(np.maximum(groups, sizes[:, None]))).sum(axis=1)
    share = np.minimum(rest / sizes[:, None], others / (others + 1))
    gain = share * np.log2(others / share) - (1 - share) * np.log2(1 - share)
    return float((np.diff(told) / (gain / minutes).max(axis=1)[1:]).sum())
