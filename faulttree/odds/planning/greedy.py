"""Plans by one-step information gain per minute, many at a time.

All open places of all plans are kept as one list of rows (fault, weight) sorted by place, so
that a level of every plan is a handful of numpy calls whatever their number. That makes a
whole greedy plan cheap enough to be the yardstick by which a better planner, looking one
test ahead, judges each of its candidates.

Information gain is the mutual information of fault and outcome: H(outcome) −
H(outcome | fault), Shannon (1948). Per minute it is the usual one-step rule; see Pattipati
and Alexandridis, IEEE Trans. SMC 20 (1990).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.planning.problem import PlanningProblem

__all__ = [
    "Options",
    "Places",
    "best_of",
    "expand",
    "finish",
    "leaders",
    "plogp",
    "survey",
    "total_by",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass
class Places:
    """Open places of plans: b places over r rows.

    Attributes:
        rows: (r,) fault of each row, rows of one place together.
        weights: (r,) weight of each row.
        starts: (b,) first row of each place.
        states: what holds at each place; None where nothing ever needs to.
        done: (b, m) vague tests that were done; None where no test is vague.
        owner: (b,) what the minutes of each place are put down to.
    """

    rows: Ints
    weights: Floats
    starts: Ints
    states: list[int] | None
    done: Bools | None
    owner: Ints

    @classmethod
    def root(
        cls,
        problem: PlanningProblem,
        rows: Ints | None = None,
        state: int = 0,
        done: Sequence[int] = (),
    ) -> Places:
        """One place where these faults are possible; all of them by default."""
        rows = np.arange(problem.n) if rows is None else rows
        ticked = None
        if not problem.sharp:
            ticked = np.zeros((1, problem.m), dtype=bool)
            ticked[0, list(done)] = True
        states = None if problem.readying.nothing else [state]
        start = np.zeros(1, dtype=np.int64)
        return cls(rows, problem.weights[rows], start, states, ticked, start)

    @property
    def sizes(self) -> Ints:
        """(b,) rows of each place."""
        return np.diff(np.append(self.starts, len(self.rows)))

    @property
    def place(self) -> Ints:
        """(r,) place of each row."""
        return np.repeat(np.arange(len(self)), self.sizes)

    @property
    def mass(self) -> Floats:
        """(b,) weight of each place."""
        return total_by(self.place, self.weights, len(self))

    def __len__(self) -> int:
        return len(self.starts)

    def select(self, keep: Ints, owner: Ints) -> Places:
        """These places, in this order, with repeats, put down to new owners."""
        sizes = self.sizes[keep]
        starts = np.cumsum(sizes) - sizes
        index = np.repeat(self.starts[keep] - starts, sizes) + np.arange(int(sizes.sum()))
        return Places(
            self.rows[index],
            self.weights[index],
            starts,
            None if self.states is None else [self.states[at] for at in keep],
            None if self.done is None else self.done[keep],
            owner,
        )


@dataclass
class Options:
    """Every test that can be done and may rule out a fault, at every place: q pairs.

    Attributes:
        place, test: (q,) which; sorted by place, then test.
        minutes: (q,) with what must come first.
        gain: (q,) information in nats times the weight of the place.
        apart: (q,) sum over the pairs of faults it tells apart of the product of their weights.
        mass: (b,) weight of each place.
        tells: for each place the prerequisite tests that tell something there.
    """

    place: Ints
    test: Ints
    minutes: Floats
    gain: Floats
    apart: Floats
    mass: Floats
    tells: list[frozenset[str]]

    @property
    def rate(self) -> Floats:
        """(q,) information per minute; infinite for what takes no time."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.minutes > 0, self.gain / self.minutes, np.inf)


def survey(problem: PlanningProblem, places: Places) -> Options:
    """Work out what every test would do at every place."""
    place, test, gain, apart = (
        _survey_sharp(problem, places) if problem.sharp else _survey_vague(problem, places)
    )
    options = Options(
        place, test, problem.minutes[test], np.maximum(gain, 0.0), apart, places.mass, []
    )
    return options if places.states is None else _readied(problem, places.states, options)


def _survey_sharp(problem: PlanningProblem, places: Places) -> tuple[Ints, Ints, Floats, Floats]:
    """By the odd outcomes only: those that are not the commonest of their test."""
    b, (column_test, heads, odd) = len(places), problem.odd
    counts = np.diff(heads)[places.rows]
    index = np.repeat(heads[places.rows] - np.cumsum(counts) + counts, counts)
    column = odd[index + np.arange(len(index))]
    width = len(column_test)
    key = np.repeat(places.place, counts) * width + column
    shown = np.bincount(key, minlength=b * width)
    cell = np.flatnonzero(shown)
    weight = total_by(key, np.repeat(places.weights, counts), b * width)[cell]
    place, test = cell // width, column_test[cell % width]
    mixed = shown[cell] < places.sizes[place]
    place, test, weight = place[mixed], test[mixed], weight[mixed]
    mass = places.mass
    if problem.binary:
        spread, squares, odds = plogp(weight), weight * weight, weight
    else:
        first = np.flatnonzero(
            np.append(True, (place[1:] != place[:-1]) | (test[1:] != test[:-1]))[: len(place)]
        )
        group = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(place))))
        spread = total_by(group, plogp(weight), len(first))
        squares = total_by(group, weight * weight, len(first))
        odds = total_by(group, weight, len(first))
        place, test = place[first], test[first]
    whole = mass[place]
    rest = np.maximum(whole - odds, 0.0)
    gain = plogp(whole) - spread - plogp(rest)
    return place, test, gain, (whole * whole - squares - rest * rest) / 2


def _survey_vague(problem: PlanningProblem, places: Places) -> tuple[Ints, Ints, Floats, Floats]:
    assert places.done is not None
    heads, mass = problem.first[:-1], places.mass
    weighed = problem.chance[places.rows] * places.weights[:, None]
    split = np.add.reduceat(weighed, places.starts, axis=0)
    shown = problem.allowed[places.rows].view(np.uint8)
    some = np.maximum.reduceat(shown, places.starts, axis=0)
    every = np.minimum.reduceat(shown, places.starts, axis=0)
    mixed = some > every
    telling = np.logical_or.reduceat(mixed, heads, axis=1) & ~places.done
    unsure = problem.doubt[places.rows] * places.weights[:, None]
    gain = (
        plogp(mass)[:, None]
        - np.add.reduceat(plogp(split), heads, axis=1)
        - np.add.reduceat(unsure, places.starts, axis=0)
    )
    apart = (mass[:, None] ** 2 - np.add.reduceat(split * split, heads, axis=1)) / 2
    place, test = np.nonzero(telling)
    return place, test, gain[place, test], apart[place, test]


def total_by(group: Ints, values: Floats, groups: int) -> Floats:
    """(groups,) sum of the values of each group."""
    return np.asarray(np.bincount(group, values, groups), dtype=float)


def plogp(p: Floats) -> Floats:
    """p·ln p of each, 0 at 0."""
    return np.asarray(p * np.log(np.where(p > 0, p, 1.0)), dtype=float)


def _readied(problem: PlanningProblem, states: list[int], options: Options) -> Options:
    bounds = np.searchsorted(options.place, np.arange(len(states) + 1))
    extra = np.empty(len(options.place))
    for at, state in enumerate(states):
        here = slice(int(bounds[at]), int(bounds[at + 1]))
        tells = problem.prerequisites(options.test[here])
        options.tells.append(tells)
        extra[here] = problem.ready_minutes(state, tells)[options.test[here]]
    able = np.isfinite(extra)
    return Options(
        options.place[able],
        options.test[able],
        (options.minutes + extra)[able],
        options.gain[able],
        options.apart[able],
        options.mass,
        options.tells,
    )


def best_of(options: Options, score: Floats) -> Ints:
    """(b,) position of the best-scored option of each place, −1 where there is none."""
    chosen = np.full(len(options.mass), -1, dtype=np.int64)
    if len(options.place):
        first = np.flatnonzero(np.append(True, options.place[1:] != options.place[:-1]))
        top = np.maximum.reduceat(score, first)
        winners = np.flatnonzero(score == np.repeat(top, np.diff(np.append(first, len(score)))))
        # Written backwards, so that the first of equals stands.
        chosen[options.place[winners[::-1]]] = winners[::-1]
    return chosen


def leaders(options: Options, score: Floats, count: int) -> Ints:
    """Positions of the ``count`` best-scored options of each place."""
    order = np.lexsort((-score, options.place))
    place = options.place[order]
    first = np.flatnonzero(np.append(True, place[1:] != place[:-1])[: len(place)])
    sizes = np.diff(np.append(first, len(place)))
    rank = np.arange(len(place)) - np.repeat(first, sizes)
    return order[rank < count]


def expand(
    problem: PlanningProblem,
    places: Places,
    options: Options,
    picks: Ints,
    owner: Ints | None = None,
) -> Places:
    """The places with more than one fault that the picked options lead to.

    ``picks`` are positions in ``options``; a place may be picked for several times. What a
    pick leads to belongs to its ``owner``, by default the owner of its place.
    """
    source = options.place[picks]
    copies = places.select(source, places.owner[source] if owner is None else owner)
    test = options.test[picks]
    tests = np.repeat(test, copies.sizes)
    row, outcome = _outcomes(problem, copies.rows, tests)
    widest = int(np.diff(problem.first).max())
    key = copies.place[row] * widest + outcome
    order = np.argsort(key, kind="stable")
    row, key, outcome = row[order], key[order], outcome[order]
    weights = copies.weights[row]
    if not problem.sharp:
        weights = weights * problem.chance[copies.rows[row], problem.first[tests[row]] + outcome]
    starts = np.flatnonzero(np.append(True, key[1:] != key[:-1])[: len(key)])
    parent = copies.place[row[starts]]
    children = Places(
        copies.rows[row],
        weights,
        starts,
        _next_states(problem, copies, options, picks, parent),
        _next_done(copies, test, parent),
        copies.owner[parent],
    )
    keep = np.flatnonzero(children.sizes > 1)
    return children.select(keep, children.owner[keep])


def _outcomes(problem: PlanningProblem, faults: Ints, tests: Ints) -> tuple[Ints, Ints]:
    """Which row shows which outcome; a row stands once for each outcome it may show."""
    if problem.sharp:
        return np.arange(len(faults)), problem.outcome[faults, tests]
    rows, outcomes = [], []
    sizes = np.diff(problem.first)[tests]
    for outcome in range(int(sizes.max(initial=0))):
        here = np.flatnonzero(outcome < sizes)
        here = here[problem.allowed[faults[here], problem.first[tests[here]] + outcome]]
        rows.append(here)
        outcomes.append(np.full(len(here), outcome))
    return np.concatenate([[], *rows]).astype(int), np.concatenate([[], *outcomes]).astype(int)


def _next_states(
    problem: PlanningProblem, copies: Places, options: Options, picks: Ints, parent: Ints
) -> list[int] | None:
    if copies.states is None:
        return None
    after = []
    for state, pick in zip(copies.states, picks, strict=True):
        tells = options.tells[int(options.place[pick])]
        readied = problem.readying.ready(state, int(options.test[pick]), tells)
        assert readied is not None
        after.append(readied.state)
    return [after[at] for at in parent]


def _next_done(copies: Places, test: Ints, parent: Ints) -> Bools | None:
    if copies.done is None:
        return None
    done = copies.done[parent]
    done[np.arange(len(parent)), test[parent]] = True
    return done


def finish(problem: PlanningProblem, places: Places, owners: int, least: float = 0.0) -> Floats:
    """(owners,) minutes times weight that greedy plans from these places cost in all.

    Places with less than ``least`` weight are left where they are.
    """
    spent = np.zeros(owners)
    while len(places):
        if least > 0:
            keep = np.flatnonzero(places.mass >= least)
            places = places.select(keep, places.owner[keep])
        if problem.plain:
            places = _finish_pairs(problem, places, spent)
        if not len(places):
            break
        options = survey(problem, places)
        chosen = best_of(options, options.rate)
        picks = chosen[chosen >= 0]
        at = options.place[picks]
        spent += total_by(places.owner[at], options.minutes[picks] * options.mass[at], len(spent))
        places = expand(problem, places, options, picks)
    return spent


def _finish_pairs(problem: PlanningProblem, places: Places, spent: Floats) -> Places:
    """Settle places of two faults by the cheapest test between them; give the others."""
    sizes = places.sizes
    two = places.starts[sizes == 2]
    if len(two):
        between = problem.between[places.rows[two], places.rows[two + 1]]
        cost = between * (places.weights[two] + places.weights[two + 1])
        spent += total_by(places.owner[sizes == 2], cost, len(spent))
    keep = np.flatnonzero(sizes > 2)
    return places.select(keep, places.owner[keep])
