"""What the program records by itself: known answers, facts that answers tell, complete checks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.reading import parse_quantity
from faulttree.texts import pick
from faulttree.walk.events import BY_ANSWER, INTAKE, Answered, Checked, Event, FactGiven, Jumped
from faulttree.walk.history import is_still
from faulttree.walk.meter import is_meter_fact, meter_fact
from faulttree.walk.repair import gives
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State

__all__ = [
    "BY_THE_PROGRAM",
    "answered_by_facts",
    "by_itself",
    "fact_given",
    "fact_named",
    "follow_ups",
    "known_answer",
]

BY_THE_PROGRAM = ("guard-passed", "most-to-learn", "skipped-before")
"""Causes of jumps that nobody asked for: going back passes over them."""


def by_itself(events: Sequence[Event]) -> tuple[frozenset[str], frozenset[str]]:
    """The steps that the program went to, and answered, since somebody last moved the walk.

    None of them twice: where the way is blocked behind one, it would be tried for ever.
    """
    gone, known = set(), set()
    for event in reversed(events):
        if isinstance(event, Jumped) and event.cause in BY_THE_PROGRAM:
            gone.add(event.step)
        elif isinstance(event, Answered) and event.fact:
            known.add(event.step)
        elif not is_still(event):
            break
    return frozenset(gone), frozenset(known)


def known_answer(state: State, *, at: str = "") -> Answered | None:
    """The answer of a step that asks for a property which is known already; None for others."""
    if state.ask is None or state.known_answer is None:
        return None
    name = state.ask.property or ""
    return Answered(at=at, step=state.ask.id, outcome=state.known_answer, fact=name)


def answered_by_facts(state: State) -> int:
    """How many of the last answers a known property gave: going back passes over them."""
    count = 0
    for visit in reversed(state.visits):
        if not visit.event.fact:
            break
        count += 1
    return count


def fact_given(state: State, name: str, value: str, *, at: str = "") -> FactGiven:
    """What somebody says that the unit is.

    Args:
        state: where the walk stands.
        name: a property or rating of the tree, or model, tag, complaint, owner-words.
        value: one of the property's values or its first letters; the rating with its unit;
            ``not-known``.
        at: the time, UTC, ISO 8601.

    Raises:
        WalkError: there is nothing of that name, or the property has no such value.
        ReadingError: the rating cannot be understood in its unit.

    Example:
        >>> fact_given(state, "supply", "linear")  # doctest: +SKIP
        FactGiven(at='', name='supply', value='linear', source='asked', decided={})
    """
    tree, fact, value = state.tree, fact_named(state.tree, name), " ".join(value.split())
    if not fact:
        listed = ", ".join((*tree.properties, *tree.ratings, *WORDS))
        raise WalkError(f"nothing of the unit is called '{name}'", remedy=f"There are: {listed}.")
    if fact in tree.properties:
        value = _value_of(name, value, tree.properties[fact].values)
    elif fact in tree.ratings and value.casefold() == NOT_KNOWN:
        value = NOT_KNOWN
    elif fact in tree.ratings:
        parse_quantity(value, tree.ratings[fact].unit or None)
    elif is_meter_fact(fact):
        value = meter_fact(fact, value)
    elif not value:
        raise WalkError(f"no {name} is given", remedy=f"Type it behind the name: set {name} …")
    asked = state.needs_fact is not None and state.needs_fact.id == name
    return FactGiven(at=at, name=fact, value=value, source="asked" if asked else "set")


WORDS = {
    "model": "unit.model",
    "tag": "unit.serial",
    "serial": "unit.serial",
    "complaint": "unit.complaint",
    "owner-words": "unit.owner-words",
}
"""What was told when a unit was taken in, as people name it → the name of its fact."""


def fact_named(tree: Tree, name: str) -> str:
    """The fact that a name means: a property, a rating, or what the unit was taken in with.

    Empty where it means none. A property or rating of the tree comes first.
    """
    word = name.strip().casefold()
    if word in tree.properties or word in tree.ratings or is_meter_fact(word):
        return word
    return WORDS.get(word, word if word in INTAKE else "")


def _value_of(name: str, value: str, values: tuple[str, ...]) -> str:
    """The value of a property that was typed; the first letters will do.

    Raises:
        WalkError: the property has no such value.
    """
    known = (*values, NOT_KNOWN)
    wanted = pick(value, known, numbered=False)
    if wanted is None:
        remedy = f"Give one of: {', '.join(known)}."
        raise WalkError(f"'{value[:60]}' is no value of '{name}'", remedy=remedy)
    return wanted


def follow_ups(before: State, after: State, *, at: str = "") -> Iterator[Event]:
    """What follows from the answer that led from one state to the next.

    A fact, where a step asked for a property; each check before power, closing check and
    condition of a proof that the answer completed.
    """
    last = after.visits[-1].event if len(after.visits) > len(before.visits) else None
    step = after.tree.steps.get(last.step) if last is not None else None
    if last is None or step is None or last.outcome == "undecided":
        return
    if step.property and not last.fact:
        yield FactGiven(at=at, name=step.property, value=last.outcome, source=BY_ANSWER)
    tree = after.tree
    stages = {check.use: "before-power" for check in tree.before_power}
    stages |= dict.fromkeys(tree.closing, "closing")
    for name, exit_ in step.leaves.get(last.outcome, ()):
        if name in stages:
            use = tree.uses[name]
            passed, safety = exit_ == use.passes, use.checks == "safety"
            yield Checked(
                at=at, stage=stages[name], use=name, exit=exit_, passed=passed, safety=safety
            )
    yield from _proved(before, step, last.outcome, at)


def _proved(before: State, step: Step, outcome: str, at: str) -> Iterator[Checked]:
    """The safety conditions of the proof that an answer decided."""
    repair = before.confirming
    fault = before.tree.faults.get(repair.fault) if repair is not None else None
    given = {step.id: outcome, **dict(step.leaves.get(outcome, ()))}
    for one in fault.confirms if fault is not None else ():
        if one.safety and one.step in given:
            exit_ = given[one.step]
            passed = gives(exit_, one.gives)
            yield Checked(
                at=at, stage="proof", use=one.step, exit=exit_, passed=passed, safety=True
            )
