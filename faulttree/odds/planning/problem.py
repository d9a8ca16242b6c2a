"""A fault table laid out for planning: outcomes as bit masks, and what must come first.

While planning, outcomes are taken as certain: a fault shows one of the outcomes its entry
allows, each equally likely. A plan goes on until no test that is left could rule out any
fault that is still possible.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faulttree.odds.table import FaultTable

__all__ = ["PlanningProblem", "PrerequisiteState", "Prerequisites", "bits", "plogp"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PrerequisiteState:
    """What it takes to get to one test: minutes, the state it leaves, what is done on the way.

    ``items`` names access states, actions and tests that cannot tell anything here, in order.
    """

    minutes: float
    state: int
    items: tuple[str, ...]


class Prerequisites:
    """Access states, actions and prerequisite tests, as bits of one whole number.

    An access state is entered once and leaves with another of its group. A action or a test
    that others come after holds until something live is done, unless the table calls it
    lasting. A prerequisite test has a second bit that says it was done at all: done again,
    it costs but tells nothing.
    """

    def __init__(self, table: FaultTable) -> None:
        self.table = table
        waited = {name for names in table.after for name in names}
        waited.update(name for action in table.actions.values() for name in action.after)
        waited.update(name for names in table.spoils.values() for name in names)
        holds = [*table.states, *table.actions, *(t for t in table.tests if t in waited)]
        self.bit = {name: 1 << at for at, name in enumerate(holds)}
        self.done = {
            test: 1 << (len(holds) + at)
            for at, test in enumerate(t for t in table.tests if t in waited)
        }
        self.nothing = not any(table.access) and not any(table.after) and not table.spoils
        self._voided = ~sum(bit for name, bit in self.bit.items()
                            if name not in table.states and name not in table.lasting)  # fmt: skip
        self._rivals = {
            name: ~sum(
                self.bit[other]
                for other, rival in table.states.items()
                if other != name and state.group is not None and rival.group == state.group
            )
            for name, state in table.states.items()
        }
        self._closing = {
            name: state.close.minutes
            for name, state in table.states.items()
            if state.exposes and state.close is not None
        }
        self._ends = {test: self._ended(test) for test in table.tests}
        self._known: dict[tuple[int, int, frozenset[str]], PrerequisiteState | None] = {}

    def _ended(self, test: str) -> int:
        """The procedures that are gone through once this test of theirs is done."""
        step = self.table.source.steps.get(test) if self.table.source is not None else None
        leaves = step.leaves.values() if step is not None else ()
        uses = {use for ways in leaves for use, _ in ways}
        return sum(self.bit.get(use, 0) for use in uses)

    def start(
        self, entered: frozenset[str] = frozenset(), done: frozenset[str] = frozenset()
    ) -> int:
        """The state in which these access states are entered and these things done."""
        state = 0
        for name in entered | done:
            state |= self.bit.get(name, 0) | self.done.get(name, 0)
        return state

    @cached_property
    def needed(self) -> tuple[frozenset[str], ...]:
        """For each test, the tests that may have to come before it, however far back."""
        after = dict(zip(self.table.tests, self.table.after, strict=True))
        after.update({name: action.after for name, action in self.table.actions.items()})
        found: dict[str, frozenset[str]] = {}

        def before(name: str) -> frozenset[str]:
            if name not in found:
                own = frozenset((*after[name], *self.table.spoils.get(name, ())))
                found[name] = own.union(*(before(a) for a in after[name]))
            return found[name]

        return tuple(before(test) & self.done.keys() for test in self.table.tests)

    def ready(self, state: int, test: int, telling: frozenset[str]) -> PrerequisiteState | None:
        """What it takes to get to a test, or None where another test must come first.

        Args:
            state: what holds now.
            test: its column.
            telling: prerequisite tests that would tell something now: each of them is
                done as a test of its own.
        """
        if self.nothing:
            return PrerequisiteState(0.0, state, ())
        relevant = telling & self.needed[test]
        key = (state, test, relevant)
        if key not in self._known:
            self._known[key] = self._ready(state, test, relevant)
        return self._known[key]

    def _ready(self, state: int, test: int, telling: frozenset[str]) -> PrerequisiteState | None:
        items: list[str] = []
        minutes, state = self._prepare(self.table.tests[test], state, telling, items)
        if state < 0:
            return None
        return PrerequisiteState(minutes, self._leave(self.table.tests[test], state), tuple(items))

    def relevant(self, tests: Iterable[int]) -> int:
        """Bits of a state that matter to any of these tests, by column."""
        found = 0
        for test in tests:
            found |= self._relevant[test]
        return found

    @cached_property
    def _relevant(self) -> tuple[int, ...]:
        def bits_of(name: str) -> int:
            found = self.bit.get(name, 0) | self.done.get(name, 0)
            for access in (*self._access(name), *self._to_close(name)):
                found |= self.bit[access]
            for earlier in self._after(name):
                found |= bits_of(earlier)
            return found

        return tuple(bits_of(test) for test in self.table.tests)

    def _prepare(
        self, name: str, state: int, telling: frozenset[str], items: list[str]
    ) -> tuple[float, int]:
        """Minutes and state just before ``name``; a state of −1 where it is blocked."""
        minutes = 0.0
        if not telling.isdisjoint(self.table.spoils.get(name, ())):
            return 0.0, -1
        for earlier in self._after(name):
            if state & self.bit[earlier]:
                continue
            if earlier in self.done and not state & self.done[earlier] and earlier in telling:
                return 0.0, -1
            spent, state = self._prepare(earlier, state, telling, items)
            if state < 0:
                return 0.0, -1
            minutes += spent + self._cost(earlier)
            state = self._leave(earlier, state)
            items.append(earlier)
        for access in self._to_close(name):
            if state & self.bit[access]:
                minutes += self._closing[access]
                state &= ~self.bit[access]
        for access in self._access(name):
            if not state & self.bit[access]:
                minutes += self.table.states[access].minutes
                state = state & self._rivals[access] | self.bit[access]
                items.append(access)
        return minutes, state

    def _to_close(self, name: str) -> Iterable[str]:
        """The exposing states that must be closed before something live."""
        return self._closing.keys() - set(self._access(name)) if self._is_live(name) else ()

    def _is_live(self, name: str) -> bool:
        action = self.table.actions.get(name)
        return action.live if action is not None else name in self.table.live

    def _leave(self, name: str, state: int) -> int:
        if self._is_live(name):
            state &= self._voided | sum(self.done.values())
        return state | self.bit.get(name, 0) | self.done.get(name, 0) | self._ends.get(name, 0)

    def _after(self, name: str) -> tuple[str, ...]:
        action = self.table.actions.get(name)
        return action.after if action is not None else self.table.after[self.table.test_index[name]]

    def _access(self, name: str) -> tuple[str, ...]:
        action = self.table.actions.get(name)
        return (
            action.access if action is not None else self.table.access[self.table.test_index[name]]
        )

    def _cost(self, name: str) -> float:
        action = self.table.actions.get(name)
        if action is not None:
            return action.minutes
        return self.table.minutes[self.table.test_index[name]]


class PlanningProblem:
    """A table for planning, with its weights scaled to add up to 1.

    Attributes:
        n, m: faults, tests.
        weights: (n,) probabilities.
        minutes: (m,) cost of each test by itself.
        masks: for each test and outcome, the faults that may show it, fault i as bit i.
        vague: for each test, the faults that may show more than one outcome.
        chance: (n, c) P(outcome | fault) over the c outcomes of all tests.
        first: for each test its first column of ``chance``; c at the end.
        test_of: for each column its test.
        levels: for each column its different chances, each with the faults that have it.
        readying: what must come before each test.
    """

    def __init__(self, table: FaultTable, weights: Mapping[str, float] | None = None) -> None:
        self.table = table
        self.n, self.m = len(table.faults), len(table.tests)
        given = table.weights if weights is None else [weights[f] for f in table.faults]
        raw = np.asarray(given, dtype=float)
        self.weights: Floats = raw / raw.sum()
        self.minutes = np.asarray(table.minutes, dtype=float)
        columns = table.columns
        self.first = columns.first
        self.count = columns.count
        self.allowed = columns.allowed
        self.chance = columns.chance
        self.test_of: list[int] = np.repeat(np.arange(self.m), np.diff(self.first)).tolist()
        self.levels = [
            [(float(level), _mask(column == level)) for level in np.unique(column)]
            for column in self.chance.T
        ]
        self.masks = [
            [_mask(self.allowed[:, c]) for c in range(int(self.first[t]), int(self.first[t + 1]))]
            for t in range(self.m)
        ]
        self.vague = [_mask(self.count[:, t] > 1) for t in range(self.m)]
        self.readying = Prerequisites(table)

    @cached_property
    def sharp(self) -> bool:
        """Whether every fault shows exactly one outcome at every test."""
        return not any(self.vague)

    @cached_property
    def doubt(self) -> Floats:
        """(n, m) entropy of the outcome given the fault, in nats."""
        return np.asarray(-np.add.reduceat(plogp(self.chance), self.first[:-1], axis=1))

    def prerequisites(self, tests: NDArray[np.int64]) -> frozenset[str]:
        """Those of these tests that others come after."""
        if not self.readying.done:
            return frozenset()
        names = self.table.tests
        return frozenset(names[test] for test in tests).intersection(self.readying.done)


def bits(mask: int) -> list[int]:
    """Positions of the ones of a whole number, lowest first."""
    found = []
    while mask:
        low = mask & -mask
        found.append(low.bit_length() - 1)
        mask ^= low
    return found


def plogp(p: Floats) -> Floats:
    """p·ln p of each, 0 at 0.

    Example:
        >>> plogp(np.array([0.0, 1.0])).tolist()
        [0.0, 0.0]
    """
    return np.asarray(p * np.log(np.where(p > 0, p, 1.0)), dtype=float)


def _mask(rows: NDArray[np.bool_]) -> int:
    """A column of truth values as a whole number, row i as bit i."""
    return int.from_bytes(np.packbits(rows, bitorder="little").tobytes(), "little")
