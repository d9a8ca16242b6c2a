"""The graph of places that orders of tests come by.

A place is what is known at one point of a plan. Two orders of tests that come to the same place
share all that follows, so what a place costs is worked out once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.planning.problem import PlanningProblem, PrerequisiteState, bits, plogp

__all__ = ["Options", "Place", "PlanGraph", "View"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_KEPT = 100_000
"""Views, options and ends that are kept; they are computed again when needed. Bounds memory."""


class Place(NamedTuple):
    """One point of a plan.

    Attributes:
        faults: possible faults, fault i as bit i.
        done: outcomes seen of tests that weigh the faults unequally, column j of the table
            (see :class:`faulttree.odds.table.Columns`) as bit j.
        state: access states and prerequisites that hold
            (see :class:`faulttree.odds.planning.problem.Prerequisites`).

    What can make no difference any more is left out of ``done`` and ``state``.

    Example:
        >>> Place(faults=0b101, done=0, state=0).depth
        (-2, 0)
    """

    faults: int
    done: int
    state: int

    @property
    def depth(self) -> tuple[int, int]:
        """A key by which every place sorts after those that lead to it."""
        return -self.faults.bit_count(), self.done.bit_count()


@dataclass(frozen=True, slots=True)
class View:
    """What the tests can tell at a place, whatever holds there: k faults, q tests.

    Attributes:
        rows: (k,) the possible faults.
        shares: (k,) their probabilities.
        split: (c,) probability of each outcome of each test of the table.
        tests: (q,) tests that can rule out a possible fault.
        gain: (q,) mutual information of outcome and fault, in bits.
        apart: (q,) probability weight of the pairs of faults that the test tells apart.
        names: those of the tests that other tests come after.
        relevant: bits of a state that matter to any of the tests.
    """

    rows: Ints
    shares: Floats
    split: Floats
    tests: Ints
    gain: Floats
    apart: Floats
    names: frozenset[str]
    relevant: int


@dataclass(frozen=True, slots=True)
class Options:
    """The tests that can be done at a place.

    Attributes:
        minutes: test → minutes, with what must come first.
        order: the tests, the most promising first: by information per minute and by weight
            of pairs told apart per minute in turn.
    """

    minutes: dict[int, float]
    order: tuple[int, ...]


End = tuple[int, float, Place]
"""An outcome, its probability, and the place that it leads to."""


class PlanGraph:
    r"""Places, the tests that can be done there, and where their outcomes lead.

    Args:
        problem: the table laid out.
        state: access states and prerequisites that hold at the start.
        faults: possible faults at the start as bits; all by default.
        answered: tests whose answers the weights know already: not done again.

    Attributes:
        root: the place at the start.
        work: places looked at so far; the measure of work.

    Example:
        >>> from faulttree.odds import table_from_csv
        >>> table = table_from_csv("fault,weight,a\\nx,1,0\\ny,3,1\\n")
        >>> graph = PlanGraph(PlanningProblem(table))
        >>> [(outcome, share) for outcome, share, _ in graph.ends(graph.root, 0)]
        [(0, 0.25), (1, 0.75)]
    """

    def __init__(
        self,
        problem: PlanningProblem,
        *,
        state: int = 0,
        faults: int | None = None,
        answered: Iterable[int] = (),
    ) -> None:
        self.problem, self._answered = problem, list(answered)
        self.work = 0
        self.state = state
        self._kept: dict[tuple[int, int], tuple[int, int]] = {}
        self._views: dict[tuple[int, int], View] = {}
        self._options: dict[Place, Options] = {}
        self._ends: dict[tuple[Place, int], tuple[End, ...]] = {}
        everyone = (1 << problem.n) - 1
        self.root = self.place(everyone if faults is None else faults, 0, state)

    def place(self, faults: int, done: int, state: int) -> Place:
        """The place where these faults are possible, with what still matters of the rest."""
        if not faults & (faults - 1):
            return Place(faults, 0, 0)
        key = faults, done
        if key not in self._kept:
            kept = self._that_matters(faults, done)
            self._kept[key] = kept, self.view(faults, kept).relevant
        kept, relevant = self._kept[key]
        return Place(faults, kept, state & relevant)

    def _that_matters(self, faults: int, done: int) -> int:
        """Outcomes of tests that can still rule out a fault: done again they tell nothing new.

        Where a test can rule out none, each outcome is shown by all faults or by none, so it
        weighs all faults alike.
        """
        masks, vague, kept = self.problem.masks, self.problem.vague, 0
        for column in bits(done):
            test = self.problem.test_of[column]
            if faults & vague[test] and any(0 < (faults & mask) != faults for mask in masks[test]):
                kept |= 1 << self._alike(faults, test, column)
        return kept

    def _alike(self, faults: int, test: int, column: int) -> int:
        """The first outcome of a test that weighs these faults as the given one does."""
        first, levels = int(self.problem.first[test]), self.problem.levels
        seen = {mask & faults: chance for chance, mask in levels[column] if mask & faults}
        for other in range(first, column):
            same = {mask & faults: chance for chance, mask in levels[other] if mask & faults}
            if same.keys() == seen.keys():
                ratios = [same[mask] / chance for mask, chance in seen.items()]
                if min(ratios) > 0 and max(ratios) - min(ratios) < 1e-12:
                    return other
        return column

    def view(self, faults: int, done: int) -> View:
        """What the tests can tell where these faults are possible and these tests were done."""
        key = faults, done
        found = self._views.get(key)
        if found is None:
            if len(self._views) >= MOST_KEPT:
                self._views.clear()
            found = self._views[key] = self._view(faults, done)
        return found

    def _view(self, faults: int, done: int) -> View:
        problem, taken = self.problem, bits(done)
        rows, heads = np.array(bits(faults), dtype=np.int64), problem.first[:-1]
        shares = problem.weights[rows]
        if taken:
            # As logarithms: the product over dozens of vague tests would underflow.
            logs = np.log(problem.chance[rows][:, taken]).sum(axis=1)
            shares = shares * np.exp(logs - logs.max())
        shares = shares / shares.sum()
        split = shares @ problem.chance[rows]
        shown = problem.allowed[rows].sum(axis=0)
        telling = np.logical_or.reduceat((shown > 0) & (shown < len(rows)), heads)
        telling[[problem.test_of[column] for column in taken] + self._answered] = False
        tests = np.flatnonzero(telling)
        gain = -np.add.reduceat(plogp(split), heads)[tests]
        if not problem.sharp:
            gain = gain - shares @ problem.doubt[np.ix_(rows, tests)]
        return View(
            rows,
            shares,
            split,
            tests,
            np.maximum(gain, 0.0) / np.log(2),
            (1.0 - np.add.reduceat(split * split, heads)[tests]) / 2,
            problem.prerequisites(tests),
            problem.readying.relevant(tests.tolist()),
        )

    def options(self, place: Place) -> Options:
        """The tests that can be done at a place and tell something there."""
        found = self._options.get(place)
        if found is None:
            self.work += 1
            if len(self._options) >= MOST_KEPT:
                self._options.clear()
                self._ends.clear()
            found = self._options[place] = self._new_options(place)
        return found

    def _new_options(self, place: Place) -> Options:
        if not place.faults & (place.faults - 1):
            return Options({}, ())
        view = self.view(place.faults, place.done)
        tests, gain, apart = view.tests, view.gain, view.apart
        minutes = self.problem.minutes[tests]
        if not self.problem.readying.nothing:
            extra = self.extra_minutes(place)
            able = np.isfinite(extra)
            tests, gain, apart = tests[able], gain[able], apart[able]
            minutes = (minutes + extra)[able]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            rates = [np.where(minutes > 0, score / minutes, np.inf) for score in (gain, apart)]
        ranked = np.array([np.argsort(-rate, kind="stable") for rate in rates])
        order = dict.fromkeys(tests[ranked.T.ravel()].tolist())
        return Options(dict(zip(tests.tolist(), minutes.tolist(), strict=True)), tuple(order))

    def extra_minutes(self, place: Place) -> Floats:
        """(q,) minutes of what must come before each telling test; infinite where blocked."""
        view, ready = self.view(place.faults, place.done), self.problem.readying.ready
        found = (ready(place.state, test, view.names) for test in view.tests.tolist())
        return np.array([np.inf if one is None else one.minutes for one in found])

    def ends(self, place: Place, test: int) -> tuple[End, ...]:
        """(outcome, probability, place) of each outcome that may come of a test."""
        key = place, test
        found = self._ends.get(key)
        if found is None:
            view, first = self.view(place.faults, place.done), int(self.problem.first[test])
            after, done = self._ready(place, test).state, place.done
            found = self._ends[key] = tuple(
                (at, float(view.split[first + at]), self.place(left, done | 1 << first + at, after))
                for at, mask in enumerate(self.problem.masks[test])
                if (left := place.faults & mask)
            )
        return found

    def _ready(self, place: Place, test: int, state: int | None = None) -> PrerequisiteState:
        names = self.view(place.faults, place.done).names
        held = place.state if state is None else state
        readied = self.problem.readying.ready(held, test, names)
        assert readied is not None, "a test that can be done is not blocked"
        return readied

    def cost(self, place: Place, test: int) -> float:
        """Minutes that a test takes at a place, with what must come first."""
        return self.options(place).minutes[test]

    def items(self, place: Place, test: int) -> tuple[str, ...]:
        """Access states, actions and tests that come before a test at a place, in order."""
        return self._ready(place, test).items

    def after(self, place: Place, test: int, state: int) -> int:
        """All that holds after a test at a place where all of ``state`` held."""
        return self._ready(place, test, state).state

    def names(self, place: Place) -> list[str]:
        """The ids of the possible faults."""
        faults = self.problem.table.faults
        return [faults[row] for row in bits(place.faults)]
