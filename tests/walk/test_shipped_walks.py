"""Random walks of the shipped trees: none passes safety.

The shipped trees are larger than the generated ones, and no generator chose their order. What
was wrong with a walk is told by :mod:`tests.support.safety_replay`, which was written without the
program's own fold.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from random import Random

import pytest

from faulttree.tree import Step, Tree, shipped_library
from faulttree.walk import Event
from faulttree.walk.script import Script, play
from tests.support.random_walks import Walk, put, random_walk, violations
from tests.support.safety_trees import right_tree

LIBRARY = shipped_library()
LONGEST = 80
"""Events of a walk: the checks before power of a unit on the mains alone are nine answers."""

SOAK_WALKS = {"shipped": 50, "right": 1500}
"""Walks of the soak test: of each shipped tree, and of random right trees."""


@cache
def load(tree_id: str) -> Tree:
    return LIBRARY.load(tree_id)


def mostly_passed(walk: Walk, step: Step, outcome: str) -> list[Event]:
    """Checks before power, discharges and closing checks mostly pass, so that walks get on."""
    discharging = step.proves_dead or any(
        step.id in use.steps for use in walk.tree.uses.values() if use.proves_dead
    )
    checks = discharging or step.role in ("before-power", "closing")
    if checks and step.normal_outcome and walk.random.random() < 0.9:
        outcome = step.normal_outcome
    return put(walk, step, outcome)


def walked(tree: Tree, seed: int) -> list[Event]:
    """A walk that safety did not forbid."""
    events = random_walk(tree, seed, longest=LONGEST, put=mostly_passed, advised=0.05)
    assert violations(tree, events) == [], f"{tree.id}, seed {seed}"
    return events


def counted(tree: Tree, events: list[Event]) -> Counter[str]:
    """How often a walk did what safety is about."""
    seen: Counter[str] = Counter(walks=1)
    for event in events:
        step = tree.steps.get(getattr(event, "step", "")) if event.kind == "answered" else None
        if step is not None:
            seen[step.role] += 1
            seen["live"] += step.live and step.role == "finding"
            seen["touching"] += bool(step.on)
    return seen


@pytest.mark.parametrize("tree_id", LIBRARY.trees())
def test_a_random_walk_of_a_shipped_tree_passes_no_safety_rule(tree_id: str) -> None:
    tree = load(tree_id)
    assert counted(tree, walked(tree, 1))["walks"] == 1


@pytest.mark.parametrize("tree_id", LIBRARY.trees())
def test_each_shipped_tree_says_in_its_keys_what_comes_before_power(tree_id: str) -> None:
    tree = load(tree_id)
    live = [step for step in tree.steps.values() if step.live and step.role == "finding"]
    mains = LIBRARY.families[tree.family]["mains"]
    assert not (mains and live) or tree.before_power
    assert all(symptom.seen_at for symptom in tree.symptoms)


@pytest.mark.soak
def test_many_random_walks_pass_no_safety_rule() -> None:
    seen: Counter[str] = Counter()
    for tree_id in LIBRARY.trees():
        tree = load(tree_id)
        for seed in range(SOAK_WALKS["shipped"]):
            seen += counted(tree, walked(tree, seed))
    for seed in range(SOAK_WALKS["right"]):
        tree = right_tree(Random(seed)).tree
        seen += counted(tree, walked(tree, seed))
    assert seen["walks"] >= 3000
    # The walks get far enough to be worth looking at.
    assert min(seen[kind] for kind in ("live", "touching", "before-power", "close")) > 500, seen


def test_an_answers_file_comes_to_an_end_where_a_known_property_leads_to_a_blocked_step() -> None:
    """The way behind the known answer is blocked by the skip: it is tried once."""
    answers = (
        {"outside.outside": "clean"},
        {"fact": {"built-in-cell": "lithium"}},
        {"battery": {"skip": "no tool"}},
        {"before-power.ready-for-power.look": "ready"},
    )
    events: list[Event] = []
    script = Script(answers=answers)
    state, _ = play(load("usb-lamp/does-not-light"), script, emit=events.append, clock=lambda: "")
    assert len(events) < LONGEST
    assert state.skipped == {"battery": 1}
