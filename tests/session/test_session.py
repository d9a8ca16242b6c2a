"""A diagnosis as prompts and replies, without any screen."""

from __future__ import annotations

import pytest

from faulttree.session import Context, Position, Refused, next_prompt, read_typed, reply
from faulttree.walk import events as ev
from tests.session.samples import LAMP, Driver, lamp


def kinds(driver: Driver) -> list[str]:
    return [type(event).__name__ for event in driver.events]


def test_a_walk_to_the_proof_and_the_end() -> None:
    driver = Driver(lamp())
    assert driver.prompt.kind == "cautions"
    assert driver.type("").kind == "step"
    driver.type("yes", "")  # the plug; pulled
    assert (driver.prompt.kind, driver.prompt.cautions) == ("cautions", ("live",))
    assert driver.type("").cautions == ("hot",)
    assert driver.type("").unit == "Ω" or driver.prompt.unit == "ohm"
    assert driver.type("OL").kind == "in-circuit"
    assert driver.type("yes").kind == "fault"
    assert driver.type("new bulb, 40 ohm").kind == "step"
    assert "Now the proof: Resistance of the bulb." in driver.said
    driver.type("42 ohm", "yes")
    assert "Confirmed: Bulb burnt." in driver.said
    assert driver.prompt.kind == "place"
    assert driver.type("1").kind == "done"
    assert driver.state.closed is not None
    assert (driver.state.closed.result, driver.state.closed.fault) == ("fixed", "burnt")
    assert kinds(driver)[-4:] == ["RepairTried", "Answered", "Confirmed", "Closed"]


def test_a_danger_stands_alone_and_the_rest_on_one_screen() -> None:
    steps = {"bulb": {**LAMP["steps"]["bulb"], "after": []}}
    tree = lamp(start="bulb", steps={**LAMP["steps"], **steps})
    driver = Driver(tree)
    shown = []
    while driver.prompt.kind == "cautions":
        shown.append(driver.prompt.cautions)
        driver.type("")
    assert shown == [("live",), ("mains", "hot")]


def test_a_caution_is_not_passed_by_an_answer() -> None:
    driver = Driver(lamp())
    driver.type("yes")
    assert driver.prompt.kind == "step"  # "yes" says that it was read
    other = Driver(lamp())
    other.type("no power")
    assert other.prompt.kind == "cautions"
    assert other.refusals == ["the caution comes first"]


def test_nothing_is_recorded_before_the_part_is_known_to_be_isolated() -> None:
    driver = Driver(lamp())
    driver.type("", "yes", "", "", "")
    before = len(driver.events)
    driver.type("5 ohm")
    assert driver.prompt.kind == "in-circuit"
    assert len(driver.events) == before
    driver.type("back")
    assert (driver.prompt.kind, len(driver.events)) == ("step", before)
    driver.type("5 V")
    assert "V" in driver.refusals[-1]
    assert driver.prompt.kind == "step"


def test_an_undecided_reading_is_measured_again_or_kept() -> None:
    driver = Driver(lamp())
    driver.type("", "yes", "", "", "")
    driver.type("5 ohm", "no")  # in circuit: proves nothing
    assert driver.prompt.kind == "again"
    driver.type("yes")
    assert driver.prompt.kind == "step"
    assert isinstance(driver.events[-1], ev.Noted)
    driver.type("5 ohm", "no", "no")
    assert [e.outcome for e in driver.events if isinstance(e, ev.Answered)][-1] == "undecided"


def test_a_slip_has_its_own_choices() -> None:
    driver = Driver(lamp())
    driver.type("", "yes", "", "", "")
    driver.type("40k", "yes")
    assert driver.prompt.kind == "slip"
    assert [one.id for one in driver.prompt.choices] == ["typed", "meant", "again"]
    driver.type("3")
    assert driver.prompt.kind == "step"
    assert not any(isinstance(e, ev.Answered) and e.step == "bulb" for e in driver.events)
    driver.type("40k", "yes", "1")
    assert driver.prompt.kind == "fault"
    driver.type("back", "40k", "yes", "2")
    assert driver.state.path[-1].outcome == "inside"
    kept = driver.state.path[-1].event.reading
    assert kept is not None
    assert kept["value"] == 40


def test_words_work_at_every_text() -> None:
    driver = Driver(lamp())
    driver.type("", "skip")
    assert driver.prompt.kind == "text"
    driver.type("note the plug is warm")
    assert isinstance(driver.events[-1], ev.Noted)
    driver.type("skip no socket here")
    assert isinstance(driver.events[-1], ev.Jumped | ev.Skipped)
    driver.type("pause")
    assert driver.left


def test_what_was_done_is_not_a_word_of_leaving() -> None:
    driver = Driver(lamp())
    driver.type("", "no")
    assert driver.prompt.kind == "fault"
    driver.type("not yet", "pause")
    assert driver.left
    assert not any(isinstance(event, ev.RepairTried) for event in driver.events)


def test_giving_up_shows_the_open_suspects_once_and_a_test_can_be_made_after_all() -> None:
    driver = Driver(lamp())
    driver.type("", "give up")
    assert driver.prompt.kind == "suspects"
    choices = driver.prompt.choices
    assert choices[-1].id == "stop"
    driver.type("1")
    assert driver.state.phase == "finding"
    assert "For '" in driver.said
    driver.type("give up", "stop", "no time today")
    assert [type(e).__name__ for e in driver.events[-2:]] == ["Declined", "Stopped"]
    assert driver.prompt.kind == "ending"
    driver.type("back")
    assert driver.state.ask is not None


def test_a_fault_without_a_proving_step_is_proved_by_what_was_seen() -> None:
    driver = Driver(lamp())
    driver.type("", "no", "plugged it in")
    assert driver.prompt.kind == "proof"
    driver.type("maybe")
    assert driver.refusals[-1] == "answer yes or no"
    driver.type("yes", "")
    assert driver.refusals[-1] == "nothing was said"
    driver.type("it lights")
    assert driver.prompt.kind == "place"
    driver.type("kept", "1, 2")
    assert driver.state.closed is not None
    assert driver.state.closed.kept == ("holder", "lead")


def test_a_repair_that_did_not_help_goes_on_looking() -> None:
    driver = Driver(lamp())
    driver.type("", "no", "plugged it in", "no", "still dark")
    assert "Still faulty after the repair of 'Not plugged in'." in driver.said
    assert driver.state.phase == "finding"


@pytest.mark.parametrize("typed", ["", "x" * 20_000, "\x1b[2J", "9", "\u202eabc", "1e999 ohm"])
def test_bad_input_is_refused_and_the_prompt_stands(typed: str) -> None:
    driver = Driver(lamp())
    driver.type("")
    prompt = driver.prompt
    driver.type(typed)
    assert driver.prompt == prompt
    assert driver.refusals


def test_a_reply_to_an_earlier_prompt_is_never_applied() -> None:
    driver = Driver(lamp())
    driver.type("")
    old = driver.prompt
    driver.type("yes")
    result = reply(driver.position, driver.context, old, read_typed(old, "no"))
    assert isinstance(result, Refused)
    assert "moved on" in result.error.message


def test_a_remark_from_elsewhere_makes_no_reading_stale() -> None:
    driver = Driver(lamp())
    driver.type("")
    prompt = driver.prompt
    note = ev.Noted(at="t", text="smells")
    position = Position(driver.tree, "case-1", (*driver.events, note))
    result = reply(position, Context(now="t"), prompt, read_typed(prompt, "yes"))
    assert not isinstance(result, Refused)


def test_the_way_past_a_skipped_safety_check_is_asked() -> None:
    steps = {
        "look": {"ask": "Is it whole?", "answers": {"whole": "plug", "broken": "unsafe"}},
        **LAMP["steps"],
    }
    stops = {**LAMP["stops"], "unsafe": {"title": "Broken", "reason": "unsafe"}}
    driver = Driver(lamp(start="look", steps=steps, stops=stops))
    driver.type("", "skip too dark here")
    driver.type("go contact")
    assert driver.prompt.kind in ("unsafe-jump", "step")
    if driver.prompt.kind == "unsafe-jump":
        driver.type("no")
        assert not any(isinstance(e, ev.Jumped) and e.step == "contact" for e in driver.events)
        driver.type("go contact", "yes")
        assert any(isinstance(e, ev.Noted) and "past 'look'" in e.text for e in driver.events)
    assert next_prompt(driver.position, driver.context).kind in ("step", "cautions")


def test_what_the_unit_is_said_on_the_way_does_not_lose_the_step_gone_to() -> None:
    steps = {
        "look": {"ask": "Is it whole?", "answers": {"whole": "plug", "broken": "unsafe"}},
        **LAMP["steps"],
    }
    stops = {**LAMP["stops"], "unsafe": {"title": "Broken", "reason": "unsafe"}}
    driver = Driver(lamp(start="look", steps=steps, stops=stops))
    driver.type("", "go contact")
    assert "Then 'contact'" in driver.said
    driver.type("set complaint flickers", "whole")
    jumps = [event for event in driver.events if isinstance(event, ev.Jumped)]
    assert [(one.step, one.cause) for one in jumps] == [
        ("look", "guard"),
        ("contact", "guard-passed"),
    ]


def test_a_step_of_an_unknown_name_is_answered_with_near_ones() -> None:
    driver = Driver(lamp())
    driver.type("", "go contacts")
    assert driver.refusals == ["there is no step 'contacts'"]
    assert driver.prompt.kind == "step"
