"""Shipped trees that were corrected by hand to the keys of safety: no rule finds anything in them.

The rules must be silent on trees that a careful technician would write, not only on generated
ones. That power comes after a look, the insulation test and a first start behind a lamp, and that
a part is touched after it was discharged and proved dead, is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import tests.support
from faulttree.rules import check_paths
from faulttree.tree import shipped_library
from faulttree.tree.library import Library
from tests.support.random_walks import random_walk, violations

LIBRARY = Library(
    Path(tests.support.__file__).parent / "corrected_trees", beneath=shipped_library()
)
TREES = LIBRARY.own_trees


def test_six_trees_are_corrected() -> None:
    assert len(TREES()) == 6


@pytest.mark.parametrize("tree_id", TREES())
def test_no_rule_finds_anything_in_a_corrected_tree(tree_id: str) -> None:
    assert check_paths([tree_id], LIBRARY).findings == ()


@pytest.mark.parametrize("tree_id", TREES())
def test_a_random_walk_of_a_corrected_tree_passes_no_safety_rule(tree_id: str) -> None:
    tree = LIBRARY.load(tree_id)
    for seed in range(3):
        assert violations(tree, random_walk(tree, seed, advised=0.05)) == [], f"seed {seed}"
