# ruff: noqa: E501
"""Cautions by name: what a step says of itself calls for them, and nothing else does.

Which situation calls for which caution is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from faulttree.rules import Finding, check_paths
from faulttree.tree import Library
from tests.rules.samples import found_by

TREE = """\
title: Drill, does not run
family: corded-drill
access:
  open: {{how: Four screws.}}
start: drain
steps:
  drain: {{do: Let it rest, then: step}}
  step:
{step}
faults:
  lead: {{title: Lead broken, remedy: {remedy}}}
stops:
  hand-over: {{title: Beyond this tree, reason: out-of-scope}}
closing: [class-2-safety, soak-test-motor]
"""
ASK = "    ask: {}\n    answers: {{yes-so: lead, not-so: hand-over}}\n"
MEASURE = "    measure: {}\n    limits: {{min: 5 {}, source: x}}\n    results: {{inside: hand-over, low: lead}}\n"
DO = "    do: {}\n    then: hand-over\n"
LIVE = "    live: true\n"
OPEN = "    access: [open]\n"


def how(text: str) -> str:
    return f"    how: {text}\n"


CALLS = [
    ("live-working", MEASURE.format("Voltage of the board", "V") + LIVE + OPEN),
    ("live-working", MEASURE.format("Voltage of the socket", "V") + LIVE + how("Clip on with the plug out.")),
    ("live-working", MEASURE.format("Voltage of the socket", "V") + LIVE + "    cautions: [high-energy-source]\n" + how("Clip on first, a fault puts mains there.")),
    ("live-working", DO.format("Unplug it and prove the terminals dead")),
    ("meter-rating", "    measure: Feed\n    limits: {component: mains, quantity: voltage, source: x}\n    results: {outside: lead, inside: hand-over}\n" + LIVE),
    ("earthed-probe", ASK.format("Is there a signal?") + LIVE + OPEN + "    needs: [oscilloscope]\n    cautions: [live-working]\n"),
    ("stored-charge", MEASURE.format("Resistance across the capacitor", "Ω")),
    ("stored-charge", MEASURE.format("Resistance of the divider", "Ω") + how("Unplugged and discharged.")),
    ("stored-charge", MEASURE.format("Resistance of the rail", "Ω") + "    after: [drain]\n" + how("The capacitor is still lifted.")),
    ("stored-charge", DO.format("Discharge it through 1 kΩ")),
    ("high-energy-source", "    measure: Rail\n    limits: {component: supply-rail, quantity: voltage, rail: 5 V, tolerance: 5 %, source: x}\n    results: {outside: lead, inside: hand-over}\n" + LIVE),
    ("sealed-supply", MEASURE.format("Voltage of the adaptor's plug", "V") + LIVE),
    ("battery-fire", MEASURE.format("Voltage of the cell", "V")),
    ("damaged-cell", ASK.format("Is the pack free of swelling?") + "    cautions: [battery-fire]\n"),
    ("damaged-cell", ASK.format("Does the cell hold?") + "    cautions: [battery-fire]\n" + how("Swollen means stop.")),
    ("rotating-parts", ASK.format("Does it drill, chuck empty?") + LIVE),
    ("rotating-parts", ASK.format("Does the motor turn on 24 V?")),
    ("rotating-parts", MEASURE.format("Current drawn", "A") + how("Tool clamped.")),
    ("no-bypass", MEASURE.format("Across the thermal cut-out", "Ω")),
    ("no-bypass", MEASURE.format("Resistance of the winding", "Ω") + how("A thermal fuse may sit in it.")),
    ("no-bypass", ASK.format("Is the lever free?") + how("Never bridge it.")),
    ("hot-surface", MEASURE.format("Resistance of the heater", "Ω")),
    ("hot-surface", ASK.format("Is it steady?") + how("The resistors get hot.")),
    ("dust", ASK.format("Are the slots free of dust?")),
    ("dust", ASK.format("Are both brushes long?") + "    cautions: [unexpected-start]\n"),
    ("unexpected-start", MEASURE.format("Resistance of the armature", "Ω")),
    ("same-fuse", ASK.format("Has the fuse the rating marked beside it?")),
    ("stored-charge", MEASURE.format("Voltage left across the bank", "V")),
    ("stored-charge", DO.format("Lift one lead") + how("Unplugged and discharged.")),
    ("insulation-test", ASK.format("Does it stay above?") + "    needs: [insulation-tester]\n"),
    ("safety-test-before-return", MEASURE.format("Path to the chuck", "Ω") + "    needs: [earth-tester]\n"),
    ("isolating-transformer", ASK.format("Does it start?") + LIVE + "    needs: [isolating-transformer]\n"),
    ("laser", ASK.format("Does it play?") + LIVE + how("Keep the lid closed, the laser is on.")),
    ("picture-tube", ASK.format("Is the anode cap dry?")),
    ("microwave-supply", ASK.format("Is the magnetron whole?")),
    ("scald", ASK.format("Is the boiler tight?")),
    ("alkaline-leakage", ASK.format("Are the contacts clean?") + how("Alkaline cells leak white salt.")),
]  # fmt: skip


FIRM = (
    "live-working", "meter-rating", "earthed-probe", "high-energy-source", "insulation-test",
    "safety-test-before-return", "isolating-transformer",
)  # fmt: skip
CALLED = ("caution-called-for", "caution-worth-naming")


def found_in(folder: Path, step: str, remedy: str = "Replace it.") -> list[Finding]:
    path = folder / "trees" / "corded-drill" / "does-not-run.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(TREE.format(step=step, remedy=remedy), encoding="utf-8")
    found = check_paths([path], Library(folder)).findings
    return [one for one in found if one.rule in CALLED]


@pytest.mark.parametrize(("caution", "step"), CALLS)
def test_what_a_step_says_calls_for_a_caution(tmp_path: Path, caution: str, step: str) -> None:
    (found,) = found_in(tmp_path, step)
    assert f"`{caution}`" in found.message
    assert (found.at, found.line, found.column) == ("step", 8, 3)
    firm = (caution in FIRM and "prove" not in step) or "drill" in step
    assert (found.rule, found.level) == ((CALLED[0], "warning") if firm else (CALLED[1], "note"))
    known, given, rest = step.partition("    cautions: [")
    with_it = (
        f"{known}{given or '    cautions: ['}{caution}{', ' + rest if given else ']' + chr(10)}"
    )
    assert found_in(tmp_path, with_it) == []


QUIET = [
    MEASURE.format("Voltage at the terminals", "V") + LIVE,
    MEASURE.format("Voltage of the board", "V") + OPEN,
    MEASURE.format("Resistance of the lead", "Ω") + OPEN,
    ASK.format("Does the chuck turn by hand?"),
    ASK.format("Is the housing whole?") + how("Unplug first."),
    DO.format("Push the cut-out's button in"),
    MEASURE.format("Excellent packaging, depth", "mm"),
]


@pytest.mark.parametrize("step", QUIET)
def test_nothing_is_called_for_where_nothing_says_so(tmp_path: Path, step: str) -> None:
    assert found_in(tmp_path, step) == []


REPAIRS = [
    ("same-fuse", "Fit a fuse of the marked rating."),
    ("", "Resolder the joint."),
    ("no-bypass", "Replace the thermal fuse by its like."),
    ("", "Replace the fuse holder."),
]


@pytest.mark.parametrize(("caution", "remedy"), REPAIRS)
def test_what_a_remedy_is_done_with_calls_for_a_caution(
    tmp_path: Path, caution: str, remedy: str
) -> None:
    found = found_in(tmp_path, ASK.format("Is it whole?"), f'"{remedy}"')
    assert [one.at for one in found] == ["lead"] * bool(caution)
    assert all(f"`{caution}`" in one.message for one in found)


def test_a_caution_of_the_tree_or_of_the_state_holds_too(tmp_path: Path) -> None:
    step = MEASURE.format("Voltage of the board", "V") + LIVE + OPEN
    assert found_in(tmp_path, step)
    path = tmp_path / "trees" / "corded-drill" / "does-not-run.yaml"
    text = path.read_text(encoding="utf-8")
    for old, new in (
        ("start: drain", "cautions: [live-working]\nstart: drain"),
        ("how: Four screws.}", "how: Four screws., cautions: [live-working]}"),
    ):
        path.write_text(text.replace(old, new), encoding="utf-8")
        assert [
            one.rule
            for one in check_paths([path], Library(tmp_path)).findings
            if one.rule in CALLED
        ] == []


def test_what_only_the_tree_calls_for_is_told_at_its_use(tmp_path: Path) -> None:
    procedure = tmp_path / "shared" / "procedures" / "board-volts.yaml"
    procedure.parent.mkdir(parents=True)
    procedure.write_text(
        "procedure: board-volts\ntitle: Board\nexits: [good, low]\nstart: volts\nsteps:\n  volts:\n"
        "    measure: Voltage of the board\n    live: true\n"
        "    limits: {min: 5 V, source: x}\n    results: {inside: good, low: low}\n",
        encoding="utf-8",
    )
    use = "    use: board-volts\n    exits: {good: hand-over, low: lead}\n"
    assert found_in(tmp_path, use) == []
    (found,) = found_in(tmp_path, use + OPEN)
    assert (Path(found.path).name, found.at) == ("does-not-run.yaml", "step")
    assert found_in(tmp_path, use + OPEN + "    cautions: [live-working]\n") == []


LIKE = """\
title: Drill, does not run
family: corded-drill
start: a
steps:
{steps}
faults:
  lead: {{title: Lead broken, remedy: Replace it.}}
stops:
  hand-over: {{title: Beyond this tree, reason: out-of-scope}}
closing: [class-2-safety]
"""


@pytest.mark.parametrize(("count", "is_found"), [(4, True), (3, False)])
def test_the_one_step_that_lacks_what_its_like_have(
    tmp_path: Path, count: int, is_found: bool
) -> None:
    names = "abcd"[:count]
    steps = ""
    for name, after in zip(names, [*names[1:], "hand-over"], strict=True):
        bears = "" if name == names[-1] else "    cautions: [heavy-or-sharp]\n"
        steps += (
            f"  {name}:\n    measure: Resistance {name}\n{bears}"
            "    limits: {max: 5 Ω, source: x}\n"
            f"    results: {{inside: {after}, high: lead}}\n"
        )
    path = tmp_path / "trees" / "corded-drill" / "does-not-run.yaml"
    path.parent.mkdir(parents=True)
    path.write_text(LIKE.format(steps=steps), encoding="utf-8")
    found = found_by([path], Library(tmp_path))
    assert [(one.rule, one.at) for one in found] == [("caution-its-like-has", "d")] * is_found
