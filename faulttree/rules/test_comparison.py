"""Which later step would have told as much as an earlier one, and which faults look alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from faulttree.rules.context import RuleContext, TooLargeError
from faulttree.tree.model import Step

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from faulttree.odds import FaultTable

    Floats = NDArray[np.float64]


SOMETHING = 1e-9
"""Bits below which a test tells nothing: rounding."""


MAX_ENTRIES = 40_000
"""Steps times faults up to which a tree is weighed; one of 1,000 lines has about 6,000."""


def settling(subject: RuleContext) -> TestComparison | None:
    """Compares the tests of a tree; None where there are not two faults to tell apart.

    Raises:
        TooLargeError: where that would take seconds.
    """
    if subject.own != "tree" or subject.graph.order is None or len(subject.tree.faults) < 2:
        return None
    if len(subject.tree.diagnostic) * len(subject.tree.faults) > MAX_ENTRIES:
        raise TooLargeError
    return TestComparison(subject)


@dataclass(frozen=True)
class TestComparison:
    """Compares the tests of one tree.

    A test tells two faults apart where no outcome fits both. Where the tree does not say what
    a fault shows at a test, nothing is told. The fault table is only drawn up where two tests
    are left to be weighed by it.
    """

    subject: RuleContext

    @cached_property
    def table(self) -> FaultTable:
        """The fault table that the tree implies.

        Raises:
            TooLargeError: where there is none.
        """
        from faulttree.errors import FaulttreeError
        from faulttree.odds import table_from_tree

        try:
            return table_from_tree(self.subject.tree)
        except FaulttreeError:
            raise TooLargeError from None

    # -- which pairs of tests are worth a look -----------------------------------------

    @cached_property
    def tests(self) -> tuple[Step, ...]:
        """The tree's own reached steps with two outcomes or more."""
        subject = self.subject
        return tuple(
            step
            for step in subject.tree.steps.values()
            if step.use is None
            and step.id in subject.graph.reached
            and len(step.targets) - ("undecided" in step.targets) > 1
        )

    def later(self, early: Step) -> Iterator[Step]:
        """Tests behind one of which the tree says what all faults still possible show there,
        whatever the earlier one gave.

        It does where the fault's signs say so, or where every outcome of the earlier test
        that leads to the fault leads to it by way of the later test too.
        """
        subject, faults = self.subject, self.subject.tree.faults
        targets = dict.fromkeys(early.targets.values())
        named = [faults[target] for target in targets if target in faults]
        wanted = self.tests
        if named:
            wanted = tuple(step for step in self.tests if step.id in named[0].signs)
        for late in wanted:
            if late is early or not subject.leads_to(early.id, late.id):
                continue
            if not self._unknown(targets, late.id) and not self._rests_on(late, early):
                yield late

    def _unknown(self, targets: Iterable[str], late: str) -> int:
        """Bits of faults of which the tree does not say what they show at a later test."""
        subject = self.subject
        behind, own = subject.reach[late], subject.bit[late]
        bits = 0
        for target in targets:
            reached = subject.reach[target]
            bits |= reached & ~behind if reached & own else reached
        return bits & subject.every_fault & ~self._signed.get(late, 0)

    @cached_property
    def _signed(self) -> Mapping[str, int]:
        """Step → bits of the faults whose signs name it."""
        found: dict[str, int] = {}
        for name, fault in self.subject.tree.faults.items():
            for step in fault.signs:
                found[step] = found.get(step, 0) | self.subject.bit[name]
        return found

    def _rests_on(self, late: Step, early: Step) -> bool:
        """Whether a test names another one as needed first, holds under other conditions, or
        is done on the powered unit while the other is not.
        """
        more_live = late.live and not early.live
        return early.id in late.after or more_live or late.conditions != early.conditions

    def _needs(self, late: str, early: str) -> bool:
        """Whether a test takes a value of another one, or a action that comes with it."""
        return early in self.table.after[self.table.test_index[late]]

    # -- the same question -------------------------------------------------------------

    def same_question(
        self, is_early: Callable[[Step], bool], is_late: Callable[[Step], bool]
    ) -> Iterator[tuple[str, str]]:
        """(earlier, later) where the later test tells apart all that the earlier one does."""
        for early in self.tests:
            if not is_early(early):
                continue
            for late in self.later(early):
                if (
                    is_late(late)
                    and self._covers(late.id, early.id)
                    and not self._needs(late.id, early.id)
                ):
                    yield early.id, late.id

    def _covers(self, late: str, early: str) -> bool:
        """Whether the later test tells apart every pair of faults that the earlier one does."""
        rows = [self.table.fault_index[fault] for fault in self.subject.ends_beyond(early)]
        possible = sum(1 << row for row in rows)
        told = [self._told_from(early, row) & possible for row in rows]
        return any(told) and all(
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

    # -- as much for less --------------------------------------------------------------

    def cheaper(self, least: float) -> Iterator[tuple[str, str, float]]:
        """(earlier, later, minutes less) where a later test tells as much for less."""
        for early in self.tests:
            most = self._most(early) - least
            if most < 0 or self._verifies(early):
                continue
            for late in self.later(early):
                if late.cost <= most and not self._needs(late.id, early.id):
                    saved = self._saved(early.id, late.id, least)
                    if saved is not None:
                        yield early.id, late.id, saved

    def _most(self, step: Step) -> float:
        """The most minutes a test can take with what it needs first."""
        tree = self.subject.tree
        entering = sum(tree.access[name].minutes for name in step.access if name in tree.access)
        actions = sum(tree.steps[name].cost for name in step.after if name in tree.steps)
        return step.cost + entering + actions

    def _saved(self, early: str, late: str, least: float) -> float | None:
        """Minutes that asking the later test first saves, where it tells as much."""
        one, two = self.table.test_index[early], self.table.test_index[late]
        saved = self._minutes(one, two) - self._minutes(two, one)
        if saved < least:
            return None
        told = self.bits(early)
        if told[one] <= SOMETHING or told[two] < told[one] - SOMETHING:
            return None
        return saved

    def bits(self, test: str) -> Floats:
        """What each test would tell at the place of one, in bits: H(outcome) − H(outcome | fault).

        The faults that a walk can still come to there count by their weights.
        """
        import numpy as np

        from faulttree.odds.planning.problem import plogp

        columns = self.table.columns
        reached = self.subject.ends_beyond(test)
        pairs = zip(self.table.faults, self.table.weights, strict=True)
        weights = np.array([weight if fault in reached else 0.0 for fault, weight in pairs])
        if not weights.any():
            return np.zeros(len(self.table.tests))
        weights /= weights.sum()
        terms = weights @ plogp(columns.chance) - plogp(weights @ columns.chance)
        told: Floats = np.add.reduceat(terms, columns.first[:-1]) / np.log(2)
        return told

    def _verifies(self, step: Step) -> bool:
        """Whether a test first of all sees whether the complaint is there."""
        tree = self.subject.tree
        return any(
            target in tree.stops and tree.stops[target].reason == "no-fault-found"
            for target in step.targets.values()
        )

    def _minutes(self, test: int, other: int) -> float:
        """Minutes of a test with what it needs first and another one does not.

        States of the unit that every way to the test has entered are paid already.
        """
        table = self.table
        states = set(table.access[test]) - {*table.access[other], *self._entered(test)}
        states -= self._entered(other)
        actions = set(table.after[test]) - set(table.after[other])
        return (
            table.minutes[test]
            + sum(table.states[name].minutes for name in states)
            + sum(table.actions[name].minutes for name in actions if name in table.actions)
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
                if name not in subject.beyond(tree.start, frozenset(ids - {name}))
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
                for outcome in shown if step is not None and len(step.targets) > 1 else ():
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
