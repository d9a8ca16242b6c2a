"""What the order that stands takes: a tree's own, or a table's tests from left to right."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.search import Draft
from faulttree.odds.table import FaultTable
from faulttree.tree.model import Tree

__all__ = ["minutes_as_it_stands", "minutes_walked"]


def minutes_as_it_stands(
    table: FaultTable, graph: PlanGraph, check: Callable[[int], None] = lambda places: None
) -> float:
    """Expected minutes of the order that a table came with.

    Of a table from a tree, what a walk of that tree takes; else the tests from left to
    right, leaving out those that tell nothing where their turn comes.

    Args:
        table: the faults and tests.
        graph: its places.
        check: told how many places were looked at; what it raises ends the computation.
    """
    if table.source is not None:
        return minutes_walked(table, table.source)
    looked = count(1)

    def first(place: Place) -> int | None:
        check(next(looked))
        return min(graph.options(place).minutes, default=None)

    return Draft.of(graph, first).total


def minutes_walked(table: FaultTable, tree: Tree) -> float:
    """Expected minutes of walking a tree from its start, over the weights of its table.

    Args:
        table: drawn from the tree, with other weights where they are wanted.
        tree: the tree.
    """
    whole = sum(table.weights)
    start = {fault: w / whole for fault, w in zip(table.faults, table.weights, strict=True)}
    spent = 0.0
    stack: list[tuple[str, dict[str, float], frozenset[str], frozenset[str]]]
    stack = [(tree.start, start, frozenset(), frozenset())]
    while stack:
        name, weights, entered, passed = stack.pop()
        if name not in tree.steps or name in passed or not weights:
            continue
        step = tree.steps[name]
        minutes, entered = tree.enter(step.access, entered)
        spent += (step.cost + minutes) * sum(weights.values())
        for outcome, target in step.targets.items():
            left = _left(table, name, outcome, weights)
            stack.append((target, left, entered, passed | {name}))
    return spent


def _left(
    table: FaultTable, step: str, outcome: str, weights: dict[str, float]
) -> dict[str, float]:
    """The faults that may show an outcome, with the parts of their weights that do."""
    if step not in table.test_index:
        return weights if outcome != "undecided" else {}
    left = {f: weight * table.shows(f, step).get(outcome, 0.0) for f, weight in weights.items()}
    return {fault: weight for fault, weight in left.items() if weight > 0}
