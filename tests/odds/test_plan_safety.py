"""Planned trees keep the safety checks of the tree they were made from."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from faulttree.cli import run
from faulttree.odds import plan, table_from_tree
from faulttree.tree import Library, Tree, build, examine

ROOT = Path(__file__).parent.parent.parent
LIBRARY = Library(ROOT)
TREES = LIBRARY.trees()


@cache
def shipped(name: str) -> Tree:
    return LIBRARY.load(name)


@cache
def shipped_plan(name: str) -> Tree:
    return planned(shipped(name))


def planned(tree: Tree) -> Tree:
    """The tree that a plan without time to improve it writes."""
    document = plan(table_from_tree(tree), seconds=0).tree
    found = examine({**tree.bundle, "tree": document})
    assert [one for one in found.findings if one.level == "error"] == []
    assert found.tree is not None
    return found.tree


def ends_badly(tree: Tree, step: str) -> bool:
    """Whether an answer ends the work as unsafe or for licensed people only."""
    stops = [tree.stops[to] for to in tree.steps[step].targets.values() if to in tree.stops]
    return any(stop.reason in ("unsafe", "licensed") for stop in stops)


def checks(tree: Tree) -> set[str]:
    """The safety checks of a tree, and its first step where that reproduces the complaint."""
    found = {step for step in tree.diagnostic if ends_badly(tree, step)}
    first = tree.steps[tree.start].targets.values()
    if any(tree.stops[to].reason == "no-fault-found" for to in first if to in tree.stops):
        found.add(tree.start)
    return found


def reached_without(tree: Tree, left_out: set[str]) -> set[str]:
    """Steps, faults and stops that a walk can come to that passes none of some steps."""
    seen: set[str] = set()
    todo = [tree.start]
    while todo:
        name = todo.pop()
        if name in seen or name in left_out:
            continue
        seen.add(name)
        if name in tree.steps:
            todo += tree.steps[name].targets.values()
    return seen


def originals(tree: Tree, plan: Tree) -> Mapping[str, str]:
    """Step of the plan → the step of the tree that it is a copy of."""
    slug = {re.sub(r"[^a-z0-9]+", "-", name): name for name in (*tree.steps, *tree.uses)}
    found = {}
    for name in plan.diagnostic:
        own, _, inner = name.partition(".")
        base = own if own in slug else re.sub(r"-\d+$", "", own)
        if base in slug:
            copied = f"{slug[base]}.{inner}" if inner else slug[base]
            if copied in tree.steps:
                assert tree.steps[copied].text == plan.steps[name].text
                found[name] = copied
    return found


@pytest.mark.parametrize("name", TREES)
def test_a_planned_tree_keeps_every_safety_check_before_what_it_guards(name: str) -> None:
    tree = shipped(name)
    plan = shipped_plan(name)
    copied = originals(tree, plan)
    assert len(copied) > 1
    everything = reached_without(tree, set())
    for check in checks(tree):
        free = reached_without(tree, {check})
        guarded = everything - free - {check}
        round_it = reached_without(plan, {step for step, of in copied.items() if of == check})
        late = {step for step in round_it if copied.get(step) in guarded}
        assert not late, f"{check} does not come before {sorted(late)}"


@pytest.mark.parametrize("name", TREES)
def test_a_safety_check_in_a_plan_still_ends_the_work(name: str) -> None:
    tree = shipped(name)
    plan = shipped_plan(name)
    for step, of in originals(tree, plan).items():
        for outcome, target in tree.steps[of].targets.items():
            reason = tree.stops[target].reason if target in tree.stops else ""
            # Where a sign says that a fault shows it too, the plan may look for that fault.
            signs = {one for fault in tree.faults.values() for one in fault.signs.get(of, ())}
            if (
                reason == "unsafe"
                or (reason == "licensed" and outcome not in signs)
                or (reason == "no-fault-found" and of == tree.start)
            ):
                assert plan.steps[step].targets[outcome] == target


def test_a_lithium_pack_is_looked_at_before_it_is_loaded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "runs-short.yaml"
    arguments = ["plan", "tool-battery/runs-short", "--library", str(ROOT), "--seconds", "0"]
    assert run([*arguments, "--json", "-o", str(out)]) == 0
    document = json.loads(capsys.readouterr().out)["tree"]
    first = document["steps"][document["start"]]
    assert "swelling" in first["ask"]
    assert document["stops"][first["answers"]["marked"]]["reason"] == "unsafe"
    assert "swelling" in out.read_text(encoding="utf-8")


def test_a_safety_check_is_asked_once_also_where_the_unit_is_powered_later() -> None:
    tree = build(
        {
            "id": "sander/stops",
            "tree": {
                "title": "Sander, stops",
                "family": "sander",
                "start": "look",
                "steps": {
                    "look": {"ask": "Is the lead whole?", "answers": {"yes": "a", "no": "hurt"}},
                    "a": {"ask": "Does it run?", "live": True, "answers": {"y": "b", "n": "x"}},
                    "b": {"ask": "Does it spark?", "live": True, "answers": {"y": "y", "n": "c"}},
                    "c": {"ask": "Is it hot?", "live": True, "answers": {"y": "z", "n": "w"}},
                },
                "faults": {
                    name: {"title": f"Fault {name}", "remedy": "Replace it."} for name in "xyzw"
                },
                "stops": {"hurt": {"title": "Lead not whole", "reason": "unsafe"}},
            },
        }
    )
    document = plan(table_from_tree(tree)).tree
    asked = [step["ask"] for step in document["steps"].values()]
    assert asked[0] == "Is the lead whole?"
    assert asked.count("Is the lead whole?") == 1


@pytest.mark.parametrize("name", TREES)
def test_a_planned_tree_keeps_the_checks_and_the_last_confirmation_before_a_fault(
    name: str,
) -> None:
    tree = shipped(name)
    plan = shipped_plan(name)
    copied = originals(tree, plan)
    for check in tree.diagnostic:
        free = reached_without(tree, {check})
        behind = (reached_without(tree, set()) - free) & set(tree.faults)
        targets = set(tree.steps[check].targets.values())
        if check not in checks(tree):
            # A last confirmation: the fault, or else an end without a fault.
            if len(targets & set(tree.faults)) != 1 or not targets - set(tree.faults):
                continue
            if not targets <= set(tree.faults) | set(tree.stops):
                continue
            behind &= targets
        round_it = reached_without(plan, {step for step, of in copied.items() if of == check})
        # A question which of several faults it is comes after a repair, not after a test.
        asked = {to for step, of in plan.steps.items() if step.startswith("try-")
                 for to in of.targets.values()}  # fmt: skip
        if check not in checks(tree):
            round_it -= asked
        assert not behind & round_it, f"{check} does not come before {sorted(behind & round_it)}"


def sander(steps: dict[str, Any], **faults: float) -> Tree:
    """A tree of a sander that stops, with two stops and faults of some weights."""
    return build(
        {
            "id": "sander/stops",
            "tree": {
                "title": "Sander, stops",
                "family": "sander",
                "start": next(iter(steps)),
                "steps": steps,
                "faults": {
                    name: {"title": f"Fault {name}", "remedy": "Replace it.", "weight": weight}
                    for name, weight in faults.items()
                },
                "stops": {
                    "hurt": {"title": "Not safe to go on", "reason": "unsafe"},
                    "unseen": {"title": "Not found here", "reason": "out-of-scope"},
                },
            },
        }
    )


def test_the_minutes_of_last_confirmations_are_told() -> None:
    tree = sander(
        {
            "turns": {"ask": "Does it turn?", "minutes": 2, "answers": {"y": "load", "n": "worn"}},
            "load": {
                "measure": "Current under load",
                "minutes": 7,
                "limits": {"max": "4 A", "source": "of this test"},
                "results": {"high": "tight", "inside": "unseen"},
            },
        },
        tight=3,
        worn=1,
    )
    found = plan(table_from_tree(tree))
    # One question tells the two faults apart; in three of four cases the load is then read.
    assert found.expected_minutes == pytest.approx(2)
    assert found.confirming_minutes == pytest.approx(0.75 * 7)
    last = {step["measure"] for step in found.tree["steps"].values() if "measure" in step}
    assert last == {tree.steps["load"].text}
    assert found.as_dict()["confirming_minutes"] == found.confirming_minutes


def test_what_a_powered_check_undoes_is_done_again_and_no_plan_leads_round() -> None:
    tree = sander(
        {
            "empty": {"do": "Empty the store", "minutes": 1, "then": "first-power"},
            "first-power": {
                "ask": "Does it stay quiet?",
                "live": True,
                "minutes": 1,
                "answers": {"quiet": "wire", "sparks": "hurt"},
            },
            "wire": {"ask": "Is the wire firm?", "minutes": 1, "answers": {"y": "b", "n": "x"}},
            "b": {"ask": "Is the brush long?", "minutes": 1, "answers": {"y": "z", "n": "y"}},
        },
        x=1,
        y=1,
        z=1,
    )
    made = planned(tree)
    done = [name for name, step in made.steps.items() if step.kind == "do"]
    assert len(done) >= 2
    # Every walk ends: no step lies on a way from itself.
    for name in made.steps:
        seen: set[str] = set()
        todo = list(made.steps[name].targets.values())
        while todo:
            to = todo.pop()
            if to in made.steps and to not in seen:
                seen.add(to)
                todo += made.steps[to].targets.values()
        assert name not in seen
    assert {to for _, _, to in made.edges()} >= set(tree.faults)
