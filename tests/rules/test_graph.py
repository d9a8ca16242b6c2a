"""Rings and unreached steps against an independent reckoning on random graphs.

Reference: scipy.sparse.csgraph (strongly connected components, breadth-first order).
"""

from __future__ import annotations

import random
from typing import Literal

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from faulttree.rules.checks.graph import dead_end, ring_of_steps, rings, step_never_reached
from faulttree.rules.context import RuleContext
from faulttree.tree import Step, Stop, Tree, Where


def random_tree(chance: random.Random) -> Tree:
    """A tree whose steps lead anywhere, from sparse to dense, to steps or the one stop."""
    size = chance.randrange(1, 14)
    names = [f"s{number}" for number in range(size)]
    ends = ["end"] * chance.choice((0, 1, 1, size, 4 * size))
    forward = chance.random() < 0.4
    steps = {}
    for number, name in enumerate(names):
        onward = names[number + 1 :] if forward else names
        wanted = [*onward, *ends] or ["end"]
        count = chance.choice((1, 1, 2, 2, 3))
        targets = {f"o{n}": chance.choice(wanted) for n in range(count)}
        steps[name] = Step(name, "ask", "?", targets, where=Where("tree", ("steps", name)))
    stops = {"end": Stop("end", "End", "out-of-scope")}
    return Tree("x/y", "x", "x", "s0", steps, {}, stops)


def agrees(seed: int) -> None:
    tree = random_tree(random.Random(seed))
    subject = RuleContext(tree)
    nodes = [*tree.steps, "end"]
    place = {name: number for number, name in enumerate(nodes)}
    matrix = np.zeros((len(nodes), len(nodes)), dtype=int)
    for source, _, target in tree.edges():
        matrix[place[source], place[target]] = 1
    graph = csr_array(matrix)

    count, labels = connected_components(graph, directed=True, connection="strong")
    sizes = np.bincount(labels, minlength=count)
    loops = {int(labels[n]) for n in range(len(nodes)) if matrix[n, n]}
    knots = {
        frozenset(nodes[n] for n in np.flatnonzero(labels == label))
        for label in range(count)
        if sizes[label] > 1 or label in loops
    }
    assert subject.graph.has_cycle == bool(knots)
    assert len(list(ring_of_steps(subject))) == len(knots)
    for ring in rings(subject):
        way = [step for step, _ in ring]
        assert len(set(way)) == len(way)
        assert {frozenset(k) for k in knots if set(way) <= k}
        for (step, outcome), follower in zip(ring, [*way[1:], way[0]], strict=True):
            assert tree.steps[step].targets[outcome] == follower

    reached = {nodes[n] for n in breadth_first_order(graph, 0, return_predecessors=False)}
    unreached = {str(found.where.keys[-1]) for found in step_never_reached(subject)}
    assert unreached == set(tree.steps) - reached
    assert set(subject.graph.reached) == reached
    assert (subject.graph.order is None) == any(knot & reached for knot in knots)
    if subject.graph.order is not None:
        seen = {name: number for number, name in enumerate(subject.graph.order)}
        for source, _, target in tree.edges():
            if source in reached:
                assert seen[source] < seen[target]

    back = breadth_first_order(csr_array(matrix.T), place["end"], return_predecessors=False)
    safe = {nodes[n] for n in back}
    lost = {str(found.where.keys[-1]) for found in dead_end(subject)}
    in_ring = {name for knot in knots for name in knot}
    assert lost == set(tree.steps) - safe - in_ring
    assert bool(lost) <= bool(knots)


def test_rings_and_reach_agree_on_random_graphs() -> None:
    for seed in range(300):
        agrees(seed)


@pytest.mark.soak
def test_rings_and_reach_agree_on_ten_thousand_random_graphs() -> None:
    for seed in range(10_000):
        agrees(seed)


def test_a_cycle_in_the_closing_is_found() -> None:
    def step(name: str, target: str, role: Literal["finding", "closing"]) -> Step:
        where = Where("tree", ("steps", name))
        return Step(name, "ask", "?", {"seen": target}, where=where, role=role)

    steps = [
        step("s0", "end", "finding"),
        step("closing.x.a", "closing.x.b", "closing"),
        step("closing.x.b", "closing.x.a", "closing"),
    ]
    stops = {"end": Stop("end", "End", "out-of-scope")}
    tree = Tree("x/y", "x", "x", "s0", {one.id: one for one in steps}, {}, stops)
    assert list(rings(RuleContext(tree))) == [[("closing.x.a", "seen"), ("closing.x.b", "seen")]]
