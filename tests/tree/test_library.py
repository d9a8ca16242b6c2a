"""From files to the model: procedures inlined, names resolved, the library folder."""

from __future__ import annotations

import dataclasses
import json
import os
import random
import subprocess
import sys
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from faulttree.errors import TreeError
from faulttree.reading import parse_quantity, resolve_limits
from faulttree.rules import all_rules
from faulttree.tree import (
    Accepted,
    ExaminedFile,
    Finding,
    Library,
    Tree,
    Where,
    assemble,
    build,
    examine,
    find_library,
    shipped_library,
)
from faulttree.tree.finding import near
from faulttree.tree.source import decode, load_text
from tests.support.counts import examples
from tests.work import calls

HEAD = """\
title: Work lamp, dark
family: work-lamp
cautions: [mains]
access:
  open: {minutes: 5, how: Two screws.}
  warm: {minutes: 20, group: heat}
start: %s
steps:
"""
ENDS = """\
faults:
  broken: {title: Lead broken, remedy: Replace it}
  driver: {title: Driver dead, remedy: Replace it}
stops:
  out: {title: Beyond, reason: out-of-scope}
"""
DIODE = """\
procedure: diode
title: A junction, both ways
takes: [part]
exits: [good, bad]
cautions: [stored-charge]
start: forward
steps:
  forward:
    measure: Forward drop of {part}
    how: Red lead to the anode.
    needs: [multimeter]
    limits: {min: 0.4 V, max: 0.8 V}
    results: {inside: reverse, outside: bad}
  reverse:
    measure: "{part}, leads swapped"
    minutes: 2
    after: [forward]
    limits: {min: 1.5 V}
    results: {inside: good, low: bad}
"""
BRIDGE = """\
procedure: bridge
title: A bridge of four
takes: {part: text, drop: V}
exits: [whole, broken]
start: first
steps:
  first:
    use: diode
    part: upper half of {part}
    cautions: [hot-surface]
    exits: {good: second, bad: broken}
  second:
    use: diode
    part: lower half of {part}
    exits: {good: sum, bad: broken}
  sum:
    measure: Sum of both drops of {part}
    limits: {max: {drop}, min: {formula: "u * 1.5", from: {u: first.forward, k: rail}}}
    results: {inside: whole, low: broken, high: broken}
"""
SAFETY = """\
procedure: safety
title: Earth path
exits: [pass, fail]
start: earth
steps:
  earth:
    measure: Earth path
    limits: {max: 0.3 ohm}
    results: {inside: junction, high: fail}
  junction: {use: diode, part: D9, exits: {good: pass, bad: fail}}
"""
PROCEDURES = {"diode": DIODE, "bridge": BRIDGE, "safety": SAFETY}
USE = HEAD % "whole" + (
    "  whole:\n"
    "    use: bridge\n"
    "    part: D1 to D4\n"
    "    with: {drop: 1.4 V}\n"
    "    access: [open]\n"
    "    cautions: [live-working]\n"
    "    after: [unplug]\n"
    "    conditions: [cold]\n"
    "    needs: [rule]\n"
    "    how: Unplugged.\n"
    "    wait: 30 s\n"
    "    minutes: 7\n"
    "    exits: {whole: out, broken: driver}\n"
    "  unplug: {do: Pull the plug, wait: 2 min, then: whole}\n"
) + ENDS  # fmt: skip


def shelf(folder: Path, *, procedures: Mapping[str, str] = PROCEDURES, **trees: str) -> Library:
    """A library of a family `work-lamp` with these trees (underscore for hyphen)."""
    family = folder / "trees" / "work-lamp"
    shared = folder / "shared" / "procedures"
    family.mkdir(parents=True, exist_ok=True)
    shared.mkdir(parents=True, exist_ok=True)
    for name, text in procedures.items():
        (shared / f"{name}.yaml").write_text(text, encoding="utf-8")
    for name, text in trees.items():
        (family / f"{name.replace('_', '-')}.yaml").write_text(text, encoding="utf-8")
    return Library(folder)


def load(folder: Path, text: str, procedures: Mapping[str, str] = PROCEDURES) -> Tree:
    return shelf(folder, procedures=procedures, dark=text).load("work-lamp/dark")


def look(folder: Path, text: str, procedures: Mapping[str, str] = PROCEDURES) -> ExaminedFile:
    return shelf(folder, procedures=procedures, dark=text).examine("work-lamp/dark")


# -- a tree of its own -----------------------------------------------------------------

PLAIN = """\
title: Work lamp, dark
family: work-lamp
modules: [driver]
symptoms: [no light, {text: goes out, conditions: [warm]}]
cautions: [mains]
access: {open: {minutes: 5, how: Two screws., group: case, cautions: [hot-surface]}}
ratings: {rail: {unit: V, ask: From the plate, models: {small: 12 V}}}
start: lead
steps:
  lead: {ask: Is the lead whole?, answers: {"yes": rail, no: broken, undecided: out}}
  rail:
    measure: Rail
    how: At the plug.
    access: [open]
    needs: [multimeter]
    minutes: 0.5
    cautions: [live-working]
    after: [lead]
    live: true
    in_circuit: allowed
    source: service sheet
    limits: {nominal: 12 V, tolerance: 0.1, source: sheet}
    results: {inside: keep, outside: driver}
  keep: {measure: Temperature, unit: °C, wait: 1.5 min, then: fit}
  fit: {do: Put the cover on, conditions: [cold], then: out}
faults:
  broken: {title: Lead broken, remedy: Replace it}
  driver:
    title: Driver dead
    part: A1
    module: driver
    remedy: Replace it
    confirm: {step: rail, gives: inside}
    weight: 4
    signs: {lead: "yes", keep: [low, taken]}
    part_cost: 3.5
    cautions: [hot-surface]
    evidence:
      - {kind: contradicted, source: a visitor, date: 2026-02-11, reason: it was the lead}
  fuse: {title: Fuse blown, remedy: Replace it}
stops:
  out: {title: Beyond, reason: out-of-scope, see: work-lamp/dim}
accepted: [{rule: some-rule, at: rail, reason: measured weekly}]
"""


def test_a_tree_without_procedures_is_read_as_it_stands(tmp_path: Path) -> None:
    tree = load(tmp_path, PLAIN)
    assert (tree.id, tree.title, tree.family, tree.start) == (
        "work-lamp/dark", "Work lamp, dark", "work-lamp", "lead",
    )  # fmt: skip
    assert list(tree.steps) == ["lead", "rail", "keep", "fit"]
    assert tree.steps["lead"].targets == {"yes": "rail", "no": "broken", "undecided": "out"}
    rail = tree.steps["rail"]
    assert rail.targets == {"inside": "keep", "low": "driver", "high": "driver"}
    assert (rail.kind, rail.text, rail.how, rail.minutes) == (
        "measure",
        "Rail",
        "At the plug.",
        0.5,
    )
    assert (rail.needs, rail.access, rail.after) == (("multimeter",), ("open",), ("lead",))
    assert (rail.live, rail.in_circuit, rail.source) == (True, "allowed", "service sheet")
    assert rail.limits == {"nominal": "12 V", "tolerance": 0.1, "source": "sheet"}
    assert rail.cautions == ("live-working",)
    assert tree.steps["keep"].targets == {"taken": "fit"}
    assert (tree.steps["keep"].unit, tree.steps["keep"].wait) == ("°C", 90.0)
    assert tree.steps["fit"].targets == {"done": "out"}
    assert tree.steps["fit"].conditions == ("cold",)
    driver = tree.faults["driver"]
    assert driver.confirm is not None
    assert (driver.confirm.step, driver.confirm.gives) == ("rail", "inside")
    assert driver.signs == {"lead": ("yes",), "keep": ("low", "taken")}
    assert (driver.weight, driver.part_cost, driver.module) == (4, 3.5, "driver")
    assert driver.evidence[0].date == "2026-02-11"
    assert tree.stops["out"].see == "work-lamp/dim"
    assert tree.access["open"].group == "case"
    assert tree.ratings["rail"].models == {"small": "12 V"}
    assert [(s.text, s.conditions) for s in tree.symptoms] == [
        ("no light", ()), ("goes out", ("warm",)),
    ]  # fmt: skip
    assert tree.accepted == (Accepted("some-rule", "measured weekly", "rail"),)
    assert tree.loose == ("fuse",)
    assert tree.known_cautions["mains"].signal == "WARNING"
    assert set(tree.known_cautions) == {"mains", "live-working", "hot-surface"}
    assert tree.known_instruments["multimeter"].title


@pytest.mark.parametrize(
    ("limits", "sides"),
    [
        ("{min: 1 V, max: 2 V}", {"low", "high"}),
        ("{min: 1 V}", {"low"}),
        ("{max: 1 V}", {"high"}),
        ("{nominal: 3 V, tolerance: 10 %}", {"low", "high"}),
        ("{bands: [{name: outside, below: 3 V}, {name: inside, from: 3 V}]}", {"outside"}),
    ],
)
def test_outside_stands_for_the_sides_that_the_limits_have(
    tmp_path: Path, limits: str, sides: set[str]
) -> None:
    step = f"  lead: {{measure: x, limits: {limits}, results: {{inside: out, outside: broken}}}}\n"
    targets = load(tmp_path, HEAD % "lead" + step + ENDS).steps["lead"].targets
    assert {outcome for outcome, target in targets.items() if target == "broken"} == sides
    assert targets["inside"] == "out"


# -- procedures ------------------------------------------------------------------------


def test_procedures_are_inlined_under_the_id_of_their_use(tmp_path: Path) -> None:
    tree = load(tmp_path, USE)
    assert list(tree.steps) == [
        "whole.first.forward", "whole.first.reverse",
        "whole.second.forward", "whole.second.reverse", "whole.sum", "unplug",
    ]  # fmt: skip
    assert tree.start == "whole.first.forward"
    assert tree.steps["unplug"].targets == {"done": "whole.first.forward"}
    assert tree.steps["whole.first.reverse"].targets == {
        "inside": "whole.second.forward", "low": "driver",
    }  # fmt: skip
    assert tree.steps["whole.sum"].targets == {"inside": "out", "low": "driver", "high": "driver"}
    assert all(tree.node(target) in ("step", "fault", "stop") for *_, target in tree.edges())


def test_exits_taken_are_recorded_innermost_first(tmp_path: Path) -> None:
    steps = load(tmp_path, USE).steps
    assert steps["whole.first.reverse"].leaves == {
        "inside": (("whole.first", "good"),),
        "low": (("whole.first", "bad"), ("whole", "broken")),
    }
    assert steps["whole.sum"].leaves["inside"] == (("whole", "whole"),)
    assert steps["whole.first.forward"].leaves == dict.fromkeys(
        ("low", "high"), (("whole.first", "bad"), ("whole", "broken"))
    )


def test_uses_say_where_their_steps_came_from(tmp_path: Path) -> None:
    tree = load(tmp_path, USE)
    outer, inner = tree.uses["whole"], tree.uses["whole.first"]
    assert (outer.procedure, outer.parent, outer.title) == ("bridge", None, "A bridge of four")
    assert outer.exits == {"whole": "out", "broken": "driver"}
    assert outer.given == {"part": "D1 to D4", "drop": "1.4 V"}
    assert outer.steps == tuple(step for step in tree.steps if step.startswith("whole."))
    assert (inner.procedure, inner.parent, inner.start) == ("diode", "whole", "whole.first.forward")
    assert inner.exits == {"good": "whole.second.forward", "bad": "driver"}
    assert inner.given == {"part": "upper half of D1 to D4"}
    assert tree.steps["whole.first.forward"].use == "whole.first"
    assert tree.steps["whole.sum"].use == "whole"
    assert tree.steps["whole.sum"].where == Where("procedure:bridge", ("steps", "sum"))
    assert outer.where == Where("tree", ("steps", "whole"))


def test_names_in_braces_are_filled_in_texts_and_as_whole_limits(tmp_path: Path) -> None:
    steps = load(tmp_path, USE).steps
    assert steps["whole.first.forward"].text == "Forward drop of upper half of D1 to D4"
    assert steps["whole.second.reverse"].text == "lower half of D1 to D4, leads swapped"
    limits = steps["whole.sum"].limits
    assert limits is not None
    assert limits["max"] == "1.4 V"


def test_formulas_name_their_steps_in_full_and_leave_ratings_alone(tmp_path: Path) -> None:
    limits = load(tmp_path, USE).steps["whole.sum"].limits
    assert limits is not None
    assert limits["min"]["from"] == {"u": "whole.first.forward", "k": "rail"}


def test_a_procedure_may_be_given_a_rating_by_its_name(tmp_path: Path) -> None:
    ratings = "ratings: {junctions: {unit: mV, ask: 'Both drops'}}\n"
    tree = load(
        tmp_path, USE.replace("drop: 1.4 V", "drop: junctions").replace("cau", ratings + "cau", 1)
    )
    limits = resolve_limits(
        {**(tree.steps["whole.sum"].limits or {}), "unit": "V"},
        readings={"whole.first.forward": parse_quantity("0.6 V")},
        ratings={"junctions": parse_quantity("1300 mV"), "rail": parse_quantity("1 V")},
    )
    assert limits.last_upper == Decimal("1.3")
    assert tree.uses["whole"].given["drop"] == "junctions"


def test_what_is_given_is_filled_literally(tmp_path: Path) -> None:
    odd = r"{drop} \1 %s {0} $x"
    tree = load(tmp_path, USE.replace("D1 to D4", f"'{odd}'"))
    assert tree.steps["whole.sum"].text == f"Sum of both drops of {odd}"


def test_braces_in_a_trees_own_texts_are_left_alone(tmp_path: Path) -> None:
    step = "  lead: {ask: 'Is {part} lit?', answers: {lit: out}}\n"
    assert load(tmp_path, HEAD % "lead" + step + ENDS).steps["lead"].text == "Is {part} lit?"


def test_what_a_use_says_holds_inside(tmp_path: Path) -> None:
    steps = load(tmp_path, USE).steps
    for name in steps:
        if name == "unplug":
            continue
        step = steps[name]
        assert step.access == ("open",)
        assert "live-working" in step.cautions
        assert "mains" not in step.cautions
        assert "unplug" in step.after
        assert step.conditions == ("cold",)
        assert "rule" in step.needs
    assert steps["whole.first.forward"].cautions == (
        "stored-charge", "hot-surface", "live-working",
    )  # fmt: skip
    assert steps["whole.second.reverse"].after == ("whole.second.forward", "unplug")


def test_how_wait_minutes_and_stop_of_a_use_belong_to_its_first_step(tmp_path: Path) -> None:
    stop = "    stop_if: {supply: {linear: out}}\n    how: Unplugged.\n"
    text = USE.replace("    how: Unplugged.\n", stop).replace(
        "start:", "properties: {supply: {}}\nstart:", 1
    )
    steps = load(tmp_path, text).steps
    stopped = {step.id for step in steps.values() if step.stop_if}
    assert stopped == {"whole.first.forward"}
    assert steps["whole.first.forward"].stop_if == {"supply": {"linear": "out"}}
    first = steps["whole.first.forward"]
    assert first.how == "Unplugged.\nRed lead to the anode."
    assert (first.wait, first.minutes) == (30.0, 7)
    assert steps["whole.second.forward"].how == "Red lead to the anode."
    assert (steps["whole.sum"].wait, steps["whole.sum"].minutes) == (None, None)


def test_source_and_isolation_of_a_use_serve_the_steps_that_say_none(tmp_path: Path) -> None:
    said = USE.replace("    how: Unplugged.", "    source: sheet\n    in_circuit: never")
    marked = DIODE.replace("    minutes: 2\n", "    in_circuit: allowed\n    source: own\n")
    steps = load(tmp_path, said, {**PROCEDURES, "diode": marked}).steps
    forward, reverse = steps["whole.first.forward"], steps["whole.first.reverse"]
    assert (forward.source, forward.in_circuit) == ("sheet", "never")
    assert (reverse.source, reverse.in_circuit) == ("own", "allowed")


def test_live_use_makes_every_step_inside_live(tmp_path: Path) -> None:
    steps = load(tmp_path, USE.replace("    how:", "    live: true\n    how:")).steps
    assert {name for name, step in steps.items() if step.live} == set(steps) - {"unplug"}


def test_signs_confirm_and_after_may_name_a_use_or_a_step_inside(tmp_path: Path) -> None:
    fault = (
        "driver: {title: Driver dead, confirm: {step: whole, gives: whole}, "
        "signs: {whole.first: bad, whole.sum: [low, high]}, "
    )
    text = USE.replace("driver: {title: Driver dead, ", fault)
    text = text.replace("then: whole}", "after: [whole.first.forward], then: whole}")
    tree = load(tmp_path, text)
    driver = tree.faults["driver"]
    assert driver.confirm is not None
    assert (driver.confirm.step, driver.confirm.gives) == ("whole", "whole")
    assert driver.signs == {"whole.first": ("bad",), "whole.sum": ("low", "high")}
    assert tree.steps["unplug"].after == ("whole.first.forward",)


def test_one_procedure_serves_a_tree_many_times(tmp_path: Path) -> None:
    uses = "".join(
        f"  d{i}: {{use: diode, part: D{i}, exits: {{good: d{i + 1}, bad: broken}}}}\n"
        for i in range(5)
    )
    tree = load(tmp_path, HEAD % "d0" + uses + "  d5: {do: x, then: out}\n" + ENDS)
    assert len(tree.steps) == 11
    assert tree.steps["d3.reverse"].targets["inside"] == "d4.forward"
    assert tree.steps["d4.reverse"].targets["inside"] == "d5"
    assert {tree.steps[f"d{i}.forward"].text for i in range(5)} == {
        f"Forward drop of D{i}" for i in range(5)
    }


def test_closing_procedures_have_steps_and_pseudo_targets(tmp_path: Path) -> None:
    text = PLAIN + "closing: [safety, {use: diode, part: D7}]\n"
    tree = load(tmp_path, text)
    assert tree.closing == ("closing.safety", "closing.diode")
    assert tree.uses["closing.safety"].exits == {
        "pass": "closing.safety:pass", "fail": "closing.safety:fail",
    }  # fmt: skip
    assert tree.steps["closing.safety.earth"].targets == {
        "inside": "closing.safety.junction.forward", "high": "closing.safety:fail",
    }  # fmt: skip
    last = tree.steps["closing.safety.junction.reverse"]
    assert last.targets["inside"] == "closing.safety:pass"
    assert last.leaves["inside"] == (
        ("closing.safety.junction", "good"),
        ("closing.safety", "pass"),
    )
    assert tree.steps["closing.diode.forward"].text == "Forward drop of D7"
    assert "closing.safety.earth" not in tree.diagnostic
    assert {step for step, *_ in tree.edges()} == {"lead", "rail", "keep", "fit"}


def test_what_a_procedure_accepts_is_accepted_at_each_use(tmp_path: Path) -> None:
    accepting = DIODE + "accepted: [{rule: r, at: forward, reason: x}, {rule: s, reason: y}]\n"
    tree = load(tmp_path, USE, {**PROCEDURES, "diode": accepting})
    assert Accepted("r", "x", "whole.first.forward") in tree.accepted
    assert Accepted("s", "y", "whole.second") in tree.accepted


# -- what is wrong, and where ----------------------------------------------------------

LEAD = "  lead: {ask: Does it light?, answers: {dark: out}}\n"
TREE = HEAD % "lead" + LEAD


def use(rest: str, name: str = "diode") -> str:
    return HEAD % "lead" + f"  lead: {{use: {name}, {rest}}}\n" + ENDS


WRONG: dict[str, tuple[str, str, str, str]] = {
    # name: (tree with « before the place, rule, message, mend)
    "target": (
        TREE.replace("dark: out", "dark: «uot") + ENDS,
        "unknown-target",
        "`uot` is no step, fault or stop of this file.",
        "Did you mean `out`?",
    ),
    "start": (
        (HEAD % "«laed") + LEAD + ENDS,
        "unknown-target",
        "The start `laed` is no step of this tree.",
        "Did you mean `lead`?",
    ),
    "one name twice": (
        TREE + "  out: {do: x, then: broken}\n" + ENDS.replace("out: {title", "«out: {title"),
        "duplicate-id",
        "`out` is in `steps` already.",
        "Steps, faults and stops share one set of names; rename one.",
    ),
    "after": (
        TREE + "  two: {do: x, after: [«laed], then: out}\n" + ENDS,
        "unknown-step",
        "`laed` is no step here.",
        "Did you mean `lead`?",
    ),
    "confirm": (
        TREE + ENDS.replace("remedy: Replace it", "remedy: x, confirm: {step: «laed, gives: a}", 1),
        "unknown-step",
        "`laed` is no step here.",
        "Did you mean `lead`?",
    ),
    "access": (
        TREE + "  two: {do: x, access: [open, «opne], then: out}\n" + ENDS,
        "unknown-access",
        "The state `opne` is not among `access`.",
        "Did you mean `open`?",
    ),
    "wait": (
        TREE + "  two: {do: x, wait: «3 V, then: out}\n" + ENDS,
        "bad-duration",
        "",
        "Write a span of time with its unit: `30 s`, `2 min`, `1 h`.",
    ),
    "outside beside low": (
        TREE
        + "  two: {measure: x, limits: {min: 1 V, max: 2 V}, "
        + "results: {inside: out, «outside: broken, low: out}}\n"
        + ENDS,
        "outside-beside",
        "`outside` stands beside `low`, which it already means.",
        "Keep `outside`, or write `low` and `high` instead of it.",
    ),
    "procedure": (
        use("part: D1, exits: {good: out, bad: broken}", "«dioed"),
        "unknown-procedure",
        "There is no procedure `dioed`.",
        "Did you mean `diode`?",
    ),
    "part missing": (
        HEAD % "lead" + "  «lead: {use: diode, exits: {good: out, bad: broken}}\n" + ENDS,
        "procedure-takes",
        "The procedure `diode` takes `part`, which is not given.",
        "Add `part`.",
    ),
    "too much given": (
        use("part: D1, with: {«prat: D1}, exits: {good: out, bad: broken}"),
        "procedure-takes",
        "The procedure `diode` does not take `prat`.",
        "Did you mean `part`?",
    ),
    "another unit": (
        use("part: D1, with: {drop: «3 A}, exits: {whole: out, broken: out}", "bridge"),
        "procedure-takes",
        "`drop` must be given in V:",
        "Write a figure with its unit, V or a multiple.",
    ),
    "rating of another unit": (
        use("part: D1, with: {drop: «rail}, exits: {whole: out, broken: out}", "bridge").replace(
            "start:", "ratings: {rail: {unit: A}}\nstart:"
        ),
        "procedure-takes",
        "`drop` must be given in V:",
        "Write a figure with its unit, V or a multiple.",
    ),
    "no unit": (
        use("part: D1, with: {drop: «3}, exits: {whole: out, broken: out}", "bridge"),
        "procedure-takes",
        "`drop` must be given in V: `3` names no unit.",
        "Write a figure with its unit, V or a multiple.",
    ),
    "exit without target": (
        use("part: D1, «exits: {good: out}"),
        "exit-without-target",
        "The exit `bad` of `diode` leads nowhere.",
        "Add `bad: <target>` to `exits`.",
    ),
    "exit unknown": (
        use("part: D1, exits: {good: out, bad: out, «bda: out}"),
        "unknown-exit",
        "The procedure `diode` has no exit `bda`.",
        "Did you mean `bad`?",
    ),
    "exit to nowhere": (
        use("part: D1, exits: {good: out, bad: «uot}"),
        "unknown-target",
        "`uot` is no step, fault or stop of this file.",
        "Did you mean `out`?",
    ),
    "family": (
        (HEAD % "lead").replace("family: ", "family: «").replace("work", "wrok") + LEAD + ENDS,
        "family-folder",
        "The family `wrok-lamp` is not the folder's name, `work-lamp`.",
        "Write `family: work-lamp`, or move the file.",
    ),
    "closing": (
        TREE + ENDS + "closing: [safety, «safetly]\n",
        "unknown-procedure",
        "There is no procedure `safetly`.",
        "Did you mean `safety`?",
    ),
    "closing twice": (
        TREE + ENDS + "closing: [safety, «safety]\n",
        "duplicate-id",
        "`safety` occurs twice in `closing`.",
        "Keep one of them.",
    ),
}  # fmt: skip


def marked(text: str) -> tuple[str, int, int]:
    before = text[: text.index("«")]
    return text.replace("«", ""), before.count("\n") + 1, len(before) - before.rfind("\n")


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_told_at_its_line_and_column(tmp_path: Path, name: str) -> None:
    text, rule, message, remedy = WRONG[name]
    text, line, column = marked(text)
    examined = look(tmp_path, text.replace("Work lamp, dark", "T"))
    (problem,) = examined.findings
    assert problem.rule == rule
    assert problem.message.startswith(message)
    assert problem.remedy.startswith(remedy)
    assert problem.remedy
    assert (problem.line, problem.column) == (line, column)
    assert Path(problem.path) == tmp_path / "trees" / "work-lamp" / "dark.yaml"
    assert examined.tree is not None
    with pytest.raises(TreeError) as caught:
        Library(tmp_path).load("work-lamp/dark")
    assert caught.value.place.endswith(f"dark.yaml:{line}:{column}")


BROKEN_PROCEDURES: dict[str, tuple[str, str, str]] = {
    "target": (
        DIODE.replace("low: bad", "low: «broken"),
        "unknown-target",
        "`broken` is no step or",
    ),
    "start": (
        DIODE.replace("start: f", "start: «g"),
        "unknown-target",
        "The start `gorward` is no",
    ),
    "name": (DIODE.replace('"{part}, ', '«"{prat}, '), "unfilled-name", "`{prat}` is nothing that"),
    "exit and step": (
        DIODE.replace("reverse:\n", "«bad:\n").replace("inside: reverse", "inside: good"),
        "duplicate-id",
        "`bad` is a step and an exit.",
    ),
    "after": (
        DIODE.replace("[forward]", "[«froward]"),
        "unknown-step",
        "`froward` is no step here.",
    ),
    "key": (DIODE.replace("takes", "«take"), "unknown-key", "The key `take` means nothing here."),
    "name of the file": (
        DIODE.replace("procedure: diode", "procedure: «dide"),
        "family-folder",
        "The procedure `dide` is not the file's name, `diode`.",
    ),
}


@pytest.mark.parametrize("name", BROKEN_PROCEDURES)
def test_a_broken_procedure_is_told_in_its_own_file(tmp_path: Path, name: str) -> None:
    text, rule, message = BROKEN_PROCEDURES[name]
    text, line, column = marked(text)
    library = shelf(tmp_path, procedures={**PROCEDURES, "diode": text}, dark=USE)
    own = library.examine(tmp_path / "shared" / "procedures" / "diode.yaml")
    through = library.examine("work-lamp/dark")
    assert own.kind == "procedure"
    for examined in (own,) if name == "name of the file" else (own, through):
        found = [p for p in examined.findings if p.rule == rule]
        assert [(Path(p.path).name, p.line, p.column) for p in found] == [
            ("diode.yaml", line, column)
        ]
        assert found[0].message.startswith(message)


def test_a_right_procedure_is_right_by_itself(tmp_path: Path) -> None:
    library = shelf(tmp_path)
    for name in PROCEDURES:
        examined = library.examine(tmp_path / "shared" / "procedures" / f"{name}.yaml")
        assert examined.findings == ()
        assert examined.tree is not None
        assert examined.tree.uses["use"].procedure == name


def test_a_ring_of_procedures_is_told_whole_and_does_not_hang(tmp_path: Path) -> None:
    def ring(name: str, other: str) -> str:
        return (
            f"procedure: {name}\ntitle: x\nexits: [good]\nstart: s\n"
            f"steps:\n  s: {{use: {other}, exits: {{good: good}}}}\n"
        )

    procedures = {
        "one": ring("one", "two"),
        "two": ring("two", "three"),
        "three": ring("three", "one"),
    }
    examined = look(tmp_path, use("exits: {good: out}", "one"), procedures)
    (problem,) = examined.findings
    assert problem.rule == "procedure-ring"
    assert problem.message == "Procedures use each other in a cycle: one → two → three → one."
    assert Path(problem.path) == tmp_path / "shared" / "procedures" / "three.yaml"
    assert (problem.line, problem.column) == (6, 12)
    tree = examined.tree
    assert tree is not None
    assert tree.steps["lead.s.s.s"].kind == "use"
    assert tree.steps["lead.s.s.s"].targets == {"good": "out"}
    own = look(tmp_path, use("exits: {good: out}", "self"), {"self": ring("self", "self")})
    assert [p.message for p in own.findings] == [
        "Procedures use each other in a cycle: self → self."
    ]


def test_procedures_that_multiply_are_stopped(tmp_path: Path) -> None:
    procedures = {"p0": DIODE.replace("procedure: diode", "procedure: p0")}
    for i in range(1, 19):
        steps = "".join(
            f"  s{j}: {{use: p{i - 1}, part: x, exits: {{good: s{j + 1}, bad: bad}}}}\n"
            for j in range(4)
        )
        procedures[f"p{i}"] = (
            f"procedure: p{i}\ntitle: x\ntakes: [part]\nexits: [good, bad]\nstart: s0\nsteps:\n"
            f"{steps}  s4: {{do: x, then: good}}\n"
        )
    using = use("part: x, exits: {good: out, bad: out}", "p18")
    examined, work = calls(lambda: look(tmp_path, using, procedures))
    assert {p.rule for p in examined.findings} == {"too-large"}
    assert examined.tree is None
    # 0.2 million: written out, it would be 4¹⁸ steps.
    assert work < 1_000_000
    with pytest.raises(TreeError, match="More than 5000 steps"):
        Library(tmp_path).load("work-lamp/dark")


def test_procedures_in_each_other_have_a_bound(tmp_path: Path) -> None:
    procedures = {
        f"p{i}": (
            f"procedure: p{i}\ntitle: x\nexits: [good]\nstart: s\n"
            f"steps:\n  s: {{use: p{i + 1}, exits: {{good: good}}}}\n"
        )
        for i in range(1500)
    }
    examined = look(tmp_path, use("exits: {good: out}", "p0"), procedures)
    assert {p.rule for p in examined.findings} == {"too-large"}


@pytest.mark.parametrize(
    ("broken", "rules"), [("procedure: [\n", {"unreadable"}), ("- a\n", {"bad-value"})]
)
def test_a_procedure_that_cannot_be_read_leaves_the_rest_of_the_tree(
    tmp_path: Path, broken: str, rules: set[str]
) -> None:
    examined = look(tmp_path, USE, {**PROCEDURES, "diode": broken})
    assert {p.rule for p in examined.findings} == rules
    tree = examined.tree
    assert tree is not None
    assert tree.steps["whole.first"].kind == "use"
    assert tree.steps["whole.first"].targets == {"good": "whole.second", "bad": "driver"}
    assert tree.start == "whole.first"


def test_part_given_where_none_is_taken_is_only_a_warning(tmp_path: Path) -> None:
    text = TREE.replace("dark: out", "dark: two")
    text += "  two: {use: safety, part: D1, exits: {pass: out, fail: out}}\n" + ENDS
    (problem,) = look(tmp_path, text).findings
    assert (problem.rule, problem.level) == ("procedure-takes", "warning")
    assert load(tmp_path, text).uses["two"].given == {"part": "D1"}


def test_every_rule_of_this_room_is_shown_by_a_test() -> None:
    here = Path(__file__).parent
    tests = "".join(
        (here / f"{n}.py").read_text()
        for n in ("test_library", "test_reader", "test_safety_keys", "test_schema")
    )
    above = {"accepted-for-nothing", "file-not-seen", "link-out-of-library", "rules-not-run"}
    above |= {"base-changed", "weaker-caution"}  # tests/rules/test_layers.py
    above |= {"known-no-longer"}  # tests/rules/test_safety_rules.py
    own = [
        rule.id
        for rule in all_rules().values()
        if rule.check is None and rule.family in ("shape", "graph") and rule.id not in above
    ]
    assert [rule for rule in own if f'"{rule}"' not in tests] == []


def test_a_library_table_that_is_broken_is_told_with_every_tree(tmp_path: Path) -> None:
    library = shelf(tmp_path, dark=USE)
    table = tmp_path / "shared" / "cautions.yaml"
    table.write_text("own: {signal: LOUD, text: x}\n", encoding="utf-8")
    library = Library(tmp_path)
    (problem,) = library.examine("work-lamp/dark").findings
    assert (Path(problem.path), problem.line, problem.column) == (table, 1, 15)
    assert library.examine(table).kind == "cautions"
    with pytest.raises(TreeError, match="LOUD"):
        _ = library.cautions


# -- bundles ---------------------------------------------------------------------------


@pytest.mark.parametrize("tree_id", shipped_library().trees())
def test_every_shipped_tree_comes_back_from_its_text_the_very_same(tree_id: str) -> None:
    tree = shipped_library().load(tree_id)
    for strict in (True, False):
        again = build(json.loads(tree.text), strict=strict)
        assert again == tree
        assert again.hash == tree.hash
        assert [list(step.targets) for step in again.steps.values()] == [
            list(step.targets) for step in tree.steps.values()
        ]
        assert list(again.steps) == list(tree.steps)
        assert list(again.faults) == list(tree.faults)


def test_the_hash_is_the_same_in_every_process(tmp_path: Path) -> None:
    shelf(tmp_path, dark=USE)
    code = (
        "import sys; from pathlib import Path; from faulttree.tree import Library\n"
        "print(Library(Path(sys.argv[1])).load('work-lamp/dark').hash)"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", code, str(tmp_path)],
            capture_output=True, text=True, check=True, env={**os.environ, "PYTHONHASHSEED": seed},
        ).stdout.strip()
        for seed in ("1", "2")
    }  # fmt: skip
    assert found == {Library(tmp_path).load("work-lamp/dark").hash}


def test_the_hash_changes_with_all_that_a_walk_follows(tmp_path: Path) -> None:
    plain = load(tmp_path / "a", USE).hash
    assert load(tmp_path / "b", USE).hash == plain
    assert load(tmp_path / "c", "# remark\n" + USE).hash == plain
    assert load(tmp_path / "d", USE.replace("minutes: 7", "minutes: 8")).hash != plain
    procedures = {**PROCEDURES, "diode": DIODE.replace("0.4 V", "0.5 V")}
    assert load(tmp_path / "e", USE, procedures).hash != plain
    library = shelf(tmp_path / "f", dark=USE)
    (tmp_path / "f" / "shared" / "cautions.yaml").write_text("mains: {signal: DANGER, text: x}\n")
    assert library.load("work-lamp/dark").hash != plain
    assert load(tmp_path / "g", USE, {**PROCEDURES, "idle": SAFETY}).hash == plain


def test_a_stored_tree_comes_back_whatever_is_wrong_with_it(tmp_path: Path) -> None:
    examined = look(
        tmp_path, TREE.replace("dark: out", "dark: uot, odd: 3") + "old_key: 3\n" + ENDS
    )
    tree = examined.tree
    assert tree is not None
    text = tree.text
    with pytest.raises(TreeError):
        build(json.loads(text))
    assert build(json.loads(text), strict=False) == tree


def test_a_bundle_that_is_wrong_names_the_keys(tmp_path: Path) -> None:
    bundle = dict(load(tmp_path, PLAIN).bundle)
    wrong = json.loads(json.dumps(bundle))
    wrong["tree"]["steps"]["rail"]["results"]["inside"] = "nowhere"
    with pytest.raises(TreeError) as caught:
        build(wrong)
    assert caught.value.key == ("steps", "rail", "results", "inside")
    (problem,) = examine(wrong).findings
    assert problem.where == Where("tree", ("steps", "rail", "results", "inside"))
    assert problem.line == 0


@pytest.mark.parametrize("bundle", [{}, {"tree": None}, {"tree": []}, {"id": 3, "tree": "x"}])
def test_what_is_no_bundle_is_refused(bundle: dict[str, Any]) -> None:
    for strict in (True, False):
        with pytest.raises(TreeError):
            build(bundle, strict=strict)
    assert examine(bundle).tree is None
    assert examine(bundle).findings


NAMES = st.sampled_from(
    ["a", "b", "lead", "out", "diode", "closing", "good", "bad", "part", "part.x"]
)
VALUES = st.none() | st.booleans() | st.integers(-3, 3) | NAMES | st.just("{part} 2 V")
KEYS = (
    NAMES | st.sampled_from(["ask", "measure", "do", "use", "then", "answers", "results", "exits"])
    | st.sampled_from(["limits", "outside", "bands", "from", "formula", "with", "after", "access"])
    | st.sampled_from(["wait", "start", "steps", "faults", "stops", "confirm", "signs", "takes"])
)  # fmt: skip
MESS = st.recursive(
    VALUES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=15,
)
STEPS = st.dictionaries(NAMES, st.dictionaries(KEYS, MESS, max_size=4) | MESS, max_size=4)
FILES = st.fixed_dictionaries(
    {"start": MESS, "steps": STEPS | MESS},
    optional=dict.fromkeys(
        ("faults", "stops", "closing", "access", "accepted", "evidence", "symptoms"), MESS
    )
    | {"exits": st.lists(NAMES, max_size=3) | MESS, "takes": st.lists(NAMES, max_size=2) | MESS},
)


@settings(max_examples=examples(150))
@given(FILES, st.dictionaries(NAMES, FILES | MESS, max_size=3))
def test_any_plain_data_is_a_tree_or_problems_never_anything_else(
    tree: Any, procedures: Any
) -> None:
    bundle = {
        "id": "a/b",
        "tree": tree,
        "procedures": procedures,
        "cautions": {},
        "instruments": {},
    }
    built, problems = assemble(bundle)
    assert built is not None
    assert problems
    assert all(isinstance(problem, Finding) and problem.rule in all_rules() for problem in problems)
    again, _ = assemble(json.loads(built.text), schema=False)
    assert again == built


# -- mutations -------------------------------------------------------------------------

GOOD = {path: path.read_text(encoding="utf-8") for path in shipped_library().tree_files()}


@settings(max_examples=examples(60))
@given(st.sampled_from(sorted(GOOD)), st.data())
def test_a_renamed_step_that_others_name_is_always_found(path: Path, data: Any) -> None:
    tree = yaml.load(GOOD[path], Loader=yaml.CBaseLoader)
    named = [
        name
        for name in tree["steps"]
        if any(name in str(other) for key, other in tree["steps"].items() if key != name)
        and any(
            name in (item.get(key) or {}).values()
            for item in tree["steps"].values()
            for key in ("answers", "results", "exits")
        )
    ]
    name = data.draw(st.sampled_from(named))
    text = GOOD[path].replace(f"\n  {name}:", f"\n  {name}-renamed:")
    examined = shipped_library().examine_text(text, path)
    assert "unknown-target" in {problem.rule for problem in examined.findings}


INDICATORS = [
    b"[",
    b"{",
    b"- ",
    b": ",
    b"&a ",
    b"*a ",
    b"!!x ",
    b"'",
    b'"',
    b"\t",
    b"\x00",
    b"\xff",
]
INDICATORS += [b"#", b"? ", b"|", b">", b"%", b"---\n", b"<<: ", b"\xe2\x80\xae", b"null", b"10"]


def damaged(raw: bytes, chance: random.Random) -> bytes:
    """A file as a bad disk, a bad merge or a hasty hand leaves it."""
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(raw) or 1)
        lines = raw.split(b"\n")
        line = chance.randrange(len(lines))
        kind = chance.randrange(6)
        if kind == 0:
            raw = raw[:at] + bytes([chance.randrange(256)]) + raw[at + 1 :]
        elif kind == 1:
            raw = raw[:at] + chance.choice(INDICATORS) + raw[at:]
        elif kind == 2:
            raw = raw[:at]
        elif kind == 3:
            raw = b"\n".join(lines[:line] + lines[line + 1 :])
        elif kind == 4:
            raw = b"\n".join([*lines[:line], lines[line], *lines[line:]])
        else:
            lines[line] = b" " * chance.randint(1, 4) + lines[line].lstrip()
            raw = b"\n".join(lines)
    return raw


def told_or_accepted(raw: bytes, path: Path) -> None:
    try:
        examined = shipped_library().examine_text(decode(raw), path)
    except TreeError as error:
        assert error.line and error.remedy  # noqa: PT017, PT018
        return
    for problem in examined.findings:
        assert problem.message
        assert problem.remedy
        assert problem.line
        assert problem.column
    assert examined.tree is not None or examined.findings


def test_damaged_files_are_told_or_rightly_accepted() -> None:
    chance = random.Random(4)
    for path in chance.choices(sorted(GOOD), k=150):
        told_or_accepted(damaged(GOOD[path].encode(), chance), path)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_ten_thousand_damaged_files_are_told_or_rightly_accepted() -> None:
    chance = random.Random(5)
    for path in chance.choices(sorted(GOOD), k=10_000):
        told_or_accepted(damaged(GOOD[path].encode(), chance), path)


# -- the library -----------------------------------------------------------------------


def test_trees_are_listed_without_reading_them(tmp_path: Path) -> None:
    library = shelf(tmp_path, dark=PLAIN, dim="[", Odd_Name="x")
    assert library.own_trees() == ("work-lamp/dark", "work-lamp/dim")
    assert library.load("work-lamp/dark").title == "Work lamp, dark"


@pytest.mark.parametrize(
    ("wanted", "remedy"),
    [
        ("work-lamp/drak", "Did you mean `work-lamp/dark`?"),
        ("dark", "Did you mean `work-lamp/dark`?"),
        ("work-lamp", "Did you mean `work-lamp/dark`?"),
        ("zzz", "`faulttree find` lists the trees."),
        ("../work-lamp/dark", "Did you mean `work-lamp/dark`?"),
        ("work-lamp/../work-lamp/dark", ""),
        ("work-lamp/dim", "The file ends in .yml; rename it to dim.yaml."),
        ("", "`faulttree find` lists the trees."),
    ],
)
def test_an_unknown_tree_names_those_that_are_near(
    tmp_path: Path, wanted: str, remedy: str
) -> None:
    library = shelf(tmp_path, dark=PLAIN)
    (tmp_path / "trees" / "work-lamp" / "dim.yml").write_text(PLAIN)
    with pytest.raises(TreeError) as caught:
        library.load(wanted)
    assert caught.value.remedy
    assert caught.value.remedy.startswith(remedy)


def test_an_own_shared_thing_hides_the_shipped_one_name_by_name(tmp_path: Path) -> None:
    shelf(tmp_path, dark=PLAIN)
    shared = tmp_path / "shared"
    (shared / "cautions.yaml").write_text("mains: {signal: DANGER, text: Ours}\n")
    (shared / "families.yaml").write_text("work-lamp: {title: Work lamp}\n")
    library = Library(tmp_path)
    assert library.cautions["mains"]["text"] == "Ours"
    assert library.cautions["stored-charge"] == shipped_library().cautions["stored-charge"]
    assert library.instruments == shipped_library().instruments
    assert set(library.families) == {"work-lamp", *shipped_library().families}
    assert set(library.procedures()) == {*PROCEDURES, *shipped_library().procedures()}
    assert library.load("work-lamp/dark").known_cautions["mains"].signal == "DANGER"
    shipped = library.procedure("diode-test")
    assert shipped is not None
    assert shipped[0].path == shipped_library().root / "shared/procedures/diode-test.yaml"


def test_links_out_of_the_library_are_refused(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    for name, text in (
        ("tree", PLAIN),
        ("diode", DIODE),
        ("mains", "x: {signal: DANGER, text: y}"),
    ):
        (outside / f"{name}.yaml").write_text(text, encoding="utf-8")
    library = shelf(
        tmp_path / "in", procedures={}, dark=use("part: D1, exits: {good: out, bad: out}")
    )
    link = tmp_path / "in" / "trees" / "work-lamp" / "linked.yaml"
    link.symlink_to(outside / "tree.yaml")
    (tmp_path / "in" / "trees" / "family").symlink_to(outside)
    (tmp_path / "in" / "shared" / "procedures" / "diode.yaml").symlink_to(outside / "diode.yaml")
    assert library.own_trees() == ("work-lamp/dark",)
    assert library.procedures() == shipped_library().procedures()
    told = "The file is a link that leads out of the library."
    with pytest.raises(TreeError, match=told):
        library.load("work-lamp/linked")
    assert [p.message for p in library.examine(link).findings] == [told]
    assert [p.message for p in library.examine("work-lamp/dark").findings] == [told]
    (tmp_path / "in" / "shared" / "cautions.yaml").symlink_to(outside / "mains.yaml")
    assert told in [p.message for p in Library(tmp_path / "in").examine("work-lamp/dark").findings]


def test_links_inside_the_library_are_followed(tmp_path: Path) -> None:
    library = shelf(tmp_path, dark=PLAIN)
    (tmp_path / "trees" / "work-lamp" / "also.yaml").symlink_to("dark.yaml")
    assert library.load("work-lamp/also").title == "Work lamp, dark"


def test_loading_one_tree_reads_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    library = shelf(tmp_path, dark=PLAIN, dim=PLAIN, odd="[")
    read: list[str] = []

    def reading(path: Path) -> str:
        read.append(path.name)
        return load_text(path)

    monkeypatch.setattr("faulttree.tree.library.load_text", reading)
    library.load("work-lamp/dark")
    assert read == ["dark.yaml", "cautions.yaml", "instruments.yaml"]
    library.load("work-lamp/dim")
    assert read[3:] == ["dim.yaml"]


def test_which_library_is_used(tmp_path: Path) -> None:
    one, two = shelf(tmp_path / "one").root, shelf(tmp_path / "two").root
    (one / "deep" / "down").mkdir(parents=True)
    environ = {"FAULTTREE_LIBRARY": str(two)}
    assert find_library("one", environ, tmp_path).root == one
    assert find_library(None, environ, one / "deep").root == two
    assert find_library(None, {}, one / "deep" / "down").root == one
    assert find_library(None, {"FAULTTREE_LIBRARY": ""}, Path("/")).root == shipped_library().root
    for named in ("none", "one/deep", "a\x00b"):
        with pytest.raises(TreeError) as caught:
            find_library(named, {}, tmp_path)
        assert caught.value.remedy


def test_a_text_without_a_file_is_examined_too() -> None:
    examined = shipped_library().examine_text(PLAIN)
    assert examined.tree is not None
    assert examined.tree.id == "work-lamp/untitled"
    document = examined.documents["tree"]
    assert document.path is None
    assert document.place(("steps", "rail", "limits")) == (22, 13)
    assert document.place(("steps", "rail"), of_key=True) == (11, 3)
    assert examined.data["title"] == "Work lamp, dark"


def test_the_model_is_frozen(tmp_path: Path) -> None:
    tree = load(tmp_path, PLAIN)
    with pytest.raises(dataclasses.FrozenInstanceError):
        tree.title = "x"  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        tree.steps["lead"].text = "x"  # type: ignore[misc]


def test_importing_the_room_brings_no_heavy_library() -> None:
    code = (
        "import sys, faulttree.tree\n"
        "heavy = {'jsonschema', 'jsonschema_rs', 'networkx', 'numpy', 'ruamel.yaml', 'rapidfuzz'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("fuze", "Did you mean `fuse`?"),
        ("mians", "Did you mean `mains`?"),
        ("ersmeter", "Did you mean `esr-meter`?"),
        ("ESR-meter", "Did you mean `esr-meter`?"),
        ("c-meter", ""),
        ("esr", ""),
        ("mains-x-y", ""),
        ("", ""),
    ],
)
def test_a_guess_is_made_at_a_slip_and_never_at_another_word(typed: str, meant: str) -> None:
    assert near(typed, ["fuse", "mains", "esr-meter", "multimeter", "capacitance-meter"]) == meant
