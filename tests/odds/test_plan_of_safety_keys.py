"""Plans of trees that use the safety keys: nothing comes before its safety checks."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.odds import plan, table_from_tree
from faulttree.odds.guarded_table import guarded
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Draft, Search
from faulttree.tree import Tree, examine
from tests.support.random_walks import random_walk, violations
from tests.support.safety_trees import right_tree

SEEDS = st.integers(0, 10**6)


def planned(tree: Tree) -> Tree:
    document = plan(table_from_tree(tree), work=0).tree
    found = examine({**tree.bundle, "tree": document})
    assert found.tree is not None
    return found.tree


def draft_of(tree: Tree) -> tuple[PlanGraph, Draft]:
    table = guarded(table_from_tree(tree))
    graph = PlanGraph(PlanningProblem(table))
    return graph, Search(graph).draft()


def orders(graph: PlanGraph, draft: Draft) -> Iterator[list[str]]:
    """What each path of a plan does, first to last: access states, actions and tests."""
    waiting: list[tuple[Place, list[str]]] = [(graph.root, [])]
    while waiting:
        place, before = waiting.pop()
        if place not in draft.tests:
            yield before
            continue
        test = draft.tests[place]
        then = [*before, *graph.items(place, test), graph.problem.table.tests[test]]
        waiting += [(end, then) for _, _, end in graph.ends(place, test)]


@given(SEEDS)
def test_no_live_step_comes_before_the_checks_before_power(seed: int) -> None:
    tree = right_tree(Random(seed)).tree
    for order in orders(*draft_of(tree)):
        done: set[str] = set()
        for name in order:
            if name in tree.steps and tree.steps[name].live and tree.steps[name].role == "finding":
                assert {check.use for check in tree.before_power} <= done, name
            done.add(name)
            leaves = tree.steps[name].leaves.values() if name in tree.steps else ()
            done.update(use for left in leaves for use, _ in left)


@given(SEEDS)
def test_walks_of_a_planned_tree_never_pass_a_safety_rule(seed: int) -> None:
    tree = planned(right_tree(Random(seed)).tree)
    assert tree.before_power
    assert violations(tree, random_walk(tree, seed=seed)) == []


@pytest.mark.parametrize("seed", range(12))
def test_a_planned_tree_finds_every_fault_that_the_tree_finds(seed: int) -> None:
    tree = right_tree(Random(seed)).tree
    found = planned(tree)
    assert set(found.loose) <= set(tree.loose)


def test_a_check_that_does_not_apply_to_the_unit_is_left_out() -> None:
    for seed in range(200):
        tree = right_tree(Random(seed)).tree
        check = next((one for one in tree.before_power if one.when), None)
        if check is not None:
            break
    assert check is not None
    name, values = next(iter(check.when.items()))
    other = next(one for one in tree.properties[name].values if one not in values)
    assert check.use in table_from_tree(tree).deeds
    assert check.use in table_from_tree(tree, {name: values[0]}).deeds
    assert check.use not in table_from_tree(tree, {name: other}).deeds
