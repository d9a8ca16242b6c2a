"""What a record knows of other cases, for one that is walked now."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from faulttree.cases.case import Case, moment
from faulttree.cases.historical_tree import tree_of
from faulttree.cases.tables import STEPS, TREES
from faulttree.walk.events import RepairTried
from faulttree.walk.history import counted

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.walk.state import State

__all__ = ["OtherCases", "SimilarCase"]

MOST = 3
"""Cases told at once."""

LATEST = 300
"""Closed cases of a family or module that are compared, the newest first."""

PRACTICE = dt.timedelta(days=7)
"""How long somebody knows a step by heart."""


@dataclass(frozen=True, slots=True)
class SimilarCase:
    """A closed case beside the one that is walked.

    Attributes:
        case: the closed case.
        agree: how many steps gave the same outcome in both.
        differ: how many steps of the same tree gave another outcome.
        found: what was found, in words; empty where nothing was.
        repair: what was done about it; empty where nothing was.
        lasted: whether the repair lasted so far; None where nothing was repaired.
    """

    case: Case
    agree: int
    differ: int
    found: str = ""
    repair: str = ""
    lasted: bool | None = None


@dataclass(frozen=True, slots=True)
class OtherCases:
    """Answers what a session asks about other cases, out of one record."""

    store: Store

    def fault_titles(self, cases: Iterable[Case]) -> dict[str, str]:
        """Id of a case → title of its fault, by the text of the tree that it was walked on."""
        named = [case for case in cases if case.fault]
        hashes = {case.tree_hash for case in named}
        wanted = select(TREES.c.hash, TREES.c.text).where(TREES.c.hash.in_(hashes))
        texts = self.store.read(lambda c: c.execute(wanted).all())
        faults = {name: _faults(text) for name, text in texts}
        return {
            case.id: str(faults.get(case.tree_hash, {}).get(case.fault, {}).get("title", ""))
            for case in named
        }

    def earlier(self, serial: str) -> tuple[Case, ...]:
        """Cases of the unit with this serial or tag, the newest first."""
        return self.store.list(serial=serial, limit=MOST)

    def practised(self, who: str, tree_hash: str, now: str) -> frozenset[str]:
        """Steps that a person did within a week on this very text of a tree; none without a name.

        Args:
            who: the person, as the cases name them.
            tree_hash: the text of the tree.
            now: the time, UTC, ISO 8601.
        """
        if not who:
            return frozenset()
        since = (moment(now) - PRACTICE).isoformat()
        cases = self.store.list(who=who, tree_hash=tree_hash, since=since)
        return frozenset(step for steps in self._outcomes(cases).values() for step in steps)

    def similar(self, state: State) -> tuple[SimilarCase, ...]:
        """Up to three closed cases that agree best with a walk, the best first.

        They are of the same family, or of a unit with a module that the tree names. A step counts
        as agreeing where it gave the same outcome; a tree's own step that gave another counts
        against the case. Among equals the newest is first.
        """
        here = {one.step: one.outcome for one in state.path if one.outcome != "undecided"}
        cases = self._candidates(state)
        there = self._outcomes(cases.values())
        found = []
        for case in cases.values():
            outcomes = there.get(case.number, {})
            same = sum(outcomes.get(step) == outcome for step, outcome in here.items())
            known = sum(step in outcomes for step in here)
            differ = known - same if case.tree == state.tree.id else 0
            if same > differ:
                found.append(SimilarCase(case, same, differ))
        found.sort(key=lambda one: (one.differ - one.agree, -one.case.number))
        return tuple(self._told(one) for one in found[:MOST])

    def _candidates(self, state: State) -> Mapping[str, Case]:
        tree = state.tree
        listed = list(self.store.list(state="closed", family=tree.family, limit=LATEST))
        for module in tree.modules:
            listed += self.store.list(state="closed", module=module, limit=LATEST)
        return {case.id: case for case in listed}

    def _outcomes(self, cases: Iterable[Case]) -> dict[int, dict[str, str]]:
        """Number of a case → step → what it gave first, before any repair."""
        numbers = [case.number for case in cases]
        wanted = (
            select(STEPS.c.number, STEPS.c.step, STEPS.c.outcome)
            .where(STEPS.c.number.in_(numbers), STEPS.c.standing, ~STEPS.c.skipped)
            .order_by(STEPS.c.number, STEPS.c.sequence)
        )
        found: dict[int, dict[str, str]] = {}
        for number, step, outcome in self.store.read(lambda c: c.execute(wanted).all()):
            found.setdefault(number, {}).setdefault(step, outcome)
        return found

    def _told(self, one: SimilarCase) -> SimilarCase:
        """The case with what was found, how it was repaired and whether it lasted."""
        case = one.case
        tree = tree_of(self.store, case.tree_hash)
        fault = tree.faults.get(case.fault) if tree is not None else None
        done = _repairs(self.store, case)
        lasted = not case.came_back if case.result == "fixed" else None
        title = fault.title if fault is not None else case.fault
        return SimilarCase(case, one.agree, one.differ, title, done[-1] if done else "", lasted)


def _faults(text: str) -> Mapping[str, Mapping[str, object]]:
    """The faults of a stored tree; a text that cannot be read has none."""
    try:
        found = json.loads(text)["tree"]["faults"]
    except (ValueError, KeyError, TypeError):
        return {}
    return found if isinstance(found, dict) else {}


def _repairs(store: Store, case: Case) -> Sequence[str]:
    """What was done about the fault that the case names, the last repair last."""
    events = counted(store.events(case.id))
    tried = [event for event in events if isinstance(event, RepairTried)]
    return [event.what for event in tried if event.fault == case.fault and event.what]
