"""Random walks of right trees: nothing that a technician or the program does passes safety.

The trees come from :mod:`tests.support.safety_trees`; what was wrong with a walk is told by
:mod:`tests.support.safety_replay`, which was written without the program's own fold.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest

from tests.support.random_walks import random_walk, violations
from tests.support.safety_trees import right_tree


@pytest.mark.parametrize("walks", [60, pytest.param(3000, marks=pytest.mark.soak)])
def test_no_random_walk_passes_a_safety_rule(walks: int) -> None:
    seen: Counter[str] = Counter()
    for seed in range(walks):
        tree = right_tree(Random(seed)).tree
        events = random_walk(tree, seed)
        assert violations(tree, events) == [], f"seed {seed}"
        for event in events:
            seen[event.kind] += 1
            step = tree.steps.get(getattr(event, "step", "")) if event.kind == "answered" else None
            seen["live"] += step is not None and step.live and step.role == "finding"
            seen["touching"] += step is not None and bool(step.on) and step.role == "finding"
    # The walks get far enough to be worth looking at.
    assert all(seen[kind] > walks // 10 for kind in ("live", "touching", "confirmed")), seen
