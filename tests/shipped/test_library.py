"""Every end of every shipped tree is walked by a script; every repair can be proved."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from decimal import Decimal
from functools import cache
from typing import Any

import pytest

from faulttree.reading import Bench, Limits, Quantity, parse_quantity, resolve_limits
from faulttree.tree import Step, Tree, shipped_library
from faulttree.walk.events import Confirmed, Event
from faulttree.walk.script import Script, play
from faulttree.walk.state import State

LIBRARY = shipped_library()
TREES = LIBRARY.trees()
NOW = "2026-11-25T09:00:00.000Z"

Taken = tuple[str, str]


@cache
def load(tree_id: str) -> Tree:
    return LIBRARY.load(tree_id)


def typical(limits: Limits, outcome: str) -> Decimal:
    """A value well inside the outcome."""
    if limits.bands:
        band = next(band for band in limits.bands if band.name == outcome)
        if band.lower is None or band.upper is None:
            edge = band.upper if band.lower is None else band.lower
            assert edge is not None
            return edge * (Decimal("0.5") if band.lower is None else Decimal("1.2"))
        return (band.lower + band.upper) / 2
    low, high = limits.last_lower, limits.last_upper
    if outcome == "low":
        assert low is not None
        return low * (Decimal("0.7") if low > 0 else 2)
    if outcome == "high":
        assert high is not None
        return high * Decimal("1.5") if high > 0 else Decimal(0)
    if limits.nominal is not None:
        return limits.nominal
    if low is not None and high is not None:
        return (low + high) / 2
    assert low is not None or high is not None
    return high / 2 if high is not None else low * Decimal("1.5")  # type: ignore[operator]


def reading(step: Step, outcome: str, known: Mapping[str, Quantity], tree: Tree) -> str:
    """What a meter would show at the step for this outcome."""
    if step.limits is None:
        return f"21 {step.unit}"
    limits = resolve_limits(
        step.limits, unit=step.unit, readings=known, ratings=first_ratings(tree)
    )
    value = typical(limits, outcome)
    if limits.unit == "m":  # a lone m would be refused: metres or thousandths?
        return f"{value * 1000:f} mm"
    return f"{value:f} {limits.unit}".strip()


def first_model(tree: Tree) -> str:
    return next((model for rating in tree.ratings.values() for model in rating.models), "any")


def first_ratings(tree: Tree) -> dict[str, Quantity]:
    model = first_model(tree)
    return {
        name: parse_quantity(rating.models[model], rating.unit)
        for name, rating in tree.ratings.items()
        if model in rating.models
    }


def shortest(tree: Tree) -> dict[str, list[Taken]]:
    """For each step the steps and outcomes that lead to it, the fewest first.

    A check before power is asked before the first powered step that a walk comes to.
    """
    paths = followed(tree, {tree.start: []})
    powered = next((paths[name] for name in paths if tree.steps[name].live), [])
    for check in tree.before_power:
        inside = followed(tree, {tree.uses[check.use].start: powered})
        paths = {**inside, **paths}
    return paths


def followed(tree: Tree, paths: dict[str, list[Taken]]) -> dict[str, list[Taken]]:
    queue = deque(paths)
    while queue:
        step = queue.popleft()
        for outcome, target in tree.steps[step].targets.items():
            if outcome != "undecided" and target in tree.steps and target not in paths:
                paths[target] = [*paths[step], (step, outcome)]
                queue.append(target)
    return paths


def ends(tree: Tree) -> Iterator[tuple[str, list[Taken]]]:
    """Every edge into a fault or stop, with a whole way that takes it."""
    paths = shortest(tree)
    for step, outcome, target in tree.edges():
        if tree.node(target) in ("fault", "stop") and outcome != "undecided":
            yield target, consistent(tree, [*paths[step], (step, outcome)])


def consistent(tree: Tree, way: list[Taken]) -> list[Taken]:
    """The way with one value for each property of the unit: the one given last."""
    wanted = {tree.steps[name].property: outcome for name, outcome in way}
    for at, (name, outcome) in enumerate(way):
        known = tree.steps[name].property
        if known is not None and outcome != wanted[known]:
            bridge = followed(tree, {tree.steps[name].targets[wanted[known]]: []})
            later = next(on for on in range(at + 1, len(way)) if way[on][0] in bridge)
            joined = [*way[:at], (name, wanted[known]), *bridge[way[later][0]], *way[later:]]
            return consistent(tree, joined)
    return way


def entry(tree: Tree, name: str, outcome: str, known: dict[str, Quantity]) -> dict[str, Any]:
    """One entry of a script: the outcome, or a reading that gives it."""
    step = tree.steps[name]
    if step.kind != "measure":
        return {name: {"outcome": outcome}}
    shown = reading(step, outcome, known, tree)
    known[name] = parse_quantity(shown)
    return {name: {"reading": shown, "sure": True, "in_circuit": False}}


def passing(tree: Tree, step: Step) -> str:
    """The outcome of a good unit in a check; else the first one that goes on to another step."""
    if step.role != "finding":
        return step.normal_outcome
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    onward = [outcome for outcome in outcomes if step.targets[outcome] in tree.steps]
    return (onward or outcomes)[0]


def made_ready(tree: Tree, entries: list[dict[str, Any]], goal: str) -> list[dict[str, Any]]:
    """The entries, and all that the walk asks for before the step ``goal``, passed.

    Facts of the unit, checks before power, closing of the unit and proofs of dead included.
    """
    entries = list(entries)
    if goal not in tree.steps or not has_needs(tree, tree.steps[goal]):
        return entries
    while True:
        state = played(tree, entries)[0]
        if state.needs_fact is not None:
            name = state.needs_fact.id
            entries.append({"fact": {name: tree.properties[name].values[0]}})
        elif state.ask is None or state.ask.id == goal or goal_is_known(tree, state, goal):
            return entries
        else:
            entries.append(entry(tree, state.ask.id, passing(tree, state.ask), {}))


def has_needs(tree: Tree, step: Step) -> bool:
    """Whether the walk may ask for something else before the step."""
    opens = any(tree.access[name].exposes for name in step.access)
    keys = (step.after, step.on, step.loads, step.charges, step.stop_if, step.property)
    return step.live or step.role != "finding" or opens or any(keys)


def goal_is_known(tree: Tree, state: State, goal: str) -> bool:
    """Whether a step needs no answer, because it asks for a property that is known."""
    return tree.steps[goal].property in state.facts


def answers(tree: Tree, way: list[Taken]) -> list[dict[str, Any]]:
    return list(answered(tree.id, tuple(way), unit_facts(tree, way))[0])


def unit_facts(tree: Tree, way: list[Taken]) -> tuple[Taken, ...]:
    """What the unit must be for the check before power that the way ends in."""
    last = way[-1][0] if way else ""
    for check in tree.before_power:
        if last in tree.uses[check.use].steps:
            return tuple((name, values[0]) for name, values in check.when.items())
    return ()


@cache
def answered(
    tree_id: str, way: tuple[Taken, ...], facts: tuple[Taken, ...] = ()
) -> tuple[tuple[dict[str, Any], ...], Mapping[str, Quantity]]:
    """The entries of a way and the readings among them; ways share what they begin with."""
    if not way:
        return tuple({"fact": {name: value}} for name, value in facts), {}
    tree, (name, outcome) = load(tree_id), way[-1]
    before, readings = answered(tree_id, way[:-1], facts)
    known = dict(readings)
    entries = made_ready(tree, list(before), name)
    given = played(tree, entries)[0].facts if tree.steps[name].property else {}
    if tree.steps[name].property not in given:
        entries.append(entry(tree, name, outcome, known))
    return tuple(entries), known


def proved(tree: Tree, way: list[Taken], fault: str) -> tuple[State, list[Event]]:
    """A walk to a fault, its repair, and what is read at the confirming step when it has held."""
    confirm, entries = tree.faults[fault].confirm, answers(tree, way)
    if confirm is None:
        return played(tree, entries, confirm="works as its owner uses it")
    if confirm.step in tree.uses:
        return played(tree, entries, confirm=confirm.gives)
    entries = made_ready(tree, [*entries, {"repair": {"fault": fault}}], confirm.step)
    return played(tree, [*entries, entry(tree, confirm.step, confirm.gives, {})])


def played(
    tree: Tree, entries: list[dict[str, Any]], confirm: Any = None
) -> tuple[State, list[Event]]:
    events: list[Event] = []
    unit = {"family": tree.family, "model": first_model(tree)}
    script = Script(unit=unit, complaint="x", answers=tuple(entries), confirm=confirm)
    every = Bench(likely_below=0.0)
    state, _ = play(tree, script, emit=events.append, clock=lambda: NOW, bench=every)
    return state, events


@pytest.mark.parametrize("tree_id", TREES)
def test_every_fault_and_stop_is_reached_by_a_walk(tree_id: str) -> None:
    tree = load(tree_id)
    reached = set()
    for target, way in ends(tree):
        state, _ = played(tree, answers(tree, way))
        assert state.end is not None, way
        assert state.end.id == target, way
        reached.add(target)
    assert reached == {*tree.faults, *tree.stops} - set(tree.loose)


@pytest.mark.parametrize("tree_id", TREES)
def test_every_repair_is_proved_by_its_confirming_step(tree_id: str) -> None:
    tree = load(tree_id)
    for target, way in ends(tree):
        if target in tree.faults:
            state, events = proved(tree, way, target)
            assert any(isinstance(event, Confirmed) for event in events), (target, way)
            assert state.repairs[-1].held


def test_the_library_is_worth_having() -> None:
    trees = [load(tree_id) for tree_id in TREES]
    faults = {tree.identity(fault) for tree in trees for fault in tree.faults}
    steps = sum(step.use is None for tree in trees for step in tree.steps.values())
    families = {tree.family for tree in trees}
    modules = [
        {tree.family for tree in trees if module in tree.modules}
        for module in {module for tree in trees for module in tree.modules}
    ]
    assert len(families) >= 10
    assert len(trees) >= 20
    assert steps >= 300
    assert len(faults) >= 150
    assert len(LIBRARY.procedures()) >= 12
    assert sum(len(built_in) > 1 for built_in in modules) >= 3, "modules recur across families"


@pytest.mark.parametrize("tree_id", TREES)
def test_mains_families_are_checked_before_they_go_back(tree_id: str) -> None:
    tree = load(tree_id)
    if LIBRARY.families[tree.family].get("mains"):
        assert tree.closing


@pytest.mark.parametrize("tree_id", TREES)
def test_every_limit_names_its_source(tree_id: str) -> None:
    for step in load(tree_id).steps.values():
        if step.limits is not None:
            assert step.limits.get("source") or step.source, step.id
