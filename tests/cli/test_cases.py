"""``faulttree cases …`` and ``faulttree revisit`` as they are typed."""

from __future__ import annotations

import json
import stat
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from faulttree.cases import open_store
from faulttree.cases.report.document import expected
from faulttree.cli import run
from faulttree.tree import Library, Tree
from faulttree.walk.events import (
    Answered,
    CautionRead,
    Closed,
    Confirmed,
    Declined,
    NotConfirmed,
    Noted,
    Opened,
    PhotoAdded,
    RepairTried,
    Skipped,
    WentBack,
)
from tests.cases.postgres import shared
from tests.cases.samples import opened as any_case

TREE = """
title: Hand sander, does not run
family: hand-sander
modules: [motor]
start: lead
steps:
  lead:
    ask: Does the lamp of the test socket light?
    minutes: 1
    answers: {lights: brushes, dark: broken-lead}
  brushes:
    measure: Length of the brushes
    minutes: 4
    limits: {min: 5 mm}
    results: {low: worn-brushes, inside: beyond}
faults:
  broken-lead: {title: Lead broken inside, part: W1, remedy: Replace the lead., part_cost: 4}
  worn-brushes:
    title: Brushes worn down
    part: B1 and B2
    module: motor
    remedy: Replace both.
    part_cost: 2.5
    confirm: {step: brushes, gives: inside}
stops:
  beyond: {title: Beyond this tree, reason: out-of-scope}
"""

LEARNT = TREE.replace(
    "results: {low: worn-brushes, inside: beyond}",
    "results: {low: worn-brushes, inside: field}\n"
    "  field:\n    ask: Is the field coil open?\n    minutes: 3\n"
    "    answers: {open: open-field, closed: beyond}",
).replace(
    "stops:",
    "  open-field: {title: Field coil open, part: L1, module: motor, remedy: Rewind., weight: 2}\n"
    "stops:",
)


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "record.sqlite"
    monkeypatch.setenv("FAULTTREE_RECORD", str(path))
    monkeypatch.chdir(tmp_path)
    return path


@pytest.fixture
def library(tmp_path: Path) -> Path:
    return write_tree(tmp_path / "library", TREE)


def write_tree(root: Path, text: str) -> Path:
    file = root / "trees" / "hand-sander" / "does-not-run.yaml"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)
    return root


def tree(library: Path) -> Tree:
    return Library(library).load("hand-sander/does-not-run")


def at(minute: int) -> str:
    return f"2026-02-11T09:{minute:02d}:00.000Z"


def opened(of: Tree, serial: str = "tag 7", **more: Any) -> Opened:
    unit = {"family": "hand-sander", "model": "orbital", "serial": serial}
    return Opened(
        at=at(0), tree=of.id, tree_hash=of.hash, unit=unit, complaint="does not run", **more
    )


def reading(value: float) -> dict[str, Any]:
    return {"value": value / 1000, "unit": "m", "text": f"{value:g} mm"}


def keep(record: Path, of: Tree, *events: Any, **more: Any) -> str:
    with open_store(str(record)) as store:
        return store.open_case([opened(of, **more), *events], tree_text=of.text)


LIGHTS = Answered(at=at(1), step="lead", outcome="lights", seconds=60.0)
WORN = Answered(
    at=at(2),
    step="brushes",
    outcome="low",
    reading=reading(2.1),
    verdict={"outcome": "low", "text": "2.1 mm is below the limit of 5 mm"},
    instrument="calliper-1",
    note="both sides",
)
FINE = Answered(at=at(2), step="brushes", outcome="inside", reading=reading(9))


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = run(list(words))
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ({"nominal": "34 V", "tolerance": "10 %"}, "34 V ± 10 %"),
        ({"nominal": "1 F", "tolerance": ["-20 %", "+80 %"]}, "1 F -20 % +80 %"),
        ({"min": "-5 V", "max": "5 V"}, "-5 V to 5 V"),
        ({"max": "10 mVpp"}, "at most 10 mVpp"),
        (
            {"component": "electrolytic", "quantity": "capacitance", "capacitance": "330 µF"}
            | {"tolerance": "20 %"},
            "330 µF ± 20 %",
        ),
        ({"component": "electrolytic", "quantity": "ESR", "capacitance": "330 µF"}, ""),
        ({"nominal": {"formula": "u / 2"}, "tolerance": "5 %"}, "± 5 %"),
    ],
)
def test_what_was_expected_is_told_as_its_file_says_it(limits: dict[str, Any], said: str) -> None:
    assert expected(limits) == said


def told(capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    status, out, _ = said(capsys, *words, "--json")
    assert status in (0, 1)
    return json.loads(out)


Said = pytest.CaptureFixture[str]


# List and show ------------------------------------------------------------------------------


def test_an_absent_record_reads_as_empty_and_stays_absent(record: Path, capsys: Said) -> None:
    assert told(capsys, "cases", "list") == {"cases": []}
    status, out, err = said(capsys, "cases", "list")
    assert (status, out) == (0, "")
    assert "No case" in err
    assert told(capsys, "cases", "parts") == {"parts": [], "cost": 0}
    status, _, err = said(capsys, "cases", "show", "14")
    assert status == 2
    assert "no case '14'" in err
    assert not record.exists()


def test_list_shows_what_was_asked_for(record: Path, library: Path, capsys: Said) -> None:
    sander = tree(library)
    keep(record, sander, LIGHTS)
    keep(record, sander, LIGHTS, FINE, Closed(at=at(3), result="unsolved"), serial="tag 8")
    assert [case["number"] for case in told(capsys, "cases", "list")["cases"]] == [2, 1]
    assert [case["number"] for case in told(capsys, "cases", "list", "--open")["cases"]] == [1]
    found = told(capsys, "cases", "list", "--result", "unsolved", "orbit")["cases"]
    assert [(case["serial"], case["state"]) for case in found] == [("tag 8", "closed")]
    assert len(told(capsys, "cases", "list", "--limit", "1")["cases"]) == 1
    status, out, err = said(capsys, "cases", "list", "--limit", "1")
    assert status == 0
    assert "unsolved" in out
    assert "There are more" in err
    status, _, err = said(capsys, "cases", "list", "--since", "yesterday")
    assert (status, "is no time" in err) == (2, True)


def test_a_complaint_that_was_not_reproduced_is_closed_and_listed_as_such(
    record: Path, library: Path, capsys: Said
) -> None:
    sander = tree(library)
    keep(record, sander, LIGHTS, FINE, Closed(at=at(3), result="unsolved"))
    keep(record, sander, LIGHTS)
    close = ("cases", "close", "2", "--result", "not-reproduced", "--declined", "it works now")
    assert said(capsys, *close)[0] == 0
    found = told(capsys, "cases", "list", "--result", "not-reproduced")["cases"]
    assert [case["number"] for case in found] == [2]


def full_case(record: Path, of: Tree) -> str:
    return keep(
        record,
        of,
        CautionRead(at=at(1), caution="mains"),
        Answered(at=at(1), step="lead", outcome="dark"),
        WentBack(at=at(1)),
        LIGHTS,
        Skipped(at=at(2), step="brushes", reason="calliper lent out"),
        Noted(at=at(2), text="smells <b>burnt</b> \x1b[31m*red*\u202e", step="brushes"),
        WORN,
        PhotoAdded(at=at(3), path="photos/brush.jpg", sha256="ab" * 32, step="brushes"),
        RepairTried(at=at(4), fault="broken-lead", what="new lead"),
        NotConfirmed(at=at(5), fault="broken-lead", seen="still dead"),
        RepairTried(at=at(6), fault="worn-brushes", parts=("B1", "B2"), cost=2.5),
        Confirmed(at=at(7), fault="worn-brushes", step="brushes", reading=reading(11)),
        Declined(
            at=at(8),
            suspects=({"fault": "broken-lead", "probability": 0.1, "minutes": 1.0},),
            reason="in a hurry",
        ),
        Closed(at=at(9), result="fixed", fault="worn-brushes", became="returned"),
        who="MK",
        owner_words="It just stopped",
    )


EXPECTED = (
    "Hand sander, does not run",
    "orbital",
    "tag 7",
    "does not run",
    "It just stopped",
    "MK",
    "Does the lamp of the test socket light? – dark (gone back over",
    "Length of the brushes – skipped: calliper lent out",
    "Length of the brushes – 2.1 mm, low",
    "2.1 mm is below the limit of 5 mm",
    "calliper-1",
    "both sides",
    "Lead broken inside: new lead",
    "Did not cure it: still dead",
    "Brushes worn down",
    "Confirmed: Length of the brushes, 11 mm",
    "Left untested, knowingly",
    "in a hurry",
    "photos/brush.jpg",
    "fixed",
    "returned to its owner",
    "B1 and B2",
)


@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_a_case_is_a_report_its_owner_could_be_handed(
    record: Path, library: Path, capsys: Said, form: str
) -> None:
    full_case(record, tree(library))
    status, out, _ = said(capsys, "cases", "show", "tag 7", "--as", form)
    assert status == 0
    plain = " ".join(out.replace("\\", "").split())
    for words in EXPECTED:
        assert words in plain, words
    assert "\x1b" not in out
    assert "\u202e" not in out


def test_what_a_case_quotes_is_never_markup(record: Path, library: Path, capsys: Said) -> None:
    full_case(record, tree(library))
    _, page, _ = said(capsys, "cases", "show", "1", "--as", "html")
    assert "<b>" not in page
    assert "&lt;b&gt;burnt" in page
    _, page, _ = said(capsys, "cases", "show", "1", "--as", "markdown")
    assert r"\<b\>burnt" in page
    assert r"\*red\*" in page


def test_markdown_means_what_was_written(record: Path, library: Path, capsys: Said) -> None:
    # markdown-it-py follows the CommonMark specification.
    from markdown_it import MarkdownIt

    full_case(record, tree(library))
    keep(record, tree(library), Noted(at=at(1), text="1. # - [a](b) ![c](d) `e` &amp; | ~~f~~"))
    for number in ("1", "2"):
        _, page, _ = said(capsys, "cases", "show", number, "--as", "markdown")
        html = MarkdownIt("commonmark").render(page)
        for tag in ("<a ", "<img", "<code>", "<em>", "<b>"):
            assert tag not in html, tag
    assert "1. # - [a](b) ![c](d) `e` &amp;amp; | ~~f~~" in html


def test_show_as_json_tells_the_walk_and_every_event(
    record: Path, library: Path, capsys: Said
) -> None:
    case = full_case(record, tree(library))
    document = told(capsys, "cases", "show", case)
    assert document["case"] == case
    assert document["tree_hash"] == tree(library).hash
    assert document["fault_title"] == "Brushes worn down"
    assert [(one["step"], one["outcome"]) for one in document["path"]][:2] == [
        ("lead", "lights"),
        ("brushes", "low"),
    ]
    assert {"possible", "untested", "end", "minutes"} <= set(document)
    assert len(document["events"]) == 15
    assert [one["stands"] for one in document["story"]] == [False, True, True, True]


def test_a_case_can_be_shown_without_its_tree(record: Path, capsys: Said) -> None:
    with open_store(str(record)) as store:
        lost = Opened(at=at(0), tree="a/b", tree_hash="00", unit={"family": "a"})
        store.open_case([lost, Answered(at=at(1), step="fuse", outcome="blown")])
    status, out, _ = said(capsys, "cases", "show", "1")
    assert status == 0
    assert "fuse – blown" in out


def test_a_report_can_go_to_a_file(record: Path, library: Path, capsys: Said) -> None:
    full_case(record, tree(library))
    assert said(capsys, "cases", "show", "1", "--as", "html", "-o", "case.html")[:2] == (0, "")
    assert Path("case.html").read_text().startswith("<!DOCTYPE html>")
    assert stat.S_IMODE(Path("case.html").stat().st_mode) == 0o600


def test_characters_that_mislead_are_escaped_in_json(record: Path, capsys: Said) -> None:
    words = "hums \u202e\x9b31m \udcff"
    with open_store(str(record)) as store:
        store.open_case([any_case(complaint=words)])
    for command in (("cases", "list"), ("cases", "show", "1")):
        status, out, _ = said(capsys, *command, "--json")
        assert status == 0
        assert not {"\u202e", "\x9b", "\udcff"} & {*out}
        assert json.dumps(words[:9])[1:-1] in out


# Close, reopen, minutes, parts --------------------------------------------------------------


def test_closing_as_fixed_needs_what_shows_it(record: Path, library: Path, capsys: Said) -> None:
    keep(record, tree(library), LIGHTS, WORN)
    close = ("cases", "close", "1", "--result", "fixed")
    status, _, err = said(capsys, *close)
    assert (status, "needs the fault" in err) == (2, True)
    status, _, err = said(capsys, *close, "--fault", "worn-brushes")
    assert (status, "nothing in case 1 shows" in err) == (2, True)
    status, _, _ = said(capsys, *close, "--fault", "worn-brushes", "--seen", "ran an hour")
    assert status == 0
    case = told(capsys, "cases", "list")["cases"][0]
    assert (case["result"], case["fault"], case["state"]) == ("fixed", "worn-brushes", "closed")
    status, _, err = said(capsys, *close, "--fault", "worn-brushes")
    assert (status, "closed already" in err) == (2, True)


def test_giving_a_unit_up_shows_the_suspects_still_open(
    record: Path, library: Path, capsys: Said
) -> None:
    keep(record, tree(library), LIGHTS)
    close = ("cases", "close", "1", "--result", "unsolved", "--became", "scrapped")
    status, _, err = said(capsys, *close)
    assert status == 1
    assert "Brushes worn down" in err
    assert told(capsys, "cases", "list")["cases"][0]["state"] == "open"
    status, _, _ = said(capsys, *close, "--declined", "no time")
    assert status == 0
    with open_store(str(record), read_only=True) as store:
        declined = [e for e in store.events(store.find("1").id) if isinstance(e, Declined)]
    assert [one["fault"] for one in declined[0].suspects] == ["worn-brushes"]


def test_no_fault_found_is_held_up_while_a_likely_suspect_can_be_tested(
    record: Path, library: Path, capsys: Said
) -> None:
    keep(record, tree(library), LIGHTS)
    close = ("cases", "close", "1", "--result", "no-fault-found", "--became", "returned")
    status, _, err = said(capsys, *close)
    assert status == 1
    assert "Brushes worn down (90 %, 4 min to test)" in err
    assert "--declined REASON" in err
    assert told(capsys, "cases", "list")["cases"][0]["state"] == "open"
    assert said(capsys, *close, "--declined", "the owner wants it back")[0] == 0
    case = told(capsys, "cases", "list")["cases"][0]
    assert (case["result"], case["became"]) == ("no-fault-found", "returned")


def test_no_fault_found_is_free_where_the_tree_itself_says_so(
    record: Path, library: Path, capsys: Said
) -> None:
    close = ("--result", "no-fault-found", "--became", "returned")
    clear = TREE.replace("beyond}", "works}").replace(
        "  beyond: {title: Beyond this tree, reason: out-of-scope}",
        "  works: {title: It works, reason: no-fault-found}",
    )
    sound = Answered(at=at(2), step="brushes", outcome="inside", reading=reading(9))
    write_tree(library, clear)
    keep(record, tree(library), LIGHTS, sound)
    assert said(capsys, "cases", "close", "1", *close)[0] == 0


def test_a_closed_case_takes_new_steps_on_the_module_kept(
    record: Path, library: Path, capsys: Said
) -> None:
    closed = Closed(at=at(3), result="unsolved", became="kept-for-parts", kept=("motor",))
    keep(record, tree(library), LIGHTS, closed)
    status, _, err = said(capsys, "cases", "reopen", "1", "--module", "lamp")
    assert (status, "no module 'lamp' was kept" in err) == (2, True)
    words = ("cases", "reopen", "1", "--module", "motor", "--reason", "a tip came")
    assert said(capsys, *words)[0] == 0
    status, _, err = said(capsys, *words)
    assert (status, "is open" in err) == (2, True)
    with open_store(str(record)) as store:
        case = store.find("1")
        store.append(case.id, case.events, WORN)
        assert (case.state, store.case(case.id).step) == ("open", "brushes")


def test_minutes_can_be_set_right(record: Path, library: Path, capsys: Said) -> None:
    keep(record, tree(library), LIGHTS, WORN)
    assert told(capsys, "cases", "minutes", "1", "brushes", "7.5")["minutes"] == 8.5
    status, _, err = said(capsys, "cases", "minutes", "1", "field", "3")
    assert (status, "never took the step 'field'" in err) == (2, True)


def test_parts_is_a_shopping_list_of_what_is_not_mended_yet(
    record: Path, library: Path, capsys: Said
) -> None:
    sander = tree(library)
    keep(record, sander, LIGHTS, WORN)
    waits = Closed(at=at(3), result="found", fault="broken-lead", became="waiting")
    keep(record, sander, Answered(at=at(1), step="lead", outcome="dark"), waits, serial="tag 8")
    full_case(record, sander)
    keep(record, sander, LIGHTS, serial="tag 9")
    document = told(capsys, "cases", "parts")
    parts = [(part["part"], part["number"], part["cost"]) for part in document["parts"]]
    assert parts == [("B1 and B2", 1, 2.5), ("W1", 2, 4)]
    assert document["cost"] == 6.5
    assert "Brushes worn down" in said(capsys, "cases", "parts")[1]


def test_come_backs_are_listed(record: Path, library: Path, capsys: Said) -> None:
    full_case(record, tree(library))
    with open_store(str(record)) as store:
        later = opened(tree(library))
        store.open_case([Opened(**{**_fields(later), "at": "2026-03-01T00:00:00Z"})])
    found = told(capsys, "cases", "come-backs")
    assert (found["days"], [case["number"] for case in found["cases"]]) == (90, [1])
    assert told(capsys, "cases", "come-backs", "--days", "5") == {"days": 5, "cases": []}
    assert "came in again" not in said(capsys, "cases", "show", "1")[1]
    told(capsys, "cases", "come-backs", "--days", "60")
    assert "came in again" in said(capsys, "cases", "show", "1")[1]
    assert "came back" in said(capsys, "cases", "list")[1]


def _fields(event: Opened) -> dict[str, Any]:
    return {name: getattr(event, name) for name in ("tree", "tree_hash", "unit", "complaint")}


# Files --------------------------------------------------------------------------------------


def test_cases_travel_between_records(record: Path, library: Path, capsys: Said) -> None:
    case = full_case(record, tree(library))
    status, out, _ = said(capsys, "cases", "export")
    assert (status, len(out.splitlines())) == (0, 1)
    written = told(capsys, "cases", "export", "-o", "out.jsonl")
    assert written["written"] == 1
    assert Path("out.jsonl").read_text() == out
    assert stat.S_IMODE(Path("out.jsonl").stat().st_mode) == 0o600
    other = ("--record", "other.sqlite")
    assert told(capsys, "cases", "import", "out.jsonl", *other)["cases"] == 1
    assert told(capsys, "cases", "import", "out.jsonl", *other)["same"] == 1
    assert told(capsys, "cases", "show", case, *other)["fault_title"] == "Brushes worn down"
    assert said(capsys, "cases", "export", *other)[1] == out


def test_a_damaged_line_is_named_and_the_rest_is_brought_in(
    record: Path, library: Path, capsys: Said
) -> None:
    keep(record, tree(library), LIGHTS)
    keep(record, tree(library), WORN)
    lines = said(capsys, "cases", "export")[1].splitlines()
    Path("in.jsonl").write_text("\n".join([lines[0], lines[0][:80], lines[1]]) + "\n")
    status, _, err = said(capsys, "cases", "import", "in.jsonl", "--record", "other.sqlite")
    assert status == 1
    assert "2 new cases" in err
    assert "in.jsonl:2: the line is damaged" in err
    status, _, err = said(capsys, "cases", "import", "none.jsonl")
    assert (status, "none.jsonl" in err) == (2, True)


def test_the_ending_says_the_form(record: Path, library: Path, capsys: Said) -> None:
    keep(record, tree(library), LIGHTS, WORN)
    assert told(capsys, "cases", "export", "-o", "steps.csv")["form"] == "csv"
    assert Path("steps.csv").read_text().startswith("case,number,tree,")
    assert told(capsys, "cases", "export", "-o", "steps.parquet")["written"] == 2
    assert Path("steps.parquet").read_bytes()[:4] == b"PAR1"
    status, _, err = said(capsys, "cases", "export", "--json")
    assert (status, "--output" in err) == (2, True)


def test_verify_says_what_is_wrong_and_mends_it(record: Path, library: Path, capsys: Said) -> None:
    full_case(record, tree(library))
    Path("photos").mkdir()
    Path("photos/brush.jpg").write_bytes(b"")
    document = told(capsys, "cases", "verify")
    assert (document["sound"], document["cases"], document["photos"]) == (False, 1, 1)
    assert "not the photo" in document["findings"][0]["message"]
    data = record.read_bytes()
    record.write_bytes(data[: len(data) // 3])
    status, _, err = said(capsys, "cases", "list")
    assert (status, "verify --repair" in err) == (2, True)
    status, _, err = said(capsys, "cases", "verify")
    assert (status, "damaged" in err) == (2, True)
    Path("photos/brush.jpg").unlink()
    status, out, _ = said(capsys, "cases", "verify", "--repair")
    assert status == 0
    assert "made again with 1 cases and 15 events" in out
    assert told(capsys, "cases", "list")["cases"][0]["fault"] == "worn-brushes"


# Revisit ------------------------------------------------------------------------------------

GIVEN_UP = Closed(at=at(5), result="unsolved", became="kept-for-parts", kept=("motor",))


def test_a_newer_suspect_brings_back_the_cases_it_may_explain(
    record: Path, library: Path, capsys: Said
) -> None:
    before = tree(library)
    keep(record, before, LIGHTS, FINE, GIVEN_UP)
    keep(record, before, LIGHTS, GIVEN_UP, serial="tag 8")
    keep(record, before, LIGHTS, FINE, Closed(at=at(5), result="fixed", fault="worn-brushes"))
    keep(record, before, LIGHTS, FINE, Closed(at=at(5), result="unsolved", became="scrapped"))
    keep(record, before, LIGHTS, FINE)
    revisit = ("revisit", "--library", str(library))
    assert told(capsys, *revisit) == {"cases": []}
    write_tree(library, LEARNT)
    found = told(capsys, *revisit)["cases"]
    assert [(one["number"], one["fault"], one["steps"]) for one in found] == [
        (1, "open-field", ["field"]),
        (2, "open-field", ["brushes", "field"]),
    ]
    assert [one["minutes"] for one in found] == [3, 7]
    # Bayes by hand: case 1 saw brushes inside, which leaves open-field and "none of these".
    assert 0.5 < found[1]["probability"] < found[0]["probability"] < 1
    status, out, err = said(capsys, *revisit)
    assert status == 0
    assert "Field coil open" in out
    assert "2 cases to revisit" in err


def test_a_case_that_took_the_test_is_left_in_peace(
    record: Path, library: Path, capsys: Said
) -> None:
    before = tree(library)
    write_tree(library, LEARNT)
    tested = Answered(at=at(3), step="field", outcome="closed")
    keep(record, before, LIGHTS, FINE, tested, GIVEN_UP)
    assert told(capsys, "revisit", "--library", str(library)) == {"cases": []}


def test_only_what_was_kept_can_be_tested(record: Path, library: Path, capsys: Said) -> None:
    before = tree(library)
    write_tree(library, LEARNT)
    case = Closed(at=at(5), result="unsolved", became="kept-for-parts", kept=("case",))
    keep(record, before, LIGHTS, FINE, case)
    motor = Closed(at=at(5), result="unsolved", became="scrapped", kept=("motor",))
    keep(record, before, LIGHTS, FINE, motor, serial="tag 8")
    found = told(capsys, "revisit", "--library", str(library))["cases"]
    assert [one["number"] for one in found] == [2]


def test_a_module_is_known_by_whichever_tree_learnt_of_it(
    record: Path, library: Path, capsys: Said
) -> None:
    keep(record, tree(library), LIGHTS, FINE, GIVEN_UP)
    other = library / "trees" / "belt-sander" / "does-not-run.yaml"
    other.parent.mkdir()
    other.write_text(LEARNT.replace("hand-sander", "belt-sander"))
    found = told(capsys, "revisit", "--library", str(library))["cases"]
    assert [(one["tree"], one["fault"], one["module"]) for one in found] == [
        ("belt-sander/does-not-run", "open-field", "motor")
    ]
    # Two thirds of the weight of the motor's faults: 2 of 2 + 1.
    assert found[0]["probability"] == pytest.approx(2 / 3)


def test_what_another_tree_knew_before_the_case_is_no_news(
    record: Path, library: Path, capsys: Said
) -> None:
    keep(record, tree(library), LIGHTS, FINE, GIVEN_UP)
    other = library / "trees" / "belt-sander" / "does-not-run.yaml"
    other.parent.mkdir()
    there = ("--library", str(library))
    for date, listed in (("2001-01-01", 0), ("2999-01-01", 1)):
        said = f"weight: 2, evidence: [{{kind: reported, source: a visitor, date: {date}}}]}}"
        other.write_text(LEARNT.replace("hand-sander", "belt-sander").replace("weight: 2}", said))
        assert len(told(capsys, "revisit", *there)["cases"]) == listed
        assert len(told(capsys, "revisit", "--all", *there)["cases"]) >= 1


def test_a_loose_suspect_is_listed_though_no_test_is_known(
    record: Path, library: Path, capsys: Said
) -> None:
    keep(record, tree(library), LIGHTS, FINE, GIVEN_UP)
    loose = "  shorted-turns: {title: Turns shorted, remedy: Rewind., module: motor}\nstops:"
    write_tree(library, TREE.replace("stops:", loose))
    found = told(capsys, "revisit", "--library", str(library))["cases"]
    assert [(one["fault"], one["minutes"], one["steps"]) for one in found] == [
        ("shorted-turns", None, [])
    ]


def test_hashes_are_of_the_text_kept(library: Path) -> None:
    of = tree(library)
    assert sha256(of.text.encode()).hexdigest() == of.hash


def test_a_bench_file_names_the_record_of_the_shop(
    library: Path, tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FAULTTREE_RECORD", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "own"))
    (library / "bench.yaml").write_text("record: ../shop.sqlite\n")
    keep(tmp_path / "shop.sqlite", tree(library), LIGHTS)
    keep(tmp_path / "other.sqlite", tree(library), LIGHTS, serial="tag 8")
    there = ("--library", str(library))
    assert [case["serial"] for case in told(capsys, "cases", "list", *there)["cases"]] == ["tag 7"]
    other = ("--record", str(tmp_path / "other.sqlite"))
    assert told(capsys, "cases", "list", *there, *other)["cases"][0]["serial"] == "tag 8"
    assert not (tmp_path / "own").exists()


def test_a_walk_begins_without_the_server_and_is_in_its_record_later(
    library: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    server = shared()
    url = server.url(server.database())
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    answers = tmp_path / "answers.yaml"
    answers.write_text("unit: {serial: tag 3}\nanswers:\n  - lead: dark\n")
    walk = ["diagnose", "hand-sander/does-not-run", "--answers", str(answers), "--record", url]
    where = ["--library", str(library)]
    assert said(capsys, "cases", "list", "--record", url)[0] == 0
    status, _, problem = said(capsys, *walk, *where)
    assert status == 0, problem
    server.stop("immediate")
    try:
        status, out, problem = said(capsys, *walk, *where)
        assert status == 0, problem
        assert "are kept on this bench" in problem
        assert "broken-lead" in out
        assert said(capsys, "cases", "list", "--record", url)[0] == 2
    finally:
        server.start()
    status, _, problem = said(capsys, *walk, *where)
    assert "restored" in problem
    with open_store(url) as store:
        assert store.count(serial="tag 3") == 3
