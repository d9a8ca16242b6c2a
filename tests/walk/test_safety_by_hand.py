"""Walks typed by hand: what a technician meets where a tree says what is safe.

"Look, test the insulation, start behind a series lamp, then power", "discharge, then prove
dead" and "close the unit before it gets power" are common practice, no source.
"""

from __future__ import annotations

import pytest

from faulttree.errors import WalkError
from faulttree.walk import State, fold
from faulttree.walk import events as ev
from faulttree.walk.advisor import better, choose, ranking
from faulttree.walk.block_text import block_text
from faulttree.walk.fitness import check_again, refused
from tests.walk.samples import (
    CLASS_I,
    EARTH,
    LOOK,
    OHMS,
    PASSED,
    supply,
    walked,
)


def after(events: list[ev.Event], *more: ev.Event) -> State:
    return fold(supply(), [*events, *more])


def stood(events: list[ev.Event]) -> State:
    """Where a walk stood before it went on elsewhere by itself."""
    while isinstance(events[-1], ev.Jumped):
        events = events[:-1]
    return after(events)


def asks(state: State) -> str:
    return state.ask.id if state.ask else ""


# -- properties -----------------------------------------------------------------------------------


def test_a_property_is_asked_before_the_unit_is_powered_or_opened() -> None:
    state, _ = walked({"outside": "yes"})
    assert (asks(state), state.needs_fact and state.needs_fact.id) == ("", "protection-class")
    assert not state.stuck
    assert choose(state) is None


def test_an_unknown_property_blocks_power_until_it_is_known() -> None:
    unknown = {"fact": {"protection-class": "not-known"}}
    went_on, events = walked({"outside": "yes"}, unknown, {LOOK: "sound"})
    state = stood(events)
    assert asks(went_on) == "drain", "tests without power go on"
    assert (asks(state), state.blocked) == ("", "rail")
    assert "'protection-class'" in block_text(state)
    for name in ("rail", "terminals", "second"):
        assert asks(after(events, ev.Jumped(step=name, cause="asked"))) != name
    assert all(not supply().steps[one.test].live for one in ranking(state))
    told = ev.FactGiven(name="protection-class", value="I", source="set")
    assert asks(after(events, told, ev.Jumped(step="rail", cause="asked"))) == OHMS


def test_a_model_that_the_tree_knows_is_not_asked_for() -> None:
    state, _ = walked({"outside": "yes"}, unit={"model": "two-channel"})
    assert (asks(state), state.facts) == (LOOK, {"protection-class": "I"})


def test_a_class_without_the_check_does_not_ask_for_it() -> None:
    state, _ = walked({"outside": "yes"}, {"fact": {"protection-class": "II"}}, {LOOK: "sound"})
    assert asks(state) == "rail"


def test_an_answers_file_is_told_which_property_is_missing() -> None:
    with pytest.raises(WalkError, match="'protection-class' of the unit must be known") as error:
        walked({"outside": "yes"}, {"rail": "31 V"})
    assert "- fact: {protection-class: VALUE}" in (error.value.remedy or "")
    with pytest.raises(WalkError, match="is no value of 'protection-class'"):
        walked({"fact": {"protection-class": "IV"}})


def test_a_question_for_a_known_property_answers_itself() -> None:
    state, events = walked(
        {"outside": "no"},
        CLASS_I,
        *PASSED,
        {"fact": {"supply": "switch-mode"}},
        {"terminals": "34 V"},
        {"second": "5 V"},
    )
    answers = [(one.step, one.outcome, one.fact) for one in events if isinstance(one, ev.Answered)]
    assert ("kind", "switch-mode", "supply") in answers
    assert asks(state) == "drain"


def test_an_answer_that_tells_a_property_is_a_fact_until_it_is_taken_back() -> None:
    state, events = walked(
        {"outside": "no"}, CLASS_I, *PASSED, {"terminals": "34 V"}, {"kind": "linear"}
    )
    assert state.facts["supply"] == "linear"
    assert [one.value for one in events if isinstance(one, ev.FactGiven)] == ["I", "linear"]
    back = after(events, ev.WentBack())
    assert (asks(back), "supply" in back.facts, back.known_answer) == ("kind", False, None)


@pytest.mark.parametrize("value", ["dropper", "not-known"])
def test_a_property_that_stops_ends_the_walk_before_the_step(value: str) -> None:
    _, events = walked({"outside": "no"}, CLASS_I, *PASSED, {"fact": {"supply": value}})
    at = after(events, ev.Jumped(step="second", cause="asked"))
    assert (asks(at), at.end and at.end.id) == ("", "sealed")
    told = ev.FactGiven(name="supply", value="linear", source="set")
    assert asks(after(events, ev.Jumped(step="second", cause="asked"), told)) == "second"


# -- checks before power --------------------------------------------------------------------------


def test_a_failed_insulation_test_leads_to_its_fault_and_never_to_power() -> None:
    state, events = walked({"outside": "yes"}, CLASS_I, {LOOK: "sound"}, {OHMS: "0.2 Mohm"})
    assert (state.phase, state.end and state.end.id) == ("found", "inlet-leaks")
    failed = [one for one in events if isinstance(one, ev.Checked)][-1]
    assert (failed.stage, failed.exit, failed.passed, failed.safety) == (
        "before-power",
        "low",
        False,
        True,
    )
    jumped = after(events, ev.Jumped(step="rail", cause="asked"))
    assert asks(jumped) == OHMS


def test_a_failed_look_ends_as_not_safe_to_power() -> None:
    state, _ = walked({"outside": "yes"}, CLASS_I, {LOOK: "damaged"})
    assert (state.phase, state.end and state.end.id) == ("ended", "not-safe-to-power")


def test_a_skipped_check_before_power_blocks_every_live_step() -> None:
    _, events = walked({"outside": "yes"}, CLASS_I, {LOOK: {"skip": "no light"}})
    state = stood(events)
    assert state.block is not None
    assert (state.block.step, state.block.cause, state.power_barred) == (LOOK, "skipped", True)
    assert "check before power" in block_text(state)
    assert better(state) is None
    assert all(not supply().steps[one.test].live for one in ranking(state))
    for name in ("rail", "terminals"):
        assert asks(after(events, ev.Jumped(step=name, cause="asked"))) == LOOK


def test_an_undecided_check_before_power_blocks_as_well() -> None:
    _, events = walked({"outside": "yes"}, CLASS_I, {LOOK: "sound"}, {OHMS: "undecided"})
    state = stood(events)
    assert (asks(state), state.blocked) == ("", OHMS)


def test_going_into_the_middle_of_a_check_begins_it() -> None:
    _, events = walked({"outside": "yes"}, CLASS_I, {LOOK: "sound"})
    assert asks(after(events, ev.Jumped(step=OHMS, cause="asked"))) == OHMS
    passed = [ev.Jumped(step=OHMS, cause="asked"), ev.Answered(step=OHMS, outcome="inside")]
    assert asks(after(events, *passed)) == "rail"


def test_after_a_repair_the_checks_before_power_are_made_again_also_when_resumed() -> None:
    _, events = walked({"outside": "no"}, CLASS_I, *PASSED, {"terminals": "2 V"})
    assert asks(after(events)) == "rail"
    repaired = [*events, ev.RepairTried(fault="dry", what="replaced")]
    assert asks(after(repaired)) == LOOK
    again = [*repaired, ev.Answered(step=LOOK, outcome="sound")]
    assert asks(after(again)) == OHMS
    assert asks(after(again, ev.Answered(step=OHMS, outcome="inside"))) == "terminals"
    back = after(repaired, ev.WentBack(steps=9))
    assert asks(back) == LOOK


def test_a_reopened_case_makes_the_checks_before_power_again() -> None:
    _, events = walked({"outside": "no"}, CLASS_I, *PASSED)
    again = after(events, ev.Closed(result="unsolved"), ev.Reopened())
    assert asks(again) == LOOK


# -- open covers ----------------------------------------------------------------------------------

OPENED = ({"outside": "yes"}, CLASS_I, *PASSED, {"rail": "2 V"})


def test_a_lid_is_closed_before_a_live_step_that_does_not_name_it() -> None:
    state, events = walked(*OPENED)
    assert (state.open_states, state.minutes) == (("lid-off",), 1 + 1 + 1 + 4 + 1)
    jumped = [*events, ev.Jumped(step="terminals", cause="asked")]
    assert asks(after(jumped)) == "close.lid-off"
    closed = after(jumped, ev.Answered(step="close.lid-off", outcome="done"))
    assert (asks(closed), closed.open_states, "lid-off" in closed.access) == (
        "terminals",
        (),
        False,
    )
    assert closed.minutes == state.minutes + 2
    again = after(
        jumped,
        ev.Answered(step="close.lid-off", outcome="done"),
        ev.Answered(step="rail", outcome="low"),
    )
    assert again.minutes == closed.minutes + 4 + 1


def test_a_lid_stays_open_where_the_answer_is_taken_back() -> None:
    _, events = walked(*OPENED)
    back = after(events, ev.WentBack(), ev.Jumped(step="terminals", cause="asked"))
    assert (back.open_states, asks(back)) == (("lid-off",), "close.lid-off")


def test_a_skipped_closing_blocks_power() -> None:
    _, events = walked(*OPENED)
    at = after(events, ev.Jumped(step="terminals", cause="asked"), ev.Skipped(step="close.lid-off"))
    assert (asks(at), at.block and at.block.step) == ("", "close.lid-off")
    assert "unit is open" in block_text(at)


@pytest.mark.parametrize("name", [LOOK, OHMS, EARTH])
def test_a_safety_check_is_made_on_the_closed_unit(name: str) -> None:
    _, events = walked(*OPENED)
    at = [*events, ev.Jumped(step=name, cause="closing" if name == EARTH else "asked")]
    assert asks(after(at)) == "close.lid-off"
    assert asks(after(at, ev.Answered(step="close.lid-off", outcome="done"))) == name
    skipped = after(at, ev.Skipped(step="close.lid-off"))
    assert (asks(skipped), skipped.blocked) == ("", "close.lid-off")
    assert "safety test until it is shut" in block_text(skipped)


# -- stored charge --------------------------------------------------------------------------------


def test_a_test_on_a_store_comes_after_discharge_and_proof() -> None:
    state, events = walked(*OPENED)
    assert (asks(state), state.pending) == ("drain", "esr")
    drained = [*events, ev.Answered(step="drain", outcome="done")]
    assert asks(after(drained)) == "dead"
    charged = [*drained, ev.Answered(step="dead", outcome="high")]
    assert asks(after(charged)) == "drain"
    dead = [*drained, ev.Answered(step="dead", outcome="inside")]
    assert asks(after(dead)) == "esr"
    powered = after(dead, ev.Answered(step="rail", outcome="low"))
    assert asks(powered) == "drain"


def test_what_is_left_open_on_the_bench_is_told() -> None:
    state, _ = walked(*OPENED, {"drain": "done"}, {"dead": "0.1 V"}, {"esr": "3 ohm"})
    assert state.left_open == {"lifted": ("C1",)}


# -- proof and return -----------------------------------------------------------------------------

REPAIRED = (
    *OPENED,
    {"drain": "done"},
    {"dead": "0.1 V"},
    {"esr": "3 ohm"},
    {"repair": {"fault": "dry"}},
)
CLOSED = {"close.lid-off": "done"}

PROVING = (*REPAIRED, CLOSED, *PASSED)


def test_a_failed_safety_condition_does_not_refute_the_repair() -> None:
    state, events = walked(*PROVING, {"terminals": "34 V"})
    assert state.phase == "closing", "the insulation was tested in this round, before power"
    _, events = walked(*REPAIRED, CLOSED, {LOOK: "sound"})
    low = after(
        events,
        ev.Answered(step=OHMS, outcome="low"),
        ev.Answered(step="terminals", outcome="inside"),
    )
    assert low.unfit == "before-power.insulation"
    assert not any(isinstance(one, ev.NotConfirmed) for one in events)
    wrong = refused(low, "fixed", "waiting")
    assert wrong is not None
    assert "Insulation before power" in wrong.message


def test_the_first_condition_that_fails_ends_the_proof() -> None:
    state, events = walked(*PROVING, {"terminals": "2 V"})
    last = [one for one in events if isinstance(one, ev.NotConfirmed)]
    assert [(one.step, one.outcome) for one in last] == [("terminals", "low")]
    assert state.excluded == {"dry"}


@pytest.mark.parametrize("result", ["fixed", "found", "unsolved", "referred"])
def test_a_unit_handled_here_goes_back_only_with_its_safety_checks(result: str) -> None:
    state, _ = walked(*OPENED)
    wrong = refused(state, result, "returned")
    assert wrong is not None
    assert "Safety of class I" in wrong.message
    assert refused(state, result, "waiting") is None
    untouched, _ = walked({"outside": "yes"})
    assert refused(untouched, result, "returned") is None


def test_an_unsolved_unit_can_pass_its_safety_checks_and_go_back() -> None:
    steps = (*OPENED, {"drain": "done"}, {"dead": "0.1 V"}, {"esr": "20 mohm"})
    state, events = walked(*steps)
    assert (state.phase, state.end and state.end.id) == ("ended", "beyond")
    checking = check_again(state)
    assert checking is not None
    assert asks(after(events, checking)) == "close.lid-off", "the assembled unit is tested"
    made = after(events, checking, ev.Answered(step=EARTH, outcome="inside"))
    assert (made.phase, made.end and made.end.id, made.safety_owed) == ("ended", "beyond", ())
    assert refused(made, "unsolved", "returned") is None
    failed = after(events, checking, ev.Answered(step=EARTH, outcome="high"))
    assert (failed.unfit, failed.end and failed.end.id) == ("closing.class-one", "beyond")
    opened = after(
        events,
        checking,
        ev.Answered(step=EARTH, outcome="inside"),
        ev.Jumped(step="rail", cause="asked"),
        ev.Answered(step="rail", outcome="low"),
    )
    assert opened.safety_owed == ("closing.class-one",)


def test_an_answers_file_makes_the_safety_checks_of_an_unsolved_unit() -> None:
    steps = (*OPENED, {"drain": "done"}, {"dead": "0.1 V"}, {"esr": "20 mohm"})
    ending = {"result": "unsolved", "became": "returned"}
    with pytest.raises(WalkError, match="has not passed 'Safety of class I'"):
        walked(*steps, outcome=ending)
    state, events = walked(*steps, CLOSED, {EARTH: "0.1 ohm"}, outcome=ending)
    assert state.phase == "closed"
    assert [one.stage for one in events if isinstance(one, ev.Checked)][-1] == "closing"


def test_a_closing_check_that_the_class_does_not_need_is_not_asked() -> None:
    second = {"fact": {"protection-class": "II"}}
    state, _ = walked(
        {"outside": "no"},
        second,
        {LOOK: "sound"},
        {"terminals": "2 V"},
        {"repair": {"fault": "inlet-leaks"}},
    )
    assert state.closing_open == ()
    assert state.safety_owed == ()
