"""Which later step would have told as much as an earlier one, and which faults look alike."""

from __future__ import annotations

from collections.abc import Callable, Iterator
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
    """Compares the tests of one tree by its fault table.

    A test tells two faults apart where no outcome fits both. Where the table knows nothing
    of a fault at a test, nothing is told.
    """

    subject: Subject
    table: FaultTable

    # -- one test against another ------------------------------------------------------

    def same_question(
        self, is_early: Callable[[str], bool], is_late: Callable[[str], bool]
    ) -> Iterator[tuple[str, str]]:
        """(earlier, later) where the later test tells apart all that the earlier one does.

        Of the faults still possible at the earlier one; both must be the tree's own steps.
        """
        steps = self.subject.tree.steps
        own = [name for name in self.table.tests if steps[name].use is None]
        for early in own:
            if early not in self.subject.distance or not is_early(early):
                continue
            reached = self.subject.beyond(early)
            for late in own:
                if late == early or late not in reached or not is_late(late):
                    continue
                if self._covers(late, early) and not self._rests_on(late, early):
                    yield early, late

    def _covers(self, late: str, early: str) -> bool:
        """Whether the later test tells apart every pair of faults that the earlier one does."""
        behind = self.subject.ends_beyond(early)
        rows = [self.table.fault_index[fault] for fault in behind]
        possible = sum(1 << row for row in rows)
        told = [self._told_from(early, row) & possible for row in rows]
        if not any(told) or not self._knows_all(early, late):
            return False
        return all(
            not apart & ~self._told_from(late, row) for row, apart in zip(rows, told, strict=True)
        )

    def _told_from(self, test: str, row: int) -> int:
        """Bits of the faults that a test tells from one."""
        number = self.table.test_index[test]
        alike, every = 0, (1 << len(self.table.faults)) - 1
        masks = self._masks(test)
        for outcome in self.table.entries[row][number] or self.table.outcomes[number]:
            alike |= masks[outcome]
        return every & ~alike

    def _masks(self, test: str) -> dict[str, int]:
        """Outcome → bits of the faults that may show it."""
        if test not in self._known_masks:
            number = self.table.test_index[test]
            masks = dict.fromkeys(self.table.outcomes[number], 0)
            for row, entries in enumerate(self.table.entries):
                for outcome in entries[number] or self.table.outcomes[number]:
                    masks[outcome] |= 1 << row
            self._known_masks[test] = masks
        return self._known_masks[test]

    @cached_property
    def _known_masks(self) -> dict[str, dict[str, int]]:
        return {}

    def _rests_on(self, late: str, early: str) -> bool:
        """Whether a test needs another one first, holds under other conditions, or is done
        on the powered unit while the other is not.
        """
        steps = self.subject.tree.steps
        needed = self.table.after[self.table.test_index[late]]
        more_live = steps[late].live and not steps[early].live
        return early in needed or more_live or steps[late].conditions != steps[early].conditions

    def _knows_all(self, early: str, late: str) -> bool:
        """Whether what each fault shows at the later test is known whatever the earlier gave.

        It is where the fault's signs say so, or where every outcome of the earlier test that
        leads to the fault leads to it by way of the later one too.
        """
        subject = self.subject
        for name in subject.ends_beyond(early):
            if late in subject.tree.faults[name].signs:
                continue
            for target in subject.tree.steps[early].targets.values():
                if subject.leads_to(target, name) and not (
                    subject.leads_to(late, name) and late in subject.beyond(target)
                ):
                    return False
        return True

    # -- as much for less --------------------------------------------------------------

    def cheaper(self, least: float) -> Iterator[tuple[str, str, float]]:
        """(earlier, later, minutes less) where a later test tells as much for less."""
        tests, steps = self.table.tests, self.subject.tree.steps
        cost = np.array(self.table.minutes)
        own = np.array([steps[name].use is None for name in tests], dtype=bool)
        for number, early in enumerate(tests):
            if early not in self.subject.distance or not own[number] or self._verifies(early):
                continue
            most = self._minutes(number)
            candidates = own & (cost <= most - least)
            if not candidates.any():
                continue
            told = self.bits(early)
            if told[number] <= SOMETHING:
                continue
            better = candidates & (told >= told[number] - SOMETHING)
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
        reached = self.subject.ends_beyond(test)
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
            entering: dict[str, set[str]] = {}
            for step in tree.steps.values():
                for state in step.access:
                    entering.setdefault(state, set()).add(step.id)
            self._states_before[name] = {
                state
                for state, ids in entering.items()
                if name not in subject.beyond_without(tree.start, frozenset(ids - {name}))
            }
        return self._states_before[name]

    @cached_property
    def _states_before(self) -> dict[str, set[str]]:
        return {}

    # -- faults that look alike --------------------------------------------------------

    def groups(self) -> list[list[str]]:
        """Faults of which a walk names one where it may be another, two or more together.

        An outcome leads to the one, the signs of the other say that it shows that outcome
        too, and no test tells them apart.
        """
        tree, alike = self.subject.tree, dict[str, list[str]]()
        for other, fault in tree.faults.items():
            for name, shown in fault.signs.items():
                step = tree.steps.get(name)
                for outcome in shown if step is not None and name in self.table.test_index else ():
                    led = step.targets.get(outcome, "") if step is not None else ""
                    if led in tree.faults and led != other and not self._apart(led, other):
                        group = alike.setdefault(led, [led])
                        if other not in group:
                            group.append(other)
        return list(alike.values())

    def _apart(self, one: str, other: str) -> bool:
        table = self.table
        rows = table.entries[table.fault_index[one]], table.entries[table.fault_index[other]]
        return any(
            here and there and not set(here) & set(there) for here, there in zip(*rows, strict=True)
        )
