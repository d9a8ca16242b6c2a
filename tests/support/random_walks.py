"""Walks at random: whatever a technician may do at a step, in any order.

A walk is a list of events; each move is made from the state that the fold gives of the events
so far. How a step is put and answered is one function, ``put``, so that the same walks can be
driven through another interface. :func:`faulttree.walk.fold` itself is never asked whether a
walk was safe: that is for :func:`tests.support.safety_replay.violations`.

Example:
    >>> events = random_walk(tree, seed=7)
    >>> violations(tree, events)
    []
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random

from faulttree.tree import Step, Tree
from faulttree.walk import Event, State, fold
from faulttree.walk import events as ev
from faulttree.walk.advisor import choose
from faulttree.walk.answer import TypedAnswer, answer
from faulttree.walk.fitness import check_again
from faulttree.walk.history import history
from faulttree.walk.repair import conclude, conclude_by_sight
from tests.support.safety_replay import KINDS, Violation, violations

__all__ = ["CHOICES", "KINDS", "Put", "Violation", "random_walk", "violations"]

CHOICES: Mapping[str, int] = {
    "answer": 60,
    "undecided": 4,
    "skip": 6,
    "go": 10,
    "back": 6,
    "repair": 3,
    "reopen": 2,
    "fact": 2,
    "note": 1,
    "correct": 6,
    "withdraw": 4,
}
"""Move → how often it is tried, beside the others. A move that cannot be made is an answer."""

LONGEST = 80
"""Events after which a walk is left, unless another length is asked for."""


@dataclass
class Walk:
    """A walk at work."""

    tree: Tree
    random: Random
    advised: float = 1.0
    events: list[Event] = field(default_factory=list)
    folded: tuple[int, State] | None = field(default=None, repr=False)

    @property
    def state(self) -> State:
        """Folded once for each number of events: they are only added to."""
        if self.folded is None or self.folded[0] != len(self.events):
            self.folded = len(self.events), fold(self.tree, self.events)
        return self.folded[1]


Put = Callable[[Walk, Step, str], list[Event]]
"""Puts a step and answers it by the outcome named; the events that this makes."""


def put(walk: Walk, step: Step, outcome: str) -> list[Event]:
    """Read the cautions of a step, then answer it."""
    state = walk.state
    read = [
        ev.CautionRead(caution=name, step=step.id)
        for name in state.cautions_at(step)
        if name not in state.cautions_read
    ]
    return [*read, answer(state, step, TypedAnswer(outcome=outcome))]


def random_walk(
    tree: Tree,
    seed: int,
    choices: Mapping[str, int] = CHOICES,
    *,
    longest: int = LONGEST,
    put: Put = put,
    advised: float = 1.0,
) -> list[Event]:
    """The events of one walk, the same for the same seed.

    Args:
        tree: what is walked.
        seed: of the random choices.
        choices: how often each move is tried, by the names in :data:`CHOICES`.
        longest: number of events after which the walk is left.
        put: how a step is put and answered.
        advised: how often the program is asked where to go on when no step is next, from 0 to 1;
            else any step is gone to. Its advice takes long to compute in large trees.
    """
    walk = Walk(tree, Random(seed), advised)
    walk.events.append(opened(walk))
    while len(walk.events) < longest:
        made = moved(walk, choices, put)
        if not made:
            break
        walk.events += made
    return walk.events


def opened(walk: Walk) -> Event:
    """The case begins, with a model that the tree knows something of, or with none."""
    models = {model for one in walk.tree.properties.values() for model in one.models}
    model = walk.random.choice(["", *sorted(models)])
    unit = {"family": walk.tree.family, "model": model}
    return ev.Opened(tree=walk.tree.id, tree_hash=walk.tree.hash, unit=unit)


def moved(walk: Walk, choices: Mapping[str, int], put: Put) -> list[Event]:
    """One move; none where the walk is over."""
    state = walk.state
    move = walk.random.choices(list(choices), list(choices.values()))[0]
    if state.phase == "closed":
        return [ev.Reopened(reason="back again")] if move != "answer" else []
    made = MOVES[move](walk, state) if move in MOVES else []
    return made or answered(walk, state, put, undecided=move == "undecided")


def answered(walk: Walk, state: State, put: Put, *, undecided: bool) -> list[Event]:
    """The step that the walk asks for is answered; else the walk goes on as it is told to."""
    if state.needs_fact is not None:
        value = walk.random.choice([*state.needs_fact.values, "not-known"])
        return [ev.FactGiven(name=state.needs_fact.id, value=value, source="asked")]
    if state.ask is not None:
        outcomes = outcomes_of(state.ask)
        outcome = "undecided" if undecided else walk.random.choice(outcomes)
        return put(walk, state.ask, outcome)
    if state.phase == "found":
        assert state.end is not None
        return [ev.RepairTried(fault=state.end.id, what="replaced")]
    if state.confirming is not None:
        return proved(walk, state)
    if walk.advised < 1 and walk.random.random() >= walk.advised:
        return gone(walk, state)
    onward = choose(state) or check_again(state)
    return [onward] if onward is not None else closed(walk, state)


def outcomes_of(step: Step) -> list[str]:
    """The outcomes of a step, the normal one twice, so that walks get far."""
    normal = [step.normal_outcome] if step.normal_outcome else []
    return [*step.targets, *normal]


def proved(walk: Walk, state: State) -> list[Event]:
    """What the proof of a repair says, or what is seen where nothing can be measured."""
    assert state.confirming is not None
    conclusion = conclude(state)
    if conclusion is not None:
        return [conclusion]
    fault = state.tree.faults.get(state.confirming.fault)
    if fault is not None and fault.confirm is not None:
        # The proof was skipped, or the way to it is barred: the repair did not hold.
        return [ev.NotConfirmed(fault=fault.id, step=fault.confirm.step, outcome="undecided")]
    return [conclude_by_sight(state, "it runs", held=walk.random.random() < 0.5)]


def closed(walk: Walk, state: State) -> list[Event]:
    """The case is closed, sometimes."""
    if walk.random.random() < 0.5:
        return []
    result = "fixed" if state.cured is not None and state.unfit is None else "unsolved"
    return [ev.Closed(result=result, fault=state.cured.fault if state.cured else "")]


# -- moves that need no step to be asked ----------------------------------------------------------


def skipped(walk: Walk, state: State) -> list[Event]:
    return [ev.Skipped(step=state.ask.id, reason="no gear")] if state.ask else []


def gone(walk: Walk, state: State) -> list[Event]:
    """To any step at all: one that the tree guards is as tempting as another."""
    if state.phase == "found":
        return []
    return [ev.Jumped(step=walk.random.choice(list(state.tree.steps)), reason="asked")]


def gone_back(walk: Walk, state: State) -> list[Event]:
    return [ev.WentBack(steps=walk.random.randint(1, 4))] if state.visits else []


def repaired(walk: Walk, state: State) -> list[Event]:
    """Any part is replaced, found or not."""
    faults = list(state.tree.faults)
    return [ev.RepairTried(fault=walk.random.choice(faults), what="tried")] if faults else []


def reopened(walk: Walk, state: State) -> list[Event]:
    """The case is closed and comes back."""
    if state.phase not in ("ended", "found"):
        return []
    return [ev.Closed(result="unsolved"), ev.Reopened(reason="back again")]


def told(walk: Walk, state: State) -> list[Event]:
    """Somebody says what the unit is, whether it was asked or not."""
    if not state.tree.properties:
        return []
    one = walk.random.choice(list(state.tree.properties.values()))
    value = walk.random.choice([*one.values, "not-known"])
    return [ev.FactGiven(name=one.id, value=value, source="set")]


def corrected(walk: Walk, state: State) -> list[Event]:
    """An earlier answer is another now, in whatever round it was given."""
    given = {
        entry.sequence: step
        for entry in history(walk.events).standing
        if isinstance(entry.event, ev.Answered)
        if (step := state.tree.steps.get(entry.event.step)) is not None
    }
    if not given:
        return []
    target = walk.random.choice(list(given))
    outcome = walk.random.choice([*outcomes_of(given[target]), "undecided"])
    return [ev.Corrected(target=target, outcome=outcome)]


def withdrawn(walk: Walk, state: State) -> list[Event]:
    """Any event is taken back, also one that cannot be."""
    return [ev.Withdrawn(target=walk.random.randrange(len(walk.events)))]


def noted(walk: Walk, state: State) -> list[Event]:
    return [ev.Noted(text="smells of rosin")]


MOVES: Mapping[str, Callable[[Walk, State], list[Event]]] = {
    "skip": skipped,
    "go": gone,
    "back": gone_back,
    "repair": repaired,
    "reopen": reopened,
    "fact": told,
    "note": noted,
    "correct": corrected,
    "withdraw": withdrawn,
}
