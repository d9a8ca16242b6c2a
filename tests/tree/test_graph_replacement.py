"""The graph of a tree against the code that it replaces; removed with that code.

One difference is meant: what lies beyond an outcome of a tree with a cycle. The old code left
out edges that lead back, and the result depended on the order of the search.
"""

from __future__ import annotations

from pathlib import Path

from hypothesis import given

from faulttree.authoring.order_constraints import _Ways as AuthoringWays
from faulttree.authoring.placement import leading_to
from faulttree.authoring.replay import way_through
from faulttree.odds.table_from_tree import _outcomes, _way_through
from faulttree.odds.table_from_tree import _Ways as OddsWays
from faulttree.rules.context import RuleContext
from faulttree.tree import Library, Tree
from faulttree.tree.graph import TreeGraph, graph_of
from faulttree.tree.safety import always_before, checks_before
from faulttree.walk.prerequisites import deeds_before, guards_before
from tests.tree.test_graph import trees

LIBRARY = Library(Path(__file__).parent.parent.parent)
SHIPPED = [tree for name in LIBRARY.trees() if (tree := LIBRARY.examine(name).tree)]


def nodes(tree: Tree) -> list[str]:
    return [*tree.steps, *tree.faults, *tree.stops]


def compare_walk(tree: Tree) -> None:
    graph = graph_of(tree)
    every, checks = always_before(tree, lambda step: True), checks_before(tree)
    for node in nodes(tree):
        assert every.get(node, ()) == graph.before(node), (
            node,
            {n: dict(s.targets) for n, s in tree.steps.items()},
        )
        assert checks.get(node, ()) == graph.checks_before(node)
        assert guards_before(tree, node) == graph.guards_before(node)
        assert deeds_before(tree, node) == graph.preparations_before(node)


def compare_authoring(tree: Tree) -> None:
    graph, ways = graph_of(tree), AuthoringWays(tree)
    assert ways.met == {
        name for name in graph.reached if name in ways.met or name in tree.diagnostic
    }
    for node in tree.diagnostic:
        for first in tree.diagnostic:
            assert (first != node and ways.always(first, node)) == graph.passes(first, node)
        assert ways.reach([node]) == {n for n in graph.beyond(node) if n in tree.steps}
    for fault in tree.faults:
        assert leading_to(tree, fault) & {*tree.diagnostic} == {
            n for n in graph.leading_to(fault) if n in tree.diagnostic
        }


def compare_odds(tree: Tree) -> None:
    graph, ways = graph_of(tree), OddsWays(tree)
    for name in tree.diagnostic:
        step = tree.steps[name]
        for outcome in step.targets:
            assert ways.reached(step, outcome) == graph.faults_beyond(name, outcome), (
                name,
                outcome,
            )
        few = [n for n in graph.before(name) if len(_outcomes(tree.steps[n])) < 2]
        assert sorted(ways.deeds_before(name)) == sorted(few)


def compare_rules(tree: Tree) -> None:
    graph, subject = graph_of(tree), RuleContext(tree)
    assert dict(subject.distance) == dict(graph.reached)
    assert (subject.order is None) == (graph.order is None)
    assert subject.has_ring == (graph.sorted(tree.steps) is None)
    for name in tree.steps:
        assert subject.beyond(name) == set(graph.beyond(name))
        if subject.order is not None and name in graph.reached:
            assert set(subject.ends_beyond(name)) == {*graph.ends(name)} & {*tree.faults}


@given(trees())
def test_walk(tree: Tree) -> None:
    compare_walk(tree)


@given(trees())
def test_authoring(tree: Tree) -> None:
    compare_authoring(tree)


@given(trees(cycles=False))
def test_odds(tree: Tree) -> None:
    compare_odds(tree)


@given(trees())
def test_rules(tree: Tree) -> None:
    compare_rules(tree)


def test_shipped() -> None:
    assert len(SHIPPED) > 10
    for tree in SHIPPED:
        compare_walk(tree)
        compare_authoring(tree)
        compare_odds(tree)
        compare_rules(tree)
        graph = TreeGraph(tree)
        for use in tree.uses.values():
            assert list(graph.path_through(use, minutes=True)) == _way_through(use, tree.steps)
            for leaving in use.exits:
                assert graph.path_through(use, leaving) == way_through(tree, use.id, leaving)
