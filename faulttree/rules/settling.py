"""Which later step would have told as much as an earlier one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from faulttree.odds import FaultTable
from faulttree.rules.subject import Subject

__all__ = ["Settling"]

Floats = NDArray[np.float64]

SOMETHING = 1e-9
"""Bits below which a test tells nothing: rounding."""


@dataclass(frozen=True)
class Settling:
    """Compares tests of one tree by the pairs of faults they tell apart.

    A test tells two faults apart where no outcome fits both. A later test settles an
    earlier one where it tells apart every pair, of the faults still possible there, that the
    earlier one does. Where the table knows nothing of a fault at a test, nothing is told.
    """

    subject: Subject
    table: FaultTable

    @classmethod
    def of(cls, subject: Subject) -> Settling | None:
        """None where there is nothing to compare; kept for all rules of one run."""
        return subject.settling

    @cached_property
    def apart(self) -> dict[str, int]:
        """Test → bits of the pairs of faults it tells apart, pair (f, g) at f · n + g."""
        columns, bits = self.table.columns, dict[str, int]()
        for number, test in enumerate(self.table.tests):
            first, last = columns.first[number], columns.first[number + 1]
            allowed = columns.allowed[:, first:last].astype(np.uint8)
            told = (allowed @ allowed.T) == 0
            bits[test] = int.from_bytes(np.packbits(told).tobytes(), "big")
        return bits

    def beyond(self, test: str) -> int:
        """Bits of the pairs of faults that a walk at this test can still come to."""
        size = len(self.table.faults)
        reached = self.subject.beyond(test)
        held = np.array([fault in reached for fault in self.table.faults], dtype=bool)
        pairs = np.outer(held, held).reshape(size, size)
        return int.from_bytes(np.packbits(pairs).tobytes(), "big")

    def pairs(self) -> Iterator[tuple[str, str]]:
        """(earlier, later) for each later test that settles an earlier one."""
        steps = self.subject.tree.steps
        for early in self.table.tests:
            if early not in self.subject.distance or steps[early].use is not None:
                continue
            told = self.apart[early] & self.beyond(early)
            if not told:
                continue
            reached = self.subject.beyond(early)
            for late in self.table.tests:
                if late == early or late not in reached or steps[late].use is not None:
                    continue
                if told & ~self.apart[late] or self._rests_on(late, early):
                    continue
                if self._knows_all(early, late):
                    yield early, late

    def _rests_on(self, late: str, early: str) -> bool:
        """Whether a test needs another one first, holds under other conditions, or is done
        on the powered unit while the other is not.
        """
        steps = self.subject.tree.steps
        needed = self.table.after[self.table.test_index[late]]
        more_live = steps[late].live and not steps[early].live
        return early in needed or more_live or steps[late].conditions != steps[early].conditions

    @cached_property
    def chances(self) -> tuple[Floats, Floats]:
        """P(outcome | fault), n rows by one column an outcome, and H(outcome | fault), n by m.

        What a fault shows is taken to be certain: each outcome that fits it equally likely.
        """
        columns = self.table.columns
        sizes = np.diff(columns.first)
        count = np.repeat(columns.count, sizes, axis=1)
        return columns.allowed / count, np.log2(columns.count)

    def bits(self, test: str) -> Floats:
        """What each test would tell at the place of one, in bits: H(outcome) − H(outcome | fault).

        The faults that a walk can still come to there count by their weights.
        """
        chances, spread = self.chances
        reached = self.subject.beyond(test)
        pairs = zip(self.table.faults, self.table.weights, strict=True)
        weights = np.array([weight if fault in reached else 0.0 for fault, weight in pairs])
        if not weights.any():
            return np.zeros(len(self.table.tests))
        weights /= weights.sum()
        shares = weights @ chances
        with np.errstate(divide="ignore", invalid="ignore"):
            terms = np.where(shares > 0, -shares * np.log2(shares), 0.0)
        told: Floats = np.add.reduceat(terms, self.table.columns.first[:-1]) - weights @ spread
        return told

    def cheaper(self, least: float) -> Iterator[tuple[str, str, float]]:
        """(earlier, later, minutes less) where a later test tells as much for less."""
        tests, steps = self.table.tests, self.subject.tree.steps
        cost = np.array(self.table.minutes)
        own = np.array([steps[name].use is None for name in tests], dtype=bool)
        for number, early in enumerate(tests):
            if early not in self.subject.distance or not own[number] or self._verifies(early):
                continue
            most = self._minutes(number)
            if most < least:
                continue
            told = self.bits(early)
            if told[number] <= SOMETHING:
                continue
            better = own & (told >= told[number] - SOMETHING) & (cost <= most - least)
            reached = self.subject.beyond(early)
            for other in np.flatnonzero(better):
                late = tests[other]
                if other == number or late not in reached or self._rests_on(late, early):
                    continue
                if not self._knows_all(early, late):
                    continue
                saved = self._minutes(number, int(other)) - self._minutes(int(other), number)
                if saved >= least:
                    yield early, late, saved

    def _knows_all(self, early: str, late: str) -> bool:
        """Whether what each fault shows at the later test is known whatever the earlier gave.

        It is where the fault's signs say so, or where every outcome of the earlier test that
        leads to the fault leads to it by way of the later one too.
        """
        subject = self.subject
        behind = subject.ends_beyond(late)
        for name in subject.ends_beyond(early):
            if late in subject.tree.faults[name].signs:
                continue
            for target in subject.tree.steps[early].targets.values():
                led = name in subject.ends_beyond(target)
                if led and (name not in behind or late not in subject.beyond(target)):
                    return False
        return True

    def _verifies(self, test: str) -> bool:
        """Whether a test first of all sees whether the complaint is there."""
        tree = self.subject.tree
        return any(
            target in tree.stops and tree.stops[target].reason == "no-fault-found"
            for target in tree.steps[test].targets.values()
        )

    def _minutes(self, test: int, other: int | None = None) -> float:
        """Minutes of a test with what it needs first and another one does not.

        States of the unit that every way to the test has entered are paid already.
        """
        table = self.table
        states, deeds = set(table.access[test]), set(table.after[test])
        if other is not None:
            states -= {*table.access[other], *self._entered(test), *self._entered(other)}
            deeds -= set(table.after[other])
        return (
            table.minutes[test]
            + sum(table.states[name].minutes for name in states)
            + sum(table.deeds[name].minutes for name in deeds if name in table.deeds)
        )

    def _entered(self, test: int) -> set[str]:
        """States of the unit that every way to a test has entered before it."""
        subject, name = self.subject, self.table.tests[test]
        if name not in self._states_before:
            tree = subject.tree
            states = {state for step in tree.steps.values() for state in step.access}
            entering = {
                state: [s.id for s in tree.steps.values() if state in s.access and s.id != name]
                for state in states
            }
            self._states_before[name] = {
                state
                for state, ids in entering.items()
                if name not in subject.beyond_without(tree.start, frozenset(ids))
            }
        return self._states_before[name]

    @cached_property
    def _states_before(self) -> dict[str, set[str]]:
        return {}

    def groups(self, faults: list[str]) -> list[list[str]]:
        """Faults of which a walk names one where it may be another, two or more together.

        No test tells them apart, and where an outcome leads to one of them the tree says that
        the other shows that outcome too.
        """
        left, found = list(faults), []
        while left:
            first, *rest = left
            like = [other for other in rest if self._alike(first, other)]
            if like:
                found.append([first, *like])
            left = [other for other in rest if other not in like]
        return found

    def _alike(self, one: str, other: str) -> bool:
        table, steps = self.table, self.subject.tree.steps
        rows = table.entries[table.fault_index[one]], table.entries[table.fault_index[other]]
        named = False
        for test, here, there in zip(table.tests, *rows, strict=True):
            shared = set(here) & set(there)
            if here and there and not shared:
                return False
            targets = steps[test].targets
            named = named or any(targets.get(outcome) in (one, other) for outcome in shared)
        return named
