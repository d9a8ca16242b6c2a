"""Whatever tree and whatever happens: a walk never fails, never loops, never loses an answer."""

from __future__ import annotations

import subprocess
import sys
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.tree import Tree, shipped_library
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk import Event, State, fold, from_dict
from faulttree.walk import events as ev
from faulttree.walk.advisor import both, choose, table_of
from faulttree.walk.answer import TypedAnswer, answer
from faulttree.walk.document import document
from tests.support.any_walks import (
    EVENTS,
    MANY,
    moved,
    trees,
)


@MANY
@given(tree=trees(), events=EVENTS)
def test_any_events_on_any_tree_fold_to_a_state(tree: Tree, events: list[Event]) -> None:
    state = fold(tree, events)
    assert fold(tree, [from_dict(event.to_dict()) for event in events]) == state
    answered = [event for event in events if isinstance(event, ev.Answered)]
    kept = [*(visit.event for visit in state.visits), *state.withdrawn]
    assert sorted(map(id, kept)) == sorted(map(id, answered)), "every answer counts or is withdrawn"
    assert state.ask is None or state.end is None or state.phase == "closing"
    assert state.minutes >= 0
    choose(state)
    document(state, "case")
    both(state)


@MANY
@given(tree=trees(), draw=st.data())
def test_a_walk_by_the_rules_keeps_them(tree: Tree, draw: st.DataObject) -> None:
    events: list[Event] = []
    for _ in range(60):
        state = fold(tree, events)
        if state.ask is not None:
            held = state.holding
            assert all(name in held for name in state.ask.after), "nothing is asked before its time"
            assert state.phase in ("finding", "confirming", "closing")
        if state.end is not None and state.end.reason == "unsafe":
            assert choose(state) is None
        new = moved(state, draw)
        if not new:
            assert state.phase in ("ended", "finding") or state.closing_open
            return
        events += new


@MANY
@given(tree=trees(), draw=st.data())
def test_a_walk_left_to_itself_never_goes_round(tree: Tree, draw: st.DataObject) -> None:
    """Answers only, no jumps by hand: each step is asked at most a few times in a round."""
    events: list[Event] = []
    asked: dict[tuple[int, str], int] = {}
    while True:
        state = fold(tree, events)
        if state.phase not in ("finding", "ended"):
            return
        step = state.ask
        if step is None:
            jump = choose(state)
            if jump is None:
                return
            events.append(jump)
            assert len(events) < 400, f"'{jump.step}' is gone to again and again"
            continue
        key = (state.round, step.id)
        asked[key] = asked.get(key, 0) + 1
        # A deed may be done again for each live step after it; a question is not repeated.
        most = 4 if step.kind != "do" and not step.after else 4 + len(tree.steps) * 2
        assert asked[key] <= most, f"'{step.id}' is asked for the {asked[key]}th time"
        if draw.draw(st.integers(0, 4)) == 0:
            events.append(ev.Skipped(step=step.id))
        else:
            names = {"ask": list(step.targets), "do": ["done"], "measure": ["4 V", "12 V"]}
            typed = draw.draw(st.sampled_from(names[step.kind]))
            events.append(answer(state, step, TypedAnswer(typed=(typed,))))


def test_the_fold_needs_no_reckoning() -> None:
    code = (
        "import sys, faulttree.walk\n"
        "heavy = {'numpy', 'scipy', 'sqlalchemy', 'prompt_toolkit', 'networkx'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def truthful(state: State, fault: str, random: Random) -> str:
    """What a unit with this fault would show at the step being asked."""
    step = state.ask
    assert step is not None
    if step.kind == "do":
        return "done"
    table = table_of(state.tree)
    shown = table.entry(fault, step.id) if step.id in table.test_index else ()
    return random.choice(list(shown or step.targets))


def searched(tree: Tree, fault: str, skipped_at: int, random: Random) -> tuple[State, list[str]]:
    """Search for a fault, with one step skipped the first time; the state and what was asked."""
    events: list[Event] = [ev.Opened(tree=tree.id, tree_hash=tree.hash)]
    asked: list[str] = []
    for _ in range(20 * len(tree.steps)):
        state = fold(tree, events)
        if (fact := state.needs_fact) is not None:
            events.append(ev.FactGiven(name=fact.id, value=fact.values[0], source="asked"))
            continue
        if state.ask is None:
            jump = choose(state)
            if jump is None:
                return state, asked
            events.append(jump)
            continue
        asked.append(state.ask.id)
        if len(asked) == skipped_at:
            events.append(ev.Skipped(step=state.ask.id, reason="no gear"))
        else:
            outcome = truthful(state, fault, random)
            if outcome not in state.ask.targets:
                outcome = next(iter(state.ask.targets))
            events.append(ev.Answered(step=state.ask.id, outcome=outcome))
    raise AssertionError(f"{tree.id}: the walk for '{fault}' goes on without end: {asked[-9:]}")


@pytest.mark.parametrize("searches", [15, pytest.param(100, marks=pytest.mark.soak)])
def test_a_search_of_a_shipped_tree_ends_and_comes_back_to_what_was_skipped(searches: int) -> None:
    library, random = shipped_library(), Random(7)
    names = library.trees()
    for _ in range(searches):
        tree = library.load(random.choice(names))
        fault = random.choice(list(tree.faults))
        at = random.randint(1, 5)
        state, asked = searched(tree, fault, at, random)
        hard = state.end is not None and state.end.reason in HARD_STOPS
        if state.phase != "found" and not hard and len(asked) >= at:
            skipped = asked[at - 1]
            assert asked.count(skipped) > 1, f"{tree.id}: '{skipped}' is not come back to"
