"""Drawings and walk sheets of trees that say what is safe."""

from __future__ import annotations

from faulttree.diagram.chart import POWER, POWERED, chart_of
from faulttree.diagram.overlay import with_case
from faulttree.diagram.walk_sheet import sheet_data, sheet_html
from faulttree.walk import events as ev
from faulttree.walk import fold
from tests.tree.samples import tree_of

TREE = tree_of()


def links() -> dict[tuple[str, str], tuple[tuple[str, ...], str]]:
    return {(link.tail, link.head): (link.outcomes, link.mark) for link in chart_of(TREE).links}


def test_checks_before_power_are_one_block_with_their_ends() -> None:
    found = links()
    assert found[POWER, "before-power.look"] == ((), "")
    assert found["before-power.look", "before-power.insulation-1"][0] == ("sound",)
    assert found["before-power.look", "not-safe-to-power"][0] == ("damaged",)
    assert found["before-power.insulation-1", POWERED][0] == ("good",)
    assert found["before-power.insulation-1", "leaky"][0] == ("low",)
    box = chart_of(TREE).boxes["before-power.insulation-1"]
    assert "protection-class: I" in box.small


def test_unfolded_the_block_shows_its_steps() -> None:
    chart = chart_of(TREE, unfold=True)
    pairs = {(link.tail, link.head) for link in chart.links}
    assert ("before-power.look.look", "before-power.insulation-1.ohms") in pairs
    assert ("before-power.insulation-1.ohms", POWERED) in pairs


def test_a_stop_by_property_is_dashed_and_named() -> None:
    dashed = [key for key, (_, mark) in links().items() if mark == "by-property"]
    assert [tail for tail, _ in dashed] == ["terminals"]
    assert links()[dashed[0]][0] == ("supply: dropper",)


def test_closing_steps_stand_only_in_the_drawing_of_a_case() -> None:
    assert "close.cover-off" not in chart_of(TREE).boxes
    events = [
        ev.Opened(tree=TREE.id, tree_hash=TREE.hash),
        ev.Answered(step="before-power.look.look", outcome="sound"),
        ev.Answered(step="before-power.insulation-1.ohms", outcome="inside"),
        ev.Answered(step="rail", outcome="inside"),
        ev.Answered(step="close.cover-off", outcome="done"),
        ev.Answered(step="terminals", outcome="taken"),
    ]
    chart = with_case(chart_of(TREE), TREE, fold(TREE, events))
    walked = {(link.tail, link.head) for link in chart.links if link.mark == "walked"}
    assert "close.cover-off" in chart.boxes
    assert {("rail", "close.cover-off"), ("close.cover-off", "terminals")} <= walked
    assert (POWER, "before-power.look") in walked
    assert ("before-power.insulation-1", POWERED) in walked


def test_a_walk_sheet_says_what_comes_before_power() -> None:
    data = sheet_data(TREE)
    assert [step["number"] for step in data["power"]] == ["P1", "P2"]
    assert "Only where protection-class is I." in data["power"][1]["small"]
    rail, terminals = (
        next(step for step in data["steps"] if step["id"] == name) for name in ("rail", "terminals")
    )
    assert any("must have passed since the last repair" in line for line in rail["small"])
    assert any(line.startswith("Closed for this (cover-off)") for line in terminals["small"])
    assert {"outcome": "supply: dropper", "goal": "stop S2: Sealed"} in terminals["outcomes"]
    assert "Before power, and again after each repair" in sheet_html(TREE)
