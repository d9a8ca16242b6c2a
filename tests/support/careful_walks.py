"""A careful technician: walks a tree without the program's walk, and does all that safety asks.

The walk follows the tree's own outcomes, chosen at random, to a fault or a stop; then it
repairs the fault, proves the repair and makes the closing checks. Before a live step it asks
what it does not know of the unit, makes the checks before power and closes what is open. What
a step names in ``after`` is made before it. It discharges nothing that the tree does not say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random
from typing import ClassVar

from faulttree.tree import Step, Tree, Use
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk import Event
from faulttree.walk import events as ev
from tests.support.safety_replay import checks_safety
from tests.support.safety_trees import outcomes_towards

__all__ = ["Fact", "careful_walk"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact(ev.Event):
    """What was said of the unit when it was asked: stands for the record's own event."""

    kind: ClassVar[str] = "fact-given"
    name: str
    value: str


@dataclass
class Careful:
    """A walk at work."""

    tree: Tree
    random: Random
    aim: str = ""
    events: list[Event] = field(default_factory=list)
    facts: dict[str, str] = field(default_factory=dict)
    open: set[str] = field(default_factory=set)
    passed: set[str] = field(default_factory=set)
    done: set[str] = field(default_factory=set)

    # -- one step --------------------------------------------------------------------------

    def take(self, name: str, outcome: str = "") -> str:
        """Make a step, all before it that it needs, and answer it; where its outcome leads."""
        step = self.tree.steps[name]
        for before in step.after:
            self.ensure(before)
        for known in step.stop_if:
            if self.fact(known) in step.stop_if[known]:
                return step.stop_if[known][self.facts[known]]
        if step.live:
            self.power_up(step)
        if step.live or checks_safety(self.tree, step):
            self.close(step)
        outcome = outcome or self.chosen(step)
        self.events.append(ev.Answered(step=name, outcome=outcome))
        self.note(step, outcome)
        return step.targets[outcome]

    def chosen(self, step: Step) -> str:
        """An outcome that can lead to the aim; of a property that is known, the known one."""
        if step.property and step.property in self.facts:
            return self.facts[step.property]
        outcomes = outcomes_towards(self.tree, self.aim).get(step.id, ()) if self.aim else ()
        outcome = self.random.choice(list(outcomes or step.targets))
        if step.property:
            self.facts[step.property] = outcome
        return outcome

    def note(self, step: Step, outcome: str) -> None:
        if step.live:
            self.done.clear()
        self.done |= {step.id, *(use for use, _ in step.leaves.get(outcome, ()))}
        self.open.update(name for name in step.access if self.tree.access[name].exposes)

    def ensure(self, name: str) -> None:
        """Make a step or a use that must come before, by the outcome that lets work go on."""
        if name in self.done:
            return
        if name in self.tree.uses:
            self.pass_through(self.tree.uses[name])
            return
        self.take(name, self.tree.steps[name].normal_outcome or "")

    def fact(self, name: str) -> str:
        """What the unit is; asked where it is not known."""
        if name not in self.facts:
            values = self.tree.properties[name].values
            self.facts[name] = values[0] if self.aim else self.random.choice(values)
            self.events.append(Fact(name=name, value=self.facts[name]))
        return self.facts[name]

    # -- power -----------------------------------------------------------------------------

    def power_up(self, step: Step) -> None:
        """Make the checks before power that this round owes."""
        for check in self.tree.before_power:
            use = self.tree.uses[check.use]
            if step.id in use.steps:
                break
            wanted = all(self.fact(name) in values for name, values in check.when.items())
            if wanted and check.id not in self.passed:
                self.pass_through(use)
                self.passed.add(check.id)

    def close(self, step: Step) -> None:
        """Close what is open and what the step does not name."""
        for name in sorted(self.open - set(step.access)):
            self.events.append(
                ev.Answered(step=self.tree.access[name].closing_step, outcome="done")
            )
            self.open.discard(name)

    def pass_through(self, use: Use) -> None:
        """Make a procedure so that it is left by its first exit."""
        for name, outcome in ways_through(self.tree, use, self.facts):
            self.take(name, outcome)

    # -- a whole case ----------------------------------------------------------------------

    def find(self) -> str:
        """From the start to a fault or a stop."""
        node = self.tree.start
        while node in self.tree.steps:
            here, node = node, self.take(node)
            if here == self.aim:
                break
        return node

    def begin_round(self) -> None:
        self.passed.clear()
        self.done.clear()

    def repair(self, fault: str) -> None:
        """Repair a fault and prove it; then the closing checks."""
        self.events.append(ev.RepairTried(fault=fault, what="replaced"))
        self.begin_round()
        for confirm in self.tree.faults[fault].confirms:
            self.done.discard(confirm.step)
            if confirm.step in self.tree.uses:
                self.pass_through(self.tree.uses[confirm.step])
            else:
                self.take(confirm.step, confirm.gives)
        self.events.append(ev.Confirmed(fault=fault))
        for use in self.tree.closing:
            when = self.tree.closing_when.get(use, {})
            if all(self.fact(name) in values for name, values in when.items()):
                self.pass_through(self.tree.uses[use])


def ways_through(tree: Tree, use: Use, facts: dict[str, str]) -> Iterator[tuple[str, str]]:
    """The steps of a procedure with the outcomes that lead to its first exit."""
    node = use.start
    while node:
        step = tree.steps[node]
        outcomes = [step.normal_outcome or "", *step.targets]
        if step.property in facts and facts[step.property] in step.targets:
            outcomes.insert(0, facts[step.property])
        outcome = next(one for one in outcomes if leads_on(tree, use, step, one))
        yield node, outcome
        left = dict(step.leaves.get(outcome, ()))
        node = "" if use.id in left else step.targets[outcome]


def leads_on(tree: Tree, use: Use, step: Step, outcome: str) -> bool:
    """Whether an outcome leaves the procedure by its first exit or leads to a step of it."""
    left = dict(step.leaves.get(outcome, ()))
    return left[use.id] == use.passes if use.id in left else step.targets[outcome] in use.steps


def careful_walk(tree: Tree, random: Random, aim: str = "") -> list[Event]:
    """The events of one case, from its opening to the closing checks.

    Args:
        tree: what is walked. It has no circles.
        random: chooses the outcomes.
        aim: a step that the walk heads for, and ends at once it is answered.
    """
    walk = Careful(tree, random, aim)
    models = sorted({model for one in tree.properties.values() for model in one.models})
    model = "" if aim else random.choice(["", *models])
    walk.facts = {
        one.id: one.models[model] for one in tree.properties.values() if model in one.models
    }
    walk.events.append(ev.Opened(tree=tree.id, tree_hash=tree.hash, unit={"model": model}))
    end = walk.find()
    refused = end in tree.stops and tree.stops[end].reason in HARD_STOPS
    if not aim and not refused:
        walk.repair(end if end in tree.faults else random.choice(list(tree.faults)))
    return walk.events
