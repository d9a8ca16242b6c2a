"""Promises of a shared procedure as the test of a fault, in write-ups and for suspects."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from faulttree.cli import run
from faulttree.tree import Library, Tree
from tests.authoring.samples import ANSWERS, CAUSE, TREE, walked_desk

Said = pytest.CaptureFixture[str]

PROCEDURE = """\
procedure: bulb-test
title: Filament bulb, out of its holder
takes: {part: text, cold: ohm}
exits: [good, torn, wrong]
start: marked
steps:
  marked:
    ask: Does {part} carry the marking of its holder?
    minutes: 1
    answers: {as-marked: filament, other: wrong}
  filament:
    measure: Resistance of {part}
    needs: [multimeter]
    minutes: 2
    limits: {max: "{cold}", source: a good one}
    results: {inside: good, high: torn}
"""

USE = ["--use", "bulb-test", "--with", "cold=2 kΩ", "--exit", "torn"]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A library with one tree and one procedure; the tree was walked once, to its end."""
    shared = tmp_path / "shared" / "procedures" / "bulb-test.yaml"
    shared.parent.mkdir(parents=True)
    shared.write_text(PROCEDURE)
    return walked_desk(tmp_path, monkeypatch, TREE, ANSWERS)


def tree_of(path: Path) -> Tree:
    return Library(path.parents[2]).load("lamp/dark")


def test_the_new_step_uses_the_procedure_and_the_unit_is_found_by_it(
    desk: Path, capsys: Said
) -> None:
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *USE, "--search-minutes", "12", "--yes"]) == 0
    told = " ".join(capsys.readouterr().err.split())
    assert "The exits `wrong` lead to the next step too" in told
    tree = tree_of(desk)
    use = tree.uses["bulb-test-e1"]
    assert use.given == {"part": "E1", "cold": "2 kΩ"}
    assert use.exits["torn"] == "torn-filament"
    assert use.exits["good"] == use.exits["wrong"] != "torn-filament"
    confirm = tree.faults["torn-filament"].confirm
    assert confirm is not None
    assert (confirm.step, confirm.gives) == ("bulb-test-e1", "good")
    assert run(["check", "trees", "--fail-on", "warning"]) == 0
    # The same unit again: all that was asked then, with both steps of the procedure.
    said = {"plug": "whole", "lead": "0.3 ohm", "socket": "firm",
            "bulb-test-e1.marked": "as-marked", "bulb-test-e1.filament": "OL"}  # fmt: skip
    outcome = {**said, "lead": "inside", "bulb-test-e1.filament": "high"}
    way, here = "", tree.start
    while here in tree.steps:
        way += f"  - {here}: {said[here]}\n"
        here = tree.steps[here].targets[outcome[here]]
    Path("again.yaml").write_text(f"unit: {{family: lamp}}\ncomplaint: dark\nanswers:\n{way}")
    capsys.readouterr()
    assert run(["diagnose", "lamp/dark", "--answers", "again.yaml", "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["end"] == {"kind": "fault", "id": "torn-filament"}
    now = f"{again['minutes']:.3g} min now"
    assert now in told


def test_its_minutes_are_those_of_the_way_to_the_exit(desk: Path, capsys: Said) -> None:
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *USE, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    # Plug 1, lead 3, cover 6, socket 2; and of the procedure marking 1, filament 2.
    assert told["walk_minutes"]["first"] == 12 + 3
    wrong = [*USE[:-1], "wrong", "--lead", "torn=hand-over"]
    assert run(["write-up", "1", *CAUSE, *wrong, "--even-so", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["walk_minutes"]["first"] == 12 + 1


def test_another_exit_leads_where_it_is_told(desk: Path, capsys: Said) -> None:
    more = ["--lead", "wrong=hand-over", "--step", "bulb"]
    assert run(["write-up", "1", *CAUSE, *USE, *more, "--first", "--yes"]) == 0
    assert "lead onward too" not in capsys.readouterr().err
    tree = tree_of(desk)
    assert tree.uses["bulb"].exits == {"good": "plug", "torn": "torn-filament",
                                       "wrong": "hand-over"}  # fmt: skip


def test_what_the_procedure_asks_of_the_unit_keeps_it_from_a_place(
    desk: Path, capsys: Said
) -> None:
    shared = desk.parents[2] / "shared" / "procedures" / "bulb-test.yaml"
    shared.write_text(
        PROCEDURE.replace("    needs: [mul", "    access: [cover-off]\n    needs: [mul")
    )
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *USE, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    refused = {one["position"]: one["reason"] for one in told["refused"]}
    assert "need `cover-off` before `plug`" in refused["at the start, before `plug`"]
    assert told["position"]["after"] in ("lead", "socket")


def test_a_suspect_gets_a_procedure_as_its_test(desk: Path, capsys: Said) -> None:
    capsys.readouterr()
    hearsay = ["suspect", "add", "lamp/dark", "--title", "Bulb torn", "--part", "E1"]
    assert run([*hearsay, "--source", "a visitor", *USE, "--yes"]) == 0
    assert "The exits `wrong` lead to the next step too" in capsys.readouterr().err
    tree = tree_of(desk)
    assert "bulb-torn" not in tree.loose
    assert tree.uses["bulb-test-e1"].exits["torn"] == "bulb-torn"
    assert [one.kind for one in tree.faults["bulb-torn"].evidence] == ["reported"]
    assert run(["check", "trees"]) == 0


@pytest.mark.parametrize(
    ("told", "wrong"),
    [
        (["--use", "bulb-tset"], "Did you mean `bulb-test`"),
        (["--use", "bulb-test", "--exit", "torn"], "takes `cold`, which is not given"),
        ([*USE[:3], "cold=2", "--exit", "torn"], "must be given in ohm"),
        ([*USE[:3], "cold", "--exit", "torn"], "NAME=VALUE"),
        (USE[:4], "Give --exit: good, torn, wrong"),
        ([*USE, "--with", "hot=1"], "does not take `hot`"),
        ([*USE, "--ask", "Is it whole?"], "--ask cannot be combined with --use"),
        ([*USE, "--max", "3 V"], "--max cannot be combined with --use"),
        ([*USE, "--lead", "torn=plug"], "no other exit"),
        ([*USE, "--lead", "wrong=nowhere"], "nowhere"),
        (["--exit", "torn"], "--exit is for a shared procedure"),
        (["--ask", "Is it whole?", "--with", "cold=1 Ω"], "--with is for a shared procedure"),
    ],
)
@pytest.mark.parametrize("command", ["write-up", "suspect"])
def test_what_is_told_wrongly_is_named(
    desk: Path, capsys: Said, command: str, told: list[str], wrong: str
) -> None:
    capsys.readouterr()
    hearsay = ["suspect", "add", "lamp/dark", "--title", "Torn", "--source", "a visitor"]
    start = ["write-up", "1", *CAUSE] if command == "write-up" else [*hearsay, "--part", "E1"]
    assert run([*start, *told, "--yes"]) == 2
    assert wrong in " ".join(capsys.readouterr().err.split())
    assert desk.read_text() == TREE


def test_a_part_that_is_not_told_is_asked_for(desk: Path, capsys: Said) -> None:
    capsys.readouterr()
    hearsay = ["suspect", "add", "lamp/dark", "--title", "Torn", "--source", "a visitor"]
    assert run([*hearsay, *USE, "--yes"]) == 2
    assert "Give --part." in capsys.readouterr().err


def test_a_procedure_that_cannot_end_so_is_no_test(desk: Path, capsys: Said) -> None:
    shared = desk.parents[2] / "shared" / "procedures" / "bulb-test.yaml"
    shared.write_text(PROCEDURE.replace("exits: [good,", "exits: [never, good,"))
    capsys.readouterr()
    assert run(["write-up", "1", *CAUSE, *USE[:-1], "never", "--yes"]) == 2
    assert "reaches `never`" in capsys.readouterr().err


def test_a_procedure_can_be_named_when_asked(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = [
        "Filament torn", "Lights again.", "Fit a new bulb.", "E1", "head",
        "procedure", "bulb-tset", "bulb-test", "2 kΩ", "torn", "", "12", "yes",
    ]  # fmt: skip
    typed: Any = io.StringIO("".join(f"{line}\n" for line in lines))
    monkeypatch.setattr("sys.stdin", typed)
    assert run(["write-up", "1", "--plain"]) == 0, capsys.readouterr()
    assert tree_of(desk).uses["bulb-test-e1"].exits["torn"] == "filament-torn"
