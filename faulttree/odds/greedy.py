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
from typing import Any

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.problem import Problem

__all__ = ["Choice", "Fields", "Places", "choose", "expand", "finish"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TINY = 1e-300


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
    done: NDArray[np.bool_] | None
    owner: Ints

    @classmethod
    def root(
        cls,
        problem: Problem,
        rows: Ints | None = None,
        weights: Floats | None = None,
        state: int = 0,
        done: Sequence[int] = (),
    ) -> Places:
        """One place where these faults are possible; all of them by default."""
        rows = np.arange(problem.n) if rows is None else rows
        weights = problem.weights[rows] if weights is None else weights
        ticked = None
        if not problem.sharp:
            ticked = np.zeros((1, problem.m), dtype=bool)
            ticked[0, list(done)] = True
        states = None if problem.readying.nothing else [state]
        return cls(
            rows, weights, np.zeros(1, dtype=np.int64), states, ticked, np.zeros(1, np.int64)
        )

    @property
    def sizes(self) -> Ints:
        """(b,) rows of each place."""
        return np.diff(np.append(self.starts, len(self.rows)))

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
class Fields:
    """What each test would do at each of b places.

    Attributes:
        mass: (b,) weight of the place.
        telling: (b, m) whether the test can be done and may rule out a fault.
        cost: (b, m) minutes, with what must come first.
        gain: (b, m) information in nats times mass.
        pairs: (b, m) weight products of the pairs of faults that it tells apart.
    """

    mass: Floats
    telling: NDArray[np.bool_]
    cost: Floats
    gain: Floats
    pairs: Floats


Choice = Ints
"""(b,) the test chosen at each place, −1 where none tells anything."""


def survey(problem: Problem, places: Places, *, pairs: bool = False) -> Fields:
    """Work out what every test would do at every place."""
    heads = problem.first[:-1]
    chance = problem.chance[places.rows]
    weights = places.weights
    mass = np.add.reduceat(weights, places.starts)
    split = np.add.reduceat(chance * weights[:, None], places.starts, axis=0)
    possible = np.add.reduceat(problem.allowed[places.rows], places.starts, axis=0, dtype=np.int32)
    mixed = (possible > 0) & (possible < places.sizes[:, None])
    telling = _by_test(np.logical_or, mixed, heads)
    gain = (mass * np.log(np.maximum(mass, TINY)))[:, None] - _by_test(
        np.add, split * np.log(np.maximum(split, TINY)), heads
    )
    if not problem.sharp:
        spread = np.log(np.maximum(problem.count, 1))[places.rows] * weights[:, None]
        gain -= np.add.reduceat(spread, places.starts, axis=0)
        assert places.done is not None
        telling &= ~places.done
    cost = np.broadcast_to(problem.minutes, telling.shape)
    if places.states is not None:
        cost, telling = _with_readying(problem, places.states, cost, telling)
    apart = (mass[:, None] ** 2 - _by_test(np.add, split * split, heads)) / 2 if pairs else gain
    return Fields(mass, telling, cost, np.maximum(gain, 0.0), apart)


def _by_test(add: np.ufunc, columns: NDArray[Any], heads: Ints) -> NDArray[Any]:
    """Gather the columns of each test; tests have at least one, as the table sees to."""
    return np.asarray(add.reduceat(columns, heads, axis=1))


def _with_readying(
    problem: Problem, states: list[int], cost: Floats, telling: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    cost, open_now = cost.copy(), telling.copy()
    for at, state in enumerate(states):
        tells = telling_names(problem, telling[at])
        for test in np.flatnonzero(telling[at]):
            readied = problem.readying.ready(state, int(test), tells)
            if readied is None:
                open_now[at, test] = False
            else:
                cost[at, test] += readied.minutes
    return cost, open_now


def telling_names(problem: Problem, telling: NDArray[np.bool_]) -> frozenset[str]:
    """The prerequisite tests among those that would tell something."""
    index = problem.table.test_index
    return frozenset(name for name in problem.readying.done if telling[index[name]])


def choose(fields: Fields) -> Choice:
    """The test with the most information per minute at each place."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(fields.telling, fields.gain / fields.cost, -1.0)
    # A test that costs nothing and tells something comes before all others.
    rate = np.where(fields.telling & (fields.cost <= 0), np.inf, rate)
    best = rate.argmax(axis=1)
    return np.where(fields.telling.any(axis=1), best, -1)


def spend(fields: Fields, chosen: Choice) -> Floats:
    """(b,) minutes times weight that the chosen tests cost; 0 where none is chosen."""
    at = np.arange(len(chosen))
    cost = fields.cost[at, np.maximum(chosen, 0)]
    return np.where(chosen >= 0, cost * fields.mass, 0.0)


def expand(problem: Problem, places: Places, chosen: Choice, telling: NDArray[np.bool_]) -> Places:
    """The places that the chosen tests lead to, where more than one fault is possible."""
    sizes = np.diff(problem.first)
    test = np.repeat(chosen, places.sizes)
    place = np.repeat(np.arange(len(places)), places.sizes)
    picked = np.flatnonzero(test >= 0)
    parts = []
    for outcome in range(int(sizes[chosen[chosen >= 0]].max(initial=0))):
        here = picked[outcome < sizes[test[picked]]]
        column = problem.first[test[here]] + outcome
        here = here[problem.allowed[places.rows[here], column]]
        parts.append((here, np.full(len(here), outcome)))
    if not parts:
        return places.select(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    row = np.concatenate([part[0] for part in parts])
    outcome_of = np.concatenate([part[1] for part in parts])
    key = place[row] * int(sizes.max()) + outcome_of
    order = np.argsort(key, kind="stable")
    row, key = row[order], key[order]
    column = problem.first[test[row]] + outcome_of[order]
    weights = places.weights[row] * problem.chance[places.rows[row], column]
    starts = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]])).astype(np.int64)
    parent = place[row[starts]]
    states, done = _moved(problem, places, chosen, telling, parent)
    children = Places(places.rows[row], weights, starts, states, done, places.owner[parent])
    keep = np.flatnonzero(children.sizes > 1)
    return children.select(keep, children.owner[keep])


def _moved(
    problem: Problem, places: Places, chosen: Choice, telling: NDArray[np.bool_], parent: Ints
) -> tuple[list[int] | None, NDArray[np.bool_] | None]:
    states, done = None, None
    if places.states is not None:
        after = list(places.states)
        for at in np.flatnonzero(chosen >= 0):
            readied = problem.readying.ready(
                after[at], int(chosen[at]), telling_names(problem, telling[at])
            )
            assert readied is not None
            after[at] = readied.state
        states = [after[at] for at in parent]
    if places.done is not None:
        done = places.done[parent]
        done[np.arange(len(parent)), chosen[parent]] = True
    return states, done


def finish(problem: Problem, places: Places, owners: int) -> Floats:
    """(owners,) minutes times weight that greedy plans from these places cost in all."""
    spent = np.zeros(owners)
    while len(places):
        fields = survey(problem, places)
        chosen = choose(fields)
        np.add.at(spent, places.owner, spend(fields, chosen))
        places = expand(problem, places, chosen, fields.telling)
    return spent
