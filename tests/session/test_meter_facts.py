"""What the meter is: asked once a case where nobody declared it, and kept."""

from __future__ import annotations

from typing import Any

import pytest

from faulttree.errors import FaulttreeError
from faulttree.reading import read_bench
from faulttree.session import Context
from faulttree.tree import Tree, build
from faulttree.walk import events as ev
from faulttree.walk.meter import meter_fact
from faulttree.walk.script import play, read_script
from tests.session.samples import Driver

INSTRUMENTS = {
    "insulation-tester": {"title": "Tester", "offers": {"test_voltage": ["500 V"]}},
    "multimeter": {"title": "Meter"},
    "esr-meter": {"title": "ESR meter", "offers": {"test_signal": ["a.c."]}},
}
ESR = {"component": "electrolytic", "quantity": "ESR", "capacitance": "220 uF", "rated": "35 V"}


def tree(**limits: Any) -> Tree:
    """Two readings of the same kind, one after the other."""
    unit = {"results": {"inside": "second", "high": "faulty", "low": "faulty"}}
    sides = "inside high" if "low" not in limits.pop("sides", "low") else "inside low"
    results = dict.fromkeys(sides.split(), "faulty")
    steps = {
        "first": {"measure": "Once", "limits": limits, "needs": [*INSTRUMENTS], **unit},
        "second": {"measure": "Again", "limits": limits, "results": results},
    }
    steps["first"]["results"] = {**results, "inside": "second"}
    return build(
        {
            "id": "lamp/dark",
            "tree": {
                "title": "A lamp", "family": "lamp", "start": "first", "steps": steps,
                "faults": {"faulty": {"title": "Faulty", "remedy": "New one."}}, "stops": {},
            },
            "procedures": {}, "cautions": {}, "instruments": INSTRUMENTS,
        }
    )  # fmt: skip


def insulation() -> Driver:
    return Driver(tree(component="insulation", protection="I", sides="low"))


def facts(driver: Driver) -> dict[str, str]:
    return {e.name: e.value for e in driver.events if isinstance(e, ev.FactGiven)}


def test_the_kind_of_the_meter_is_asked_once_and_kept_with_the_reading() -> None:
    driver = insulation()
    before = len(driver.events)
    driver.type("20 Mohm")
    assert (driver.prompt.kind, len(driver.events)) == ("fact", before)
    assert [one.id for one in driver.prompt.choices][-2:] == ["another-kind", "not-known"]
    driver.type("insulation-tester")
    assert facts(driver) == {"meter-kind.insulation": "insulation-tester"}
    answered = driver.state.visits[-1].event
    assert answered.outcome == "inside"
    assert "the kind of meter is not declared" not in str(answered.verdict)
    driver.type("30 Mohm")
    assert len(driver.state.visits) == 2


def test_a_meter_of_another_kind_is_refused_and_asked_about_again() -> None:
    driver = insulation()
    driver.type("20 Mohm", "another-kind")
    assert not driver.state.visits
    assert "the few volts of other meters" in driver.said
    assert facts(driver) == {"meter-kind.insulation": "another-kind"}
    driver.type("20 Mohm")
    assert driver.prompt.kind == "fact"
    driver.type("multimeter")
    assert not driver.state.visits
    driver.type("20 Mohm", "insulation-tester")
    assert driver.state.visits[-1].outcome == "inside"


def test_a_meter_nobody_knows_is_judged_with_a_remark_and_not_asked_again() -> None:
    driver = insulation()
    driver.type("20 Mohm", "not-known", "30 Mohm")
    assert len(driver.state.visits) == 2
    assert "the kind of meter is not declared" in str(driver.state.visits[-1].event.verdict)


def test_over_range_on_a_meter_of_the_right_kind_proves_insulation() -> None:
    driver = insulation()
    driver.type("OL", "insulation-tester")
    assert driver.state.visits[-1].outcome == "inside"
    required = {"min": "1 Mohm", "requires": {"test_voltage": "500 V"}, "sides": "low"}
    other = Driver(tree(**required))
    other.type("> 200 Mohm", "insulation-tester", "OL")
    assert [one.outcome for one in other.state.visits] == ["inside", "inside"]
    assert "requires a test voltage of 500 V" in str(other.state.visits[0].event.verdict)


def test_the_question_is_left_by_going_back_and_nothing_is_recorded() -> None:
    driver = insulation()
    before = driver.events
    driver.type("20 Mohm", "back")
    assert (driver.prompt.kind, driver.events) == ("step", before)


@pytest.mark.parametrize(
    ("typed", "answer", "outcome", "fact"),
    [
        ("0.3 ohm", "100 kHz", "inside", "100 kHz"),
        ("0.3 ohm", "102 kHz", "inside", "102 kHz"),
        ("0.3 ohm", "not-known", "inside", "not-known"),
    ],
)
def test_the_test_frequency_is_asked_once(typed: str, answer: str, outcome: str, fact: str) -> None:
    driver = Driver(tree(max="0.5 ohm", holds_at="100 kHz", sides="high"))
    driver.type(typed)
    assert driver.prompt.kind == "fact"
    driver.type(answer)
    assert facts(driver) == {"test-frequency": fact}
    assert driver.state.visits[-1].outcome == outcome
    driver.type(typed)
    assert len(driver.state.visits) == 2


def test_a_reading_at_the_frequency_that_was_told_is_undecided_at_another() -> None:
    driver = Driver(tree(max="0.5 ohm", holds_at="100 kHz", sides="high"))
    driver.type("0.3 ohm", "1 kHz")
    assert driver.prompt.kind == "again"
    driver.type("no")
    assert facts(driver) == {"test-frequency": "1 kHz"}
    assert driver.state.visits[-1].outcome == "undecided"
    assert "the meter reads at 1 kHz" in str(driver.state.visits[-1].event.verdict)
    other = Driver(tree(max="0.5 ohm", holds_at="100 kHz", sides="high"))
    other.type("0.3 ohm at 100 kHz")
    assert (facts(other), len(other.state.visits)) == ({}, 1)


def test_a_declared_meter_is_not_asked_about() -> None:
    esr = {"kind": "esr-meter", "frequency": "120 Hz",
           "measures": {"ohm": [{"range": "99 ohm", "accuracy": "1 %"}]}}  # fmt: skip
    driver = Driver(tree(**ESR, sides="high"))
    driver.bench = read_bench({"instruments": {"esr-1": esr}, "likely_below": 0.0})
    driver.type("meter esr-1", "0.3 ohm")
    assert (facts(driver), len(driver.state.visits)) == ({}, 1)


def test_a_declared_meter_without_a_frequency_is_asked_for_its_own() -> None:
    ranges = {"ohm": [{"range": "99 ohm", "accuracy": "1 %"}]}
    gear = {"esr-1": {"kind": "esr-meter", "measures": ranges}}
    driver = Driver(tree(max="0.5 ohm", holds_at="100 kHz", sides="high"))
    driver.bench = read_bench({"instruments": gear, "likely_below": 0.0})
    driver.type("meter esr-1", "0.3 ohm", "100 kHz", "0.3 ohm")
    assert (facts(driver), len(driver.state.visits)) == ({"test-frequency.esr-1": "100 kHz"}, 2)


def test_what_the_meter_is_can_be_set_and_corrected_readings_use_it() -> None:
    driver = insulation()
    driver.type("set meter-kind.insulation insulation-tester", "20 Mohm")
    assert len(driver.state.visits) == 1
    driver.type("correct first", "0.2 Mohm")
    assert driver.state.visits[-1].outcome == "low"
    assert "the kind of meter is not declared" not in str(driver.state.visits[-1].event.verdict)


def test_an_answers_file_says_the_kind_beside_the_reading_or_as_a_fact() -> None:
    walked = tree(component="insulation", protection="I", sides="low")

    def plays(*answers: dict[str, Any]) -> list[ev.Event]:
        events: list[ev.Event] = []
        script = read_script({"answers": list(answers)})
        play(walked, script, emit=events.append, clock=lambda: "2026-11-30T08:00:00Z")
        return events

    with pytest.raises(FaulttreeError, match="insulation needs"):
        plays({"first": {"reading": "20 Mohm", "instrument": "multimeter"}})
    for told in (
        [{"first": {"reading": "20 Mohm", "instrument": "insulation-tester"}}],
        [{"fact": {"meter-kind.insulation": "insulation-tester"}}, {"first": "20 Mohm"}],
    ):
        last = [one for one in plays(*told) if isinstance(one, ev.Answered)][-1]
        assert last.outcome == "inside"
        assert "not declared, and insulation" not in str(last.verdict)


@pytest.mark.parametrize(
    ("name", "typed"),
    [("test-frequency", "often"), ("test-frequency", "100"), ("test-frequency", "5 V"),
     ("meter-kind.ESR", ""), ("meter-kind.ESR", "a good one")],
)  # fmt: skip
def test_what_is_no_such_fact_is_refused(name: str, typed: str) -> None:
    with pytest.raises(FaulttreeError) as told:
        meter_fact(name, typed)
    assert told.value.remedy


def test_a_null_is_subtracted_in_what_is_kept() -> None:
    driver = Driver(tree(max="0.2 ohm", sides="high"))
    driver.type("0.35 ohm null 0.2 ohm")
    kept = driver.state.visits[-1].event.reading
    assert kept is not None
    assert kept["value"] == pytest.approx(0.15)
    assert kept["text"] == "0.35 ohm null 0.2 ohm"
    assert "null of the leads" in str(driver.state.visits[-1].event.verdict)
    assert Context().meter == ""
