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
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.planning.exact_search import OutOfTime, PlainSearch
from faulttree.odds.planning.greedy import (
    Options,
    Places,
    best_of,
    expand,
    leaders,
    survey,
    total_by,
)
from faulttree.odds.planning.lookahead import Draft
from faulttree.odds.planning.problem import PlanningProblem

__all__ = ["nested"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_PLACES = 2_000_000
"""Places that a level may know of; bounds the memory."""

NOTHING, OPEN = -1, -2
"""In place of a test: none tells anything there; not looked at yet."""

WORD = 4
"""Bytes of a fault in the name of a place."""


def nested(
    problem: PlanningProblem,
    search: PlainSearch,
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
        stop: once true, the rest of the plan is that of lower levels.
        power: level 0 weighs faults by this power of their weights. Other powers than 1
            make level 0 worse by itself, but the levels above find other plans by it.

    Raises:
        OutOfTime: told to stop, or more places than memory should hold, before there was
            any plan.
    """
    table = problem.table
    lean = PlanningProblem(
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
    with suppress(OutOfTime):
        level.minutes(Places.root(lean))
    return Draft.of(search, {mask: tests[test] for mask, test in _plan(level).items()})


def _plan(level: _Level) -> dict[int, int]:
    """Place of the whole plan as a bit mask → the column of its test.

    Where a level was broken off, the level below goes on: it knows every place that a test
    taken above leads to, for it was asked before the test was taken.

    Raises:
        OutOfTime: broken off before the very first test was taken.
    """
    if not level.settled(1):
        raise OutOfTime
    found, stack = dict[int, int](), [(level, 1)]
    while stack:
        at, number = stack.pop()
        name = at.names[number]
        if at.below is not None and not at.settled(number):
            stack.append((at.below, at.below.numbers[name]))
        elif (test := int(at.test[number])) >= 0:
            found[_mask(name)] = test
            stack += [(at, end) for end in at.ends[number].tolist() if end]
    return found


def _mask(name: bytes) -> int:
    return sum(1 << fault for fault in np.frombuffer(name, dtype=np.uint32).tolist())


class _Level:
    """What one level knows of its places, by number.

    Attributes:
        below: the level that this one asks, None at the ground.
        numbers: name of a place → its number; 1 is where the plan begins.
        names: the other way round; number 0 stands for nothing left to do.
        test: the column of the test that is taken, or ``NOTHING``, or ``OPEN``.
        ends: the numbers of what follows, 0 for nothing.
    """

    def __init__(
        self, problem: PlanningProblem, below: _Level | None, stop: Callable[[], bool]
    ) -> None:
        self._problem, self.below, self._stop = problem, below, stop
        self.numbers, self.names = dict[bytes, int](), [b""]
        self.test = np.full(1, OPEN)
        self._spent = np.zeros(1)
        letters = max(2, int(np.diff(problem.first).max()))
        self.ends = np.zeros((1, letters), dtype=np.int64)

    def settled(self, number: int) -> bool:
        """Whether it is known what this level does at a place."""
        return number < len(self.names) and int(self.test[number]) != OPEN

    def minutes(self, places: Places) -> Floats:
        """(b,) minutes times weight of this level's plan from each place.

        Raises:
            OutOfTime: told to stop, or too many places.
        """
        numbers, new = self._enter(places)
        found, sizes = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
        at, places = numbers[new], places.select(new, new)
        while len(places):
            if self._stop() or len(self.names) > MOST_PLACES:
                raise OutOfTime
            found.append(at)
            sizes.append(places.sizes)
            at, places = self._step(at, places)
        self._add_up(np.concatenate(found), np.concatenate(sizes))
        return self._spent[numbers]

    def _enter(self, places: Places) -> tuple[Ints, Ints]:
        """The number of each place, and which of the places were not known before."""
        # Rows of a place stand in rising order, so that equal sets have equal names.
        names = places.rows.astype(np.uint32).tobytes()
        heads = [*(WORD * places.starts).tolist(), len(names)]
        known, numbers, new = self.numbers, [], []
        for at, (start, end) in enumerate(pairwise(heads)):
            name = names[start:end]
            number = known.get(name)
            if number is None:
                number = known[name] = len(self.names)
                self.names.append(name)
                new.append(at)
            numbers.append(number)
        self._make_room(len(self.names))
        return np.array(numbers, dtype=np.int64), np.array(new, dtype=np.int64)

    def _make_room(self, wanted: int) -> None:
        have = len(self._spent)
        if wanted > have:
            more = max(wanted, 2 * have) - have
            self.test = np.append(self.test, np.full(more, OPEN))
            self._spent = np.append(self._spent, np.zeros(more))
            blank = np.zeros((more, self.ends.shape[1]), dtype=np.int64)
            self.ends = np.concatenate([self.ends, blank])

    def _step(self, at: Ints, places: Places) -> tuple[Ints, Places]:
        """Settle the test of each of these new places; the new ones among what follows."""
        problem = self._problem
        options = survey(problem, places)
        picks = self._picks(places, options)
        source = at[options.place[picks]]
        self.test[at] = NOTHING
        self.test[source] = options.test[picks]
        self._spent[source] = options.minutes[picks] * options.mass[options.place[picks]]
        following = expand(problem, places, options, picks, source)
        numbers, new = self._enter(following)
        self.ends[following.owner, _rank(following.owner)] = numbers
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
            self._spent[alike] += self._spent[self.ends[alike]].sum(axis=1)


class _Greedy(_Level):
    """Level 0: by information per minute."""

    def __init__(self, problem: PlanningProblem, power: float, stop: Callable[[], bool]) -> None:
        super().__init__(problem, None, stop)
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
        self, problem: PlanningProblem, width: int, below: _Level, stop: Callable[[], bool]
    ) -> None:
        super().__init__(problem, below, stop)
        self._width, self._asked = width, below

    def _picks(self, places: Places, options: Options) -> Ints:
        tried = leaders(options, options.rate, self._width)
        owner = np.arange(len(tried))
        following = expand(self._problem, places, options, tried, owner)
        ahead = total_by(following.owner, self._asked.minutes(following), len(tried))
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
