"""The commands that write trees, as a technician and a script use them."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from faulttree.cases import open_store
from faulttree.cli import run
from faulttree.tree import Library
from tests.authoring.samples import ANSWERS, CAUSE, TEST, TREE, walked_desk

Said = pytest.CaptureFixture[str]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A library with one tree, an answers file and an empty record; the tree was walked once."""
    return walked_desk(tmp_path, monkeypatch, TREE, ANSWERS)


def typed(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def document(capsys: Said) -> Any:
    return json.loads(capsys.readouterr().out)


def test_a_solved_case_goes_in_and_the_same_unit_is_quick(desk: Path, capsys: Said) -> None:
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *TEST, "--yes"]) == 0
    told = capsys.readouterr()
    assert "This unit: 24 min then," in " ".join(told.err.split())
    assert "Written: " in told.out
    tree = Library(desk.parents[2]).load("lamp/dark")
    assert tree.steps["resistance-of-bulb"].targets["high"] == "torn-filament"
    answers = ANSWERS.replace("outcome: {result: unsolved}\n", "")
    lines = [line for line in answers.splitlines() if not line.startswith("  -")]
    way = "".join(f"  - {step}\n" for step in way_to(tree))
    Path("again.yaml").write_text("\n".join(lines) + "\n" + way)
    assert run(["diagnose", "lamp/dark", "--answers", "again.yaml", "--json"]) == 0
    again = document(capsys)
    assert again["end"] == {"kind": "fault", "id": "torn-filament"}
    assert again["minutes"] < 12


def way_to(tree: Any) -> list[str]:
    said = {"plug": "whole", "lead": "0.3 ohm", "socket": "firm", "resistance-of-bulb": "OL"}
    outcome = {"plug": "whole", "lead": "inside", "socket": "firm", "resistance-of-bulb": "high"}
    found, here = [], tree.start
    while here in tree.steps:
        found.append(f"{here}: {said[here]}")
        here = tree.steps[here].targets[outcome[here]]
    return found


def test_the_case_is_closed_by_its_write_up(desk: Path, capsys: Said) -> None:
    assert run(["write-up", "1", *CAUSE, *TEST, "--yes"]) == 0
    with open_store(str(desk.parents[2] / "record.db"), read_only=True) as store:
        case = store.find("#1")
    assert (case.state, case.result, case.fault) == ("closed", "fixed", "torn-filament")


def test_a_proposal_as_json_writes_nothing(desk: Path, capsys: Said) -> None:
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *TEST, "--json"]) == 0
    told = document(capsys)
    assert desk.read_text() == TREE
    assert told["written"] is False
    assert told["kind"] == "added"
    assert told["position"]["before"]
    assert told["runner_up"]["expected_minutes"] >= told["position"]["expected_minutes"]
    assert told["minutes"]["after"] == told["position"]["expected_minutes"]
    assert told["walk_minutes"]["first"] > told["walk_minutes"]["again"]
    assert told["diff"].startswith("--- trees/lamp/dark.yaml\n+++ trees/lamp/dark.yaml\n@@")
    assert told["changed_cases"] == []
    with open_store(str(desk.parents[2] / "record.db"), read_only=True) as store:
        assert store.find("#1").result == "unsolved"


def test_everything_can_be_asked_instead(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed(
        monkeypatch, "Filament torn", "Lights again.", "Fit a new bulb.", "E1", "head",
        "reading", "Resistance of the bulb", "over range", "", "2 kΩ", "a good one", "1",
        "no", "multimeter", "", "?", "", "12", "yes",
    )  # fmt: skip
    assert run(["write-up", "1"]) == 0
    tree = Library(desk.parents[2]).load("lamp/dark")
    assert tree.faults["filament-torn"].part == "E1"
    assert tree.steps["resistance-of-bulb"].needs == ("multimeter",)


def test_an_answer_that_does_not_fit_is_asked_again_and_the_others_are_kept(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed(
        monkeypatch, "Filament torn", "Lights again.", "Fit a new bulb.", "E1", "Lamp Head",
        "reading", "Resistance of the bulb", "1 kΩ", "", "2 kilo-things", "2 kΩ", "a good one",
        "over range", "", "2 kΩ", "a good one", "1", "no", "multimeter", "", "?", "", "12", "yes",
    )  # fmt: skip
    assert run(["write-up", "1"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Taken as `lamp-head`" in told
    assert "is inside these limits" in told
    fault = Library(desk.parents[2]).load("lamp/dark").faults["filament-torn"]
    assert (fault.module, fault.part, fault.remedy) == ("lamp-head", "E1", "Fit a new bulb.")


def test_after_a_refusal_one_answer_is_changed_and_the_others_are_kept(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed(monkeypatch, "no", "", "", "place", "yes")
    assert run(["write-up", "1", *CAUSE, *TEST, "--needs", "multimeter", "--at", "a=b"]) == 0
    assert "Which answer do you want to change" in capsys.readouterr().out
    assert "torn-filament" in Library(desk.parents[2]).load("lamp/dark").faults


def test_only_the_part_of_a_test_that_did_not_fit_is_asked_again(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The access state is unknown; reading, limits and minutes are not asked again."""
    typed(monkeypatch, "no", "", "", "test", "access", "cover-off", "yes")
    given = [*CAUSE, *TEST, "--needs", "multimeter", "--access", "no-such-state"]
    assert run(["write-up", "1", *given]) == 0, capsys.readouterr().out
    told = capsys.readouterr().out
    assert "Which part of it" in told
    assert "What the meter showed" not in told
    tree = Library(desk.parents[2]).load("lamp/dark")
    (step,) = [s for s in tree.steps.values() if "torn-filament" in s.targets.values()]
    assert step.access == ("cover-off",)
    assert step.needs == ("multimeter",)


def test_a_title_that_the_tree_has_names_its_fault(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = Library(desk.parents[2]).load("lamp/dark")
    fault = next(iter(tree.faults.values()))
    typed(monkeypatch, f"  {fault.title.upper()} ", "Lights again.")
    run(["write-up", "1"])
    assert f"leads on to `{fault.id}`" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("lines", [(), ("Filament torn",), ("Filament torn", "x", "y", "", "")])
def test_whoever_leaves_writes_nothing(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, lines: tuple[str, ...]
) -> None:
    typed(monkeypatch, *lines)
    assert run(["write-up", "1"]) == 1
    assert "nothing was written" in capsys.readouterr().err
    assert desk.read_text() == TREE


def test_a_no_writes_nothing(desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    typed(monkeypatch, "no", "", "", "no")
    assert run(["write-up", "1", *CAUSE, *TEST, "--needs", "multimeter"]) == 1
    assert desk.read_text() == TREE


def test_a_warning_is_told_and_can_be_mended_by_asking(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    voltage = [
        "--measure", "Mains voltage at the holder", "--reading", "3 V", "--min", "200 V",
        "--minutes", "1", "--needs", "multimeter", "--access", "cover-off", "--live",
        "--search-minutes", "5",
    ]  # fmt: skip
    assert run(["write-up", "1", *CAUSE, *voltage, "--yes"]) == 2
    assert "hazardous-voltage" in capsys.readouterr().err
    assert desk.read_text() == TREE
    typed(monkeypatch, "", "mains, live-working", "yes")
    assert run(["write-up", "1", *CAUSE, *voltage]) == 0
    step = Library(desk.parents[2]).load("lamp/dark").steps["mains-voltage-at-holder"]
    assert step.cautions == ("mains", "live-working")


def test_an_editor_may_change_it_and_errors_keep_it_out(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    editor = tmp_path / "editor.sh"
    editor.write_text("#!/bin/sh\nsed -i 's/Fit a new bulb./Fit a clear bulb./' \"$1\"\n")
    editor.chmod(0o755)
    monkeypatch.setenv("EDITOR", str(editor))
    monkeypatch.delenv("VISUAL", raising=False)
    assert run(["write-up", "1", *CAUSE, *TEST, "--edit", "--yes"]) == 0
    assert "Fit a clear bulb." in desk.read_text()
    desk.write_text(TREE)
    editor.write_text("#!/bin/sh\nsed -i 's/high: torn-filament/high: nowhere/' \"$1\"\n")
    assert run(["write-up", "1", *CAUSE, *TEST, "--edit", "--yes"]) == 2
    assert "has an error" in capsys.readouterr().err
    assert desk.read_text() == TREE


def test_nothing_is_committed_unasked(desk: Path, capsys: Said) -> None:
    root = desk.parents[2]
    for words in (
        ("init", "-q"), ("config", "user.name", "Bench"), ("config", "user.email", "b@example.org"),
        ("add", "trees"), ("commit", "-qm", "Trees"),
    ):  # fmt: skip
        subprocess.run(["git", "-C", str(root), *words], check=True, capture_output=True)
    (root / "other.txt").write_text("half done\n")
    subprocess.run(["git", "-C", str(root), "add", "other.txt"], check=True)
    assert run(["write-up", "1", *CAUSE, *TEST, "--yes"]) == 0
    assert log(root) == ["Trees"]
    desk.write_text(TREE)
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *TEST, "--yes", "--commit", "--json"]) == 0
    assert document(capsys)["commit"]
    assert log(root) == ["lamp/dark: find torn-filament", "Trees"]
    body = git(root, "log", "-1", "--format=%b")
    assert "Case 1, lamp (tag 7), dark." in body
    assert "Lights for an hour." in body
    assert git(root, "show", "--name-only", "--format=", "HEAD").split() == ["trees/lamp/dark.yaml"]


def git(root: Path, *words: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(root), *words], check=True, capture_output=True, text=True
    )
    return done.stdout


def log(root: Path) -> list[str]:
    return git(root, "log", "--format=%s").splitlines()


def test_a_commit_without_git_is_refused_plainly(desk: Path, capsys: Said) -> None:
    assert run(["rename", "lamp/dark", "lead", "cable", "--yes", "--commit"]) == 2
    assert "not a git checkout" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (["write-up", "9"], "no case '9'"),
        (["write-up", "1"], "cancelled"),
        (["write-up", "1", "--yes"], "its cause is missing"),
        (["write-up", "1", "--fault", "x", "--yes"], "exactly one of: a question"),
        (["write-up", "1", *CAUSE, "--ask", "Whole?", "--yes"], "needs two answers"),
        (["write-up", "1", *CAUSE, "--measure", "R", "--yes"], "needs its limits"),
        (["write-up", "1", *CAUSE, *TEST, "--reading", "1 kΩ", "--yes"], "is inside"),
        (["write-up", "1", *CAUSE, *TEST, "--step", "lead", "--yes"], "already"),
        (["write-up", "1", *CAUSE, *TEST, "--fault", "lead", "--yes"], "step or stop"),
        (["write-up", "1", *CAUSE, *TEST, "--at", "nowhere", "--yes"], "STEP=OUTCOME"),
        (["write-up", "1", *CAUSE, *TEST, "--at", "a=b", "--yes"], "no place"),
        (["write-up", "1", *CAUSE, *TEST, "--after", "nothing", "--yes"], "must be done first"),
        (["write-up", "1", *CAUSE, *TEST, "--set-minutes", "lead=x", "--yes"], "not a number"),
        (
            ["write-up", "1", *CAUSE, *TEST, "--set-limit", "lead=x", "--yes"],
            "does not name a limit",
        ),
        (["write-up", "1", *CAUSE, *TEST, "--set-how", "gone=x", "--yes"], "is not in this file"),
        (["write-up", "1", *CAUSE, *TEST, "--how", "\x1b[2Jgone", "--yes"], "U+001B"),
        (["write-up", "1", *CAUSE, *TEST, "--minutes", "-3", "--yes"], "0 or more minutes"),
        (["write-up", "1", *CAUSE, *TEST, "--step", "Two Words", "--yes"], "bad-id"),
        (["rename", "lamp/dark", "gone", "new", "--yes"], "has no `gone`"),
        (["rename", "lamp/drak", "lead", "new", "--yes"], "Did you mean"),
        (["suspect", "add", "lamp/dark", "--title", "Moth", "--yes"], "source of the suspect"),
        (["suspect", "add", "nothing", "--title", "Moth", "--source", "x", "--yes"], "no"),
        (["new", "lamp/dark", "--from-table", "none.csv", "--yes"], "no such file"),
        (["new", "nonsense", "--from-case", "walk.yaml", "--yes"], "is not a key"),
    ],
)
def test_what_is_wrong_is_told_in_one_message(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, words: list[str], wrong: str
) -> None:
    typed(monkeypatch)
    assert run(words) in (1, 2)
    told = capsys.readouterr().err
    assert wrong in " ".join(told.split())
    assert "Traceback" not in told
    assert desk.read_text() == TREE


def test_what_else_was_learned_is_taken_up(desk: Path, capsys: Said) -> None:
    lessons = [
        "--set-how", "lead=Bend it while you read.", "--set-minutes", "lead=4",
        "--set-limit", "lead.max=0.8 Ω",
    ]  # fmt: skip
    assert run(["write-up", "1", *CAUSE, *TEST, *lessons, "--yes"]) == 0
    step = Library(desk.parents[2]).load("lamp/dark").steps["lead"]
    assert (step.how, step.minutes) == ("Bend it while you read.", 4)
    assert step.limits is not None
    assert step.limits["max"] == "0.8 Ω"


def test_limits_may_be_a_parts_rating_or_bands(desk: Path, capsys: Said) -> None:
    cause = [*CAUSE, "--step", "esr", "--minutes", "1", "--yes"]
    rating = "{component: electrolytic, capacitance: 100 µF, rated: 50 V, quantity: ESR}"
    esr = ["--measure", "ESR of the capacitor", "--reading", "7 Ω", "--limits", rating]
    assert run(["write-up", "1", *cause, *esr]) == 0
    step = Library(desk.parents[2]).load("lamp/dark").steps["esr"]
    assert step.targets["high"] == "torn-filament"
    desk.write_text(TREE)
    bands = "{bands: [{name: dead, below: 1 V}, {name: good, from: 1 V}]}"
    volts = ["--measure", "Cell voltage", "--reading", "0.2 V", "--limits", bands]
    assert run(["write-up", "1", *cause, *volts]) == 0
    assert (
        Library(desk.parents[2]).load("lamp/dark").steps["esr"].targets["dead"] == "torn-filament"
    )
    desk.write_text(TREE)
    assert run(["write-up", "1", *cause, *volts[:-1], "12 V"]) == 2
    assert "--limits holds no limits" in capsys.readouterr().err


def test_suspects_by_hand(desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    typed(monkeypatch, "Moth in the holder", "a visitor", "yes")
    assert run(["suspect", "add", "lamp/dark"]) == 0
    capsys.readouterr()
    assert run(["suspect", "list", "--json"]) == 0
    listed = {one["fault"]: one for one in document(capsys)["suspects"]}
    assert listed["moth-in-holder"]["loose"] is True
    assert listed["moth-in-holder"]["standing"] == "untested"
    # The case's socket was firm: that cleared the loose socket.
    assert listed["loose-socket"]["cleared"] == 1
    assert run(["suspect", "list"]) == 0
    assert "moth-in-holder (loose)" in capsys.readouterr().out


def test_a_renamed_step_and_a_case_resumed_on_it(desk: Path, capsys: Said) -> None:
    assert run(["rename", "lamp/dark", "socket", "lamp-holder", "--yes"]) == 0
    assert "2 places" in capsys.readouterr().out
    assert run(["write-up", "1", *CAUSE, *TEST, "--yes"]) == 0
    assert run(["check", "--fail-on", "warning", "--no-cache"]) == 0


def test_a_tree_from_a_table_is_the_plans(desk: Path, capsys: Said) -> None:
    # Five-test example of Pattipati and Alexandridis, IEEE Trans. SMC 20 (1990), from memory;
    # its optimum of 2.18 recomputed by exhaustive search.
    Path("five.csv").write_text(
        "fault,weight,t1,t2,t3,t4,t5\n"
        "minutes,,1,1,1,1,1\n"
        "s0,0.70,0,0,0,0,0\ns1,0.01,0,1,0,0,1\ns2,0.02,0,0,1,1,0\n"
        "s3,0.10,1,0,0,1,1\ns4,0.05,1,1,0,0,0\ns5,0.12,1,1,1,1,0\n"
    )
    capsys.readouterr()
    words = ["new", "box/silent", "--title", "Box, silent", "--from-table", "five.csv"]
    assert run([*words, "--json", "--yes"]) == 0
    told = document(capsys)
    assert told["expected_minutes"] == pytest.approx(2.18)
    tree = Library(desk.parents[2]).load("box/silent")
    assert tree.title == "Box, silent"
    assert run([*words, "--yes"]) == 2
    assert "tree `box/silent` already" in capsys.readouterr().err


FREE = """\
unit: {family: glue-gun, serial: tag 51}
complaint: stays cold
walk:
  - measure: Resistance of the heater, cold
    reading: over range
    max: 2 kΩ
    source: 1.2 kΩ on a good one
    minutes: 3
  - ask: Is the lead whole?
    answer: whole
    other: broken
  - note: Smells of resin.
cause:
  title: Heater open
  remedy: Fit a heater of the same power.
  seen: Gets hot again.
"""


FIRST = ["stays cold", "Lead broken", "New lead", "lead", "", "3", "question", "Is it firm?"]
LAST = ["loose", "firm", "", "yes"]
SLIPS = [
    (["back", *FIRST], LAST),
    (["stays hot", "back", *FIRST], LAST),
    ([*FIRST[:2], "New led", "old", "back", "back", *FIRST[2:]], LAST),
    ([*FIRST[:5], "many", "4", "back", *FIRST[5:]], LAST),
    (FIRST, ["loose", "wobbly", "BACK", "firm", "", "back", "", "yes"]),
]
"""Ways to answer the questions of a first tree, with thinking again in between."""


@pytest.mark.parametrize(("first", "last"), SLIPS)
def test_going_back_leaves_nothing_of_what_was_answered_before(
    desk: Path, monkeypatch: pytest.MonkeyPatch, first: list[str], last: list[str]
) -> None:
    made = []
    for name, lines in (("straight", [*FIRST, *LAST]), ("slips", [*first, *last])):
        typed(monkeypatch, *lines)
        assert run(["new", f"glue-gun/{name}", "--title", "Glue gun", "--plain"]) == 0
        made.append((desk.parents[1] / "glue-gun" / f"{name}.yaml").read_text("utf-8"))
    assert made[0] == made[1]


def test_a_case_without_a_tree_begins_one_and_is_kept(desk: Path, capsys: Said) -> None:
    Path("free.yaml").write_text(FREE)
    assert run(["new", "glue-gun/stays-cold", "--from-case", "free.yaml", "--keep", "--yes"]) == 0
    told = capsys.readouterr()
    assert "high: over range, limit at most 2 kΩ" in told.err
    library = Library(desk.parents[2])
    tree = library.load("glue-gun/stays-cold")
    assert tree.symptoms[0].text == "stays cold"
    assert tree.faults["heater-open"].evidence[0].kind == "confirmed"
    with open_store(str(desk.parents[2] / "record.db"), read_only=True) as store:
        case = store.find("tag 51")
    assert (case.result, case.fault, case.steps) == ("fixed", "heater-open", 2)
    assert run(["check", "glue-gun/stays-cold", "--fail-on", "warning", "--no-cache"]) == 0


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ("complaint:", "complain:", "free.yaml:2:1: `complain` is not a key here"),
        ("reading: over range", "reading: 1 kΩ", "No reading is outside its limits"),
        ("    reading: over range\n", "", "free.yaml:4"),
        ("max: 2 kΩ", "max: 2 lots", "free.yaml:5"),
        ("    answer: whole\n", "", "The answer is missing"),
        ("  - note: Smells of resin.", "  - Smells of resin.", "An entry must be a mapping"),
        ("  remedy: Fit a heater of the same power.\n", "", "The fault has no remedy"),
        ("  seen:", "  shown_by: gone\n  seen:", "not an entry of the walk"),
    ],
)
def test_what_is_wrong_with_a_free_case_is_told_with_its_line(
    desk: Path, capsys: Said, old: str, new: str, wrong: str
) -> None:
    assert old in FREE
    Path("free.yaml").write_text(FREE.replace(old, new, 1))
    assert run(["new", "glue-gun/stays-cold", "--from-case", "free.yaml", "--yes"]) == 2
    assert wrong in capsys.readouterr().err
    assert not (desk.parents[1] / "glue-gun").exists()


def test_a_tree_by_questions_asks_the_likely_and_cheap_first(
    tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAULTTREE_LIBRARY", raising=False)
    typed(
        monkeypatch, "dark", "Fuse blown", "New fuse.", "F1", "1", "5", "reading",
        "Resistance of the fuse", "", "1 Ω", "the shop's own",
        "Bulb gone", "New bulb.", "E1", "3", "1", "question", "Is the filament whole?", "torn",
        "whole", "", "yes",
    )  # fmt: skip
    assert run(["new", "torch/dark"]) == 0
    tree = Library(tmp_path).load("torch/dark")
    assert tree.start == "filament-whole"
    assert tree.steps["resistance-of-fuse"].targets == {"inside": "hand-over", "high": "fuse-blown"}
    assert run(["check", "--fail-on", "warning", "--no-cache"]) == 0


def test_the_library_inside_the_package_is_not_written(
    tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    shipped = tmp_path / "_shipped"
    shutil.copytree(
        Path(__file__).parent.parent.parent / "trees" / "usb-lamp", shipped / "trees" / "usb-lamp"
    )
    words = ["rename", "usb-lamp/flickers", "a", "b", "--library", str(shipped), "--yes"]
    assert run(words) == 2
    assert "ships with the program" in capsys.readouterr().err


def test_every_command_uses_the_record_that_its_library_names(
    desk: Path, tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FAULTTREE_RECORD")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "own"))
    (tmp_path / "bench.yaml").write_text("record: record.db\n")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    there = ["--library", str(tmp_path), "--json"]
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *TEST, *there]) == 0
    assert document(capsys)["fault"] == "torn-filament"
    assert run(["review", "--tree", "lamp/dark", *there]) == 0
    assert document(capsys)["trees"][0]["cases"] == 1
    assert run(["suspect", "list", "lamp/dark", "--all", *there]) == 0
    assert max(one["tested"] for one in document(capsys)["suspects"]) == 1
    assert not (tmp_path / "own").exists()


@pytest.mark.parametrize(
    "command",
    [
        ["write-up", "1", *CAUSE, *TEST],
        ["rename", "lamp/dark", "lead", "wire"],
        ["new", "glue-gun/stays-cold", "--title", "Glue gun"],
        ["suspect", "add", "lamp/dark", "--title", "Cap loose", "--source", "a visitor"],
    ],
    ids=lambda command: command[0],
)
def test_whoever_leaves_a_question_has_written_nothing(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    before = {path: path.read_bytes() for path in desk.parents[1].rglob("*.yaml")}
    typed(monkeypatch)
    assert run([*command, "--plain"]) == 1
    assert "cancelled; nothing was written" in capsys.readouterr().err
    assert before == {path: path.read_bytes() for path in desk.parents[1].rglob("*.yaml")}


def test_whoever_leaves_the_question_of_a_commit_has_the_change_and_no_commit(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    for words in (["init", "-q"], ["add", "."]):
        subprocess.run(["git", *words], check=True, cwd=desk.parents[2])
    typed(monkeypatch, "yes")
    assert run(["rename", "lamp/dark", "lead", "wire", "--plain"]) == 0
    assert "the change is written and not committed" in capsys.readouterr().err
    assert "wire:" in desk.read_text()
