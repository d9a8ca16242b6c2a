"""Order of tests in the trees of bench tools, computers, lamps and reels.

Which order is safe is common practice of the trade, no source, unless a check names one.
"""

from __future__ import annotations

from collections import deque
from functools import cache

import pytest

from faulttree.reading import judge, parse_quantity, resolve_limits
from faulttree.tree import Tree, shipped_library
from faulttree.walk.script import Script, play

LIBRARY = shipped_library()
NOW = "2026-11-25T09:00:00.000Z"


@cache
def load(tree_id: str) -> Tree:
    return LIBRARY.load(tree_id)


def without(tree: Tree, *barred: str) -> set[str]:
    """Steps that some way from the start comes to without asking a barred step."""
    if tree.start in barred:
        return set()
    seen, queue = {tree.start}, deque([tree.start])
    while queue:
        for target in tree.steps[queue.popleft()].targets.values():
            if target in tree.steps and target not in seen and target not in barred:
                seen.add(target)
                queue.append(target)
    return seen


def comes_before(tree: Tree, first: str, then: str) -> bool:
    """Whether every way to ``then`` asks ``first``."""
    assert first in tree.steps, first
    assert then in tree.steps, then
    return then not in without(tree, first)


def test_every_insulation_method_ends_in_a_reading() -> None:
    tree = load("extension-reel/fails-safety-test")
    use = tree.uses["before-power.insulation-test"]
    method = tree.steps[use.start]
    assert set(method.targets.values()) == set(use.steps) - {use.start}
    outcomes = [tree.steps[name].targets for name in method.targets.values()]
    assert all(set(found.values()) == set(use.exits.values()) for found in outcomes)


def walked(tree_id: str, *entries: dict[str, object]) -> str:
    """The fault, found or likely, the stop, or the step asked next."""
    tree = load(tree_id)
    script = Script(unit={"family": tree.family}, complaint="x", answers=entries)
    state, _ = play(tree, script, emit=lambda _: None, clock=lambda: NOW)
    if state.end is not None:
        return state.end.id
    if state.phase == "likely" and state.reached is not None:
        return state.reached.fault
    assert state.ask is not None
    return state.ask.id


def sure(shown: str) -> dict[str, object]:
    return {"reading": shown, "sure": True, "in_circuit": False}


@pytest.mark.parametrize(
    ("tree_id", "first", "then"),
    [
        # An iron whose heater is shorted would ruin the good station, or its fuse.
        ("soldering-station/does-not-heat", "heater", "iron-plug"),
        ("soldering-station/does-not-heat", "pins", "panel"),
        # At half its voltage a supply fails with a bang at switch-on.
        ("desktop-supply/does-not-start", "selector", "standby"),
        ("desktop-supply/does-not-start", "reseat", "standby"),
        ("corded-drill/does-not-run", "lever", "run"),
        ("corded-drill/does-not-run", "pins", "run"),
        # A source charges a built-in cell, so the cell is judged before.
        ("usb-lamp/does-not-light", "cell", "source"),
        # What feeds it decides which limits hold (USB 2.0: 4.40 V at a low-power port, memory).
        ("usb-hub/devices-drop-out", "feed", "adaptor-volts"),
        ("extension-reel/no-power", "own-device", "wires"),
        ("extension-reel/no-power", "plug-fuse", "wires"),
        ("extension-reel/no-power", "grip", "sockets-lit"),
        ("extension-reel/fails-safety-test", "electronics", "between.insulation"),
        ("extension-reel/fails-safety-test", "swapped", "loaded"),
    ],
)
def test_every_way_asks_the_one_before_the_other(tree_id: str, first: str, then: str) -> None:
    assert comes_before(load(tree_id), first, then)


def test_a_lamp_with_a_cell_gets_no_source_before_its_cell_is_read() -> None:
    tree = load("usb-lamp/does-not-light")
    assert tree.steps["cell"].targets["lithium"] == "battery"
    # Below 2.0 V never recharge, above 4.2 V overcharged: common practice, no source.
    for shown, end in (("1.6 V", "dead-cell"), ("4.4 V", "damaged-cell-stop"), ("3.7 V", "source")):
        entries = ({"outside.outside": "clean"}, {"cell": "lithium"}, {"battery": sure(shown)})
        asked = "close.head-open" if end == "source" else end
        assert walked("usb-lamp/does-not-light", *entries) == asked


def test_the_reel_is_tested_again_before_it_is_loaded_after_a_repair() -> None:
    tree = load("extension-reel/fails-safety-test")
    checks = [check.id for check in tree.before_power]
    assert {"earth-path", "insulation-test", "plug-short"} <= set(checks)
    assert "swapped" in tree.steps["loaded"].after
    # What a check finds is looked for further, unplugged, and is no end.
    for check, exit_ in (("earth-path", "high"), ("insulation-test", "low")):
        on = tree.uses[f"before-power.{check}"].exits[exit_]
        assert not tree.steps[on].live


def test_a_reel_is_judged_by_the_length_of_its_cable() -> None:
    tree = load("extension-reel/no-power")
    limits = tree.steps["before-power.earth-path.path"].limits or {}
    # 50 m of 1.5 mm² copper, 0.0175 Ω mm²/m at 20 °C (IEC 60028), and 0.1 Ω more.
    ratings = {"earth-conductor": parse_quantity("0.58 Ω")}
    found = resolve_limits(limits, readings={}, ratings=ratings)
    assert judge(parse_quantity("0.6 Ω"), found).outcome == "inside"
    assert judge(parse_quantity("0.7 Ω"), found).outcome == "high"


def test_a_reel_with_a_device_is_not_tested_from_line_to_neutral_at_500_v() -> None:
    tree = load("extension-reel/fails-safety-test")
    assert not tree.steps["electronics"].targets["fitted"].startswith("between")
    assert tree.steps["swapped"].targets["behind-device"] == "loaded"


def test_a_burnt_lead_ends_with_a_remedy() -> None:
    entries = ({"look.lead": "damaged"}, {"what": "lead-or-plug"})
    assert walked("soldering-station/does-not-heat", *entries) == "damaged-lead"


def judged(tree: Tree, step: str, shown: str) -> str:
    found = tree.steps[step]
    limits = resolve_limits(found.limits or {}, unit=found.unit, readings={}, ratings={})
    return str(judge(parse_quantity(shown), limits).outcome)


def test_a_suppressor_with_a_bleeder_is_not_condemned() -> None:
    tree = load("corded-drill/does-not-run")
    assert judged(tree, "suppressor", "470 kΩ") == "inside"
    assert judged(tree, "suppressor", "3 Ω") == "low"


def test_burnt_bars_are_blamed_only_once_every_coil_is_good() -> None:
    tree = load("corded-drill/sparks-and-smells")
    film = [step for step in tree.steps if step.endswith(".film")]
    assert film
    for step in film:
        use = step.partition(".")[0]
        assert tree.steps[step].targets["marked"] == "burnt-commutator"
        for measured in ("odd", "shaft"):
            assert comes_before(tree, f"{use}.{measured}", step)
        # 10 % of 0.1 Ω is below what a meter tells: 1 A from a supply shows it as millivolts.
        assert "bench-supply" in tree.steps[f"{use}.mean"].needs


@pytest.mark.parametrize(("shown", "end"), [("OL", "open-field"), ("1.2 Ω", "shorted-field")])
def test_an_open_second_field_coil_is_open_and_not_shorted(shown: str, end: str) -> None:
    # Field coils agree within 10 %: common practice, no source.
    tree = load("corded-drill/does-not-run")
    second = tree.steps["field.second"]
    limits = resolve_limits(
        second.limits or {},
        unit=second.unit,
        readings={"field.first": parse_quantity("2.4 Ω")},
        ratings={},
    )
    step = second.targets[judge(parse_quantity(shown, "ohm"), limits).outcome]
    if step == "field.which":
        step = tree.steps[step].targets["over-range"]
    assert step == end


def test_good_field_coils_are_measured_to_the_core() -> None:
    tree = load("corded-drill/does-not-run")
    assert tree.steps["field.second"].targets["inside"] == "field.core"
    assert judged(tree, "field.core", "40 kΩ") == "low"


def test_a_broken_heat_path_shows_as_cool_metal() -> None:
    tree = load("usb-lamp/flickers")
    assert tree.steps["warm"].targets["low"] == "paste"
    assert tree.steps["warm"].targets["high"] != "paste"


def test_a_hot_processor_is_found_by_a_reading() -> None:
    tree = load("desktop-supply/shuts-down-under-load")
    assert tree.steps["temperatures"].targets["high"] == "worn-thermal-paste"
    assert not tree.loose


def test_a_burnt_power_plug_is_looked_for_where_the_wire_side_reads_well() -> None:
    tree = load("desktop-supply/shuts-down-under-load")
    onward = tree.steps[tree.steps["rail-12"].targets["inside"]]
    assert onward.targets["high"] == "burnt-plug"
    assert tree.faults["burnt-plug"].confirm is not None
    assert tree.faults["burnt-plug"].confirm.step == onward.id


@pytest.mark.parametrize("tree_id", LIBRARY.trees())
def test_no_handbook_stands_as_a_source_without_its_name(tree_id: str) -> None:
    for fault in load(tree_id).faults.values():
        for one in fault.evidence:
            assert "handbook" not in one.source, fault.id


def test_a_hub_on_the_computer_alone_is_asked_nothing_of_an_adaptor() -> None:
    tree = load("usb-hub/devices-drop-out")
    for step in ("feed", "kind-loaded", "kind-feed"):
        assert tree.steps[step].property == "hub-feed"
    barred = {(step, "adaptor") for step in ("feed", "kind-loaded", "kind-feed")}
    seen, queue = {tree.start}, deque([tree.start])
    while queue:
        name = queue.popleft()
        for outcome, target in tree.steps[name].targets.items():
            if target in tree.steps and target not in seen and (name, outcome) not in barred:
                seen.add(target)
                queue.append(target)
    assert "port-loaded-bus" in seen
    assert not any("daptor" in tree.steps[name].text for name in seen)
    # A low-power port may fall to 4.40 V: USB 2.0, from memory.
    assert judged(tree, "port-loaded-bus", "4.5 V") == "inside"
    assert judged(tree, "port-loaded", "4.5 V") == "low"


@pytest.mark.parametrize(
    ("marked", "shown", "outcome"),
    [("12 V", "11.8 V", "inside"), ("12 V", "10 V", "low"), ("5 V", "12 V", "high")],
)
def test_an_adaptor_is_judged_by_the_voltage_marked_on_its_hub(
    marked: str, shown: str, outcome: str
) -> None:
    step = load("usb-hub/devices-drop-out").steps["adaptor-loaded"]
    ratings = {"adaptor-voltage": parse_quantity(marked)}
    limits = resolve_limits(step.limits or {}, unit=step.unit, readings={}, ratings=ratings)
    assert judge(parse_quantity(shown), limits).outcome == outcome


def test_the_leds_of_a_lamp_are_tested_also_where_its_cell_is_soldered() -> None:
    tree = load("usb-lamp/does-not-light")
    assert set(tree.steps["cell-plug"].targets.values()) == {"switch", "emitters"}
    assert tree.steps["switch-volts"].targets["high"] == "bad-lamp-switch"


def test_a_pack_is_closed_and_looked_at_before_it_meets_a_charger() -> None:
    for tree_id, step in (
        ("tool-battery/charger-refuses-pack", "other-charger"),
        ("tool-battery/runs-short", "charged"),
        ("tool-battery/runs-short", "week"),
    ):
        tree = load(tree_id)
        assert tree.access["pack-open"].closing_step in tree.steps
        assert tree.steps[step].live
        assert "pack-open" not in tree.steps[step].access
        assert tree.before_power[0].use.endswith("battery-look")
