"""Plans of trees that use the safety keys: nothing comes before its safety checks."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from faulttree.odds import plan, table_from_tree
from faulttree.odds.guarded_table import guarded
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Draft, Search
from faulttree.tree import Tree, examine
from tests.support.counts import examples
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


def passed(tree: Tree, name: str) -> frozenset[str]:
    """A step and the uses that it leaves."""
    leaves = tree.steps[name].leaves.values() if name in tree.steps else ()
    return frozenset([name, *(use for left in leaves for use, _ in left)])


@settings(max_examples=examples(25))
@given(SEEDS)
def test_no_live_step_comes_before_the_checks_before_power(seed: int) -> None:
    tree = right_tree(Random(seed)).tree
    graph, draft = draft_of(tree)
    checks = frozenset(check.use for check in tree.before_power)
    seen, waiting = set[tuple[Place, frozenset[str]]](), [(graph.root, frozenset[str]())]
    while waiting:
        place, done = waiting.pop()
        if (place, done) in seen or place not in draft.tests:
            continue
        seen.add((place, done))
        test = draft.tests[place]
        for name in (*graph.items(place, test), graph.problem.table.tests[test]):
            step = tree.steps.get(name)
            if step is not None and step.live and step.role == "finding":
                assert checks <= done, name
            done |= passed(tree, name) & checks
        waiting += [(end, done) for _, _, end in graph.ends(place, test)]


@settings(max_examples=examples(15))
@given(SEEDS)
def test_walks_of_a_planned_tree_never_pass_a_safety_rule(seed: int) -> None:
    tree = planned(right_tree(Random(seed)).tree)
    assert tree.before_power
    # A walk of a long plan takes long: the fold asks what comes first at every step.
    assume(len(tree.steps) < 100)
    assert violations(tree, random_walk(tree, seed=seed)) == []


@pytest.mark.parametrize("seed", range(5))
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
    assert check.use in table_from_tree(tree).actions
    assert check.use in table_from_tree(tree, {name: values[0]}).actions
    assert check.use not in table_from_tree(tree, {name: other}).actions
