"""Random walks of right trees: nothing that a technician or the program does passes safety.

The trees come from :mod:`tests.support.safety_trees`; what was wrong with a walk is told by
:mod:`tests.support.safety_replay`, which was written without the program's own fold.
"""

from __future__ import annotations

import os
from collections import Counter
from random import Random

from tests.support.random_walks import random_walk, violations
from tests.support.safety_trees import right_tree

WALKS = int(os.environ.get("FAULTTREE_SAFETY_WALKS", "300"))
"""How many walks are made; 3000 as a soak test."""


def test_no_random_walk_passes_a_safety_rule() -> None:
    seen: Counter[str] = Counter()
    for seed in range(WALKS):
        tree = right_tree(Random(seed)).tree
        events = random_walk(tree, seed)
        assert violations(tree, events) == [], f"seed {seed}"
        for event in events:
            seen[event.kind] += 1
            step = tree.steps.get(getattr(event, "step", "")) if event.kind == "answered" else None
            seen["live"] += step is not None and step.live and step.role == "finding"
            seen["touching"] += step is not None and bool(step.on) and step.role == "finding"
    # The walks get far enough to be worth looking at.
    assert all(seen[kind] > WALKS // 10 for kind in ("live", "touching", "confirmed")), seen
