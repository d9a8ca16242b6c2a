"""Every end of every shipped tree is walked by a script; every repair can be proved."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from faulttree.tree import Tree, shipped_library
from tests.support.scripted_walks import Walked, closing_exits, ends, walked

LIBRARY = shipped_library()
TREES = LIBRARY.trees()


@cache
def load(tree_id: str) -> Tree:
    return LIBRARY.load(tree_id)


@cache
def walks(tree_id: str) -> list[tuple[str, Walked]]:
    """Every edge into a fault or stop, and the walk that takes it."""
    tree = load(tree_id)
    return [(target, walked(tree, way, facts)) for target, way, facts in ends(tree)]


@cache
def proved(tree_id: str) -> dict[str, Walked]:
    """Each fault that a walk comes to, repaired and proved."""
    tree, found = load(tree_id), dict(reversed(walks(tree_id)))
    return {name: on.repaired(name) for name, on in found.items() if name in tree.faults}


@pytest.mark.parametrize("tree_id", TREES)
def test_a_walk_takes_every_edge_into_a_fault_or_stop(tree_id: str) -> None:
    tree = load(tree_id)
    for target, on in walks(tree_id):
        assert on.state.end is not None, (target, on.state)
        assert on.state.end.id == target
    reached = {target for target, _ in walks(tree_id)}
    assert reached == {*tree.faults, *tree.stops} - set(tree.loose)


@pytest.mark.parametrize("tree_id", TREES)
def test_every_repair_is_proved_by_its_confirming_step(tree_id: str) -> None:
    assert all(on.state.repairs[-1].held for on in proved(tree_id).values())


@pytest.mark.parametrize("tree_id", TREES)
def test_every_exit_of_the_closing_is_walked(tree_id: str) -> None:
    """The exit that passes lets the unit go on; every other one makes it unfit."""
    tree, repaired = load(tree_id), next(iter(proved(tree_id).values()))
    for use, exit_ in closing_exits(tree):
        on = repaired
        for earlier in tree.closing[: tree.closing.index(use.id)]:
            on = on.through(tree.uses[earlier], tree.uses[earlier].passes)
        on = on.through(use, exit_)
        assert on.state.closing[use.id] == exit_
        assert on.state.unfit == (None if exit_ == use.passes else use.id)


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


INVENTED = ("of the shop", "the shop's", "tagged", "a borrower", "a visitor", "a colleague")


def test_nothing_that_ships_is_invented() -> None:
    """What the demo invents stays in the demo's own library; older trees are listed as findings."""
    older = Path(__file__).with_name("known_findings.txt").read_text(encoding="utf-8")
    files = [*LIBRARY.root.glob("trees/*/*.yaml"), *LIBRARY.root.glob("shared/**/*.yaml")]
    names = {str(file.relative_to(LIBRARY.root)): file for file in files}
    texts = {name: file.read_text("utf-8") for name, file in names.items() if name not in older}
    found = {name: word for name, text in texts.items() for word in INVENTED if word in text}
    assert found == {}
