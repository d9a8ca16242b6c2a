# ruff: noqa: E501
"""The rules: each finds what breaks it, at its line and column, and nothing once corrected."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from faulttree.errors import TreeError
from faulttree.rules import FAMILIES, Finding, all_rules, check_paths, fit_to_walk, rules_page
from faulttree.rules.known import without_known
from faulttree.tree import Edit, Library
from tests.rules.samples import PROCEDURE, TREE, USING, a_library, found_by
from tests.work import HANG

# rule, what stands in the good tree, what stands there instead; ¦ is before the place.
BREAKING = [
    # shape
    ("unreadable", "stops:\n", "stops: ¦]\n"),
    ("duplicate-key", "minutes: 4\n", "minutes: 4\n    ¦minutes: 5\n"),
    ("odd-key", "    minutes: 4\n", "    ¦<<: {minutes: 4}\n"),
    ("foreign-tag", "minutes: 4\n", "minutes: ¦!!python/name:os.system 4\n"),
    ("hidden-character", "how: Unplug first.", "how: Unplug¦\u202e first."),
    ("hidden-character", "how: Unplug first.", 'how: ¦"Unplug\\e[2J first."'),
    ("unknown-key", "    how: Unplug first.\n", "    ¦hwo: Unplug first.\n"),
    ("missing-key", "title: Reservoir dried out\n    ", ""),
    ("bad-id", "  fuse:\n    ask", "  ¦Fuse_A:\n    ask"),
    ("empty-text", "ask: Is the mains fuse intact?", 'ask: ¦""'),
    ("bad-value", "minutes: 4\n", "minutes: ¦soon\n"),
    ("step-kind", "  fuse:\n", "  ¦fuse:\n    do: Look\n"),
    ("limits-form", "{nominal: 34 V, tolerance", "¦{nominal: 34 V, max: 40 V, tolerance"),
    ("duplicate-id", "stops:\n", "stops:\n  ¦fuse: {title: X, reason: unsafe}\n"),
    ("family-folder", "family: bench-supply", "family: ¦desktop-supply"),
    ("outside-beside", "{low: discharge,", "{low: discharge, ¦outside: wrong-tap,"),
    ("bad-duration", "wait: 30 s", "wait: ¦a while"),
    ("accepted-for-nothing", "closing:", "accepted:\n  - ¦{rule: far-end, reason: why not}\nclosing:"),
    (
        "accepted-for-nothing",
        "closing:",
        "accepted:\n  - {rule: ¦far-and, reason: why not}\nclosing:",
    ),
    # graph
    ("unknown-target", "high: wrong-tap}", "high: ¦wrong-tab}"),
    ("unknown-step", "confirm: {step: rail-volts", "confirm: {step: ¦rail-vlots"),
    ("stray-sign", "signs: {ripple: rough}", "signs: {¦ripples: rough}"),
    ("unknown-access", "access: [cover-off]\n    live", "access: [¦cover-of]\n    live"),
    ("unknown-store", "access: [cover-off]\n    live", "on: [¦resevoir]\n    access: [cover-off]\n    live"),
    ("unknown-property", "access: [cover-off]\n    live", "stop_if: {¦suply: {linear: hand-over}}\n    access: [cover-off]\n    live"),
    ("close-missing", "cover-off: {minutes: 6,", "¦cover-off: {exposes: [voltage], minutes: 6,"),
    ("later-word", "stops:\n", "  ¦mains: {title: Wrong mains, remedy: Set the selector., weight: 1}\nstops:\n", "steps:\n", "stores: {c-1: {voltage: 34 V}}\nsteps:\n"),
    ("unknown-procedure", "use: diode-test", "use: ¦diode-tset"),
    ("procedure-takes", "    part: D1 to D4\n", ""),
    ("exit-without-target", "exits: {good: tired-fuse, bad: open-bridge}", "¦exits: {good: tired-fuse}"),
    ("unknown-exit", "{good: tired-fuse, bad", "{good: tired-fuse, ¦worse: tired-fuse, bad"),
    ("ring-of-steps", "{inside: hand-over, high: set", "{inside: ¦discharge, high: set"),
    ("ring-of-steps", "    then: esr", "    then: ¦discharge"),
    ("ring-of-steps", "{good: tired-fuse, bad", "{good: ¦junctions, bad"),
    ("dead-end", "stops:\n", "stops:\n", "  fuse:\n    ask", "  ¦open-up: {do: Open, then: look}\n  look: {do: Look, then: again}\n  again: {do: Look, then: look}\n  fuse:\n    ask"),
    ("step-never-reached", "quiet: not-seen, rough", "quiet: not-seen, rough", "  ripple:\n", "  ¦lost: {do: Look, then: hand-over}\n  ripple:\n"),
    ("step-never-reached", "blown: junctions}", "blown: tired-fuse}", "  junctions:", "  ¦junctions:"),
    ("stop-never-reached", "stops:\n", "stops:\n  ¦far-off: {title: Far, reason: unsafe}\n"),
    ("loose-suspect", "stops:\n", "  ¦joint: {title: Joint, remedy: Resolder., weight: 1}\nstops:\n"),
    ("one-answer-only", "{intact: rail-volts, blown: junctions}", "¦{intact: rail-volts}"),
    ("nothing-turns-on-it", "{inside: hand-over, high: set-wrong}", "{inside: set-wrong, high: set-wrong}", "  terminal:\n", "  ¦terminal:\n"),
    ("nothing-turns-on-it", "{good: tired-fuse, bad: open-bridge}", "{good: tired-fuse, bad: tired-fuse}", "  junctions:\n", "  ¦junctions:\n"),
    ("fault-without-test", "start: fuse\nsteps:\n", "start: open-it\nsteps:\n  open-it: {do: Open it, then: ¦tired-fuse}\n"),
    ("far-end", "    minutes: 2\n    wait: 30 s", "    minutes: 600\n    wait: 30 s", "start: fuse", "start: ¦fuse"),
    ("waits-in-ring", "    after: [discharge]", "    ¦after: [esr]"),
    ("states-exclude", "access:\n  cover-off: {minutes: 6, how: Four screws underneath.}", "access:\n  cover-off: {group: cover}\n  cover-on: {group: cover}", "    access: [cover-off]\n    live", "    ¦access: [cover-off, cover-on]\n    live"),
    # limits
    ("impossible-limit", "{nominal: 34 V, tolerance: 10 %,", "{min: ¦37 V, max: 30 V,"),
    ("impossible-limit", "{nominal: 34 V,", "{nominal: ¦34 W4,"),
    ("impossible-limit", "tolerance: 10 %", "tolerance: ¦10 A"),
    ("impossible-limit", "from: 0.1 V}", "from: ¦0.2 V}"),
    ("impossible-limit", "from: 0.1 V}", "from: ¦0.05 V}"),
    ("impossible-limit", "rated: 50 V,", "rated: ¦400 V,"),
    ("impossible-limit", "limits: {nominal: 34 V, tolerance: 10 %,", 'limits: ¦{min: {formula: u, from: {u: rail}}, max: 30 V, unit: V,'),
    ("impossible-limit", "limits:\n      bands:\n        - {name: quiet, below: 0.1 V}", 'limits:\n      ¦unit: V\n      bands:\n        - {name: quiet, below: {formula: u / 2, from: {u: rail}}}'),
    ("impossible-limit", '"u / 2"', '¦"u // 2"'),
    ("outcome-without-target", "results: {low: discharge, inside: ripple, high: wrong-tap}", "¦results: {low: discharge, inside: ripple}", "{title: Tap set wrong", "{title: Tap set wrong"),
    ("outcome-without-target", "results: {quiet: not-seen, rough: lost-ground}", "¦results: {quiet: not-seen}"),
    ("outcome-never-given", "{inside: hand-over, high: set", "{¦low: hand-over, inside: hand-over, high: set"),
    ("outcome-never-given", "{quiet: not-seen, rough: lost", "{quiet: not-seen, ¦rogh: not-seen, rough: lost"),
    ("limit-without-source", "limits: {nominal: 34 V, tolerance: 10 %, source: measured here}", "limits: ¦{nominal: 34 V, tolerance: 10 %}"),
    ("limit-without-unit", '{max: {formula: "u / 2", from: {u: rail-volts}}, unit: V,', "¦{max: 7 m,"),
    ("limit-without-unit", '{max: {formula: "u / 2", from: {u: rail-volts}}, unit: V,', "¦{max: 7,"),
    ("outside-of-one-side", "{inside: hand-over, high: set-wrong}", "{inside: hand-over, ¦outside: set-wrong}"),
    ("tolerance-beyond-nominal", "nominal: 34 V, tolerance: 10 %", "nominal: 5 V, tolerance: ¦6 V"),
    ("formula-never-known", "from: {u: rail-volts}", "from: {u: ¦rail-vlots}"),
    ("formula-never-known", "from: {u: rail-volts}", "from: {u: ¦fuse}"),
    ("formula-never-known", "below: 0.1 V}", "below: {formula: u, from: {u: ¦rail-vlots}}}"),
    ("formula-never-known", "from: {u: rail-volts}", "from: {u: ¦ripple}"),
    ("formula-may-miss", "{good: tired-fuse, bad: open", "{good: terminal, bad: open", "u: rail-volts}", "u: ¦rail-volts}"),
    ("formula-mixes-units", '"u / 2", from: {u: rail-volts}', '¦"u + e", from: {u: rail-volts, e: esr}'),
    ("rating-named-as-step", "ratings:\n", "ratings:\n  ¦ripple: {unit: V}\n"),
    ("bad-rating", "{one-channel: 34 V}", "{one-channel: ¦34 A}"),
    ("bad-rating", "rail: {unit: V,", "rail: {unit: ¦volume,"),
    ("unknown-unit", "    limits: {max: {formula: \"u / 2\", from: {u: rail-volts}}, unit: V, source: the sheet}\n    results: {inside: hand-over, high: set-wrong}", "    unit: ¦volume\n    then: hand-over"),
    # evidence
    ("weight-missing", "  wrong-tap: {title: Tap set wrong, remedy: Set it right., weight: 1}", "  ¦wrong-tap: {title: Tap set wrong, remedy: Set it right.}"),
    ("stray-sign", "signs: {ripple: rough}", "signs: {ripple: ¦ruogh}"),
    ("unknown-outcome", "gives: inside}", "gives: ¦insdie}"),
    ("sign-against-path", "signs: {ripple: rough}", "signs: {esr: ¦inside}"),
    ("confirm-shows-nothing", "gives: inside}", "gives: ¦low}"),
    ("confirm-shows-nothing", "{step: rail-volts, gives: inside}", "{step: discharge, gives: ¦done}"),
    ("confirm-unreachable", "blown: junctions}", "blown: tired-fuse}", "{step: rail-volts, gives: inside}", "{step: ¦junctions, gives: good}"),
    ("reported-only", "    evidence:\n      - {kind: confirmed,", "    ¦evidence:\n      - {kind: reported,"),
    ("contradicted-without-reason", "- {kind: confirmed,", "- ¦{kind: contradicted,"),
    # safety
    ("unknown-caution", "[live-working]\n    needs: [multimeter]", "[¦live-wroking]\n    needs: [multimeter]"),
    ("unknown-caution", "cautions: [mains]", "cautions: [¦main]"),
    ("unknown-instrument", "needs: [esr-meter]", "needs: [¦esr-metre]"),
    ("hazardous-charge", "do: Unplug and discharge the reservoir", "do: ¦Discharge the 470 µF, 400 V reservoir", "cautions: [stored-charge]\n    minutes: 2", "minutes: 2"),
    ("hazardous-energy", "do: Unplug and discharge the reservoir", "do: ¦Discharge the 4700 µF, 100 V bank", "cautions: [stored-charge]\n    minutes: 2", "minutes: 2"),
    ("hazardous-energy", "unit: V, source: the sheet}", "unit: V, source: the sheet}", '{max: {formula: "u / 2", from: {u: rail-volts}}, unit: V,', "{max: ¦25 J,"),
    ("hazard-not-told", "needs: [multimeter]\n    minutes: 4", "needs: [multimeter, ¦dummy-load]\n    minutes: 4"),
    ("hazard-not-told", '{max: {formula: "u / 2", from: {u: rail-volts}}, unit: V,', "{max: ¦90 °C,"),
    ("safety-test-by-hand", "needs: [esr-meter]", "needs: [esr-meter, insulation-tester]", "  esr:\n", "  ¦esr:\n"),
    ("mains-without-closing", "closing: [class-1-safety]\n", "", "family: bench", "family: ¦bench"),
    ("mains-without-closing", "closing: [class-1-safety]\n", "closing: ¦[]\n"),
    ("family-folder", "family: bench-supply", "family: ¦usb-lamp"),
]  # fmt: skip


def found_in(folder: Path, tree: str, **more: str) -> tuple[Finding, ...]:
    library = a_library(folder, tree, **more)
    return found_by([library.path_of("bench-supply/no-output")], library)


def swapped(text: str, *pairs: str) -> tuple[str, tuple[int, int] | None]:
    """The text with swaps made, and the marked place in it."""
    for old, new in zip(pairs[::2], pairs[1::2], strict=True):
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    before, mark, _ = text.partition("¦")
    if not mark:
        return text, None
    return text.replace("¦", ""), (before.count("\n") + 1, len(before.rsplit("\n", 1)[-1]) + 1)


def test_the_good_tree_is_clean(tmp_path: Path) -> None:
    assert found_in(tmp_path, TREE) == ()


@pytest.mark.parametrize(
    ("rule", "swaps"), [(rule, swaps) for rule, *swaps in BREAKING], ids=[b[0] for b in BREAKING]
)
def test_each_rule_finds_what_breaks_it_at_its_place(
    tmp_path: Path, rule: str, swaps: list[str]
) -> None:
    broken, place = swapped(TREE, *swaps)
    found = found_in(tmp_path, broken)
    mine = [finding for finding in found if finding.rule == rule]
    assert mine, [(f.rule, f.line, f.column, f.message) for f in found]
    assert all(finding.level == all_rules()[rule].level for finding in mine)
    assert all(finding.message and finding.remedy for finding in mine)
    if place is not None:
        assert place in [(finding.line, finding.column) for finding in mine]
    assert found_in(tmp_path, TREE) == ()


# -- hazards ---------------------------------------------------------------------------

VOLTS = '{max: {formula: "u / 2", from: {u: rail-volts}}, unit: V, source: the sheet}'
BARE = TREE.replace("cautions: [mains]\n", "")

# Thresholds: IEC 61010-1 (30 V r.m.s., 42.4 V peak) and IEC 60335-1 (42.4 V d.c.), memory.
HAZARDS = [
    ("Voltage at the terminals", "{max: 42.4 V}", False),
    ("Voltage at the terminals", "{max: 42.5 V}", True),
    ("Voltage at the terminals", "{min: -325 V, max: 1 V}", True),
    ("Voltage at the terminals", "{min: 60 V}", True),
    ("Voltage at the terminals", "{nominal: 42 V, tolerance: 5 %}", True),
    ("Voltage at the terminals", "{max: 30 V AC}", False),
    ("Voltage at the terminals", "{max: 31 V AC}", True),
    ("AC voltage at the terminals", "{max: 31 V}", True),
    ("R.m.s. voltage at the terminals", "{max: 31 V}", True),
    ("DC voltage at the terminals", "{max: 31 V}", False),
    ("DC voltage behind the AC adaptor", "{max: 31 V}", False),
    ("AC voltage before the DC side", "{max: 31 V}", True),
    ("Ripple, peak to peak", "{max: 84 V}", False),
    ("Ripple, peak to peak", "{max: 86 V}", True),
    ("Voltage at the terminals", "{max: 50000 mV}", True),
    ("Voltage at the terminals", "{max: 0.1 kV}", True),
    ("Insulation at 500 V d.c.", "{min: 1 MΩ}", True),
    ("Resistance of a 400 V part", "{max: 4 Ω}", False),
    ("Resistance at 20 °C", "{max: 4 Ω}", False),
    ("Mains at the inlet", "{component: mains, quantity: voltage}", True),
    ("Insulation", "{component: insulation, quantity: resistance, protection: I}", True),
    ("Leakage", "{component: electrolytic, quantity: leakage, capacitance: 10 µF, rated: 63 V}", True),
    ("Leakage", "{component: electrolytic, quantity: leakage, capacitance: 10 µF, rated: 25 V}", False),
    ("Capacitance", "{component: film-capacitor, quantity: capacitance, capacitance: 1 µF, tolerance: 10 %, rated: 630 V}", False),
]  # fmt: skip


@pytest.mark.parametrize(("text", "limits", "is_hazard"), HAZARDS)
def test_a_hazardous_voltage_needs_a_caution(
    tmp_path: Path, text: str, limits: str, is_hazard: bool
) -> None:
    tree = BARE.replace("measure: Voltage at the terminals", f"measure: {text}")
    tree = tree.replace(VOLTS, limits).replace(
        "{inside: hand-over, high: set-wrong}", "{outside: hand-over, inside: set-wrong}"
    )
    found = found_in(tmp_path, tree)
    mine = [finding for finding in found if finding.rule == "hazardous-voltage"]
    assert bool(mine) == is_hazard, [(f.rule, f.message) for f in found]
    assert {f.rule for f in found if f.level == "error"} <= {
        "hazardous-voltage",
        "hazardous-charge",
    }


@pytest.mark.parametrize(
    ("capacitor", "is_hazard"),
    [
        # IEC 60335-1, from memory: above 0.1 µF from 42.4 to 450 V.
        ("0.1 µF 450 V", False),
        ("0.11 µF 325 V", True),
        ("0.11 µF 42 V", False),
        # IEC 61010-1, from memory: above 45 µC at any hazardous voltage.
        ("0.01 µF 1000 V", False),
        ("0.046 µF 1000 V", True),
    ],
)
def test_a_hazardous_charge_needs_a_caution(
    tmp_path: Path, capacitor: str, is_hazard: bool
) -> None:
    tree = TREE.replace("Unplug and discharge the reservoir", f"Discharge the {capacitor} part")
    tree = tree.replace("cautions: [stored-charge]\n    minutes: 2", "minutes: 2")
    found = [f.rule for f in found_in(tmp_path, tree)]
    assert ("hazardous-charge" in found) == is_hazard, found


def test_a_rating_of_some_model_can_be_hazardous(tmp_path: Path) -> None:
    by_model = VOLTS.replace(
        '{formula: "u / 2", from: {u: rail-volts}}', '{formula: "r", from: {r: rail}}'
    )
    tree = BARE.replace(VOLTS, by_model)
    assert found_in(tmp_path, tree) == ()
    found = found_in(
        tmp_path, tree.replace("{one-channel: 34 V}", "{one-channel: 34 V, big: 60 V}")
    )
    assert [f.rule for f in found if f.level == "error"] == ["hazardous-voltage"]


def test_a_ring_through_a_procedure_is_told_in_full(tmp_path: Path) -> None:
    tree = TREE.replace("{good: tired-fuse, bad", "{good: fuse, bad")
    (ring,) = [f for f in found_in(tmp_path, tree) if f.rule == "ring-of-steps"]
    assert "fuse → junctions.forward → junctions.reverse → fuse" in ring.message


COVERED = [
    ("by the step", "    needs: [multimeter]\n    minutes: 2\n    limits", "    cautions: [live-working]\n    needs: [multimeter]\n    minutes: 2\n    limits"),
    ("by the tree", "family: bench-supply\n", "family: bench-supply\ncautions: [mains]\n"),
    ("by the access state", "how: Four screws underneath.}", "how: Four screws underneath., cautions: [mains]}"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new"), [c[1:] for c in COVERED], ids=[c[0] for c in COVERED])
def test_a_caution_in_force_covers(tmp_path: Path, old: str, new: str) -> None:
    tree = BARE.replace(VOLTS, "{max: 60 V, source: x}").replace(
        "measure: Voltage at the terminals\n",
        "measure: Voltage at the terminals\n    access: [cover-off]\n",
    )
    assert "hazardous-voltage" in [f.rule for f in found_in(tmp_path, tree)]
    assert old in tree
    assert found_in(tmp_path, tree.replace(old, new, 1)) == ()


def test_a_caution_that_covers_another_hazard_does_not_cover(tmp_path: Path) -> None:
    tree = BARE.replace(VOLTS, "{max: 60 V, source: x}").replace(
        "    minutes: 2\n    limits", "    cautions: [hot-surface]\n    minutes: 2\n    limits", 1
    )
    assert "hazardous-voltage" in [f.rule for f in found_in(tmp_path, tree)]


def test_a_safety_condition_need_not_tell_the_repair_from_the_fault(tmp_path: Path) -> None:
    # `low` is what the fault itself gives: no proof of the repair, yet no harm as a safety check.
    shown = "confirm: {step: rail-volts, gives: low}"
    with_safety = (
        "confirm: [{step: rail-volts, gives: low, safety: true}, {step: rail-volts, gives: inside}]"
    )
    for proof, told in ((shown, True), (with_safety, False)):
        tree = TREE.replace("confirm: {step: rail-volts, gives: inside}", proof)
        rules = [finding.rule for finding in found_in(tmp_path, tree)]
        assert ("confirm-shows-nothing" in rules) is told


def test_what_a_use_is_given_is_found_at_the_use(tmp_path: Path) -> None:
    tree, place = swapped(
        BARE,
        "    use: diode-test\n    part: D1 to D4\n    access: [cover-off]\n",
        "    use: ripple-test\n    part: x\n    with: {largest: ¦90 V}\n",
        "exits: {good: tired-fuse, bad: open-bridge}",
        "exits: {good: tired-fuse, high: open-bridge}",
    )
    library = a_library(
        tmp_path,
        tree,
        shared__procedures__ripple_test=(
            "procedure: ripple-test\ntitle: Ripple\ntakes: {part: text, largest: V}\n"
            "exits: [good, high]\nstart: at-part\nsteps:\n  at-part:\n    measure: Voltage at {part}\n"
            '    limits: {max: "{largest}", source: x}\n    results: {inside: good, high: high}\n'
        ),
    )
    (finding,) = found_by([library.path_of("bench-supply/no-output")], library)
    assert (finding.rule, finding.line, finding.column) == ("hazardous-voltage", *(place or ()))


# -- procedures ------------------------------------------------------------------------

IN_PROCEDURE = [
    ("ring-of-steps", "stays-dark: dark}", "stays-dark: ¦look}"),
    ("exit-never-taken", "exits: [lit, dark]", "exits: [lit, dark, ¦broken]"),
    ("step-never-reached", "  draw:\n", "  ¦lost: {do: Look, then: dark}\n  draw:\n"),
    ("unknown-target", "stays-dark: dark}", "stays-dark: ¦drak}"),
    ("unfilled-name", "ask: Does {part} light?", "ask: ¦Does {prat} light?"),
    ("unknown-caution", "start: look\n", "cautions: [¦hot]\nstart: look\n"),
    ("outcome-without-target", "results: {inside: lit, high: dark}", "¦results: {inside: lit}"),
    ("limit-without-source", 'limits: {max: "{current}", source: the lamp}', 'limits: ¦{max: "{current}"}'),
    ("family-folder", "procedure: lamp-test", "procedure: ¦lamp"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "old", "new"), IN_PROCEDURE, ids=[c[0] for c in IN_PROCEDURE])
def test_what_is_wrong_in_a_procedure_is_found_once_in_its_own_file(
    tmp_path: Path, rule: str, old: str, new: str
) -> None:
    broken, place = swapped(PROCEDURE, old, new)
    twice = USING.replace("good: tired-fuse", "good: tired-fuse")
    library = a_library(tmp_path, twice, shared__procedures__lamp_test=broken)
    mine = [f for f in found_by([], library) if f.rule == rule]
    assert [(Path(f.path).name, (f.line, f.column)) for f in mine] == [("lamp-test.yaml", place)]
    path = tmp_path / "shared" / "procedures" / "lamp-test.yaml"
    path.write_text(PROCEDURE, encoding="utf-8")
    assert found_by([], Library(tmp_path)) == ()


def test_a_procedure_may_take_a_rating_of_the_tree_that_uses_it(tmp_path: Path) -> None:
    by_rating = PROCEDURE.replace('"{current}"', "{formula: r, from: {r: rail}}, unit: V")
    library = a_library(tmp_path, USING, shared__procedures__lamp_test=by_rating)
    assert found_by([], library) == ()
    misspelt = by_rating.replace("{r: rail}", "{r: rial}")
    library = a_library(tmp_path, USING, shared__procedures__lamp_test=misspelt)
    assert [f.rule for f in found_by([], library)] == ["formula-never-known"]


def test_a_formula_may_take_the_mains_of_the_bench(tmp_path: Path) -> None:
    by_mains = PROCEDURE.replace(
        '"{current}"', '{formula: "r / 230", from: {r: mains.voltage}}, unit: V'
    )
    library = a_library(tmp_path, USING, shared__procedures__lamp_test=by_mains)
    assert found_by([], library) == ()
    misspelt = by_mains.replace("mains.voltage", "mains.volts")
    library = a_library(tmp_path, USING, shared__procedures__lamp_test=misspelt)
    assert [f.rule for f in found_by([], library)] == ["formula-never-known"]
    other_unit = by_mains.replace("mains.voltage", "mains.frequency").replace("r / 230", "r")
    library = a_library(tmp_path, USING, shared__procedures__lamp_test=other_unit)
    assert "formula-mixes-units" in {f.rule for f in found_by([], library)}


# -- accepted --------------------------------------------------------------------------


def test_an_accepted_finding_counts_as_clean(tmp_path: Path) -> None:
    tree = TREE.replace(", source: measured here}", "}", 1)
    (finding,) = found_in(tmp_path, tree)
    assert finding.rule == "limit-without-source"
    assert finding.at == "rail-volts"
    entry = "accepted:\n  - {rule: limit-without-source, at: rail-volts, reason: known here}\n"
    assert found_in(tmp_path, tree + entry) == ()
    whole = "accepted:\n  - {rule: limit-without-source, reason: known here}\n"
    assert found_in(tmp_path, tree + whole) == ()
    elsewhere = entry.replace("rail-volts", "ripple")
    assert {f.rule for f in found_in(tmp_path, tree + elsewhere)} == {
        "limit-without-source",
        "accepted-for-nothing",
    }


def test_an_accepted_finding_needs_a_reason(tmp_path: Path) -> None:
    tree = TREE.replace(", source: measured here}", "}", 1)
    without = "accepted:\n  - {rule: limit-without-source, at: rail-volts}\n"
    found = found_in(tmp_path, tree + without)
    assert [(f.rule, f.level) for f in found] == [
        ("missing-key", "error"),
        ("rules-not-run", "note"),
    ]


def test_a_misspelt_key_hides_no_other_finding_and_causes_none(tmp_path: Path) -> None:
    misspelt = TREE.replace("measure:", "mesure:", 1)
    found = found_in(tmp_path, misspelt)
    assert {f.rule for f in found} == {"unknown-key", "step-kind", "rules-not-run"}
    unknown = next(f for f in found if f.rule == "unknown-key")
    assert unknown.edit == Edit("mesure", "measure")
    # The form is right again: the rules that follow the tree are run.
    left = found_in(tmp_path, TREE.replace(", source: measured here}", "}", 1))
    assert [f.rule for f in left] == ["limit-without-source"]


# -- order -----------------------------------------------------------------------------

ORDER = """\
title: Work lamp, dark
family: usb-lamp
start: apart
steps:
  apart: {ask: Does it light with its LED board apart?, minutes: 20, answers: {lights: joint, dark: lead}}
  lead:
    ask: Does it light with another lead?
    minutes: 1
    answers: {lights: broken-lead, dark: hand-over}
faults:
  joint: {title: Joint cracked, remedy: Resolder it., signs: {lead: dark}}
  broken-lead: {title: Lead broken, remedy: Replace it.}
stops:
  hand-over: {title: Beyond this tree, reason: out-of-scope}
"""


def test_a_costly_step_before_a_cheap_one_that_tells_as_much(tmp_path: Path) -> None:
    (finding,) = found_at(tmp_path, "usb-lamp", ORDER)
    assert (finding.rule, finding.at) == ("costly-before-cheap", "apart")
    assert "19 minutes" in finding.message
    assert found_at(tmp_path, "usb-lamp", ORDER.replace("minutes: 20", "minutes: 2")) == ()
    assert found_at(tmp_path, "usb-lamp", ORDER.replace(", signs: {lead: dark}", "")) == ()


def test_live_work_before_a_step_that_tells_the_same_unpowered(tmp_path: Path) -> None:
    live = ORDER.replace("minutes: 20,", "minutes: 1, live: true, cautions: [hot-surface],")
    (finding,) = found_at(tmp_path, "usb-lamp", live)
    assert (finding.rule, finding.at) == ("live-before-unpowered", "apart")
    assert (
        found_at(tmp_path, "usb-lamp", live.replace("minutes: 1\n", "minutes: 1\n    live: true\n"))
        == ()
    )


def found_at(folder: Path, family: str, text: str) -> tuple[Finding, ...]:
    path = folder / "trees" / family / "dark.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return found_by([path], Library(folder))


@pytest.mark.parametrize(
    ("gear", "remedy"), [("c-meter", "Known are"), ("esr-metre", "Did you mean")]
)
def test_gear_unlike_any_is_told_what_there_is(tmp_path: Path, gear: str, remedy: str) -> None:
    text = ORDER.replace("minutes: 1\n", f"minutes: 1\n    needs: [{gear}]\n")
    found = found_at(tmp_path, "usb-lamp", text)
    (unknown,) = [finding for finding in found if finding.rule == "unknown-instrument"]
    assert unknown.remedy.startswith(remedy)
    assert "esr-meter" in unknown.remedy


def test_faults_that_no_test_tells_apart(tmp_path: Path) -> None:
    alike = ORDER.replace("minutes: 20", "minutes: 1").replace(
        "stops:", "  worn-plug: {title: Plug worn, remedy: Bend it., signs: {lead: lights}}\nstops:"
    )
    found = found_at(tmp_path, "usb-lamp", alike)
    (group,) = [finding for finding in found if finding.rule == "ambiguity-group"]
    assert (group.at, group.line) == ("broken-lead", 12)
    assert "`worn-plug`" in group.message
    told = alike.replace("lead: lights}}", "lead: lights, apart: lights}}")
    assert "ambiguity-group" not in {f.rule for f in found_at(tmp_path, "usb-lamp", told)}


# -- the library as a whole ------------------------------------------------------------

SECOND = TREE.replace("nothing comes out", "hums").replace("[no output]", "[hums]")
COMPARED = [
    ("duplicate-title", "title: ¦Bench supply, hums", "title: ¦Bench supply, nothing comes out"),
    ("one-cause-two-names", "    part: C1", "    part: C2"),
    ("module-spelt-twice", "modules: [mains-inlet,", "modules: [main-inlets, mains-inlet,"),
    ("module-not-listed", "modules: [mains-inlet, ", "modules: ["),
    ("see-leads-nowhere", "{title: Beyond this tree, reason: out-of-scope}", "{title: Beyond this tree, reason: out-of-scope, see: bench-supply/hiss}"),
    ("family-not-listed", "", ""),
    ("complaint-without-tree", "", ""),
    ("procedure-unused", "", ""),
]  # fmt: skip
FAMILY = "bench-supply: {title: Bench supply, mains: true, complaints: [no output, hums]}\n"


@pytest.mark.parametrize(("rule", "old", "new"), COMPARED, ids=[c[0] for c in COMPARED])
def test_trees_are_compared(tmp_path: Path, rule: str, old: str, new: str) -> None:
    old, new = old.replace("¦", ""), new.replace("¦", "")
    families = FAMILY
    more = {"trees__bench_supply__hums": SECOND.replace(old, new, 1) if old else SECOND}
    library = a_library(tmp_path, TREE, shared__families=families, trees__bench_supply__hums=SECOND)
    (tmp_path / "trees" / "bench-supply" / "hums.yaml").exists()
    assert found_by([], library) == ()
    if rule == "complaint-without-tree":
        families = FAMILY.replace("hums]", "hums, smells]")
    if rule == "procedure-unused":
        more["shared__procedures__lamp_test"] = PROCEDURE
    if rule == "family-not-listed":
        other = SECOND.replace("family: bench-supply", "family: odd-one").replace("nothing", "x")
        more["trees__odd_one__hums"] = other.replace("title: Bench", "title: Odd")
    library = a_library(tmp_path, TREE, shared__families=families, **more)
    assert rule in {f.rule for f in found_by([], library)}


def test_files_that_no_command_looks_for(tmp_path: Path) -> None:
    library = a_library(tmp_path)
    for name in (
        "trees/stray.yaml",
        "trees/bench-supply/hums.yml",
        "trees/bench-supply/No.yaml",
        "shared/odd.yaml",
        "shared/procedures/x/y.yaml",
    ):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(TREE, encoding="utf-8")
    found = found_by([], library)
    assert {f.rule for f in found} == {"file-not-seen"}
    assert len(found) == 5


# -- fit to be walked ------------------------------------------------------------------


def test_a_walk_is_told_errors_quickly(tmp_path: Path) -> None:
    library = a_library(tmp_path, TREE.replace("    then: esr", "    then: discharge"))
    examined = library.examine("bench-supply/no-output")
    found = fit_to_walk(examined)
    assert [(f.rule, f.line) for f in found] == [("ring-of-steps", 33)]
    assert fit_to_walk(a_library(tmp_path).load("bench-supply/no-output")) == ()


def test_a_walk_waits_for_no_heavy_import(tmp_path: Path) -> None:
    path = a_library(tmp_path).path_of("bench-supply/no-output")
    code = (
        "import sys; from pathlib import Path; from faulttree.tree import Library, build\n"
        f"tree = Library(Path({str(tmp_path)!r})).load('bench-supply/no-output')\n"
        "before = set(sys.modules)\n"
        "from faulttree.rules import fit_to_walk; assert fit_to_walk(tree) == ()\n"
        "heavy = {'networkx', 'jsonschema', 'scipy', 'numpy', 'ruamel.yaml', 'rich'}\n"
        "assert not heavy & (set(sys.modules) - before), heavy & set(sys.modules)\n"
    )
    assert path.is_file()
    subprocess.run([sys.executable, "-c", code], check=True, timeout=HANG)


# -- the page of rules -----------------------------------------------------------------


def test_the_page_of_rules_is_written_from_the_code() -> None:
    page = Path(__file__).parents[2] / "docs" / "rules.md"
    assert page.read_text(encoding="utf-8") == rules_page(), "run: make docs"


def test_every_rule_has_a_plain_name_a_reason_and_an_example() -> None:
    for rule in all_rules().values():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", rule.id)
        assert len(rule.reason.split()) >= 8, rule.id
        assert rule.reason.endswith((".", "?")), rule.id
        assert rule.example, rule.id
        assert rule.family in FAMILIES


def test_every_rule_is_broken_by_some_test() -> None:
    folder = Path(__file__).parent
    files = [*folder.glob("test_*.py"), folder.parent / "cli" / "test_check.py"]
    tested = "".join(file.read_text(encoding="utf-8") for file in files)
    untested = [name for name in all_rules() if f'"{name}"' not in tested]
    assert untested == []


def test_the_shipped_library_is_clean() -> None:
    from faulttree.tree import shipped_library

    known = Path(__file__).parents[1] / "shipped" / "known_findings.txt"
    found = without_known(check_paths([], shipped_library()), known).findings
    assert [f"{f.path}:{f.line}: {f.rule}: {f.message}" for f in found] == []


def test_a_library_that_is_none_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(TreeError):
        Library(tmp_path)
