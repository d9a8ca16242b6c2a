"""The demo plays one whole story to its end, and the record holds what it shows."""

from __future__ import annotations

import io
import re
import tempfile
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest

from faulttree.cases import Case, open_store
from faulttree.cli import run
from faulttree.rules import check_paths
from faulttree.tree import Library, demo_library
from faulttree.walk import events as ev


@dataclass(frozen=True)
class Played:
    """What the demo printed, and what it left behind."""

    text: str
    folder: Path
    cases: dict[int, Case]
    events: dict[int, tuple[ev.Event, ...]]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "80")
        patch.setattr(tempfile, "tempdir", str(tmp_path_factory.mktemp("demo")))
        text = printed()
    folder = Path(re.findall(r"All files of this demo: (.*)", text)[0])
    with open_store(str(folder / "record.db")) as store:
        cases = {case.number: case for case in store.list()}
        events = {number: tuple(store.events(case.id)) for number, case in cases.items()}
    return Played(text, folder, cases, events)


def printed() -> str:
    """All that the demo writes to standard output; it must end well."""
    with redirect_stdout(io.StringIO()) as out:
        assert run(["demo"]) == 0
    return out.getvalue()


def kinds(events: tuple[ev.Event, ...], *wanted: type[ev.Event]) -> list[ev.Event]:
    return [event for event in events if isinstance(event, wanted)]


def test_a_unit_waits_for_its_part_and_is_then_repaired_proved_and_returned(
    played: Played,
) -> None:
    told = kinds(played.events[2], ev.Closed, ev.Reopened, ev.RepairTried, ev.Confirmed)
    assert [event.kind for event in told] == [
        "closed",
        "reopened",
        "repair-tried",
        "confirmed",
        "closed",
    ]
    first, last = told[0], told[-1]
    assert isinstance(first, ev.Closed)
    assert isinstance(last, ev.Closed)
    assert (first.result, first.became) == ("found", "waiting")
    assert (last.result, last.became) == ("fixed", "returned")
    assert "fuse holder" in played.text[played.text.index("cases parts") :]


def test_the_safety_checks_pass_between_the_repair_and_the_return(played: Played) -> None:
    events = played.events[2]
    repair = next(at for at, event in enumerate(events) if isinstance(event, ev.RepairTried))
    after = [event.step for event in events[repair:] if isinstance(event, ev.Answered)]
    assert "closing.safety-by-class.test-1.earth" in after
    assert "closing.safety-by-class.test-1.insulation.insulation" in after


def test_a_measurement_speaks_against_the_loudest_opinion(played: Played) -> None:
    notes = [event for event in played.events[2] if isinstance(event, ev.Noted)]
    opinion, answer = (note.text for note in notes)
    assert "transformer" in opinion
    assert "transformer is good" in answer
    readings = {
        event.step: event.outcome for event in played.events[2] if isinstance(event, ev.Answered)
    }
    assert readings["primary-alone"] == "inside"


def test_two_readings_against_one_rating_find_the_cause(played: Played) -> None:
    answered = {
        event.step: event.outcome for event in played.events[2] if isinstance(event, ev.Answered)
    }
    # IEC 60127-2, from memory: 1.4 V at 250 mA, so a good fuse reads at most 5.6 ohm.
    assert answered["mains-fuse.resistance"] == "inside"
    holder = [
        event.outcome
        for event in played.events[2]
        if isinstance(event, ev.Answered) and event.step == "fuse-holder"
    ]
    assert holder == ["high", "inside"], "found by the first, proved by the second"
    told = played.text[played.text.index("$ faulttree judge") :]
    assert "inside: 2.1 Ω, limit at most 5.6 Ω (the largest resistance of a 250 mA fuse)" in told
    assert "high: 5.1 kΩ" in told


def test_a_wrong_unit_is_refused_and_an_answer_is_taken_back(played: Played) -> None:
    assert "'230 V' is in V, and this place takes Ω" in played.text
    assert kinds(played.events[2], ev.WentBack)
    assert "5,2 kohm" in played.text


def test_the_case_is_written_into_its_tree(played: Played) -> None:
    tree = Library(played.folder / "library").load("soldering-station/does-not-heat")
    assert {one.kind for one in tree.faults["burnt-fuse-holder"].evidence} == {
        "reported",
        "confirmed",
    }
    after = played.text[played.text.index("$ faulttree write-up") :]
    assert "1 tree checked: 0 errors, 0 warnings, 0 notes" in after


def test_a_waiting_unit_of_another_family_is_named(played: Played) -> None:
    other = played.cases[1]
    assert other.became == "waiting"
    assert other.tree.partition("/")[0] != played.cases[2].tree.partition("/")[0]
    told = played.text[played.text.index("$ faulttree revisit") :]
    assert "Case 1" in told
    assert "Contact of the fuse holder burnt (module mains-inlet)" in told


def test_nothing_is_scrapped_and_the_pictures_are_drawn(played: Played) -> None:
    assert {case.became for case in played.cases.values()} == {"waiting", "returned"}
    assert (played.folder / "case-2.svg").read_text().lstrip().startswith("<")
    assert "This record is invented." in played.text


def test_all_that_comes_from_the_invented_library_is_marked(played: Played) -> None:
    mark = "(invented data)"
    for file in ("case-2.svg", "review.html"):
        assert mark in (played.folder / file).read_text(), file
    screens = re.findall(r"soldering-station/\S+ · (.*?) ·", played.text)
    assert screens
    assert set(screens) == {"invented data"}
    report = played.text[played.text.index("$ faulttree cases show") :]
    assert mark in report.splitlines()[1]


def test_the_library_of_the_demo_has_no_findings_and_ships_beside_the_trees() -> None:
    library = demo_library()
    assert library.about.invented
    assert library.load("soldering-station/does-not-heat").invented
    assert not library.load("bench-supply/no-output").invented, "from the shipped library"
    report = check_paths([str(library.root)], library)
    assert report.trees == len(library.own_trees())
    assert report.findings == ()


def test_the_demo_fits_a_few_screens_more_than_its_walk(played: Played) -> None:
    # A rule of this project: a reader scrolls it once. It used to print 1000 lines.
    assert len(played.text.splitlines()) < 700
