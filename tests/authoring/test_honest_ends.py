"""A suspect's test goes before the end of a unit that passed every other test."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from faulttree.authoring.cause import Cause, Test
from faulttree.authoring.honest_ends import ends_of_unknown_cause
from faulttree.authoring.operations.suspects import Statement, add_suspect
from faulttree.errors import TreeError
from faulttree.tree import Library, build, shipped_library
from faulttree.tree.edit import write_all
from tests.authoring.samples import put_tree

HEARSAY = Statement("a borrower", "2026-01-08")

LAMP = """\
title: Lamp, dark
family: lamp
start: kind
steps:
  kind: {ask: Is it a lamp for the mains, answers: {"yes": bulb, "no": other}}
  bulb: {ask: How is the bulb, answers: {fine: glow, black: bulb-gone}}
  glow: {ask: Does it glow, answers: {dark: beyond, dim: dim-lamp}}
faults:
  bulb-gone: {title: Bulb gone, remedy: Fit a new one., part: bulb}
stops:
  other: {title: A lamp with a battery, reason: out-of-scope}
  beyond: {title: Beyond this tree, reason: out-of-scope}
  dim-lamp: {title: It is only dim, reason: out-of-scope, see: lamp/dim}
"""


@pytest.mark.parametrize("name", shipped_library().own_trees())
def test_no_end_of_another_complaint_or_kind_of_unit_is_offered(name: str) -> None:
    tree = shipped_library().load(name)
    onto = {
        target
        for step in tree.steps.values()
        for outcome, target in step.targets.items()
        if {(step.id, outcome), *step.leaves.get(outcome, ())} & ends_of_unknown_cause(tree).keys()
    }
    ends = {tree.stops[end] for end in onto if end in tree.stops}
    assert not [end.id for end in ends if end.see]
    others = {"other-cell", "other-chemistry", "other-job", "desiccant-type", "dry-room"}
    assert not {end.id for end in ends} & {*others, "cold-room", "own-set-up", "open-wire"}


def test_the_probability_of_an_end_is_the_product_of_normal_outcomes() -> None:
    # 0.7 for each of three normal outcomes: common practice, no source.
    lamp = build({"id": "lamp/dark", "tree": yaml.safe_load(LAMP)})
    assert ends_of_unknown_cause(lamp) == pytest.approx({("glow", "dark"): 0.7**3})


@pytest.fixture
def library(tmp_path: Path) -> Library:
    put_tree(tmp_path, LAMP)
    return Library(tmp_path)


def test_a_test_of_a_suspect_is_put_before_the_end_of_an_unknown_cause(library: Library) -> None:
    test = Test(ask="Is the holder firm", shows="loose", fine="firm", minutes=2)
    addition = add_suspect(library, "lamp/dark", Cause(title="Holder loose"), HEARSAY, test=test)
    assert addition.place is not None
    assert (addition.place.step, addition.place.outcome) == ("glow", "dark")


def test_a_tree_without_such_an_end_asks_for_a_place(library: Library) -> None:
    swapped = LAMP.replace("dark: beyond, dim: dim-lamp", "dim: dim-lamp, dark: beyond")
    put_tree(library.root, swapped)
    test = Test(ask="Is the holder firm", shows="loose", fine="firm", minutes=2)
    with pytest.raises(TreeError, match="no end at which a unit arrives") as told:
        add_suspect(library, "lamp/dark", Cause(title="Holder loose"), HEARSAY, test=test)
    assert "--at STEP=OUTCOME" in told.value.remedy


def test_a_suspect_with_a_known_title_is_more_evidence_for_it(library: Library) -> None:
    first = add_suspect(library, "lamp/dark", Cause(title="Moth in the holder"), HEARSAY)
    write_all(first.changes)
    again = add_suspect(library, "lamp/dark", Cause(title="moth  in the Holder"), HEARSAY)
    assert again.fault == first.fault == "moth-in-holder"
    assert "more evidence" in again.trees[0][1]


def test_a_known_title_on_another_part_is_asked_about(library: Library) -> None:
    cause = Cause(title="Bulb gone", part="signal lamp")
    with pytest.raises(TreeError, match="has a fault with this title already") as told:
        add_suspect(library, "lamp/dark", cause, HEARSAY)
    assert "--fault bulb-gone" in told.value.remedy
