"""What every path of a tree passes, against all paths written out and against networkx.

References: enumeration of all simple paths (a node dominates another if it is on each of them;
a path with a cycle passes no fewer nodes than the same path without it), and
``networkx.immediate_dominators``, ``networkx.descendants``, ``networkx.shortest_path_length``.
"""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.tree import Step, Stop, Tree
from faulttree.tree.graph import BEGIN, graph_of, immediate_dominators, reach
from faulttree.tree.model import Fault
from tests.tree.samples import TREE, tree_of

REASONS = ("unsafe", "licensed", "no-fault-found", "out-of-scope")
STOPS = {reason: Stop(reason, reason, reason) for reason in REASONS}
FAULTS = {name: Fault(name, name, "Replace it.") for name in ("f0", "f1", "f2")}


@st.composite
def trees(draw: st.DrawFn, *, cycles: bool = True) -> Tree:
    """A tree of up to nine steps that lead anywhere, or only onward where cycles are unwanted."""
    size = draw(st.integers(1, 9))
    names = [f"s{number}" for number in range(size)]
    steps = {}
    for number, name in enumerate(names):
        onward = [*(names if cycles else names[number + 1 :]), *FAULTS, *STOPS]
        wanted = draw(st.lists(st.sampled_from(onward), min_size=1, max_size=3))
        kind = "do" if len(wanted) == 1 else draw(st.sampled_from(["ask", "measure"]))
        outcomes = ["done"] if kind == "do" else [f"o{n}" for n in range(len(wanted))]
        live, access = draw(st.booleans()), draw(st.sampled_from([(), ("cover-off",)]))
        targets = dict(zip(outcomes, wanted, strict=True))
        steps[name] = Step(name, kind, "?", targets, live=live, access=access)
    # The text stands for the steps: graphs are kept by it.
    bundle = {"steps": {name: repr(step) for name, step in steps.items()}}
    return Tree("x/y", "x", "x", "s0", steps, FAULTS, STOPS, bundle=bundle)


def simple_paths(tree: Tree, node: str) -> Iterator[list[str]]:
    """Every path from the start to a node that passes no node twice, without the node itself."""
    stack = [[tree.start]]
    while stack:
        path = stack.pop()
        if path[-1] == node:
            yield path[:-1]
        elif path[-1] in tree.steps:
            targets = set(tree.steps[path[-1]].targets.values())
            stack += [[*path, target] for target in targets if target not in path]


@given(trees())
def test_a_step_is_before_a_node_if_it_is_on_every_path(tree: Tree) -> None:
    graph = graph_of(tree)
    for node in (*tree.steps, *tree.faults, *tree.stops):
        paths = list(simple_paths(tree, node))
        on_all = set.intersection(*map(set, paths)) if paths else set[str]()
        before = graph.before(node)
        assert set(before) == on_all
        for path in paths:
            assert [name for name in path if name in on_all] == list(before)
        assert (node in graph.reached) == bool(paths)


@given(trees())
def test_dominators_and_reach_are_those_of_networkx(tree: Tree) -> None:
    graph = graph_of(tree)
    other: nx.DiGraph[str] = nx.DiGraph((a, b) for a, to in graph.onward.items() for b in to)
    theirs = {a: b for a, b in nx.immediate_dominators(other, BEGIN).items() if a != BEGIN}
    assert immediate_dominators(graph.onward, BEGIN) == theirs
    for name in tree.steps:
        assert set(graph.beyond(name)) == {name, *nx.descendants(other, name)}
        assert set(graph.leading_to(name)) - {BEGIN, "<gate 0>"} == (
            {name, *nx.ancestors(other, name)} - {BEGIN, "<gate 0>"}
        )
    far = nx.single_source_shortest_path_length(other, tree.start)
    assert reach(graph.onward, [tree.start]) == dict(far)
    inner = other.subgraph(graph.reached)
    assert (graph.order is None) == (not nx.is_directed_acyclic_graph(inner))
    assert graph.has_cycle == (not nx.is_directed_acyclic_graph(other))


@given(trees())
def test_an_order_puts_each_node_before_what_it_leads_to(tree: Tree) -> None:
    order = graph_of(tree).order
    for name in order or ():
        for target in tree.steps[name].targets.values() if name in tree.steps else ():
            assert order is not None
            assert order.index(name) < order.index(target)


@given(trees(cycles=False))
def test_a_fault_is_beyond_an_outcome_if_a_path_finds_it(tree: Tree) -> None:
    graph = graph_of(tree)
    for step in tree.steps.values():
        for outcome, target in step.targets.items():
            inside = replace_start(tree, target)
            found = {fault for fault in tree.faults if any(simple_paths(inside, fault))}
            found |= {target} & tree.faults.keys()
            reached = step.id in graph.reached
            assert graph.faults_beyond(step.id, outcome) == (found if reached else set())


@given(trees())
def test_no_fault_is_beyond_an_outcome_that_goes_back(tree: Tree) -> None:
    graph = graph_of(tree)
    for step in tree.steps.values():
        paths = [{*path, step.id} for path in simple_paths(tree, step.id)]
        back = set.intersection(*paths) if paths else set[str]()
        for outcome, target in step.targets.items():
            beyond = graph.faults_beyond(step.id, outcome)
            inside = replace_start(tree, target)
            assert not (beyond and (target in back or not paths))
            for fault in beyond - {target}:
                assert any(step.id not in path for path in simple_paths(inside, fault))


def replace_start(tree: Tree, start: str) -> Tree:
    return Tree(tree.id, "x", "x", start, tree.steps, tree.faults, tree.stops)


def test_a_live_step_is_behind_the_checks_before_power() -> None:
    graph = graph_of(tree_of())
    # The insulation test is done on protection class I only: not every path passes it.
    assert graph.before("kind") == ()
    assert graph.before("terminals") == ("before-power.look.look", "kind")
    assert graph.before("esr") == (
        "before-power.look.look", "kind", "terminals", "rail", "discharge", "dead",
    )  # fmt: skip
    assert graph.before("before-power.insulation-1.ohms") == ("before-power.look.look",)
    assert graph.checks_before("dead")[0] == "before-power.look.look"


def test_every_check_before_power_without_condition_is_before_a_live_step() -> None:
    graph = graph_of(tree_of(TREE.replace(", when: {protection-class: I}, exits", ", exits")))
    assert graph.before("rail")[:2] == ("before-power.look.look", "before-power.insulation-1.ohms")
    assert graph.before("leaky") == ("before-power.look.look", "before-power.insulation-1.ohms")


def test_a_stop_by_property_is_an_end_of_its_step() -> None:
    graph = graph_of(tree_of())
    assert "sealed" in graph.ends("terminals")
    assert graph.before("sealed") == ("kind",)  # also by the answer `switch-mode`
    assert graph.guards_before("rail") == ("before-power.look.look", "kind", "terminals")


def test_a_passing_check_before_power_leads_to_all_that_follows() -> None:
    graph = graph_of(tree_of())
    assert graph.faults_beyond("before-power.insulation-1.ohms", "low") == {"leaky"}
    assert graph.faults_beyond("before-power.look.look", "damaged") == frozenset()
    assert {"leaky"} <= graph.faults_beyond("before-power.look.look", "sound")


@pytest.mark.parametrize("use", ["before-power.look", "before-power.insulation-1"])
def test_what_closes_and_what_checks_is_reached(use: str) -> None:
    tree = tree_of()
    graph = graph_of(tree)
    assert tree.uses[use].start in graph.reached
    assert tree.access["cover-off"].closing_step in graph.reached
    assert tree.uses[tree.closing[0]].start in graph.reached


def test_the_shortest_path_through_a_procedure() -> None:
    tree = tree_of()
    use = tree.uses["before-power.insulation-1"]
    graph = graph_of(tree)
    assert graph.path_through(use, "low") == {"before-power.insulation-1.ohms": "low"}
    assert graph.path_through(use) == {"before-power.insulation-1.ohms": "inside"}
    assert graph.path_through(use, "never") == {}


def test_trees_of_one_text_and_other_steps_have_graphs_of_their_own() -> None:
    tree = tree_of()
    other = replace_start(tree, "esr")
    assert "rail" in graph_of(tree).reached
    assert "rail" not in graph_of(other).reached
