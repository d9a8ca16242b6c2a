"""The tests worth considering in a large table.

Of hundreds of tests most are never among the better ones anywhere: too dear for the little
they tell. Leaving them out makes everything after several times as fast and costs a plan
next to nothing. What is kept always tells apart all faults that can be told apart.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from faulttree.odds.planning.greedy import plogp
from faulttree.odds.planning.lookahead import Draft
from faulttree.odds.planning.problem import PlanningProblem, ones

__all__ = ["shortlist"]

WORTH = 0.7
"""A test is left out where it never tells this part of the best rate of a place."""

ROWS_AT_ONCE = 256
"""Places that are looked at together; bounds the memory."""


def shortlist(problem: PlanningProblem, draft: Draft) -> list[int]:
    """Columns of the tests that are nearly as good as the best at any place of a plan.

    Args:
        problem: a table without vague entries.
        draft: a plan for it, say the greedy one.
    """
    good: set[int] = set()
    places = [place for place in draft.tests if isinstance(place, int)]
    for start in range(0, len(places), ROWS_AT_ONCE):
        good |= _good(problem, places[start : start + ROWS_AT_ONCE])
    return sorted(_enough(problem, good))


def _good(problem: PlanningProblem, places: Collection[int]) -> set[int]:
    """Tests with nearly the best information per minute at one of these places."""
    states = ones(places, problem.n)
    heads = problem.first[:-1]
    told = np.add.reduceat(plogp((states * problem.weights) @ problem.chance), heads, axis=1)
    gain = plogp(states @ problem.weights)[:, None] - told
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(gain > 0, gain / problem.minutes, 0.0)
    near = (rate >= WORTH * rate.max(axis=1, keepdims=True)) & (rate > 0)
    return set(np.flatnonzero(near.any(axis=0)).tolist())


def _enough(problem: PlanningProblem, tests: set[int]) -> set[int]:
    """These tests and as many others, cheapest first, as tell apart all that can be."""
    kept, blocks = set(tests), [(1 << problem.n) - 1]
    rest = [test for test in np.argsort(problem.minutes, kind="stable") if test not in kept]
    for test in [*sorted(kept), *map(int, rest)]:
        finer = [part for block in blocks for mask in problem.masks[test] if (part := block & mask)]
        if len(finer) > len(blocks):
            kept.add(test)
        blocks = [block for block in finer if block & (block - 1)]
    return kept
