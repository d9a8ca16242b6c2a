"""Random walks of the shipped trees, with the safety keys added by rule: none passes safety.

The shipped trees are larger than the generated ones, and no generator chose their order. What
was wrong with a walk is told by :mod:`tests.support.safety_replay`, which was written without the
program's own fold.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from random import Random

import pytest

from faulttree.tree import Step, Tree, assemble, shipped_library
from faulttree.walk import Event
from tests.support.random_walks import Walk, put, random_walk, violations
from tests.support.safety_trees import right_tree
from tests.support.shipped_with_keys import with_keys

LIBRARY = shipped_library()
LONGEST = 80
"""Events of a walk: the checks before power of a unit on the mains alone are nine answers."""

SOAK_WALKS = {"shipped": 50, "right": 1500}
"""Walks of the soak test: of each shipped tree, and of random right trees."""


@cache
def tree_with_keys(tree_id: str) -> Tree:
    tree, problems = assemble(with_keys(LIBRARY.load(tree_id).bundle))
    assert problems == (), problems
    assert tree is not None
    return tree


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
    tree = tree_with_keys(tree_id)
    assert counted(tree, walked(tree, 1))["walks"] == 1


def test_the_keys_are_added_by_what_the_texts_say() -> None:
    tree = tree_with_keys("bench-supply/no-output")
    assert [check.id for check in tree.before_power] == ["look-over", "before-power"]
    assert set(tree.stores) == {"mains", "reservoir", "output", "auxiliary"}
    assert tree.access["cover-off"].exposes == ("voltage",)
    assert tree.uses["power-off"].proves_dead == ("reservoir", "mains")
    assert "auxiliary" in tree.steps["output-path"].on
    pack = tree_with_keys("tool-battery/runs-short")
    assert pack.stores["pack"].kind == "battery"
    assert any(step.loads for step in pack.steps.values())


@pytest.mark.soak
def test_many_random_walks_pass_no_safety_rule() -> None:
    seen: Counter[str] = Counter()
    for tree_id in LIBRARY.trees():
        tree = tree_with_keys(tree_id)
        for seed in range(SOAK_WALKS["shipped"]):
            seen += counted(tree, walked(tree, seed))
    for seed in range(SOAK_WALKS["right"]):
        tree = right_tree(Random(seed)).tree
        seen += counted(tree, walked(tree, seed))
    assert seen["walks"] >= 3000
    # The walks get far enough to be worth looking at.
    assert min(seen[kind] for kind in ("live", "touching", "before-power", "close")) > 500, seen
