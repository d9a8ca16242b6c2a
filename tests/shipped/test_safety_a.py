"""What comes first in the shipped trees, so that following them to the letter hurts nobody.

Common practice of repair benches, no source, where nothing else is named.
"""

from __future__ import annotations

from functools import cache

import pytest

from faulttree.tree import Tree, shipped_library

LIBRARY = shipped_library()


@cache
def load(tree_id: str) -> Tree:
    return LIBRARY.load(tree_id)


def mains_fed(tree_id: str) -> bool:
    return bool(LIBRARY.families[tree_id.partition("/")[0]]["mains"])


FAMILIES = ("angle-grinder", "bench-multimeter", "bench-supply", "dehumidifier", "drying-cabinet")
MAINS = [name for name in LIBRARY.trees() if name.startswith(FAMILIES) and mains_fed(name)]


def reached(tree: Tree, start: str, without: frozenset[str] = frozenset()) -> frozenset[str]:
    """Steps that a walk from ``start`` can come to while it passes none of ``without``."""
    seen: set[str] = set()
    ahead = [start]
    while ahead:
        name = ahead.pop()
        if name in tree.steps and name not in seen and name not in without:
            seen.add(name)
            ahead.extend(tree.steps[name].targets.values())
    return frozenset(seen)


def live(tree: Tree) -> frozenset[str]:
    return frozenset(name for name, step in tree.steps.items() if step.live)


def needing(tree: Tree, instrument: str) -> frozenset[str]:
    return frozenset(name for name, step in tree.steps.items() if instrument in step.needs)


@pytest.mark.parametrize("tree_id", MAINS)
def test_nothing_is_powered_before_a_look_and_an_insulation_test(tree_id: str) -> None:
    # Order as in IEC 62353 and EN 50678 (from memory): inspection, insulation, function.
    tree = load(tree_id)
    if tree.before_power:
        assert_checked_before_power(tree)
    else:
        tested = needing(tree, "insulation-tester")
        assert tested
        assert not reached(tree, tree.start, tested) & live(tree)
    for name in ("lead", "housing"):
        looked = frozenset(step for step in tree.steps if step.endswith(f".{name}"))
        assert not reached(tree, tree.start, looked) & live(tree)


def assert_checked_before_power(tree: Tree) -> None:
    """The walk makes these checks in each round: a look first, insulation in both classes."""
    first, *others = tree.before_power
    assert tree.uses[first.use].procedure == "ready-for-power"
    assert not first.when
    tested = {
        value
        for check in others
        if needing(tree, "insulation-tester") & set(tree.uses[check.use].steps)
        for value in check.when["protection-class"]
    }
    assert tested == {"I", "II"} == set(tree.properties["protection-class"].values)
    lamp = [tree.uses[check.use].procedure for check in others]
    assert lamp[-1] == "first-start"


@pytest.mark.parametrize("tree_id", MAINS)
def test_what_fails_the_insulation_test_is_never_powered(tree_id: str) -> None:
    tree = load(tree_id)
    for name in needing(tree, "insulation-tester"):
        if not name.startswith("closing."):
            assert not reached(tree, tree.steps[name].targets["low"]) & live(tree)


@pytest.mark.parametrize("tree_id", MAINS)
def test_a_powered_proof_of_a_repair_comes_after_a_test_or_a_warning(tree_id: str) -> None:
    tree = load(tree_id)
    for name, fault in tree.faults.items():
        if fault.confirm is not None and tree.steps[fault.confirm.step].live:
            after = tree.steps[fault.confirm.step].after
            guarded = bool(tree.before_power) or "before-power" in after
            assert guarded or "test-before-power" in fault.cautions, name


@pytest.mark.parametrize("tree_id", MAINS)
def test_what_was_opened_is_closed_before_power_or_the_step_says_it_is_live(tree_id: str) -> None:
    tree = load(tree_id)
    bare = {
        name
        for name, step in tree.steps.items()
        if any(state.startswith(OPEN_STATES) for state in step.access)
    }
    after_opening = frozenset().union(*(reached(tree, name) for name in bare))
    for name in live(tree) & after_opening:
        step = tree.steps[name]
        if step.role == "closing":
            continue
        if set(step.access) & bare_states(tree):
            assert "live-working" in {*step.cautions, *tree.cautions}, name
        elif "closed" not in step.access:
            # The walk closes what is exposed before each powered step that does not name it.
            for state in bare_states(tree):
                assert tree.access[state].exposes, (name, state)
                assert tree.access[state].close, (name, state)


OPEN_STATES = ("cover-off", "back-off", "housing-off", "body-open")


def bare_states(tree: Tree) -> set[str]:
    return {state for state in tree.access if state.startswith(OPEN_STATES)}


def test_no_safety_device_is_bridged_even_for_a_test() -> None:
    text = LIBRARY.cautions["no-bypass"]["text"]
    assert text.startswith("Never bridge")
    assert "not even for a test" in text


def test_the_cautions_of_the_trade_are_there_with_their_signal_words() -> None:
    # Signal words of ISO 3864-2: DANGER kills, WARNING can kill, CAUTION injures.
    signals = {name: LIBRARY.cautions[name]["signal"] for name in EXPECTED}
    assert signals == EXPECTED


EXPECTED = {
    "laser": "WARNING",
    "picture-tube": "DANGER",
    "microwave-supply": "DANGER",
    "scald": "WARNING",
    "alkaline-leakage": "CAUTION",
    "isolating-transformer": "WARNING",
    "earthed-probe": "WARNING",
    "abrasive-wheel": "WARNING",
    "refrigerant": "WARNING",
    "live-working": "DANGER",
    "sealed-supply": "DANGER",
    "damaged-cell": "DANGER",
}


# -- the bench supply --------------------------------------------------------------------

SUPPLY = "bench-supply/no-output"


def test_the_voltage_selector_is_read_before_any_power() -> None:
    tree = load(SUPPLY)
    assert not reached(tree, tree.start, frozenset({"selector"})) & live(tree)
    assert not reached(tree, tree.steps["selector"].targets["differ"]) & live(tree)


def test_closed_and_unpowered_tests_come_before_the_cover_is_off_under_power() -> None:
    tree = load(SUPPLY)
    for first in ("settings", "terminals", "fuse", "plug-pins", "output-short"):
        assert "reservoir" not in reached(tree, tree.start, frozenset({first})), first


def test_a_shorted_pass_transistor_is_found_and_no_load_is_put_on_before() -> None:
    for tree_id in (SUPPLY, "bench-supply/output-not-steady"):
        tree = load(tree_id)
        assert "shorted-pass-transistor" in tree.faults
        assert any("collector to emitter" in step.text for step in tree.steps.values())
    tree = load(SUPPLY)
    high = reached(tree, tree.steps["terminals"].targets["high"])
    assert not high & live(tree)
    assert "high-transistor.short" in high
    for fuse_blown in ("fuse-cause", "fired-crowbar", "crowbar-cause"):
        assert tree.steps[fuse_blown].targets["low"] == "shorted-pass-transistor"


def test_an_output_that_reads_low_is_measured_unpowered() -> None:
    tree = load(SUPPLY)
    assert tree.steps["output-short"].targets["low"] == "off-output.unplug"
    assert {"shorted-reverse-diode", "shorted-output-capacitor"} <= set(tree.faults)
    assert (tree.faults["dry-reservoir"].weight or 0) < (tree.faults["set-wrong"].weight or 0)


def test_every_capacitor_that_power_charged_is_discharged_before_the_inside_is_touched() -> None:
    step = load(SUPPLY).steps["aux-off.bleed"]
    assert "the reservoir and the auxiliary smoothing capacitor" in step.text


# -- tools and cabinets --------------------------------------------------------------------


def test_no_wheel_turns_before_the_grinder_ran_calmly_without_one() -> None:
    tree = load("angle-grinder/vibrates")
    wheel_on = {name for name, step in tree.steps.items() if "wheel-on" in step.access}
    assert wheel_on
    for first in ("wheel", "flanges", "spindle-play", "run-out", "bare-run"):
        assert not reached(tree, tree.start, frozenset({first})) & wheel_on, first
    for name in wheel_on:
        assert "lamped" in tree.steps[name].how, name
        assert "rcd-socket" in tree.steps[name].needs, name


def test_the_restart_lock_is_changed_unplugged_and_tried_closed() -> None:
    tree = load("angle-grinder/does-not-run")
    assert not tree.steps["lock-fitted"].live
    assert "body-open" not in tree.steps["lock-run"].access
    assert "rcd-socket" in tree.steps["lock-run"].needs
    assert "suppressor" in reached(tree, tree.steps["run"].targets["trips"])
    assert tree.steps["suppressor"].on == ("suppressor",)


def test_mains_parts_of_a_cabinet_are_measured_only_when_proved_dead() -> None:
    tree = load("drying-cabinet/does-not-heat")
    dead = {name for name, step in tree.steps.items() if "mains" in step.proves_dead}
    assert {"unplug", "unplug-sensor", "unplug-inlet"} <= dead
    for name in ("door", "cutout", "element", "element-blown", "lead-switch.line"):
        assert dead & set(tree.steps[name].after), name
    for name in ("door", "sensor.room", "element-blown"):
        assert name not in reached(tree, tree.start, frozenset(dead)), name


def test_a_shorted_relay_is_looked_for_before_the_cabinet_runs() -> None:
    tree = load("drying-cabinet/temperature-wrong")
    runs = {"settings", "cold-compare", "set-hold", "warm-compare", "spread", "swing"}
    # Pin to pin of the unplugged plug, a shorted relay reads as low as the element does.
    assert not reached(tree, tree.start, frozenset({"plug-relay"})) & runs
    suspect = tree.steps["plug-relay"].targets["low"]
    assert not reached(tree, suspect, frozenset({"relay"})) & live(tree)


def test_a_repair_is_not_proved_by_what_passes_with_the_fault_still_there() -> None:
    tree = load("drying-cabinet/does-not-heat")
    proofs = {name: fault.confirm.step for name, fault in tree.faults.items() if fault.confirm}
    assert proofs["shorted-relay"] == "relay-short"
    assert proofs["stopped-fan"] == "fan-blows"
    assert proofs["leaky-heater"] == "element-frame"


@pytest.mark.parametrize("name", ["does-not-run", "collects-no-water"])
def test_flammable_refrigerant_and_leaks_are_asked_for_before_power(name: str) -> None:
    tree = load(f"dehumidifier/{name}")
    for first in ("plate", "oil"):
        assert not reached(tree, tree.start, frozenset({first})) & live(tree)
    assert tree.stops[tree.steps["oil"].targets["oily-traces"]].reason == "licensed"


def test_a_rail_that_may_stand_on_the_mains_gets_no_earthed_instrument() -> None:
    step = load("dehumidifier/does-not-run").steps["rail"]
    assert "earthed-probe" in step.cautions
    assert "joined to the mains" in step.how


def test_nothing_is_cooled_with_the_breath_over_open_live_parts() -> None:
    assert "breath" not in load("bench-supply/output-not-steady").steps["reference-drift"].how
