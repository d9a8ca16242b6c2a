"""Plans that look one test ahead: each candidate is judged by the greedy plan behind it.

This is the rollout of a base policy. With the base policy's own choice among the candidates
the plan is no dearer than the base plan (Bertsekas, Tsitsiklis and Wu, Journal of
Heuristics 3 (1997)); applied to sequential tests by Tu and Pattipati, IEEE Trans. SMC-A 33
(2003).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from faulttree.odds.planning.exact_search import OutOfTime, Search
from faulttree.odds.planning.greedy import (
    Floats,
    Ints,
    Options,
    Places,
    best_of,
    expand,
    finish,
    leaders,
    survey,
    total_by,
)
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.table import TableError

__all__ = ["Draft", "look_ahead", "reachable"]

MOST_PLACES = 50_000
ROWS_AT_ONCE = 30_000
"""Rows that greedy plans are carried on for at once; bounds the memory."""


def look_ahead(
    problem: PlanningProblem,
    search: Search[Any],
    widths: Sequence[int],
    known: Draft | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Draft:
    """A plan whose tests are each the best of several candidates.

    Raises:
        TableError: a table that says so little that plans have more than 50,000 places.

    Args:
        problem: the table laid out.
        search: names the places.
        widths: how many candidates are tried at each place; where there are two or more,
            the plans behind a candidate look ahead themselves, with the widths that are
            left. None at all gives the greedy plan.
        known: a plan so far; its tests stand unless something cheaper shows up, so that
            the plan returned is no dearer.
        stop: once true, what is not settled yet follows ``known``, or else is greedy.
    """
    places, tests = Places.root(problem, state=search.state), dict[Any, int]()
    halted = not widths
    while len(places):
        options = survey(problem, places)
        names = _names(search, places)
        picks = _standing(options, names, known)
        if not halted:
            try:
                worth = _worth(options, names, known)
                picks = _best_ahead(problem, places, options, picks, worth, widths, stop)
            except OutOfTime:
                halted = True
        fresh = []
        for pick in picks.tolist():
            name = names[int(options.place[pick])]
            if name not in tests:
                tests[name] = int(options.test[pick])
                fresh.append(pick)
        if len(tests) > MOST_PLACES:
            raise TableError(
                f"a plan would have more than {MOST_PLACES} places",
                mend="Say more of the faults in the table, so that tests can tell them apart.",
            )
        places = expand(problem, places, options, np.array(fresh, dtype=np.int64))
    return Draft.of(search, tests)


@dataclass(frozen=True)
class Draft:
    """A plan as places with their tests, and expected minutes from each place."""

    tests: Mapping[Any, int]
    minutes: Mapping[Any, float]
    root: Any

    @classmethod
    def of(cls, search: Search[Any], tests: Mapping[Any, int]) -> Draft:
        """Work out the minutes of a plan's places, from the ends to the start."""
        minutes: dict[Any, float] = {}
        for place in sorted(tests, key=search.depth, reverse=True):
            test = tests[place]
            minutes[place] = search.cost(place, test) + math.fsum(
                share * minutes.get(end, 0.0) for _, share, end in search.ends(place, test)
            )
        return cls(tests, minutes, search.root)

    @property
    def total(self) -> float:
        """Expected minutes of the whole plan."""
        return self.minutes.get(self.root, 0.0)

    def merged(self, search: Search[Any], other: Draft) -> Draft:
        """The better of two plans at each place that either comes by."""
        tests = dict(self.tests)
        for place, test in other.tests.items():
            if place not in tests or other.minutes[place] < self.minutes[place]:
                tests[place] = test
        return Draft.of(search, reachable(search, tests))


def reachable(search: Search[Any], tests: Mapping[Any, int]) -> dict[Any, int]:
    """The places that a walk of the plan can come to."""
    found: dict[Any, int] = {}
    stack = [search.root]
    while stack:
        place = stack.pop()
        if place in tests and place not in found:
            found[place] = tests[place]
            stack += [end for _, _, end in search.ends(place, tests[place])]
    return found


def _standing(options: Options, names: list[Any], known: Draft | None) -> Ints:
    """The greedy option of each place, or the one of the plan so far."""
    score = options.rate
    for pick in _known_picks(options, names, known):
        score[pick] = np.inf
    best = best_of(options, score)
    return best[best >= 0]


def _known_picks(options: Options, names: list[Any], known: Draft | None) -> list[int]:
    if known is None:
        return []
    heads = np.searchsorted(options.place, np.arange(len(names) + 1))
    found = []
    for at, name in enumerate(names):
        if name in known.tests:
            here = options.test[heads[at] : heads[at + 1]]
            found.append(int(heads[at] + np.searchsorted(here, known.tests[name])))
    return found


def _worth(options: Options, names: list[Any], known: Draft | None) -> dict[int, float]:
    """Option → minutes times weight that the plan so far takes from its place."""
    return {
        pick: known.minutes[names[place]] * float(options.mass[place])
        for pick in _known_picks(options, names, known)
        if known is not None
        for place in [int(options.place[pick])]
    }


def _names(search: Search[Any], places: Places) -> list[Any]:
    """The search's own names for places."""
    names: list[Any] = []
    ends = np.append(places.starts, len(places.rows))
    rows = places.rows.tolist()
    for at in range(len(places)):
        mask = 0
        for row in rows[ends[at] : ends[at + 1]]:
            mask |= 1 << row
        done = 0
        if places.done is not None:
            for test in np.flatnonzero(places.done[at]).tolist():
                done |= 1 << test
        names.append(search.place(mask, done, 0 if places.states is None else places.states[at]))
    return names


def _best_ahead(
    problem: PlanningProblem,
    places: Places,
    options: Options,
    standing: Ints,
    worth: Mapping[int, float],
    widths: Sequence[int],
    stop: Callable[[], bool],
) -> Ints:
    """For each place the candidate with the cheapest plan behind it.

    Raises:
        OutOfTime: told to stop.
    """
    candidates = _candidates(options, standing, widths[0])
    total = np.full(len(options.place), np.inf)
    loads = np.cumsum(places.sizes[options.place[candidates]])
    for chunk in np.split(candidates, np.flatnonzero(np.diff(loads // ROWS_AT_ONCE)) + 1):
        if stop():
            raise OutOfTime
        each = np.arange(len(chunk))
        after = expand(problem, places, options, chunk, each)
        behind = _carry_on(problem, after, len(each), widths[1:], stop)
        total[chunk] = options.minutes[chunk] * options.mass[options.place[chunk]] + behind
    for pick, minutes in worth.items():
        total[pick] = min(total[pick], minutes)
    best = best_of(options, -total)
    return best[best >= 0]


def _carry_on(
    problem: PlanningProblem,
    places: Places,
    owners: int,
    widths: Sequence[int],
    stop: Callable[[], bool],
) -> Floats:
    """(owners,) minutes times weight of plans from these places that look ahead themselves."""
    if not widths:
        return finish(problem, places, owners)
    spent = np.zeros(owners)
    while len(places):
        options = survey(problem, places)
        picks = _standing(options, [], None)
        picks = _best_ahead(problem, places, options, picks, {}, widths, stop)
        at = options.place[picks]
        spent += total_by(places.owner[at], options.minutes[picks] * options.mass[at], owners)
        places = expand(problem, places, options, picks)
    return spent


def _candidates(options: Options, greedy: Ints, width: int) -> Ints:
    """The greedy pick of each place and the best others, by two yardsticks in turn."""
    with np.errstate(divide="ignore", invalid="ignore"):
        pairs = np.where(options.minutes > 0, options.apart / options.minutes, np.inf)
    half = (width + 1) // 2
    keep = np.zeros(len(options.place), dtype=bool)
    keep[greedy] = True
    keep[leaders(options, options.rate, half)] = True
    keep[leaders(options, pairs, width - half)] = True
    return np.flatnonzero(keep)
