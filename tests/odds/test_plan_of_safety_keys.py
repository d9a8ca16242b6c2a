"""Plans of trees that use the safety keys: nothing comes before its safety checks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from faulttree.figures.order_replay import planned as planned_order
from faulttree.odds import (
    FaultTable,
    Observation,
    make_table,
    plan,
    posterior,
    rank_tests,
    table_from_tree,
)
from faulttree.odds.last_checks import Endings
from faulttree.odds.plan_document import plan_tree
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Draft, Search
from faulttree.odds.table_from_tree import guarded, guarded_table
from faulttree.tree import Tree, examine
from faulttree.tree.disturbance import spoiled_readings
from faulttree.walk import events as ev
from faulttree.walk import fold
from faulttree.walk.answer import TypedAnswer, answer
from tests.odds.test_plan_safety import originals
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
    live_behind_checks(tree, *draft_of(tree))


@pytest.mark.parametrize("seed", range(6))
def test_an_order_that_the_review_proposes_keeps_the_checks_first(seed: int) -> None:
    tree = right_tree(Random(seed)).tree
    order = planned_order(guarded_table(tree), {})
    assert order is not None
    live_behind_checks(tree, order.graph, order.draft)
    made = examine({**tree.bundle, "tree": order.document()}).tree
    assert made is not None
    events = random_walk(made, seed=seed, longest=40, advised=0.1)
    assert violations(made, events) == []


def live_behind_checks(tree: Tree, graph: PlanGraph, draft: Draft) -> None:
    """Every live step of a plan comes after all checks before power, on every path."""
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


def soldered(**more: object) -> FaultTable:
    """Two tests of which the quicker one spoils what the other one reads."""
    return make_table(
        {"dry": 1, "joint": 1, "open": 1},
        {"resolder": ("cured", "same"), "esr": ("good", "bad")},
        {
            ("joint", "resolder"): ["cured"],
            ("joint", "esr"): ["good"],
            ("dry", "resolder"): ["same"],
            ("dry", "esr"): ["bad"],
            ("open", "resolder"): ["same"],
            ("open", "esr"): ["good"],
        },
        minutes={"resolder": 1, "esr": 9},
        **more,  # type: ignore[arg-type]
    )


def test_a_reading_comes_before_the_step_that_would_spoil_it() -> None:
    free, kept = plan(soldered()), plan(soldered(spoils={"resolder": ("esr",)}))
    assert free.order[0][2] == "resolder"
    assert kept.order[0][2] == "esr"
    assert kept.expected_minutes > free.expected_minutes


def test_a_step_that_would_spoil_a_reading_is_advised_once_the_reading_tells_nothing() -> None:
    table = soldered(spoils={"resolder": ("esr",)})
    nothing = posterior(table, [])
    assert [one.test for one in rank_tests(table, nothing)] == ["esr"]
    read = posterior(table, [Observation("esr", "good")])
    assert [one.test for one in rank_tests(table, read)] == ["resolder"]
    # No meter for it: it need not be kept unspoiled.
    assert [one.test for one in rank_tests(table, nothing, available=["resolder"])] == ["resolder"]


def disturbing() -> list[Tree]:
    trees = (right_tree(Random(seed)).tree for seed in range(40))
    return [tree for tree in trees if any(spoiled_readings(tree).values())]


def test_no_plan_of_a_tree_disturbs_a_part_before_a_reading_of_it_that_would_still_tell() -> None:
    met = 0
    for tree in disturbing():
        graph, draft = draft_of(tree)
        spoils = graph.problem.table.spoils
        for place, test in draft.tests.items():
            names = graph.view(place.faults, place.done).names
            for name in (*graph.items(place, test), graph.problem.table.tests[test]):
                met += name in spoils
                assert names.isdisjoint(spoils.get(name, ())), name
    assert met


@pytest.mark.parametrize("seed", [0, 5, 6, 10, 11])
def test_a_walk_of_a_plan_takes_no_more_minutes_than_the_plan_says(seed: int) -> None:
    """Closing, opening, discharging and proving several stores are all in the plan's minutes."""
    tree = right_tree(Random(seed)).tree
    facts = {name: one.values[0] for name, one in tree.properties.items()}
    table = guarded(table_from_tree(tree, facts))
    stated = [row for row, entries in enumerate(table.entries) if any(entries)]
    table = replace(
        table,
        faults=tuple(table.faults[row] for row in stated),
        weights=tuple(table.weights[row] for row in stated),
        entries=tuple(table.entries[row] for row in stated),
    )
    graph = PlanGraph(PlanningProblem(table))
    draft, endings = Search(graph).draft(), Endings(table, graph.problem)
    document = plan_tree(table, graph, draft)
    made = examine({**tree.bundle, "tree": document}).tree
    assert made is not None
    compared = 0
    for minutes, taken in ways(graph, draft, endings):
        walked = minutes_of_walk(made, originals(tree, made), facts, taken)
        if walked is not None:
            compared += 1
            assert walked <= minutes + 1e-6, taken
    assert compared


def ways(
    graph: PlanGraph, draft: Draft, endings: Endings
) -> Iterator[tuple[float, list[tuple[str, str]]]]:
    """(minutes, tests with outcomes) of the first paths of a plan, last confirmations included."""
    table, told = graph.problem.table, 0
    stack: list[tuple[Place, int, float, list[tuple[str, str]], frozenset[str]]]
    stack = [(graph.root, graph.state, 0.0, [], frozenset())]
    while stack and told < 15:
        place, state, minutes, taken, passed = stack.pop()
        test = draft.tests.get(place)
        if test is None:
            told += 1
            last = endings.minutes(graph.names(place), passed & endings.asked, state)
            yield minutes + last, taken
            continue
        name, after = table.tests[test], graph.after(place, test, state)
        later = passed | {name, *graph.items(place, test)}
        for at, _, end in graph.ends(place, test):
            more = [*taken, (name, table.outcomes[test][at])]
            stack.append((end, after, minutes + graph.cost(place, test), more, later))


def minutes_of_walk(
    tree: Tree,
    copies: Mapping[str, str],
    facts: Mapping[str, str],
    taken: Sequence[tuple[str, str]],
) -> float | None:
    """Minutes of a walk that gives these outcomes, and normal ones at all other steps.

    None where the walk ends before it has given all of them.
    """
    events: list[ev.Event] = [ev.Opened(tree=tree.id, tree_hash=tree.hash)]
    left, state = list(taken), fold(tree, events)
    while state.phase == "finding" and (state.ask is not None or state.needs_fact is not None):
        if state.needs_fact is not None:
            name = state.needs_fact.name
            events.append(ev.FactGiven(name=name, value=facts[name], source="asked"))
        else:
            assert state.ask is not None
            step, outcome = state.ask, state.ask.normal_outcome
            if left and copies.get(step.id) == left[0][0]:
                outcome = left.pop(0)[1]
            cautions = [name for name in state.cautions_at(step) if name not in state.cautions_read]
            events += [ev.CautionRead(caution=name, step=step.id) for name in cautions]
            events.append(answer(state, step, TypedAnswer(outcome=state.known_answer or outcome)))
        state = fold(tree, events)
    return None if left else state.minutes
