"""Replay a case: apply its recorded answers to another text of its tree."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from faulttree.tree import Tree
from faulttree.walk.advisor import choose
from faulttree.walk.events import Answered, Event, FactGiven, Jumped, NotConfirmed, Skipped
from faulttree.walk.fold import Folder, fold
from faulttree.walk.history import counted
from faulttree.walk.state import State

MOST_TIMES = 5
"""Most answers to one step in a replay: an action that power voided is done again."""


@dataclass(frozen=True)
class RecordedAnswers:
    """The recorded answers of a case: outcomes, skipped steps, failed repairs, facts.

    Attributes:
        outcomes: step → its last outcome in the search for the fault.
        skipped: steps that could not be done.
        failed: fault → the event that showed that its repair did not cure.
        facts: property of the unit → its value.
    """

    outcomes: Mapping[str, str] = field(default_factory=dict)
    skipped: frozenset[str] = frozenset()
    failed: Mapping[str, NotConfirmed] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)

    def called(self, name: Callable[[str], str]) -> RecordedAnswers:
        """The same with steps and faults renamed by ``name``."""
        failed = {
            name(fault): replace(event, fault=name(fault), step=name(event.step))
            for fault, event in self.failed.items()
        }
        return RecordedAnswers(
            {name(step): outcome for step, outcome in self.outcomes.items()},
            frozenset(map(name, self.skipped)),
            failed,
            self.facts,
        )

    def with_outcome(self, step: str, outcome: str) -> RecordedAnswers:
        """The same with the outcome of one more step."""
        return replace(self, outcomes={**self.outcomes, step: outcome})


def answers_of(state: State, events: Iterable[Event]) -> RecordedAnswers:
    """Collect the answers and skips of a walk during its search for the fault."""
    outcomes = {visit.step: visit.outcome for visit in state.path}
    skipped = {event.step for event in counted(events) if isinstance(event, Skipped)}
    return RecordedAnswers(
        outcomes,
        frozenset(skipped - outcomes.keys()),
        {
            repair.fault: NotConfirmed(
                fault=repair.fault, step=repair.step, outcome=repair.outcome, seen=repair.seen
            )
            for repair in state.repairs
            if repair.held is False
        },
        state.facts,
    )


def walk_again(tree: Tree, answers: RecordedAnswers) -> State:
    """Walk a tree with these answers, to an end or to the first step without an answer."""
    folder = Folder(tree)
    state = folder.state()
    asked: Counter[str] = Counter()
    failed = dict(answers.failed)
    while True:
        event = _next(state, answers, failed)
        step = getattr(event, "step", "")
        asked[step] += 1
        if event is None or asked[step] > MOST_TIMES:
            return state
        folder = folder.after(event)
        state = folder.state()


def _next(state: State, answers: RecordedAnswers, failed: dict[str, NotConfirmed]) -> Event | None:
    if state.end is not None and state.end.kind == "fault":
        return failed.pop(state.end.id, None)
    if state.phase != "finding" and not state.may_go_on:
        return None
    if state.needs_fact is not None:
        name = state.needs_fact.id
        return FactGiven(name=name, value=answers.facts[name]) if name in answers.facts else None
    if state.ask is None:
        return _elsewhere(state, answers) if state.may_go_on else None
    step = state.ask.id
    if step in answers.outcomes:
        return Answered(step=step, outcome=answers.outcomes[step])
    return Skipped(step=step) if step in answers.skipped else None


def minutes_of(state: State) -> float:
    """Minutes of the search by the tree's figures, without proof and closing checks."""
    if state.visits == state.path:
        return state.minutes
    return fold(state.tree, [visit.event for visit in state.path]).minutes


def _elsewhere(state: State, answers: RecordedAnswers) -> Jumped | None:
    """The next step after a skip: the program's choice, else the technician's."""
    jump = choose(state)
    if jump is not None and jump.step in answers.outcomes:
        return jump
    been = {visit.step for visit in state.path}
    left = (step for step in answers.outcomes if step in state.tree.steps and step not in been)
    onward = next(left, None)
    return None if onward is None else Jumped(step=onward)
