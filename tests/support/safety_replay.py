"""What a list of events did to a unit, and where that was not safe.

Written from the text of the design alone, without the fold of ``faulttree.walk``: two readings
of one text find each other's mistakes. Where the text leaves a choice, the unit decides: what
made it unsafe stays (power given, a cover opened, whatever is said later), and what made it
safe counts only while the answer stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from faulttree.tree import Step, Tree
from faulttree.tree.model import PowerCheck
from faulttree.walk import Event
from faulttree.walk import events as ev

__all__ = ["KINDS", "Violation", "violations"]

Kind = Literal["before-power", "open", "charged", "cells", "stop-if"]
KINDS: tuple[Kind, ...] = ("before-power", "open", "charged", "cells", "stop-if")

NOT_KNOWN = ("", "not-known", "undecided")

ROUNDS = (ev.Opened, ev.RepairTried, ev.Reopened)
"""What begins a round: the case, each repair, a reopening."""

BARRIERS = (*ROUNDS, ev.Confirmed, ev.NotConfirmed, ev.Closed)
"""What nobody goes back over: it has happened to the unit."""

FIXED = (ev.Opened, ev.Closed, ev.Reopened)
"""What cannot be withdrawn."""


@dataclass(frozen=True)
class Violation:
    """An answer that safety did not allow.

    Attributes:
        kind: ``before-power``: a live step before the checks ``names`` had passed.
            ``open``: a live step, or one of a safety check before power or return, while the
            states ``names`` were open, which it does not name.
            ``charged``: a test on the stores ``names``, not proved dead.
            ``cells``: a step that charges or loads the batteries ``names``, cells not known.
            ``stop-if``: a step at which the properties ``names`` should have stopped the walk.
        at: position of the answer in the list of events.
        step: the step answered.
    """

    kind: Kind
    at: int
    step: str
    names: tuple[str, ...]


@dataclass
class Moment:
    """What one event changed: safe things count only while it stands."""

    at: int
    event: Event
    stands: bool = True


@dataclass
class Unit:
    """The unit as the events so far left it."""

    tree: Tree
    model: str = ""
    moments: list[Moment] = field(default_factory=list)
    round_began: int = -1
    open: dict[str, int] = field(default_factory=dict)
    charged: dict[str, int] = field(default_factory=dict)

    # -- taking events ---------------------------------------------------------------------

    def take(self, at: int, event: Event) -> None:
        """Note an event and what it did."""
        if isinstance(event, ev.WentBack):
            self.go_back(event.steps)
            return
        if isinstance(event, ev.Withdrawn):
            self.withdraw(event.target)
            return
        if isinstance(event, ev.Corrected):
            self.correct(event.target, event.outcome)
            for other in event.decided:
                self.correct(other["target"], other["outcome"])
            return
        self.moments.append(Moment(at, event))
        if isinstance(event, ev.Opened):
            self.model = str(event.unit.get("model", ""))
        if isinstance(event, ROUNDS):
            self.round_began = at
        step = self.step_of(event)
        if step is not None:
            self.note_power(at, step)
            self.note_opening(at, step)

    def go_back(self, steps: int) -> None:
        """The last answers and skips no longer stand, as far as a barrier."""
        for moment in reversed(self.moments):
            if steps <= 0 or isinstance(moment.event, BARRIERS):
                return
            if moment.stands and isinstance(moment.event, (ev.Answered, ev.Skipped)):
                moment.stands = False
                steps -= 1

    def withdraw(self, target: int) -> None:
        """An event no longer stands; a repair taken back was made on the unit all the same."""
        for moment in self.moments:
            if moment.at == target and not isinstance(moment.event, FIXED):
                moment.stands = False

    def correct(self, target: int, outcome: str) -> None:
        """An answer is another, at the place where it was given."""
        for moment in self.moments:
            if moment.at == target and moment.stands and isinstance(moment.event, ev.Answered):
                moment.event = replace(moment.event, outcome=outcome)

    def note_power(self, at: int, step: Step) -> None:
        """When each store was charged last."""
        for store in charged_by(self.tree, step):
            self.charged[store] = at

    def note_opening(self, at: int, step: Step) -> None:
        """When each state was opened; states of one group exclude each other."""
        for name in step.access:
            state = self.tree.access[name]
            for other in list(self.open):
                if state.group is not None and self.tree.access[other].group == state.group:
                    del self.open[other]
            if state.exposes:
                self.open[name] = at

    def step_of(self, event: Event) -> Step | None:
        """The step that an event answered."""
        return self.tree.steps.get(event.step) if isinstance(event, ev.Answered) else None

    # -- what holds ------------------------------------------------------------------------

    def standing(self, since: int = -1) -> Iterator[tuple[int, ev.Answered, Step]]:
        """The answers after ``since`` that were not gone back on."""
        for moment in self.moments:
            step = self.step_of(moment.event)
            if moment.stands and moment.at > since and step is not None:
                assert isinstance(moment.event, ev.Answered)
                yield moment.at, moment.event, step

    def facts(self) -> dict[str, str]:
        """Property → its value, as the model tells it or as it was said last."""
        known = {one.id: one.models.get(self.model, "") for one in self.tree.properties.values()}
        for moment in self.moments:
            step = self.step_of(moment.event)
            if moment.stands and moment.event.kind == "fact-given":
                known[getattr(moment.event, "name", "")] = getattr(moment.event, "value", "")
            elif moment.stands and step is not None and step.property:
                assert isinstance(moment.event, ev.Answered)
                known[step.property] = moment.event.outcome
        return {name: value for name, value in known.items() if value not in NOT_KNOWN}

    def still_open(self) -> set[str]:
        """The exposing states that were opened and not closed since."""
        found = dict(self.open)
        for at, event, _ in self.standing():
            for name, opened in self.open.items():
                closing = self.tree.access[name].closing_step
                if event.step == closing and event.outcome == "done" and at > opened:
                    found.pop(name, None)
        return set(found)

    def dead(self) -> set[str]:
        """The stores proved dead in this round, with no charge since."""
        found: set[str] = set()
        for at, event, step in self.standing(self.round_began):
            for store in proved_by(self.tree, step, event.outcome):
                if at > self.charged.get(store, -1):
                    found.add(store)
        return found

    def cells_known(self) -> set[str]:
        """The batteries whose cells are known."""
        found: set[str] = set()
        for _, event, step in self.standing():
            if event.outcome == step.normal_outcome:
                found.update(step.cells_known)
            for use in passed_uses(self.tree, step, event.outcome):
                found.update(self.tree.uses[use].cells_known)
        return found

    def passed(self, check: PowerCheck) -> bool:
        """Whether a check before power passed in this round and nothing spoke against it since."""
        use, passed = self.tree.uses[check.use], False
        for _, event, step in self.standing(self.round_began):
            exits = dict(step.leaves.get(event.outcome, ()))
            if check.use in exits:
                passed = exits[check.use] == use.passes
            elif event.step in use.steps and event.outcome == "undecided":
                passed = False
        return passed

    def owed(self, step: Step) -> list[str]:
        """The checks before power that a live step still needs.

        An entry whose condition is not decided has not passed, whatever was answered in it.
        """
        known, owed = self.facts(), []
        for check in self.tree.before_power:
            if step.id in self.tree.uses[check.use].steps:
                break
            holds = in_force(check, known)
            if holds is None or (holds and not self.passed(check)):
                owed.append(check.id)
        return owed

    # -- what is wrong ---------------------------------------------------------------------

    def wrong_with(self, step: Step) -> Iterator[tuple[Kind, Iterable[str]]]:
        """What does not allow a step to be taken now."""
        stores, charges = self.tree.stores, charged_by(self.tree, step)
        if step.live:
            yield "before-power", self.owed(step)
        if step.live or checks_safety(self.tree, step):
            yield "open", sorted(self.still_open() - set(step.access))
        touched = [name for name in step.on if stores[name].kind != "battery"]
        yield "charged", sorted(set(touched) - self.dead())
        batteries = {name for name, store in stores.items() if store.kind == "battery"}
        strained = batteries.intersection((*step.loads, *charges))
        yield "cells", sorted(strained - self.cells_known())
        yield "stop-if", sorted(self.stopping(step))

    def stopping(self, step: Step) -> Iterator[str]:
        """The properties at which a step stops: by their value, or because it is not known."""
        known = self.facts()
        for name, stops in step.stop_if.items():
            if name not in known or known[name] in stops:
                yield name


def checks_safety(tree: Tree, step: Step) -> bool:
    """Whether a step is part of a safety check of the assembled unit."""
    made = [use for use in tree.uses.values() if step.id in use.steps]
    assembled = any(use.role in ("before-power", "closing") for use in made)
    return assembled and any(use.checks == "safety" for use in made)


def in_force(check: PowerCheck, known: Mapping[str, str]) -> bool | None:
    """Whether the unit is one that the check is made on; None where that is not known."""
    told = [(name, values) for name, values in check.when.items() if name in known]
    if any(known[name] not in values for name, values in told):
        return False
    return True if len(told) == len(check.when) else None


def charged_by(tree: Tree, step: Step) -> tuple[str, ...]:
    """The stores that a step charges: those it names, all of them where it is live."""
    if step.charges is not None:
        return step.charges
    return tuple(tree.stores) if step.live else ()


def passed_uses(tree: Tree, step: Step, outcome: str) -> Iterator[str]:
    """The uses that an outcome leaves by their first exit."""
    for use, exit_ in step.leaves.get(outcome, ()):
        if exit_ == tree.uses[use].passes:
            yield use


def proved_by(tree: Tree, step: Step, outcome: str) -> Iterator[str]:
    """The stores that an outcome proves dead, by the step or by a use that it leaves."""
    if outcome == step.normal_outcome:
        yield from step.proves_dead
    for use in passed_uses(tree, step, outcome):
        yield from tree.uses[use].proves_dead


def violations(tree: Tree, events: Sequence[Event]) -> list[Violation]:
    """All answers in a list of events that safety did not allow, first to last."""
    unit, found = Unit(tree), list[Violation]()
    for at, event in enumerate(events):
        step = unit.step_of(event)
        if step is not None:
            for kind, names in unit.wrong_with(step):
                if listed := tuple(names):
                    found.append(Violation(kind, at, step.id, listed))
        unit.take(at, event)
    return found
