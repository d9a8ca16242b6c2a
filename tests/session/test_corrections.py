"""Slips put right: an earlier answer or reading, a repair, its proof, a closing check."""

from __future__ import annotations

from faulttree.session import read_typed
from faulttree.tree import build
from faulttree.walk import events as ev
from tests.session.samples import Driver, lamp

SUPPLY = {
    "title": "A supply, wrong",
    "family": "supply",
    "start": "mains",
    "steps": {
        "mains": {"measure": "Voltage in", "unit": "V", "limits": {"min": "1 V", "max": "300 V",
            "source": "invented"}, "results": {"low": "dead", "inside": "half", "high": "odd"}},
        "half": {"measure": "Voltage at the tap", "limits": {
            "nominal": {"formula": "v / 2", "from": {"v": "mains"}}, "unit": "V",
            "tolerance": "10 %", "source": "invented"},
            "results": {"low": "tap-low", "inside": "lit", "high": "tap-high"}},
        "lit": {"ask": "Does it light?", "answers": {"lit": "fine", "dark": "lamp-burnt"}},
    },
    "faults": {
        "dead": {"title": "No voltage", "remedy": "Plug it in."},
        "odd": {"title": "Voltage too high", "remedy": "Stop."},
        "tap-low": {"title": "Tap low", "remedy": "Replace it."},
        "tap-high": {"title": "Tap high", "remedy": "Replace it."},
        "lamp-burnt": {"title": "Lamp burnt", "remedy": "Replace it.",
            "confirm": {"step": "lit", "gives": "lit"}},
    },
    "stops": {"fine": {"title": "Nothing wrong", "reason": "no-fault-found"}},
}  # fmt: skip


def supply() -> Driver:
    tree = {"id": "supply/wrong", "tree": SUPPLY}
    return Driver(build({**tree, "procedures": {}, "cautions": {}, "instruments": {}}))


def test_an_earlier_answer_is_put_right_and_the_walk_finds_its_place() -> None:
    driver = Driver(lamp())
    driver.type("", "yes", "")
    driver.type("correct plug")
    assert driver.prompt.kind == "correct"
    assert [one.id for one in driver.prompt.choices] == ["yes", "no"]
    before = len(driver.events)
    driver.type("back")
    assert len(driver.events) == before
    driver.type("correct 1", "no")
    assert driver.state.end is not None
    assert driver.state.end.id == "not-plugged"
    first = next(event for event in driver.events if isinstance(event, ev.Answered))
    assert first.outcome == "yes"  # what was recorded stays


def test_a_reading_put_right_judges_again_what_was_computed_from_it() -> None:
    driver = supply()
    driver.type("24 V", "24 V")  # twice the half of 24 V
    assert driver.state.end is not None
    assert driver.state.end.id == "tap-high"
    driver.type("correct mains", "48 V")
    corrected = next(event for event in driver.events if isinstance(event, ev.Corrected))
    assert [one["outcome"] for one in corrected.decided] == ["inside"]
    assert driver.state.ask is not None
    assert driver.state.ask.id == "lit"
    assert "Judged again: half: inside." in driver.said


def test_a_correction_equals_having_typed_it_right_at_once() -> None:
    slipped, right = supply(), supply()
    slipped.type("24 V", "24 V", "correct mains", "48 V", "dark")
    right.type("48 V", "24 V", "dark")
    seen = [
        [(visit.step, visit.outcome) for visit in driver.state.visits]
        for driver in (slipped, right)
    ]
    assert seen[0] == seen[1]
    assert slipped.state.end == right.state.end


def test_a_correction_is_refused_in_a_wrong_unit_and_asked_again() -> None:
    driver = supply()
    driver.type("24 V", "correct mains", "24 A")
    assert driver.refusals
    assert driver.prompt.kind == "correct"
    driver.type("banana", "")
    assert driver.prompt.kind == "correct"
    assert not any(isinstance(event, ev.Corrected) for event in driver.events)


def test_what_has_no_answer_cannot_be_corrected() -> None:
    driver = supply()
    driver.type("24 V", "correct lit", "correct 9")
    assert len(driver.refusals) == 2
    assert driver.prompt.kind == "step"
    driver.type("correct")
    assert driver.views == ["path"]


def test_a_repair_is_taken_back() -> None:
    driver = supply()
    driver.type("48 V", "24 V", "dark", "new lamp")
    assert driver.state.confirming is not None
    driver.type("back")
    assert driver.prompt.kind == "fault"
    assert driver.state.confirming is None


def test_a_proof_is_taken_back_or_put_right() -> None:
    driver = supply()
    driver.type("48 V", "24 V", "dark", "new lamp", "dark")
    assert driver.state.excluded == {"lamp-burnt"}
    driver.type("correct lit", "lit")
    assert driver.state.cured is not None
    assert not driver.state.excluded
    assert driver.prompt.kind == "place"
    driver.type("back")
    assert driver.state.cured is None
    assert driver.state.ask is not None
    assert driver.state.ask.id == "lit"


def test_what_was_seen_of_a_repair_is_taken_back() -> None:
    driver = Driver(lamp())
    driver.type("", "no", "plugged it in", "yes", "it lights")
    assert driver.prompt.kind == "place"
    driver.type("back")
    assert driver.prompt.kind == "proof"
    driver.type("yes", "it lights well", "1")
    assert driver.state.closed is not None


def test_a_later_repair_keeps_the_proof_before_it() -> None:
    driver = supply()
    driver.type("48 V", "24 V", "dark", "new lamp", "dark", "repaired tap-low", "new tap")
    answers = [event for event in driver.events if isinstance(event, ev.Answered)]
    driver.type(f"correct {len(answers)}")
    assert "another repair was made since, because of this answer" in driver.refusals


def test_correct_is_a_word_only_where_it_works() -> None:
    driver = supply()
    assert read_typed(driver.prompt, "correct mains").action == "correct"
