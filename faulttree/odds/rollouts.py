"""What places cost under plans that look ahead, each place worked out once.

Level 0 is the plan by information per minute. A plan of a higher level tries, at every place,
the tests with the most information per minute and takes the one that is cheapest if the plan
of the level below goes on behind it: a nested rollout (Bertsekas, Tsitsiklis and Wu, Journal of
Heuristics 3 (1997)). Tests taken in another order lead to the same place, so each level keeps
what it knows of its places; without that the second level of a large table would be out of
reach. Places are taken in all at once, generation after generation, and valued from the
smallest up when no new ones are left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.greedy import Options, Places, best_of, expand, leaders, survey, total_by
from faulttree.odds.lookahead import Draft
from faulttree.odds.problem import Problem
from faulttree.odds.search import OutOfTime, Plain

__all__ = ["nested"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_PLACES = 2_000_000
"""Places that a level may know of; bounds the memory."""

WORD = 4
"""Bytes of a fault in the name of a place."""


def nested(
    problem: Problem,
    search: Plain,
    tests: Sequence[int],
    widths: Sequence[int],
    stop: Callable[[], bool] = lambda: False,
    *,
    power: float = 1.0,
) -> Draft:
    """The plan of the level that these widths make.

    Args:
        problem: a table without vague entries or getting ready.
        search: names the places.
        tests: columns to choose from; they tell apart all that can be told apart.
        widths: how many tests are tried at each place, from level 1 up; none for level 0.
        stop: once true, the work is broken off.
        power: level 0 weighs faults by this power of their weights. Other powers than 1
            make level 0 worse by itself, but the levels above find other plans by it.

    Raises:
        OutOfTime: told to stop, or more places than memory should hold.
    """
    table = problem.table
    lean = Problem(
        replace(
            table,
            tests=tuple(table.tests[test] for test in tests),
            minutes=tuple(table.minutes[test] for test in tests),
            outcomes=tuple(table.outcomes[test] for test in tests),
            entries=tuple(tuple(row[test] for test in tests) for row in table.entries),
            after=tuple(table.after[test] for test in tests),
            access=tuple(table.access[test] for test in tests),
        )
    )
    level: _Level = _Greedy(lean, power, stop)
    for width in widths:
        level = _Ahead(lean, width, level, stop)
    level.minutes(Places.root(lean))
    return Draft.of(search, {mask: tests[test] for mask, test in level.plan().items()})


class _Level:
    """What one level knows of its places: by number, what it takes there and what follows."""

    def __init__(self, problem: Problem, stop: Callable[[], bool]) -> None:
        self._problem, self._stop = problem, stop
        # Number 0 stands for nothing left to do.
        self._numbers = dict[bytes, int]()
        self._test = np.full(1, -1, dtype=np.int64)
        self._spent = np.zeros(1)
        letters = max(2, int(np.diff(problem.first).max()))
        self._ends = np.zeros((1, letters), dtype=np.int64)

    def minutes(self, places: Places) -> Floats:
        """(b,) minutes times weight of this level's plan from each place.

        Raises:
            OutOfTime: told to stop, or too many places.
        """
        numbers, new = self._enter(places)
        found, sizes = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
        at, places = numbers[new], places.select(new, new)
        while len(places):
            if self._stop() or len(self._numbers) > MOST_PLACES:
                raise OutOfTime
            found.append(at)
            sizes.append(places.sizes)
            at, places = self._step(at, places)
        self._add_up(np.concatenate(found), np.concatenate(sizes))
        return self._spent[numbers]

    def plan(self) -> dict[int, int]:
        """Place of the whole plan as a bit mask → the column of its test."""
        return {
            sum(1 << int(fault) for fault in np.frombuffer(name, dtype=np.uint32)): test
            for name, number in self._numbers.items()
            if (test := int(self._test[number])) >= 0
        }

    def _enter(self, places: Places) -> tuple[Ints, Ints]:
        """The number of each place, and which of the places were not known before."""
        # Rows of a place stand in rising order, so that equal sets have equal names.
        names = places.rows.astype(np.uint32).tobytes()
        heads = [*(WORD * places.starts).tolist(), len(names)]
        known, numbers, new = self._numbers, [], []
        for at, (start, end) in enumerate(pairwise(heads)):
            name = names[start:end]
            number = known.get(name)
            if number is None:
                number = known[name] = len(known) + 1
                new.append(at)
            numbers.append(number)
        self._make_room(len(known) + 1)
        return np.array(numbers, dtype=np.int64), np.array(new, dtype=np.int64)

    def _make_room(self, wanted: int) -> None:
        have = len(self._spent)
        if wanted > have:
            more = max(wanted, 2 * have) - have
            self._test = np.append(self._test, np.full(more, -1, dtype=np.int64))
            self._spent = np.append(self._spent, np.zeros(more))
            blank = np.zeros((more, self._ends.shape[1]), dtype=np.int64)
            self._ends = np.concatenate([self._ends, blank])

    def _step(self, at: Ints, places: Places) -> tuple[Ints, Places]:
        """Settle the test of each of these new places; the new ones among what follows."""
        problem = self._problem
        options = survey(problem, places)
        picks = self._picks(places, options)
        source = at[options.place[picks]]
        self._test[source] = options.test[picks]
        self._spent[source] = options.minutes[picks] * options.mass[options.place[picks]]
        following = expand(problem, places, options, picks, source)
        numbers, new = self._enter(following)
        self._ends[following.owner, _rank(following.owner)] = numbers
        return numbers[new], following.select(new, new)

    def _picks(self, places: Places, options: Options) -> Ints:
        """The position of the option that is taken at each place that has any."""
        raise NotImplementedError

    def _add_up(self, numbers: Ints, sizes: Ints) -> None:
        """Add to these places what follows, which is always smaller, from the smallest up."""
        order = np.argsort(sizes, kind="stable")
        numbers, sizes = numbers[order], sizes[order]
        edges = np.flatnonzero(np.diff(sizes)) + 1
        for alike in np.split(numbers, edges):
            self._spent[alike] += self._spent[self._ends[alike]].sum(axis=1)


class _Greedy(_Level):
    """Level 0: by information per minute."""

    def __init__(self, problem: Problem, power: float, stop: Callable[[], bool]) -> None:
        super().__init__(problem, stop)
        self._power = power

    def _picks(self, places: Places, options: Options) -> Ints:
        if self._power != 1:
            weighed = replace(places, weights=places.weights**self._power)
            best = best_of(options, survey(self._problem, weighed).rate)
        else:
            best = best_of(options, options.rate)
        return best[best >= 0]


class _Ahead(_Level):
    """A level that looks one test ahead by the level below."""

    def __init__(
        self, problem: Problem, width: int, below: _Level, stop: Callable[[], bool]
    ) -> None:
        super().__init__(problem, stop)
        self._width, self._below = width, below

    def _picks(self, places: Places, options: Options) -> Ints:
        tried = leaders(options, options.rate, self._width)
        owner = np.arange(len(tried))
        following = expand(self._problem, places, options, tried, owner)
        ahead = total_by(following.owner, self._below.minutes(following), len(tried))
        at = options.place[tried]
        total = options.minutes[tried] * options.mass[at] + ahead
        order = np.lexsort((total, at))
        first = np.append(True, at[order][1:] != at[order][:-1])[: len(order)]
        picks: Ints = tried[order[first]]
        return picks


def _rank(owner: Ints) -> Ints:
    """How many before each have the same owner; those of one owner stand together."""
    first = np.flatnonzero(np.append(True, owner[1:] != owner[:-1])[: len(owner)])
    return np.arange(len(owner)) - np.repeat(first, np.diff(np.append(first, len(owner))))
