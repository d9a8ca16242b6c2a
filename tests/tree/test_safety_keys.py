"""What a tree says of safety: properties, checks before power, stores, closing what was opened."""

from __future__ import annotations

import pytest

from faulttree.tree import assemble
from faulttree.tree.model import NOT_SAFE
from tests.tree.samples import TREE, bundle_of, tree_of


def test_checks_before_power_are_opened_in_order_with_their_conditions() -> None:
    tree = tree_of()
    assert [(check.id, check.when) for check in tree.before_power] == [
        ("look", {}),
        ("insulation-1", {"protection-class": ("I",)}),
    ]
    look, insulation = (tree.uses[check.use] for check in tree.before_power)
    assert (look.passes, insulation.passes) == ("sound", "good")
    assert insulation.exits["low"] == "leaky"
    assert look.exits["damaged"] == NOT_SAFE
    assert tree.stops[NOT_SAFE].reason == "unsafe"
    assert tree.steps["before-power.look.look"].role == "before-power"


def test_an_opened_unit_has_a_step_that_closes_it() -> None:
    tree = tree_of()
    step = tree.steps[tree.access["cover-off"].closing_step]
    assert (step.role, step.kind, step.how, step.minutes) == (
        "close", "do", "Put the cover back.", 2,
    )  # fmt: skip
    assert step.id not in tree.diagnostic


def test_the_mains_is_a_store_of_every_tree_that_carries_its_caution() -> None:
    tree = tree_of()
    assert set(tree.stores) == {"mains", "reservoir"}
    assert tree.steps["dead"].proves_dead == ("reservoir", "mains")
    assert tree.steps["esr"].on == ("reservoir", "mains")
    other = tree_of(TREE.replace("[mains]\n", "[]\n").replace(", mains]", "]"))
    assert set(other.stores) == {"reservoir"}


def test_a_proof_may_have_several_conditions() -> None:
    fault = tree_of().faults["dry"]
    assert [(one.step, one.gives, one.safety) for one in fault.confirms] == [
        ("rail", "inside", False),
        ("esr", "inside", True),
    ]
    assert fault.confirm == fault.confirms[0]


def test_stops_by_property_are_edges_of_the_tree() -> None:
    tree = tree_of()
    assert ("terminals", "supply=dropper", "sealed") in set(tree.edges())
    assert ("before-power.insulation-1.ohms", "low", "leaky") in set(tree.edges())
    assert tree.loose == ()


def test_the_rest_stands_where_a_walk_finds_it() -> None:
    tree = tree_of()
    assert tree.properties["supply"].models == {"two-channel": "linear"}
    assert tree.properties["protection-class"].values == ("I", "II", "III")
    assert tree.symptoms[0].seen_at == ("terminals",)
    assert tree.steps["kind"].property == "supply"
    assert tree.steps["esr"].leaves_open == {"lifted": ("C1",)}
    assert (tree.steps["esr"].disturbs, tree.steps["esr"].disturbs_of) == (("heat",), ("C1",))
    assert tree.steps["kind"].normal_outcome == "linear"
    assert tree.steps["esr"].normal_outcome == "inside"
    assert tree.closing_when == {"closing.insulation": {"protection-class": ("I", "II")}}
    assert tree.uses["closing.insulation"].checks == "safety"


@pytest.mark.parametrize(
    ("rule", "good", "broken"),
    [
        ("unknown-store", "on: [reservoir, mains]", "on: [resevoir]"),
        ("unknown-property", "when: {protection-class: I}", "when: {protection-clas: I}"),
        ("unknown-property", "when: {protection-class: I}", "when: {protection-class: IV}"),
        ("unknown-property", "{dropper: sealed}", "{droper: sealed}"),
        ("unknown-target", "{dropper: sealed}", "{dropper: seald}"),
        ("unknown-target", "exits: {low: leaky}", "exits: {low: leeky}"),
        ("unknown-exit", "exits: {low: leaky}", "exits: {lo: leaky}"),
        ("unknown-exit", "exits: {low: leaky}", "exits: {good: leaky, low: leaky}"),
        ("unknown-step", "seen_at: [terminals]", "seen_at: [terminal]"),
        ("unknown-step", "{step: esr, gives", "{step: esl, gives"),
        ("close-missing", ", close: {minutes: 2, how: Put the cover back.}", ""),
        ("duplicate-id", "  - look\n", "  - look\n  - look\n"),
        ("unknown-procedure", "  - look\n", "  - lock\n"),
        ("unknown-key", "discharges: [reservoir]", "discharge: [reservoir]"),
        ("bad-value", "basis: asked", "basis: guess"),
        ("later-word", "  leaky: {title", "  mains: {title: x, remedy: y}\n  leaky: {title"),
    ],
)
def test_what_is_wrong_is_told_at_its_place(rule: str, good: str, broken: str) -> None:
    assert good in TREE
    _, problems = assemble(bundle_of(TREE.replace(good, broken, 1)))
    assert rule in [problem.rule for problem in problems]
    assert all(problem.remedy for problem in problems)


def test_a_tree_without_the_new_keys_says_nothing_new() -> None:
    plain = """
title: Lamp, dark
family: lamp
start: lead
steps: {lead: {ask: Whole?, answers: {whole: out, broken: lead-broken}}}
faults: {lead-broken: {title: Lead broken, remedy: Replace it.}}
stops: {out: {title: Beyond this tree, reason: out-of-scope}}
"""
    tree = tree_of(plain)
    assert (tree.before_power, tree.stores, tree.closing_when) == ((), {}, {})
    assert list(tree.steps) == ["lead"]
    assert list(tree.stops) == ["out"]
