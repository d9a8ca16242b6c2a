"""A fault table: which outcome each fault would show at each test, and what each test costs.

The one model that beliefs, the ranking of tests and the planner share. It comes from a
CSV file (:mod:`faulttree.odds.table_from_csv`) or from a tree
(:mod:`faulttree.odds.table_from_tree`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from faulttree.errors import FaulttreeError
from faulttree.reading.instruments import USUALLY_NORMAL
from faulttree.tree.graph import reach
from faulttree.tree.model import Access, Tree

__all__ = ["Action", "Columns", "FaultTable", "TableError", "make_table"]

Waits = dict[str, tuple[str, ...]]
"""Test or action → the tests and actions that must have been done before it."""

Entry = tuple[str, ...]
"""The outcomes a fault may show at a test; empty where the table says nothing."""


class TableError(FaulttreeError):
    """A fault table that cannot be understood."""


@dataclass(frozen=True, slots=True)
class Action:
    """Something done that tests rest on: it tells nothing by itself and costs its minutes.

    ``after`` and ``access`` are what the action itself needs first; a ``live`` action voids
    the actions done before it.
    """

    minutes: float = 1.0
    access: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    live: bool = False


@dataclass(frozen=True)
class FaultTable:
    """Faults × tests, with n faults and m tests.

    Attributes:
        faults: n ids.
        weights: n relative prior weights, each above 0.
        tests: m ids.
        minutes: m costs in minutes, each 0 or more, without what the test needs first.
        outcomes: for each test the names of its outcomes.
        entries: n rows of m entries; an entry names the outcomes the fault may show, all
            equally likely, and is empty where nothing is known.
        normal: for each test the outcome to expect where nothing is known, empty where there
            is none to expect; nothing for a table without any.
        usually_normal: P(that outcome) where nothing is known, 0 to 1, both excluded. The other
            outcomes share the rest equally. Without a normal outcome all are equally likely.
        access: for each test the states of the unit it needs.
        after: for each test the tests and actions that must have been done first.
        states: what each access state costs and which group it belongs to.
        actions: what is done rather than tested, by id.
        kinds: for each test ``ask``, ``measure`` or ``use``; decides its error rate.
        live: tests that void the actions done before them.
        spoils: test or action → the tests that cannot be read rightly after it. It waits for
            those that would still tell something.
        lasting: tests that others come after and that hold once done, whatever is live later.
        gear: for each test the instruments it needs.
        titles: the words for a fault, where it has any besides its id.
        identities: fault → (module or family, id): the same pair is the same cause in
            every tree.
        name: what the table is called, for a title.
        source: the tree it was drawn from, if any.
    """

    faults: tuple[str, ...]
    weights: tuple[float, ...]
    tests: tuple[str, ...]
    minutes: tuple[float, ...]
    outcomes: tuple[tuple[str, ...], ...]
    entries: tuple[tuple[Entry, ...], ...]
    access: tuple[tuple[str, ...], ...]
    after: tuple[tuple[str, ...], ...]
    normal: tuple[str, ...] = ()
    usually_normal: float = USUALLY_NORMAL
    states: Mapping[str, Access] = field(default_factory=dict)
    actions: Mapping[str, Action] = field(default_factory=dict)
    kinds: tuple[str, ...] = ()
    live: frozenset[str] = frozenset()
    spoils: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    lasting: frozenset[str] = frozenset()
    gear: tuple[tuple[str, ...], ...] = ()
    titles: Mapping[str, str] = field(default_factory=dict)
    identities: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    name: str = "fault table"
    source: Tree | None = field(default=None, repr=False, compare=False)

    @cached_property
    def fault_index(self) -> Mapping[str, int]:
        """Fault → row."""
        return {fault: row for row, fault in enumerate(self.faults)}

    @cached_property
    def test_index(self) -> Mapping[str, int]:
        """Test → column."""
        return {test: column for column, test in enumerate(self.tests)}

    @cached_property
    def columns(self) -> Columns:
        """The entries as arrays, one column for each outcome of each test."""
        return Columns.of(self)

    def kind(self, test: int) -> str:
        """``ask``, ``measure`` or ``use``; ``ask`` where nothing is said."""
        return self.kinds[test] if self.kinds else "ask"

    def entry(self, fault: str, test: str) -> Entry:
        """What the fault may show at the test; empty where nothing is known."""
        return self.entries[self.fault_index[fault]][self.test_index[test]]

    def shows(self, fault: str, test: str) -> dict[str, float]:
        """Outcome → P(outcome | fault) at a test, without errors; only those above 0."""
        column = self.test_index[test]
        first, last = self.columns.first[column : column + 2]
        shares = self.columns.chance[self.fault_index[fault], first:last].tolist()
        return {o: p for o, p in zip(self.outcomes[column], shares, strict=True) if p > 0}

    def title(self, fault: str) -> str:
        """The fault in words."""
        return self.titles.get(fault, fault)


@dataclass(frozen=True)
class Columns:
    """A table's entries as arrays over c columns, one for each outcome of each test.

    Attributes:
        allowed: (n, c) bool; whether the fault may show the outcome. All true where the
            entry says nothing.
        count: (n, m) int; how many outcomes the fault may show at the test.
        usual: (c,) P(outcome | nothing known): the one definition of an unknown entry.
        chance: (n, c) P(outcome | fault) without errors.
        first: for each test its first column; one more at the end, equal to c.
        place: (test id, outcome) → column.
        logs: (column, error rate) → log P(outcome | fault), as far as it was asked for.
    """

    allowed: NDArray[np.bool_]
    count: NDArray[np.int64]
    usual: NDArray[np.float64]
    chance: NDArray[np.float64]
    first: NDArray[np.int64]
    place: Mapping[tuple[str, str], int]
    logs: dict[tuple[int, float], NDArray[np.float64]] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, table: FaultTable) -> Columns:
        """The arrays of a table."""
        sizes = [len(outcomes) for outcomes in table.outcomes]
        first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
        place = {
            (test, outcome): int(first[column]) + position
            for column, test in enumerate(table.tests)
            for position, outcome in enumerate(table.outcomes[column])
        }
        allowed = np.zeros((len(table.faults), int(first[-1])), dtype=bool)
        for row, entries in enumerate(table.entries):
            said = [
                place[table.tests[column], outcome]
                for column, entry in enumerate(entries)
                for outcome in entry
            ]
            allowed[row, said] = True
        said_at = np.array([[bool(entry) for entry in row] for row in table.entries], dtype=bool)
        said_at = said_at.reshape(len(table.faults), len(table.tests))
        stated = np.repeat(said_at, sizes, axis=1)
        allowed |= ~stated
        count = np.where(
            said_at,
            np.array([[len(entry) for entry in row] for row in table.entries], dtype=np.int64)
            .reshape(said_at.shape),
            np.array(sizes, dtype=np.int64),
        )  # fmt: skip
        usual = _usual(table)
        per_column = np.repeat(np.maximum(count, 1), sizes, axis=1)
        chance = np.where(stated, allowed / per_column, usual)
        return cls(allowed, count, usual, chance, first, place)


def _usual(table: FaultTable) -> NDArray[np.float64]:
    """(c,) P(outcome | nothing known): usually normal, where the test has a normal outcome."""
    normal = table.normal or ("",) * len(table.tests)
    shares: list[float] = []
    for outcomes, expected in zip(table.outcomes, normal, strict=True):
        rest = (1 - table.usually_normal) / max(len(outcomes) - 1, 1)
        for outcome in outcomes:
            known = expected in outcomes and len(outcomes) > 1
            usual = table.usually_normal if outcome == expected else rest
            shares.append(usual if known else 1 / len(outcomes))
    return np.array(shares, dtype=float)


def make_table(
    faults: Mapping[str, float],
    tests: Mapping[str, Sequence[str]],
    entries: Mapping[tuple[str, str], Iterable[str]],
    *,
    minutes: Mapping[str, float] | None = None,
    access: Mapping[str, Sequence[str]] | None = None,
    after: Mapping[str, Sequence[str]] | None = None,
    **more: Any,
) -> FaultTable:
    """A checked table from plain mappings.

    Args:
        faults: fault → weight.
        tests: test → its outcomes.
        entries: (fault, test) → the outcomes the fault may show; leave out, or give none
            or all of them, where nothing is known.
        minutes: test → minutes; 1 where left out.
        access, after: test → states it needs; test → tests and actions that come first.
        more: further fields of :class:`FaultTable`, as they are.

    Raises:
        TableError: a weight or cost that is no such number, an unknown name, or tests
            that wait for one another.
    """
    minutes, access, after = minutes or {}, access or {}, after or {}
    outcomes = {test: tuple(dict.fromkeys(names)) for test, names in tests.items()}
    table = FaultTable(
        faults=tuple(faults),
        weights=tuple(float(weight) for weight in faults.values()),
        tests=tuple(tests),
        minutes=tuple(float(minutes.get(test, 1.0)) for test in tests),
        outcomes=tuple(outcomes.values()),
        entries=_rows(faults, outcomes, entries),
        access=tuple(tuple(access.get(test, ())) for test in tests),
        after=tuple(tuple(after.get(test, ())) for test in tests),
        **more,
    )
    _check(table)
    return table


def _rows(
    faults: Iterable[str],
    outcomes: Mapping[str, tuple[str, ...]],
    entries: Mapping[tuple[str, str], Iterable[str]],
) -> tuple[tuple[Entry, ...], ...]:
    return tuple(
        tuple(_entry(entries.get((fault, test), ()), names, fault, test)
              for test, names in outcomes.items())
        for fault in faults
    )  # fmt: skip


def _entry(given: Iterable[str], outcomes: tuple[str, ...], fault: str, test: str) -> Entry:
    said = set(given)
    if unknown := said.difference(outcomes):
        raise TableError(
            f"{fault!r} shows {min(unknown)!r} at {test!r}, which has no such outcome",
            remedy=f"Use one of: {', '.join(outcomes)}.",
        )
    return () if len(said) == len(outcomes) else tuple(o for o in outcomes if o in said)


def _check(table: FaultTable) -> None:
    for fault, weight in zip(table.faults, table.weights, strict=True):
        if not (weight > 0 and math.isfinite(weight)):
            raise TableError(
                f"the weight of {fault!r} is {weight:g}", remedy="Give a number above 0."
            )
    if not 0 < table.usually_normal < 1:
        raise TableError(
            f"{table.usually_normal:g} is no probability of the normal outcome",
            remedy="Give more than 0 and less than 1.",
        )
    costs = [*zip(table.tests, table.minutes, strict=True)]
    costs += [(name, action.minutes) for name, action in table.actions.items()]
    costs += [(name, state.minutes) for name, state in table.states.items()]
    for name, cost in costs:
        if not (cost >= 0 and math.isfinite(cost)):
            raise TableError(f"{name!r} takes {cost:g} minutes", remedy="Give 0 or more minutes.")
    for states in (*table.access, *(action.access for action in table.actions.values())):
        for state in states:
            if state not in table.states:
                raise TableError(
                    f"no access state is called {state!r}", remedy="Say what it costs to enter it."
                )
    check_order(table)


def put_before(first: str, then: str, waits: Waits) -> bool:
    """Let a test wait for another one, unless that one waits for it; whether it does now.

    Example:
        >>> waits = {"power": (), "look": ()}
        >>> put_before("look", "power", waits), put_before("power", "look", waits)
        (True, False)
        >>> waits["power"]
        ('look',)
    """
    if first not in waits or then not in waits:
        return False
    if first not in waits[then]:
        if then in reach(waits, [first]):
            return False
        waits[then] = (first, *waits[then])
    return True


def possible_spoils(
    spoils: Mapping[str, tuple[str, ...]], waits: Waits
) -> dict[str, tuple[str, ...]]:
    """Those of the tests that a test or action would spoil that can come before it."""
    both, found = dict(waits), dict[str, tuple[str, ...]]()
    for name, tests in spoils.items():
        if first := tuple(one for one in tests if put_before(one, name, both)):
            found[name] = first
    return found


def check_order(table: FaultTable) -> None:
    """See to it that every ``after`` names something and that nothing waits for itself."""
    waits = dict(zip(table.tests, table.after, strict=True))
    waits.update({name: action.after for name, action in table.actions.items()})
    finished: set[str] = set()
    for name in waits:
        _descend(name, waits, finished, [])


def _descend(
    name: str, waits: Mapping[str, tuple[str, ...]], finished: set[str], trail: list[str]
) -> None:
    if name in finished:
        return
    if name in trail:
        ring = " after ".join([*trail[trail.index(name) :], name])
        raise TableError(f"these wait for one another: {ring}", remedy="Take one of them out.")
    for earlier in waits[name]:
        if earlier not in waits:
            raise TableError(
                f"{name!r} comes after {earlier!r}, which the table does not have",
                remedy="Name a test of this table.",
            )
        _descend(earlier, waits, finished, [*trail, name])
    finished.add(name)
