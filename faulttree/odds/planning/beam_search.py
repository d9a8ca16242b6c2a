"""Plans for large tables, put together of chains.

Where tests concern few faults each, a plan is mostly a chain: test after test comes out as
usual, and the rarer outcomes lead aside to smaller places. So the order of a whole chain is
sought at once, by a beam search: of all chains of a length the most promising few are kept.
What is left at the end of a chain and on its sides is valued by an estimate, a polynomial of
the entropy and the number of faults of a place, fitted to all plans made so far (approximate
dynamic programming, D. P. Bertsekas and J. N. Tsitsiklis, Neuro-Dynamic Programming, 1996).
Each side then gets a chain of its own, and small places are planned exactly. Fits to random
parts of what is known give other plans, and at every place the best way known is kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.planning.exact_search import EPSILON, OutOfTime, PlainSearch
from faulttree.odds.planning.greedy import plogp
from faulttree.odds.planning.lookahead import Draft, reachable
from faulttree.odds.planning.problem import PlanningProblem, bits, ones

__all__ = ["Chains"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WIDTH = 4
"""Chains that are kept at each length."""

SMALL = 8
"""Faults up to which a place is planned exactly at once."""

PATIENCE = 60
"""Rounds in a row without a better plan after which no more are made."""

CUBIC = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
SHAPES = (CUBIC, ((0, 0), (1, 0), (2, 0), (3, 0)), CUBIC[:6])
"""Powers of entropy and of log₂ of the number of faults, tried in turn."""


@dataclass(frozen=True)
class _Estimate:
    """Minutes still to go from a place, times its weight."""

    powers: tuple[tuple[int, int], ...]
    factors: Floats
    least: float
    widest: float

    def __call__(self, mass: Floats, spread: Floats, count: Floats) -> Floats:
        """Of places with these weights w, sums of w·log₂ w, and numbers of faults."""
        with np.errstate(divide="ignore", invalid="ignore"):
            entropy = np.where(mass > 0, np.log2(mass) - spread / mass, 0.0)
        entropy = np.maximum(entropy, 0.0)
        size = np.log2(np.maximum(count, 1.0))
        minutes = np.zeros_like(mass)
        for factor, term in zip(self.factors, _terms(self.powers, entropy, size), strict=True):
            minutes += factor * term
        # An entropy of more than one letter takes more than one test.
        floor = self.least * np.maximum(1.0, entropy / self.widest)
        return np.where(count < 1.5, 0.0, np.maximum(minutes, floor)) * mass


def _terms(powers: tuple[tuple[int, int], ...], entropy: Floats, size: Floats) -> list[Floats]:
    return [entropy**first * size**second for first, second in powers]


@dataclass
class _Beam:
    """Chains of one length: what is still possible after each, its minutes, its tests."""

    states: Floats
    spent: Floats
    paths: list[tuple[int, ...]]


class Chains:
    """Better and better plans of one large table without vague entries or getting ready.

    Args:
        problem: the table laid out.
        search: names the places.
        tests: columns to choose from; they tell apart all that can be told apart.
        best: a plan to begin with.
        stop: once true, no more is tried.

    Attributes:
        best: the best plan so far.
    """

    def __init__(
        self,
        problem: PlanningProblem,
        search: PlainSearch,
        tests: Sequence[int],
        best: Draft,
        stop: Callable[[], bool],
    ) -> None:
        self.best = best
        self._problem, self._search, self._stop = problem, search, stop
        self._tests, self._minutes = dict[int, int](), dict[int, float]()
        self._shapes: dict[int, tuple[float, float, float]] = {}
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.where(problem.weights > 0, np.log2(problem.weights), 0.0)
        self._spread = problem.weights * logs
        self._lay_out(tests)
        self._lean = PlainSearch(problem, stop, set(tests))
        self._random = np.random.default_rng(0)
        self._turn = 0
        self.learn(best.tests)

    def _lay_out(self, tests: Sequence[int]) -> None:
        """Keep the columns of these tests only."""
        problem = self._problem
        self._kept = np.array(tests, dtype=np.int64)
        sizes = np.diff(problem.first)[self._kept]
        self._heads = np.cumsum(sizes) - sizes
        within = np.arange(int(sizes.sum())) - np.repeat(self._heads, sizes)
        self._columns = np.repeat(problem.first[self._kept], sizes) + within
        self._shows = np.ascontiguousarray(problem.chance[:, self._columns])

    # -- stages --------------------------------------------------------------------------

    def rounds(self) -> Iterator[Draft]:
        """Better plans, each after another fit, until many in a row were no better."""
        idle = 0
        while idle < PATIENCE and not self._stop():
            before = self.best.total
            try:
                tests = self._drafted(self._fitted())
            except OutOfTime:
                return
            self._turn += 1
            yield self.learn(tests)
            idle = 0 if self.best.total < before * (1 - EPSILON) else idle + 1

    def settle(self) -> Iterator[Draft]:
        """Plan the places of the best plan exactly, small ones first, until told to stop."""
        whole = self._problem.n
        for place in sorted(self.best.tests, key=int.bit_count):
            worth = self.best.minutes.get(place)
            if worth is None or place.bit_count() == whole:
                continue
            worth *= self._lean.weight[place]
            try:
                found = self._lean.solve(place, worth * (1 + EPSILON))
            except OutOfTime:
                return
            if place in self._lean.value and found < worth * (1 - EPSILON):
                yield self.learn(self._settled(place))

    def learn(self, tests: Mapping[int, int]) -> Draft:
        """Take in the ways from these places where they are the best known; the best plan."""
        for place in sorted(tests, key=int.bit_count):
            test = tests[place]
            minutes = self._search.cost(place, test) + math.fsum(
                share * self._minutes.get(end, 0.0)
                for _, share, end in self._search.ends(place, test)
            )
            if minutes < self._minutes.get(place, math.inf):
                self._tests[place], self._minutes[place] = test, minutes
        self.best = Draft.of(self._search, reachable(self._search, self._tests))
        self._minutes.update(self.best.minutes)
        return self.best

    # -- the estimate ----------------------------------------------------------------------

    def _fitted(self) -> _Estimate:
        """The estimate that fits what is known; from the fourth on, random parts of it."""
        places = [place for place in self._minutes if place.bit_count() > 2]
        known = np.array([self._shape(place) for place in places])
        mass, entropy, size = known.T
        minutes = np.array([self._minutes[place] for place in places])
        powers = SHAPES[self._turn % len(SHAPES)]
        if self._turn >= len(SHAPES):
            mass = mass * self._random.exponential(1.0, len(mass))
        terms = np.stack(_terms(powers, entropy, size), axis=1)
        weighed = terms * mass[:, None]
        square = terms.T @ weighed
        # A trace of the diagonal more, so that alike places do not make it singular.
        square += np.diag(np.diag(square) * 1e-6 + 1e-12)
        factors = np.linalg.solve(square, weighed.T @ minutes)
        letters = max(2, int(np.diff(self._problem.first)[self._kept].max()))
        least = float(self._problem.minutes[self._kept].min())
        return _Estimate(powers, factors, least, math.log2(letters))

    def _shape(self, place: int) -> tuple[float, float, float]:
        """Weight, entropy and log₂ of the number of faults of a place."""
        if place not in self._shapes:
            weights = self._problem.weights[bits(place)]
            mass = float(weights.sum())
            entropy = math.log2(mass) - float(plogp(weights).sum()) / (mass * math.log(2))
            self._shapes[place] = mass, entropy, math.log2(len(weights))
        return self._shapes[place]

    # -- one plan --------------------------------------------------------------------------

    def _drafted(self, estimate: _Estimate) -> dict[int, int]:
        """A plan as places with their tests.

        Raises:
            OutOfTime: told to stop.
        """
        tests, todo = dict[int, int](), [self._search.root]
        while todo:
            place = todo.pop()
            if place in tests:
                continue
            if place.bit_count() <= SMALL:
                self._lean.solve(place, math.inf)
                tests.update(self._settled(place))
                continue
            for test in self._chain(place, estimate):
                tests[place] = test
                parts = [place & mask for mask in self._problem.masks[test]]
                onward = max(parts, key=int.bit_count)
                todo += [part for part in parts if part != onward and part & (part - 1)]
                place = onward
            if place.bit_count() <= SMALL:
                todo.append(place)
        return tests

    def _settled(self, place: int) -> dict[int, int]:
        """The exact plan from a place."""
        found: dict[int, int] = {}
        stack = [place]
        while stack:
            at = stack.pop()
            if at in self._lean.best and at not in found:
                found[at] = self._lean.best[at]
                stack += [end for _, _, end in self._lean.ends(at, found[at])]
        return found

    def _chain(self, place: int, estimate: _Estimate) -> tuple[int, ...]:
        """The tests of the best chain found from a place, down to a small place.

        Raises:
            OutOfTime: told to stop.
        """
        beam = _Beam(ones([place], self._problem.n), np.zeros(1), [()])
        least, found = math.inf, tuple[int, ...]()
        while beam.paths:
            if self._stop():
                raise OutOfTime
            total, ahead, count = self._weigh(beam, estimate)
            for at in np.flatnonzero(np.isinf(total).all(axis=1)).tolist():
                if beam.spent[at] < least:
                    least, found = float(beam.spent[at]), beam.paths[at]
            beam, ended = self._onward(beam, total, ahead, count)
            if ended is not None and ended[0] < least:
                least, found = ended
        return found

    def _weigh(self, beam: _Beam, estimate: _Estimate) -> tuple[Floats, Floats, Floats]:
        """Minutes times weight of every chain made longer by every test.

        Returns:
            (b, t) totals, infinite where a test tells nothing; (b, c) what is still to go
            after each outcome; (b, c) faults that show each outcome.
        """
        weighed = beam.states * self._problem.weights
        count = beam.states @ self._shows
        ahead = estimate(weighed @ self._shows, (beam.states * self._spread) @ self._shows, count)
        total = (
            beam.spent[:, None]
            + self._problem.minutes[self._kept] * weighed.sum(axis=1)[:, None]
            + np.add.reduceat(ahead, self._heads, axis=1)
        )
        most = np.maximum.reduceat(count, self._heads, axis=1)
        total[most > beam.states.sum(axis=1)[:, None] - 0.5] = np.inf
        return total, ahead, count

    def _onward(
        self, beam: _Beam, total: Floats, ahead: Floats, count: Floats
    ) -> tuple[_Beam, tuple[float, tuple[int, ...]] | None]:
        """The best longer chains, and the best of those that come to a small place."""
        ended: tuple[float, tuple[int, ...]] | None = None
        longer, met = list[tuple[Floats, float, tuple[int, ...]]](), set[bytes]()
        ends = np.append(self._heads, len(self._columns))
        for at in np.argsort(total, axis=None, kind="stable")[: 4 * WIDTH].tolist():
            row, option = divmod(at, total.shape[1])
            if len(longer) == WIDTH or not np.isfinite(total[row, option]):
                break
            path = (*beam.paths[row], int(self._kept[option]))
            onward = ends[option] + int(count[row, ends[option] : ends[option + 1]].argmax())
            if count[row, onward] < SMALL + 0.5:
                ended = ended or (float(total[row, option]), path)
                continue
            state = beam.states[row] * self._shows[:, onward]
            key = np.packbits(state > 0).tobytes()
            if key not in met:
                met.add(key)
                longer.append((state, float(total[row, option] - ahead[row, onward]), path))
        return _Beam(
            np.array([state for state, _, _ in longer]),
            np.array([spent for _, spent, _ in longer]),
            [path for _, _, path in longer],
        ), ended
