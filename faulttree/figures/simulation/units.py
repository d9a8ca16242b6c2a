"""Simulate a unit with a known fault: its outcomes and readings."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.reading import show
from faulttree.walk.advisor import table_of
from faulttree.walk.answer import TypedAnswer, limits_of

if TYPE_CHECKING:
    from faulttree.odds import FaultTable
    from faulttree.reading import Limits
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State


OFF_CENTRE = 6
"""One measured step in so many reads off its nominal value on this shop's good units."""


@dataclass(frozen=True)
class Ground:
    """A tree with cached data for the simulator."""

    tree: Tree
    seed: int

    @cached_property
    def table(self) -> FaultTable:
        """Which outcomes each fault shows."""
        return table_of(self.tree)

    @cached_property
    def ways(self) -> Mapping[tuple[str, str], Mapping[str, str]]:
        """(use, exit) → the outcome of each step inside that leads there."""
        return {
            (use.id, exit_): self._way(use.id, exit_)
            for use in self.tree.uses.values()
            for exit_ in use.exits
        }

    def _way(self, use: str, exit_: str) -> dict[str, str]:
        found: dict[str, str] = {}
        inside = [self.tree.steps[name] for name in self.tree.uses[use].steps]
        for _ in inside:
            before = len(found)
            for step in inside:
                for outcome, target in step.targets.items():
                    leaves = (use, exit_) in step.leaves.get(outcome, ())
                    if step.id not in found and (leaves or target in found):
                        found[step.id] = outcome
            if len(found) == before:
                break
        return found

    def centre(self, step: str) -> tuple[float, float]:
        """Mean and spread of this shop's good units, in parts of half the limits."""
        drawn = random.Random(f"{self.seed}/{self.tree.id}/{step}")  # noqa: S311
        if drawn.randrange(OFF_CENTRE):
            return 0.0, 0.22
        return drawn.choice((-0.62, 0.62)), 0.2

    def pace(self, step: str) -> float:
        """The ratio of real to stated minutes of a step: some stated figures are too low."""
        drawn = random.Random(f"{self.seed}/{self.tree.id}/{step}/pace")  # noqa: S311
        return drawn.choice((0.8, 1.0, 1.0, 1.1, 1.2, 2.2))


@dataclass
class SimulatedUnit:
    """One unit on the bench: its fault, and what each step would show.

    Attributes:
        fault: its fault; empty for a cause that is not in the tree.
        repaired: that fault has been repaired.
    """

    ground: Ground
    fault: str
    random: random.Random
    repaired: bool = False
    shown: dict[str, str] = field(default_factory=dict)

    def outcome(self, step: Step, state: State) -> str:
        """The outcome of the step on this unit, without operator errors."""
        wanted = self._proving(step, state)
        if wanted is not None:
            return wanted
        if step.id not in self.shown:
            self.shown[step.id] = self.random.choice(self._may_show(step))
        return self.shown[step.id]

    def _proving(self, step: Step, state: State) -> str | None:
        """The outcome during confirmation and closing checks: good if the unit is good."""
        tree = self.ground.tree
        repair = state.confirming
        known = tree.faults.get(repair.fault) if repair else None
        goal: tuple[str, str] | None = None
        if known is not None and known.confirm is not None:
            goal = known.confirm.step, known.confirm.gives
        if step.id.startswith("closing."):
            use = next(name for name in tree.closing if step.id.startswith(f"{name}."))
            goal = use, next(iter(tree.uses[use].exits))
        if goal is None:
            return None
        if step.id == goal[0]:
            return self._said(step, goal[1]) if self.repaired else self._not(step, goal[1])
        if goal in self.ground.ways and step.id in self.ground.ways[goal] and self.repaired:
            return self.ground.ways[goal][step.id]
        return None

    def _said(self, step: Step, gives: str) -> str:
        if gives in step.targets:
            return gives
        return next((word for word in ("high", "low") if word in step.targets), gives)

    def _not(self, step: Step, gives: str) -> str:
        """The outcome of an unrepaired unit: as before, or any outcome but the confirming one."""
        other = [name for name in self._may_show(step) if name != gives]
        return self.random.choice(other or [n for n in step.targets if n != gives] or [gives])

    def _may_show(self, step: Step) -> Sequence[str]:
        outcomes = [name for name in step.targets if name != "undecided"]
        table = self.ground.table
        if step.id not in table.test_index or self.repaired:
            return self._harmless(outcomes, step)
        entry = table.entry(self.fault, step.id) if self.fault in table.fault_index else ()
        return entry or self._harmless(outcomes, step)

    def _harmless(self, outcomes: Sequence[str], step: Step) -> Sequence[str]:
        """The outcome of a good unit: inside the limits, else one that ends no walk early."""
        if "inside" in outcomes:
            return ["inside"]
        on = [name for name in outcomes if step.targets[name] not in self.ground.tree.stops]
        return (on or outcomes)[:1]


def typed(unit: SimulatedUnit, state: State, step: Step, outcome: str) -> TypedAnswer:
    """The typed input for an outcome: a reading if the step measures."""
    if step.kind != "measure" or outcome == "undecided":
        return TypedAnswer(outcome=outcome)
    text = _reading(unit, state, step, outcome)
    if text is None:
        return TypedAnswer(outcome=outcome)
    return TypedAnswer(typed=(text,), sure=True, in_circuit=False if step.in_circuit else None)


def _reading(unit: SimulatedUnit, state: State, step: Step, outcome: str) -> str | None:
    try:
        limits = limits_of(state, step)
    except FaulttreeError:
        return None
    if limits is None:
        # A value without limits: any figure will do.
        return f"{unit.random.uniform(1, 10):.3g} {step.unit or ''}".strip()
    if limits.missing or limits.problem:
        return None
    value = _value(unit, step.id, limits, outcome)
    if value is None:
        return None
    return show(value, limits.unit, limits.kind, digits=4)


def _value(unit: SimulatedUnit, step: str, limits: Limits, outcome: str) -> float | None:
    drawn = unit.random
    lower, upper = limits.last_lower, limits.last_upper
    for band in limits.bands:
        if band.name == outcome:
            lower, upper, outcome = band.lower, band.upper, "inside"
    low = None if lower is None else float(lower)
    high = None if upper is None else float(upper)
    if limits.negative and outcome in ("low", "high"):
        outcome = "high" if outcome == "low" else "low"
    if outcome == "inside":
        return _inside(unit, step, low, high)
    if outcome == "low" and low is not None:
        return low - abs(low or 1.0) * drawn.uniform(0.04, 0.7)
    if outcome == "high" and high is not None:
        return high + abs(high or 1.0) * drawn.uniform(0.05, 1.6)
    return None


def _inside(unit: SimulatedUnit, step: str, low: float | None, high: float | None) -> float:
    drawn = unit.random
    if low is not None and high is not None:
        middle, half = (low + high) / 2, (high - low) / 2
        centre, width = unit.ground.centre(step)
        part = min(max(drawn.gauss(centre, width), -0.99), 0.99)
        return middle + part * half
    if high is not None:
        return high * drawn.uniform(0.15, 0.85) if high > 0 else high - drawn.uniform(0, 1)
    return (low or 0.0) + abs(low or 1.0) * drawn.uniform(0.1, 2.0)
