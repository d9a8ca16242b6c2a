"""Random sessions on all shipped trees: nothing is lost, and a correction is as good as new."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from faulttree.session import Prompt
from faulttree.tree import Tree, shipped_library
from faulttree.walk import events as ev
from faulttree.walk.advisor import possible
from faulttree.walk.fold import fold
from tests.session.random_sessions import MOVES, Session, random_session

MANY = 67
"""Sessions for each tree in a soak: 2,077 on 31 trees; one in every run."""

SEARCHING = {"answer": 80, "skip": 5, "go": 5, "correct": 10}
"""Moves of a search in which earlier answers are corrected."""


@cache
def trees() -> tuple[Tree, ...]:
    library = shipped_library()
    found = [library.examine(name).tree for name in library.trees()]
    return tuple(tree for tree in found if tree is not None)


def checked(session: Session) -> None:
    """The state that was led on event by event is the fold of the record."""
    state = fold(session.tree, session.position.events)
    assert session.position.state == state, session.typed
    as_data = [ev.from_dict(event.to_dict()) for event in session.position.events]
    assert fold(session.tree, as_data) == state


def is_of_safety(prompt: Prompt, tree: Tree) -> bool:
    step = prompt.step
    uses = [use for use in tree.uses.values() if step is not None and step.id in use.steps]
    made = [step, *uses] if step is not None else []
    return any(one.role != "finding" or one.discharges or one.proves_dead for one in made)


def run(at: int, seed: int, length: int = 60) -> None:
    tree = trees()[at]
    session = random_session(tree, seed, 0)
    for _ in range(length):
        prompt = session.prompt
        if prompt.kind == "done":
            break
        assert not (prompt.brief and is_of_safety(prompt, tree)), prompt.id
        session.move()
    checked(session)


def typed_right(events: Sequence[ev.Event]) -> list[ev.Event]:
    """The events as they would be had each corrected answer been right at once."""
    right = list(events)
    for event in events:
        if not isinstance(event, ev.Corrected):
            continue
        for one in (vars_of(event), *event.decided):
            answered = right[one["target"]]
            assert isinstance(answered, ev.Answered)
            values = {name: one[name] for name in ("outcome", "reading", "verdict")}
            right[one["target"]] = replace(answered, **values)
    # A remark in its place keeps the sequences that other events name.
    return [ev.Noted(text="") if isinstance(one, ev.Corrected) else one for one in right]


def vars_of(event: ev.Corrected) -> dict[str, Any]:
    return {name: getattr(event, name) for name in ("target", "outcome", "reading", "verdict")}


def corrected_equals_right(at: int, seed: int) -> bool:
    tree = trees()[at]
    session = random_session(tree, seed, 40, SEARCHING)
    checked(session)
    events = session.position.events
    corrected = [event for event in events if isinstance(event, ev.Corrected)]
    answers = [events[event.target] for event in corrected]
    if not corrected or any(tree.steps[one.step].property for one in answers):  # type: ignore[attr-defined]
        return False  # What a property is, the answer told as a fact of its own.
    state, right = session.position.state, fold(tree, typed_right(events))
    assert [(one.step, one.outcome) for one in state.path] == [
        (one.step, one.outcome) for one in right.path
    ]
    assert state.facts == right.facts
    assert state.excluded == right.excluded
    assert possible(state) == possible(right)
    return True


def test_a_random_session_is_the_fold_of_its_record() -> None:
    for at in range(len(trees())):
        run(at, at, 40)


@pytest.mark.parametrize("seed", [1001, 1031])
def test_the_program_never_goes_round_in_a_circle_by_itself(seed: int) -> None:
    """A known property led back to the same blocked step, or to itself, without an end."""
    run([tree.id for tree in trees()].index("usb-lamp/flickers"), seed)


def test_a_correction_leaves_what_a_right_answer_would_have_left() -> None:
    made = sum(corrected_equals_right(at, 100) for at in range(0, len(trees()), 2))
    assert made >= 5


@pytest.mark.soak
@pytest.mark.parametrize("at", range(len(trees())))
def test_2000_random_sessions(at: int) -> None:
    for seed in range(MANY):
        run(at, 1000 + seed)
        corrected_equals_right(at, 5000 + seed)


def test_the_moves_are_words_of_the_session() -> None:
    session = random_session(trees()[0], 1, 0)
    words = set(session.prompt.actions) | {"answer"}
    assert set(MOVES) <= words
