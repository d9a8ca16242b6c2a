"""A unit that failed a closing check: not fixed, not returned, and the failure is shown."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from faulttree.cases import open_store
from faulttree.cli import run
from faulttree.tree import Library
from faulttree.walk import events as ev

PROCEDURES = {
    "earth-check": """\
procedure: earth-check
title: Protective earth
exits: [pass, fail]
start: look
steps:
  look: {ask: Is the lead sound?, answers: {sound: path, damaged: fail}}
  path:
    measure: Resistance from the earth pin to the case
    limits: {max: 0.3 Ω, source: "EN 50678, lead up to 5 m, from memory"}
    results: {inside: pass, high: fail}
""",
    "trial-run": """\
procedure: trial-run
title: Trial run
exits: [pass, fail]
start: hour
steps:
  hour: {ask: Did it run an hour?, answers: {yes: pass, no: fail}}
""",
}
TREE = """\
title: A lamp, dark
family: lamp
start: lit
steps:
  lit: {ask: Does it light?, answers: {bright: fine, dark: burnt}}
faults:
  burnt:
    title: Bulb burnt
    remedy: Replace it.
    confirm: {step: lit, gives: bright}
stops:
  fine: {title: Nothing wrong, reason: no-fault-found}
closing: [earth-check, trial-run]
"""
REPAIRED = """\
unit: {family: lamp, serial: tag 7}
answers:
  - lit: dark
  - repair: {fault: burnt, what: new bulb, confirm: bright}
"""
FAILED = REPAIRED + "  - closing.earth-check.look: sound\n  - closing.earth-check.path: 2 ohm\n"
TESTED_AGAIN = (
    "  - closing.earth-check.look: sound\n  - closing.earth-check.path: 0.1 ohm\n"
    "  - closing.trial-run.hour: yes\n"
)
TO_FAILURE = ("sound", "2 ohm")
"""The lines of a session, from the confirmed repair to the failed check."""

Do = Callable[..., tuple[int, str, str]]


@pytest.fixture
def do(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Do:
    """The command line in a folder with one tree, with these lines typed."""
    files = {f"shared/procedures/{name}.yaml": text for name, text in PROCEDURES.items()}
    for name, text in {**files, "trees/lamp/dark.yaml": TREE}.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAULTTREE_RECORD", str(tmp_path / "record.db"))
    monkeypatch.setenv("FAULTTREE_LIBRARY", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "200")

    def typed(*words: str, lines: tuple[str, ...] = ()) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
        capsys.readouterr()
        status = run(list(words))
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return status, out, err

    return typed


def answers(do: Do, text: str) -> tuple[int, str, str]:
    Path("answers.yaml").write_text(text, encoding="utf-8")
    return do("diagnose", "lamp/dark", "--even-unchecked", "--answers", "answers.yaml")


def session(do: Do, *lines: str) -> str:
    """What a session says that goes on after the confirmed repair."""
    answers(do, REPAIRED)
    status, out, err = do("diagnose", "--resume", "1", "--plain", lines=lines)
    assert status in (0, 1)
    return out + err


def row(do: Do, number: int = 1) -> dict[str, object]:
    cases = json.loads(do("cases", "list", "--json")[1])["cases"]
    found: dict[str, object] = next(case for case in cases if case["number"] == number)
    return found


def old_case(*, passed: bool = False) -> None:
    """A case as earlier versions closed it: a check failed, and the result is ``fixed``."""
    tree = Library(Path()).load("lamp/dark")
    path = ev.Answered(step="closing.earth-check.path", outcome="inside" if passed else "high")
    events: list[ev.Event] = [
        ev.Opened(at="2026-02-11T09:00:00Z", tree=tree.id, tree_hash=tree.hash),
        ev.Answered(step="lit", outcome="dark"),
        ev.RepairTried(fault="burnt"),
        ev.Answered(step="lit", outcome="bright"),
        ev.Confirmed(fault="burnt", step="lit", outcome="bright"),
        ev.Answered(step="closing.earth-check.look", outcome="sound"),
        path,
        *([ev.Answered(step="closing.trial-run.hour", outcome="yes")] if passed else []),
        ev.Closed(at="2026-02-11T10:00:00Z", result="fixed", fault="burnt", became="waiting"),
    ]
    with open_store("record.db") as store:
        store.open_case(events, tree_text=tree.text)


# -- a session --------------------------------------------------------------------------------


def test_after_a_failed_check_a_session_offers_repair_and_a_new_test(do: Do) -> None:
    said = session(do, *TO_FAILURE)
    assert "FAILED: Protective earth. The unit must not go back." in said
    assert "repair:" in said
    assert "test-again:" in said
    assert row(do)["state"] == "open"
    assert row(do)["closing"] == "failed"


def test_a_check_that_is_passed_when_made_again_lets_the_unit_go(do: Do) -> None:
    said = session(do, *TO_FAILURE, "test-again", "sound", "0.1 ohm", "yes", "returned")
    assert "Where does the unit go now?" in said
    case = row(do)
    assert (case["result"], case["became"], case["closing"]) == ("fixed", "returned", "passed")


def test_a_further_repair_is_proved_and_every_check_is_made_again(do: Do) -> None:
    repaired = ("repair", "earth wire fitted", "bright", "sound", "0.1 ohm", "yes", "returned")
    session(do, *TO_FAILURE, *repaired)
    case = row(do)
    assert (case["result"], case["became"], case["closing"]) == ("fixed", "returned", "passed")
    report = json.loads(do("cases", "show", "1", "--json")[1])
    assert [repair["what"] for repair in report["repairs"]] == ["new bulb", "earth wire fitted"]


def test_the_answer_that_failed_the_check_can_be_taken_back(do: Do) -> None:
    session(do, *TO_FAILURE, "back", "0.1 ohm", "yes", "returned")
    assert row(do)["closing"] == "passed"


def test_closed_after_a_failed_check_a_unit_is_neither_fixed_nor_returned(do: Do) -> None:
    said = session(do, *TO_FAILURE, "end", "fixed", "found", "returned", "waiting")
    case = row(do)
    assert (case["result"], case["became"], case["closing"]) == ("found", "waiting", "failed")
    assert "closing check FAILED" in said


# -- an answers file --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "ending",
    ["{result: fixed, became: waiting}", "{result: fixed}", "{result: found, became: returned}"],
)
def test_an_answers_file_may_not_call_it_fixed_or_returned(do: Do, ending: str) -> None:
    status, _, err = answers(do, f"{FAILED}outcome: {ending}\n")
    assert status == 2
    assert "failed the closing check 'Protective earth'" in err
    assert "answers.yaml:" in err
    assert row(do)["state"] == "open"


def test_an_answers_file_may_make_the_failed_check_again(do: Do) -> None:
    ending = "outcome: {result: fixed, became: returned}\n"
    status, _, _ = answers(do, FAILED + TESTED_AGAIN + ending)
    assert status == 0
    assert row(do)["closing"] == "passed"


# -- closing by hand --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "ending",
    [
        ("--result", "fixed", "--fault", "burnt"),
        ("--result", "fixed", "--fault", "burnt", "--became", "waiting"),
        ("--result", "found", "--fault", "burnt", "--became", "returned"),
        ("--result", "referred", "--became", "returned"),
    ],
)
def test_closing_by_hand_is_refused_with_the_remedy(do: Do, ending: tuple[str, ...]) -> None:
    answers(do, FAILED)
    status, _, err = do("cases", "close", "1", *ending)
    assert status == 2
    assert "failed the closing check 'Protective earth'" in err
    assert "faulttree diagnose --resume 1" in err
    assert row(do)["state"] == "open"


def powered(do: Do) -> None:
    """A case of a good unit that had power here and owes its safety check."""
    procedure, tree = Path("shared/procedures/earth-check.yaml"), Path("trees/lamp/dark.yaml")
    procedure.write_text("checks: safety\n" + PROCEDURES["earth-check"], encoding="utf-8")
    tree.write_text(TREE.replace("lit: {ask", "lit: {live: true, ask"), encoding="utf-8")
    answers(do, "unit: {family: lamp}\nanswers: [{lit: bright}]\n")


@pytest.mark.parametrize("result", ["referred", "unsolved", "no-fault-found"])
def test_a_unit_powered_here_is_not_closed_as_returned_without_its_safety_check(
    do: Do, result: str
) -> None:
    powered(do)
    close = ("cases", "close", "1", "--result", result, "--declined", "no time", "--became")
    status, _, err = do(*close, "returned")
    assert status == 2
    assert "has not passed 'Protective earth': it must not go back" in err
    assert "faulttree diagnose --resume 1" in err
    assert row(do)["state"] == "open"
    checked = ("no-fault-found", "yes", "sound", "0.1 ohm")
    assert "Make these checks now?" in do("diagnose", "--resume", "1", "--plain", lines=checked)[1]
    assert do(*close, "returned")[0] == 0
    assert (row(do)["result"], row(do)["became"]) == (result, "returned")


def test_a_unit_that_owes_its_safety_check_may_wait(do: Do) -> None:
    powered(do)
    close = ("cases", "close", "1", "--result", "referred", "--became", "waiting")
    assert do(*close)[0] == 0
    assert row(do)["became"] == "waiting"


def test_a_further_repair_alone_does_not_make_the_unit_fit(do: Do) -> None:
    answers(do, FAILED + "  - repair: {fault: burnt, what: wire, confirm: bright}\n")
    close = ("cases", "close", "1", "--result", "fixed", "--fault", "burnt")
    assert do(*close, "--became", "returned")[0] == 2
    assert row(do)["closing"] == "failed"


def test_a_failed_check_closed_as_found_and_waiting_is_told(do: Do) -> None:
    answers(do, FAILED)
    close = ("cases", "close", "1", "--result", "found", "--fault", "burnt")
    status, _, err = do(*close, "--became", "waiting")
    assert status == 0
    assert "closing check FAILED" in err


def test_checks_not_made_are_told_of_a_unit_called_fixed(do: Do) -> None:
    answers(do, REPAIRED)
    status, _, err = do("cases", "close", "1", "--result", "fixed", "--fault", "burnt")
    assert status == 0
    assert "closing checks not made" in err
    assert row(do)["closing"] == "not-made"
    assert "fixed, closing checks not made" in do("cases", "list")[1]


def test_a_case_is_not_written_up_as_fixed_over_a_failed_check(do: Do) -> None:
    answers(do, FAILED)
    before = Path("trees/lamp/dark.yaml").read_bytes()
    status, _, err = do("write-up", "1", "--fault", "burnt", "--seen", "it shines", "--yes")
    assert status == 2
    assert "failed the closing check" in err
    assert Path("trees/lamp/dark.yaml").read_bytes() == before


# -- lists, reports, exports ------------------------------------------------------------------


def test_a_failed_check_of_an_older_record_is_shown_everywhere(do: Do) -> None:
    old_case()
    old_case(passed=True)
    assert (row(do, 1)["result"], row(do, 1)["closing"]) == ("fixed", "failed")
    assert (row(do, 2)["result"], row(do, 2)["closing"]) == ("fixed", "passed")
    listed = do("cases", "list")[1]
    assert listed.count("fixed, closing check FAILED") == 1
    for form in ("text", "markdown", "html"):
        said = do("cases", "show", "1", "--as", form)[1]
        assert "FAILED, and not passed since: Protective earth" in said
        assert "FAILED" not in do("cases", "show", "2", "--as", form)[1]
    report = json.loads(do("cases", "show", "1", "--json")[1])
    assert (report["result"], report["closing_result"]) == ("fixed", "failed")
    assert report["closing_failed"] == ["Protective earth"]
    assert report["closing"] == {"closing.earth-check": "fail"}
    lines = [json.loads(line) for line in do("cases", "export", "--as", "jsonl")[1].splitlines()]
    assert [line["closing"] for line in lines] == ["failed", "passed"]
    table = csv.DictReader(io.StringIO(do("cases", "export", "--as", "csv")[1]))
    assert {(line["number"], line["closing"]) for line in table} == {
        ("1", "failed"),
        ("2", "passed"),
    }


def test_an_export_that_shows_it_can_be_brought_into_another_record(do: Do) -> None:
    old_case()
    do("cases", "export", "-o", "cases.jsonl")
    assert do("cases", "import", "cases.jsonl", "--record", "other.db")[0] == 0
    found = json.loads(do("cases", "list", "--json", "--record", "other.db")[1])["cases"]
    assert [case["closing"] for case in found] == ["failed"]


def test_a_tree_without_closing_checks_has_no_word_for_them(do: Do) -> None:
    path = Path("trees/lamp/dark.yaml")
    path.write_text(TREE.replace("closing: [earth-check, trial-run]\n", ""), encoding="utf-8")
    answers(do, REPAIRED + "outcome: {result: fixed, became: returned}\n")
    assert row(do)["closing"] is None
    assert "losing check" not in do("cases", "show", "1")[1]


# -- pictures ---------------------------------------------------------------------------------


def walked(do: Do, number: int, *options: str) -> set[tuple[str, str]]:
    """The arrows that the picture of a case marks as walked, as (from, to)."""
    root = ET.fromstring(do("draw", "--case", str(number), *options)[1])
    found = set()
    for node in root.iter():
        if any("o-walked" in (part.get("class") or "").split() for part in node):
            found.add((node.get("data-tail", ""), node.get("data-head", "")))
    return found


CHECK, RUN = "closing.earth-check", "closing.trial-run"
NOT_BACK = CHECK
"""How a picture names the box "The unit must not go back" beside that check."""


@pytest.mark.parametrize("options", [(), ("--unfold",)])
def test_a_picture_marks_the_exit_that_a_closing_check_really_gave(
    do: Do, options: tuple[str, ...]
) -> None:
    old_case()
    old_case(passed=True)
    failed, passed = walked(do, 1, *options), walked(do, 2, *options)
    tail = f"{CHECK}.path" if options else CHECK
    after = f"{RUN}.hour" if options else RUN
    assert (tail, NOT_BACK) in failed
    assert (tail, after) not in failed
    assert (tail, after) in passed
    assert (after, "end.closing") in passed
    assert (tail, NOT_BACK) not in passed


def test_a_picture_names_the_exit_by_which_a_procedure_was_left(do: Do) -> None:
    old_case()
    old_case(passed=True)
    assert "(exit fail)" in do("draw", "--case", "1")[1]
    passed = do("draw", "--case", "2")[1]
    assert "(exit pass)" in passed
    assert "(exit fail)" not in passed
