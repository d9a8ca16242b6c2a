"""At the bench: what a technician reads and types, in a terminal of any kind."""

from __future__ import annotations

import io
import os
import re
import sys
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Any

import pexpect
import pyte
import pytest
from PIL import Image

from faulttree.cases import SequenceTaken
from faulttree.errors import RecordError
from faulttree.reading import Bench, read_bench
from faulttree.reading.verdict_text import verdict_text
from faulttree.session import Prompt, PromptId, read_typed
from faulttree.session.prompts import ACTIONS
from faulttree.terminal.console import (
    AwayError,
    Line,
    PlainConsole,
    ScreenConsole,
    console_for,
    folded,
)
from faulttree.terminal.open_case import EventWriter, Leaving, OpenCase
from faulttree.terminal.screens import (
    caution_view,
    fault_view,
    labelled,
    share_text,
    step_view,
)
from faulttree.terminal.walk import sit
from faulttree.texts import minutes_text, spell
from faulttree.tree import Tree, build, shipped_library
from faulttree.walk import Event, State, fold, from_dict
from faulttree.walk import events as ev
from tests.terminal.samples import CAUTIONS, Memory, Typist, sitting_of
from tests.work import HANG

LAMP: dict[str, Any] = {
    "title": "A lamp, dark",
    "family": "lamp",
    "start": "plug",
    "modules": ["holder", "lead"],
    "cautions": ["mains"],
    "access": {"open": {"minutes": 3, "how": "Two screws."}},
    "steps": {
        "plug": {"ask": "Is it plugged in?", "answers": {"yes": "unplug", "no": "not-plugged"}},
        "unplug": {"do": "Pull the plug", "then": "bulb", "wait": "2 s"},
        "bulb": {
            "measure": "Resistance of the bulb",
            "in_circuit": "never",
            "cautions": ["hot"],
            "access": ["open"],
            "after": ["unplug"],
            "limits": {"min": "10 ohm", "max": "100 ohm", "source": "marked on it"},
            "results": {"low": "shorted", "inside": "elsewhere", "high": "burnt"},
        },
    },
    "faults": {
        "not-plugged": {"title": "Not plugged in", "remedy": "Plug it in."},
        "burnt": {
            "title": "Bulb burnt",
            "remedy": "Replace it.",
            "confirm": {"step": "bulb", "gives": "inside"},
            "evidence": [{"kind": "reported", "source": "a visitor", "date": "2026-02-11"}],
        },
        "shorted": {
            "title": "Bulb shorted",
            "remedy": "Replace it.",
            "confirm": {"step": "bulb", "gives": "inside"},
        },
        "loose": {"title": "Contact loose", "remedy": "Bend it."},
    },
    "stops": {"elsewhere": {"title": "Beyond this tree", "reason": "out-of-scope"}},
}


def lamp(**more: Any) -> Tree:
    return build(
        {
            "id": "lamp/dark",
            "tree": {**LAMP, **more},
            "procedures": {},
            "cautions": CAUTIONS,
            "instruments": {},
        }
    )


def sat(
    *typed: str, tree: Tree | None = None, bench: Bench | None = None, width: int = 80
) -> tuple[Typist, Memory, State]:
    """Sit with these lines typed; the end of them pauses."""
    console, memory = Typist(*typed, width=width), Memory()
    sitting = sitting_of(console, memory, tree or lamp(), bench)
    try:
        sit(sitting)
    except (AwayError, Leaving):
        console.lines.append("(paused)")
    return console, memory, sitting.state


TO_BULB = ("", "yes", "", "")
"""Caution read, plugged in, unplugged, the next caution read."""


# -- what is asked ----------------------------------------------------------------------------


def test_a_caution_is_acknowledged_once_before_the_step_that_needs_it() -> None:
    console, memory, _ = sat("intact", "", "yes", "", "", "back", "", "")
    assert console.said.count("Pull the plug.") == 1
    assert "Press Enter once you have read it" in console.said
    kinds = [event.kind for event in memory.kept]
    assert kinds.index("caution-read") < kinds.index("answered")
    assert console.said.index("! CAUTION") < console.said.index("MEASURE")


def test_an_answer_is_taken_by_name_first_letters_or_number() -> None:
    for typed in ("no", "NO", "n", "2"):
        _, _, state = sat("", typed)
        assert state.end is not None
        assert state.end.id == "not-plugged", typed


def test_what_is_no_answer_is_told_what_would_be() -> None:
    console, memory, _ = sat("", "banana")
    assert "no outcome 'banana'" in console.said
    assert "yes, no" in console.said
    assert all(event.kind != "answered" for event in memory.kept)


@pytest.mark.parametrize(
    ("typed", "told"),
    [("12 V", "V"), ("1,250", "1.250 or 1250"), ("much", "number"), ("> 3 ohm", "3")],
)
def test_a_reading_that_cannot_count_is_refused_and_asked_again(typed: str, told: str) -> None:
    console, memory, state = sat(*TO_BULB, typed)
    assert f"{told}" in console.said
    assert state.ask is not None
    assert state.ask.id == "bulb"
    assert [event.step for event in memory.kept if isinstance(event, ev.Answered)] == [
        "plug",
        "unplug",
    ]


def test_that_no_instrument_is_declared_is_said_once_and_always_kept() -> None:
    console, memory, _ = sat(*TO_BULB, "500 ohm", "yes", "back", "600 ohm", "yes")
    assert console.said.count("= HIGH") == 2
    assert console.said.replace("\n    ", " ").count("no instrument declared") == 1
    verdicts = [event.verdict for event in memory.kept if isinstance(event, ev.Answered)]
    assert [
        "plain acceptance, no instrument declared" in verdict_text(verdict)
        for verdict in verdicts
        if verdict
    ] == [True, True]


def test_a_decimal_comma_is_a_decimal_comma() -> None:
    _, _, state = sat(*TO_BULB, "20,5", "yes")
    assert state.path[-1].event.reading is not None
    assert state.path[-1].event.reading["value"] == 20.5


def test_a_prefix_off_is_asked_about_and_taken_only_when_sure() -> None:
    console, _, state = sat(*TO_BULB, "20 kohm", "yes", "3", "20 kohm", "yes", "1")
    assert "Did you mean 20 Ω" in console.said
    assert state.path[-1].outcome == "high"


def test_an_isolated_part_is_asked_for_and_in_circuit_decides_nothing() -> None:
    console, memory, state = sat(*TO_BULB, "500 ohm", "no", "yes", "500 ohm", "yes")
    assert "isolated" in console.said
    notes = [event.text for event in memory.kept if isinstance(event, ev.Noted)]
    assert any("500 ohm" in text and "undecided" in text for text in notes)
    assert state.end is not None
    assert state.end.id == "burnt"


def test_the_wait_of_a_step_is_timed() -> None:
    console, _, _ = sat(*TO_BULB)
    assert console.waited == [2.0]


@pytest.mark.parametrize("patient", [True, False])
def test_a_wait_that_is_cut_short_is_told_by_the_case(patient: bool) -> None:
    console, memory = Typist(*TO_BULB), Memory()
    console.patient = patient
    with pytest.raises(AwayError):
        sit(sitting_of(console, memory, lamp()))
    notes = [event for event in memory.kept if isinstance(event, ev.Noted)]
    assert [(note.step, note.text) for note in notes] == (
        [] if patient else [("unplug", "the wait of 2 s was cut short")]
    )


@pytest.mark.parametrize(("second", "waited"), [(1, [1.0]), (2, []), (30, [])])
def test_a_wait_that_was_left_is_waited_out(second: int, waited: list[float]) -> None:
    console, memory = Typist(), Memory()
    sitting = sitting_of(console, memory, lamp())
    for step, outcome in (("plug", "yes"), ("unplug", "done")):
        at = "2026-02-11T10:00:00Z"
        sitting.journal.add(ev.Answered(at=at, step=step, outcome=outcome))
    sitting.journal.clock = lambda: f"2026-02-11T10:00:{second:02d}Z"
    with pytest.raises(AwayError):
        sit(sitting)
    assert console.waited == waited


def test_whether_it_is_worth_it_is_advice_by_the_bench_file_s_own_figures() -> None:
    told = {"labour_rate": 60, "currency": "EUR", "unit_values": {lamp().family: 0.5}}
    console, _, state = sat("", "suspects", bench=read_bench(told))
    assert "Worth it?" in console.said
    assert "gives; you decide" in console.said
    assert state.ask is not None, "advice is no bar"
    for lacking in ({"labour_rate": 60}, {"unit_values": {lamp().family: 5}}):
        assert "Worth it?" not in sat("", "suspects", bench=read_bench(lacking))[0].said


def test_a_meter_whose_calibration_is_overdue_is_told() -> None:
    ranges = {"V DC": [{"range": "60 V", "accuracy": "1 %"}]}
    meters = {
        "old": {"kind": "multimeter", "due": "2026-02-10", "measures": ranges},
        "new": {"kind": "multimeter", "due": "2026-02-11", "measures": ranges},
    }
    bench = read_bench({"instruments": meters})
    assert "calibration was due on 2026-02-10" in sat("", "meter old", bench=bench)[0].said
    assert "calibration was due" not in sat("", "meter new", bench=bench)[0].said


def test_a_meter_on_the_bench_gives_its_uncertainty_and_an_unknown_one_is_refused() -> None:
    bench = read_bench(
        {
            "instruments": {
                "dmm": {
                    "kind": "multimeter",
                    "measures": {"ohm": [{"range": "600 ohm", "accuracy": "5 %"}]},
                }
            }
        }
    )
    console, _, state = sat(*TO_BULB, "meter lost", "meter dmm", "99", "yes", "no", bench=bench)
    assert "no instrument 'lost'" in console.said
    assert "On the bench: dmm." in console.said
    verdict = state.path[-1].event.verdict
    assert verdict is not None
    assert verdict["uncertainty"] == pytest.approx(99 * 0.05 / 3**0.5)
    assert state.path[-1].outcome == "undecided"


# -- words at any point -----------------------------------------------------------------------


def test_every_word_is_told_and_understood() -> None:
    console, _, _ = sat("", "?")
    prompt = Prompt(PromptId("", 0, "text"), "", actions=tuple(ACTIONS))
    for word in ACTIONS:
        assert any(line.startswith(word) for line in console.lines), word
        assert read_typed(prompt, word).action == word


def test_back_takes_an_answer_back_and_says_which() -> None:
    console, memory, state = sat("", "back", "yes", "back")
    assert "There is nothing to take back here." in console.said
    assert "Taken back: plug yes." in console.said
    assert state.path == ()
    assert isinstance(memory.kept[-1], ev.WentBack)


def test_back_from_a_step_gone_to_by_hand_keeps_the_answers() -> None:
    _, _, state = sat("", "yes", "go plug", "back")
    assert [visit.step for visit in state.path] == ["plug"]
    assert state.ask is not None
    assert state.ask.id == "unplug"


CELL: dict[str, Any] = {
    "cautions": [],
    "start": "switch",
    "steps": {
        "switch": {"ask": "Is the switch firm?", "answers": {"firm": "look", "loose": "loose"}},
        "look": {
            "ask": "Is the cell free of swelling?",
            "cautions": ["hot"],
            "answers": {"clean": "unplug", "swollen": "stop-here"},
        },
        "unplug": {"do": "Pull the plug", "cautions": ["mains"], "then": "cell"},
        "cell": {
            "measure": "Voltage of the cell",
            "access": ["open"],
            "limits": {"min": "3 V"},
            "results": {"low": "burnt", "inside": "elsewhere"},
        },
    },
    "faults": {
        "loose": {"title": "Switch loose", "remedy": "Replace it."},
        "burnt": {"title": "Cell worn out", "remedy": "Replace it."},
    },
    "stops": {
        "elsewhere": {"title": "Beyond this tree", "reason": "out-of-scope"},
        "stop-here": {"title": "Cell damaged", "reason": "unsafe"},
    },
}
"""A tree with a look at safety on the only way to what lies behind it."""


def test_going_to_a_step_by_hand_asks_and_warns_all_that_the_tree_s_own_way_does() -> None:
    own, by_hand = (
        sat(*typed, "3.7 V", tree=lamp(**CELL))
        for typed in (("firm", "", "clean", "", ""), ("go cell", "", "clean", "", ""))
    )
    for console, memory, state in (own, by_hand):
        assert "It stays hot." in console.said
        assert "open (3 min): Two screws." in console.said
        kinds = [(event.kind, getattr(event, "step", "")) for event in memory.kept]
        told = [one for one in kinds if one[0] in ("answered", "caution-read")]
        assert [one for one in told if one[1] != "switch"] == [
            ("caution-read", "look"),
            ("answered", "look"),
            ("caution-read", "unplug"),
            ("answered", "unplug"),
            ("answered", "cell"),
        ]
        assert state.end is not None
        assert state.end.id == "elsewhere"
    assert "First 'look': it may find the unit unsafe. Then 'cell'." in by_hand[0].said


def test_a_look_at_safety_ends_the_way_to_a_step_gone_to_by_hand() -> None:
    console, _, state = sat("go cell", "", "swollen", tree=lamp(**CELL))
    assert state.end is not None
    assert state.end.id == "stop-here"
    assert "Voltage of the cell" not in console.said


@pytest.mark.parametrize("sure", ["yes", "no"])
def test_a_skipped_look_at_safety_is_gone_round_only_when_somebody_says_so(sure: str) -> None:
    console, memory, state = sat(
        *("go cell", "", "skip no light", "go cell", sure, "", ""), tree=lamp(**CELL)
    )
    assert "Skipped, and it may find the unit unsafe: 'look'." in console.said
    notes = [event.text for event in memory.kept if isinstance(event, ev.Noted)]
    if sure == "yes":
        assert ["'cell' past 'look'" in note for note in notes] == [True]
        assert state.ask is not None
        assert state.ask.id == "cell"
    else:
        assert notes == []
        assert state.ask is None or state.ask.id != "cell"


def test_a_way_by_a_look_at_safety_is_kept_over_a_pause() -> None:
    console, memory = Typist("go cell", ""), Memory()
    tree = lamp(**CELL)
    with pytest.raises(AwayError):
        sit(sitting_of(console, memory, tree))
    again = Typist("clean", "", "")
    journal = EventWriter(tree, "c", list(memory.kept), memory, lambda: "2026-02-11T10:00:00Z")
    with pytest.raises(AwayError):
        sit(OpenCase(journal, again, label="case 1"))
    assert "Voltage of the cell" in again.said
    assert "ASK       Is the switch firm?" not in again.said


def test_back_before_a_look_at_safety_returns_to_where_it_was_left() -> None:
    _, _, state = sat("go cell", "", "back", tree=lamp(**CELL))
    assert state.ask is not None
    assert state.ask.id == "switch"


def test_the_door_too_passes_no_look_at_safety() -> None:
    leaky = {"title": "Cell leaky", "remedy": "Replace it.", "signs": {"cell": "low"}}
    tree = lamp(**{**CELL, "faults": {**CELL["faults"], "leaky": leaky}})
    console, _, state = sat("give up", "2", "", "clean", "", "", tree=tree)
    assert "For 'Cell leaky': cell." in console.said
    assert [visit.step for visit in state.visits] == ["look", "unplug"]
    assert state.ask is not None
    assert state.ask.id == "cell"


def test_a_skip_says_where_it_goes_on_and_comes_back() -> None:
    console, _, state = sat("", "skip no light here", "", "", "20 ohm", "yes")
    assert "'plug' is left for later" in console.said
    assert "On to 'plug'" in console.said
    assert state.ask is not None
    assert state.ask.id == "plug"


def test_notes_and_photos_are_kept_where_they_were_made(tmp_path: Path) -> None:
    photo, text = tmp_path / "a picture.bmp", tmp_path / "a.txt"
    Image.new("RGB", (30, 20), "red").save(photo)
    text.write_text("no picture")
    typed = ("photo nowhere.jpg", f"photo {text}", f"photo {photo}", f'photo "{photo}" the track')
    console, memory, _ = sat("", "note  smells burnt", *typed)
    assert "the photo cannot be read: No such file" in console.said
    assert "this is not a picture" in console.said
    assert "30 × 20 pixels" in console.said
    noted = [event for event in memory.kept if isinstance(event, ev.Noted)]
    assert [(event.text, event.step) for event in noted] == [("smells burnt", "plug")]
    kept = [event for event in memory.kept if isinstance(event, ev.PhotoAdded)]
    assert [(event.width, event.words, event.step, event.path) for event in kept] == [
        (30, "", "plug", ""),
        (30, "the track", "plug", ""),
    ]


def test_why_names_what_must_follow_and_the_source() -> None:
    console, _, _ = sat("", "go bulb", "why", "", "", "why")
    assert "It must come before 'bulb'." in console.said
    assert "marked on it" in console.said


def test_a_fault_no_step_leads_to_is_named_among_the_suspects() -> None:
    console, _, _ = sat("", "suspects")
    assert "Contact loose (no step leads to it)" in console.said


# -- the end ----------------------------------------------------------------------------------

TO_FAULT = (*TO_BULB, "500 ohm", "yes")


def test_a_confirmed_repair_closes_the_case_as_fixed() -> None:
    console, memory, state = sat(*TO_FAULT, "yes", "new bulb", "", "20 ohm", "yes", "1")
    assert "Repair it, then say in a few words" in console.said
    assert "Reported  a visitor, 2026-02-11" in console.said
    assert "Confirmed: Bulb burnt." in console.said
    assert state.closed is not None
    assert (state.closed.result, state.closed.became) == ("fixed", "returned")
    assert [event.what for event in memory.kept if isinstance(event, ev.RepairTried)] == [
        "new bulb"
    ]


def test_a_repair_in_vain_shows_what_a_second_fault_could_be() -> None:
    console, _, state = sat(*TO_FAULT, "new bulb", "", "OL", "yes", "suspects")
    assert "Still faulty after the repair" in console.said
    assert state.excluded == {"burnt"}
    assert "Bulb burnt: repaired, not it" in console.said or "excluded" not in console.said


def test_a_proof_that_was_skipped_is_offered_again() -> None:
    console, _, state = sat(*TO_FAULT, "new bulb", "", "skip no meter", "yes", "20 ohm", "yes", "2")
    assert "was not taken" in console.said
    assert state.closed is not None
    assert (state.closed.result, state.closed.became) == ("fixed", "waiting")
    console, _, state = sat(*TO_FAULT, "new bulb", "", "skip no meter", "no", "no")
    assert console.lines[-1] == "(paused)"
    assert state.phase == "confirming"


def test_a_fault_without_a_proof_asks_what_was_seen() -> None:
    console, memory, state = sat("", "no", "plugged it in", "yes", "", "it shines", "1")
    assert "tried as its owner uses it" in console.said
    confirmed = [event for event in memory.kept if isinstance(event, ev.Confirmed)]
    assert confirmed[0].seen == "it shines"
    assert state.closed is not None


def test_giving_up_goes_by_the_door_and_a_suspect_can_be_tested_after_all() -> None:
    console, memory, state = sat(
        "", "give up", "what", "1", "give up", "stop", "no time", "1", "3", "9", "2"
    )
    assert "Before you stop: not tested yet" in console.said
    assert "Type a number from 1 to" in console.said
    assert any(isinstance(event, ev.Jumped) for event in memory.kept)
    declined = [event for event in memory.kept if isinstance(event, ev.Declined)]
    assert [event.reason for event in declined] == ["no time"]
    assert any(one["fault"] == "loose" for one in declined[0].suspects)
    assert state.closed is not None
    assert state.closed.result == "unsolved"
    assert (state.closed.became, state.closed.kept) == ("kept-for-parts", ("lead",))


def test_minutes_at_the_door_are_those_that_the_test_then_takes() -> None:
    steps = {
        "safe": {"use": "dead", "access": ["open"], "exits": {"safe": "cell", "live": "elsewhere"}},
        "cell": {
            "ask": "Is the cell dry?",
            "after": ["safe"],
            "access": ["open"],
            "minutes": 2,
            "answers": {"dry": "elsewhere", "wet": "burnt"},
        },
    }
    dead = {
        "procedure": "dead",
        "title": "Prove dead",
        "start": "unplug",
        "exits": ["safe", "live"],
        "steps": {
            "unplug": {"do": "Pull the plug", "minutes": 4, "then": "sure"},
            "sure": {"ask": "Is it dead?", "minutes": 1, "answers": {"yes": "safe", "no": "live"}},
        },
    }
    faults = {"burnt": {"title": "Cell worn out", "remedy": "Replace it."}}
    data = {**LAMP, "cautions": [], "start": "safe", "steps": steps, "faults": faults}
    rest = {"procedures": {"dead": dead}, "cautions": CAUTIONS, "instruments": {}}
    tree = build({"id": "lamp/dark", "tree": data, **rest})
    # Opened once, the skipped deed made up for once, proved dead once, and the test itself.
    console, _, _ = sat("skip no hands free", "give up", tree=tree)
    assert "10 min by 2 steps from 'safe.sure', with 'safe.unplug' made up for" in console.said
    _, _, state = sat("skip no hands free", "give up", "1", "", "yes", "wet", tree=tree)
    assert state.minutes == 10


def test_giving_up_can_be_taken_back() -> None:
    console, _, state = sat("", "yes", "give up", "stop", "late", "back", "give up", "stop")
    assert "Taken up again." in console.said
    assert console.said.count("Before you stop") == 2, "the door is shown again"
    assert [visit.step for visit in state.path] == ["plug"]


def test_giving_up_on_a_known_fault_keeps_it_as_found() -> None:
    console, _, state = sat("", "no", "give up", "found", "waiting")
    assert "Before you stop" not in console.said
    assert state.closed is not None
    assert (state.closed.result, state.closed.fault) == ("found", "not-plugged")


def test_a_hard_stop_shows_no_door() -> None:
    stops = {"elsewhere": {"title": "Not safe", "reason": "unsafe"}}
    console, _, state = sat(
        "", "skip", "dark", "", "", "20 ohm", "yes", "2", "2", tree=lamp(stops=stops)
    )
    assert "STOP" in console.said
    assert "Before you stop" not in console.said
    assert state.closed is not None


# -- what can go wrong ------------------------------------------------------------------------


def test_what_another_terminal_did_is_told_and_shown() -> None:
    console, memory = Typist("", "no", "back"), Memory()
    sitting = sitting_of(console, memory, lamp())
    theirs = [ev.CautionRead(caution="mains"), ev.Answered(step="plug", outcome="yes")]

    def elsewhere(case: str, sequence: int, event: Event) -> None:
        if not isinstance(event, ev.CautionRead):
            memory.append(case, sequence, event)
            return
        memory.kept += theirs
        raise SequenceTaken("c", sequence, theirs)

    sitting.journal.keeper = type("Other", (), {"append": staticmethod(elsewhere)})()
    with pytest.raises(AwayError):
        sit(sitting)
    assert "went on elsewhere meanwhile" in console.said
    assert "answered plug yes" in console.said
    assert "Pull the plug" in console.said
    assert sitting.state == fold(sitting.journal.tree, memory.kept)


def test_a_record_that_refuses_an_answer_is_told_and_asked_again() -> None:
    console, memory = Typist("", "yes", "yes"), Memory()
    sitting = sitting_of(console, memory, lamp())
    ask = console.ask

    def refuse_first(prompt: str, choices: Sequence[str] = (), status: Any = None) -> str:
        text = ask(prompt, choices, status)
        if len(console.typed) == 1:
            memory.refusing = RecordError("the disk is full", remedy="Make room, answer again.")
        return text

    console.ask = refuse_first  # type: ignore[method-assign]
    with pytest.raises(AwayError):
        sit(sitting)
    assert "the disk is full" in console.said
    assert "Make room" in console.said
    assert [event.outcome for event in memory.kept if isinstance(event, ev.Answered)] == ["yes"]


SAID = [
    "", "yes", "no", "y", "n", "1", "2", "3", "stop", "done", "OL", "5 V", "-12", "20",
    "0.05 ohm", "34 mV", "banana", "intact", "undecided", "?", "how", "back", "back 3", "skip",
    "skip no gear", "note x", "note", "photo nowhere", "why", "suspects", "path", "go 1",
    "go nowhere", "meter x", "repaired", "repaired nothing", "repaired dry-reservoir",
    "give up", "new part", "new part", "5 V; 5.1 V", "1,250", "kept", "back", "give up now",
    "\x1b[31m",
]  # fmt: skip


def typed_at_random(random: Random, name: str) -> None:
    """Type anything anywhere: nothing is raised, and what is kept folds to what is shown."""
    tree = shipped_library().load(name)
    words = [*SAID, *(word for step in tree.steps.values() for word in step.targets)]
    console, memory = Typist(*(random.choice(words) for _ in range(60))), Memory()
    sitting = sitting_of(console, memory, tree)
    with suppress(AwayError, Leaving):
        sit(sitting)
    assert sitting.state == fold(tree, memory.kept)
    assert all(from_dict(event.to_dict()) == event for event in memory.kept)
    if console.typed:
        assert sitting.state.phase in ("closed", "confirming"), "it ends or is paused only so"


def test_anything_may_be_typed_anywhere() -> None:
    random = Random(3)
    names = shipped_library().trees()
    for _ in range(12):
        typed_at_random(random, random.choice(names))


@pytest.mark.soak
def test_anything_may_be_typed_anywhere_many_times() -> None:
    random = Random(4)
    names = shipped_library().trees()
    for _ in range(400):
        typed_at_random(random, random.choice(names))


# -- how it looks -----------------------------------------------------------------------------


def drawn(lines: Iterable[Line]) -> list[str]:
    return ["".join(text for _, text in line) for line in lines]


@pytest.mark.parametrize("width", [40, 90])
def test_nothing_shown_is_wider_than_the_terminal(width: int) -> None:
    library = shipped_library()
    for name in library.trees():
        tree = library.load(name)
        state = fold(tree, [])
        shown = [caution_view(one, one.id, width) for one in tree.known_cautions.values()]
        shown += [step_view(state, step, width) for step in tree.steps.values()]
        shown += [fault_view(state, fault, width) for fault in tree.faults.values()]
        for lines in shown:
            for line in drawn(lines):
                assert len(line) <= width, f"{name}: {line}"


def test_a_long_label_keeps_its_distance() -> None:
    assert drawn(labelled("Contradicted", "looked into", 80)) == ["Contradicted looked into"]
    assert drawn(labelled("How", "Look at it.", 40)) == ["How: Look at it."]


def test_a_prompt_leaves_room_to_type() -> None:
    lines = folded("Which modules are kept? (one, another, a third one) › ", 40)
    assert len(lines) > 1
    assert all(len(line) <= 36 for line in lines)
    assert lines[-1].endswith("› ")


def test_shares_are_never_rounded_to_certainty() -> None:
    assert [share_text(share) for share in (0.0, 0.001, 0.5, 0.999, 1.0)] == [
        "0 %",
        "under 1 %",
        "50 %",
        "over 99 %",
        "100 %",
    ]


def test_minutes_are_seconds_where_they_are_less_than_one() -> None:
    times = (0.0, 0.02, 0.5, 0.99, 0.998, 1.0, 1.5, 42.0)
    shown = [minutes_text(time) for time in times]
    assert shown == ["0 min", "1 s", "30 s", "59 s", "1 min", "1 min", "1.5 min", "42 min"]


def test_peak_to_peak_is_spelt_one_way() -> None:
    ripple = {
        "measure": "Ripple",
        "limits": {"max": "10 mV pp"},
        "results": {"inside": "elsewhere", "high": "burnt"},
    }
    faults = {"burnt": {"title": "Capacitor dry", "remedy": "Replace it."}}
    tree = lamp(start="ripple", steps={"ripple": ripple}, faults=faults)
    console, _, _ = sat("", "3 mVpp", tree=tree)
    assert "reading in V p-p › 3 mVpp" in console.said
    assert "at most 10 mV p-p" in console.said
    assert "inside: 3 mV p-p" in console.said
    library = shipped_library()
    for name in library.trees():
        assert not re.search(r"[mµ]?V ?pp\b", library.load(name).text), name


def test_a_length_of_time_is_spelt() -> None:
    assert [spell(seconds) for seconds in (0, 30, 120, 90)] == [
        "0 s",
        "30 s",
        "2 min",
        "1 min 30 s",
    ]


def test_plain_lines_are_harmless_and_say_again_what_a_pipe_types() -> None:
    target = io.StringIO()
    console = PlainConsole(io.StringIO("an\x1b[2Jswer\n"), target)
    console.show([[("bad", "red\x1b[31m")]])
    assert console.ask("? ") == "an\x1b[2Jswer"
    assert "\x1b" not in target.getvalue()
    with pytest.raises(AwayError):
        console.ask("? ")


def test_a_dumb_terminal_and_a_pipe_get_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    assert isinstance(console_for(plain=False, environ={}), PlainConsole)
    for stream in (sys.stdin, sys.stdout):
        monkeypatch.setattr(stream, "isatty", lambda: True, raising=False)
    assert isinstance(console_for(plain=False, environ={"TERM": "dumb"}), PlainConsole)
    assert isinstance(console_for(plain=True, environ={"TERM": "xterm"}), PlainConsole)
    screen = console_for(plain=False, environ={"TERM": "xterm", "NO_COLOR": "1"})
    assert isinstance(screen, ScreenConsole)
    assert not screen.colour


# -- in a real terminal -----------------------------------------------------------------------


class Terminal:
    """A real terminal with the program in it, read off its screen."""

    def __init__(self, folder: Path, *arguments: str, columns: int = 90) -> None:
        environ = {**os.environ, "TERM": "xterm-256color", "HOME": str(folder)}
        environ["PROMPT_TOOLKIT_NO_CPR"] = "1"
        environ.pop("NO_COLOR", None)
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "faulttree", *arguments],
            cwd=str(folder),
            env=environ,
            dimensions=(40, columns),
            timeout=HANG,
            encoding="utf-8",
        )
        self.screen = pyte.HistoryScreen(columns, 40, history=2000)
        self.stream = pyte.Stream(self.screen)

    def read(self) -> bool:
        """Wait until the program writes something; false once it has ended."""
        try:
            said = self.child.read_nonblocking(65536, timeout=HANG)
        except pexpect.EOF:
            return False
        self.stream.feed(said)
        return True

    @property
    def text(self) -> str:
        return "\n".join(line.rstrip() for line in self.screen.display).rstrip()

    def see(self, words: str) -> None:
        while words not in self.text:
            assert self.read(), f"{words!r} is not on the screen:\n{self.text}"

    def asked(self) -> None:
        """Wait until a prompt stands where the cursor is."""
        while not self.screen.display[self.screen.cursor.y].rstrip().endswith("›"):
            assert self.read(), f"no prompt is on the screen:\n{self.text}"

    def type(self, text: str, then: str) -> None:
        self.asked()
        self.child.send(f"{text}\r")
        self.see(then)

    def end(self) -> int | None:
        while self.read():
            pass
        self.child.wait()
        self.child.close()
        status: int | None = self.child.exitstatus
        return status


TYPED_TREE = """\
title: A lamp, dark
family: lamp
start: plug
cautions: [mains]
steps:
  plug: {ask: Is it plugged in?, answers: {yes: unplug, no: not-plugged}}
  unplug: {do: Pull the plug, then: bulb}
  bulb:
    measure: Resistance of the bulb
    after: [unplug]
    limits: {min: 10 ohm, max: 100 ohm, source: marked on it}
    results: {low: beyond, inside: beyond, high: burnt}
faults:
  not-plugged: {title: Not plugged in, remedy: Plug it in.}
  burnt: {title: Bulb burnt, remedy: Replace it., confirm: {step: bulb, gives: inside}}
stops: {beyond: {title: Beyond this tree, reason: out-of-scope}}
"""


def test_a_diagnosis_typed_by_hand_is_told_in_full_by_its_report(tmp_path: Path) -> None:
    path = tmp_path / "trees" / "lamp" / "dark.yaml"
    path.parent.mkdir(parents=True)
    path.write_text(TYPED_TREE, encoding="utf-8")
    record = ("--record", str(tmp_path / "record.db"))
    terminal = Terminal(tmp_path, "diagnose", "lamp/dark", "--serial", "tag 3", *record)
    terminal.see("Complaint, in a few words")
    terminal.type("went dark", "Have you read this")
    terminal.type("", "Is it plugged in?")
    terminal.type("skip no light here", "Pull the plug")
    terminal.type("", "MEASURE")
    terminal.type("12 V", "and this place takes Ω")
    terminal.type("note glass is black", "Noted.")
    terminal.type("50 ohm", "On to 'plug'")
    terminal.type("back", "Taken back: bulb inside.")
    terminal.asked()
    terminal.child.sendintr()
    terminal.see("Paused. Go on with: faulttree diagnose --resume 1")
    terminal.see("--record")
    assert terminal.end() == 1

    terminal = Terminal(tmp_path, "diagnose", "--resume", "tag 3", *record, columns=40)
    terminal.see("reading in ohm ›")
    terminal.type("5 kohm", "LIKELY")
    terminal.see("Not made")
    terminal.see("to repair it all the same")
    terminal.type("take-it", "Repaired?")
    terminal.type("new bulb", "proof")
    terminal.type("", "MEASURE")
    terminal.type("20 ohm", "Confirmed: Bulb burnt.")
    terminal.type("1", "case 1 is closed: fixed")
    assert terminal.end() == 0

    terminal = Terminal(tmp_path, "cases", "show", "1", *record)
    assert terminal.end() == 0
    report = terminal.text
    for told in ("tag 3", "no light here", "glass is black", "50", "5 k", "new bulb", "fixed"):
        assert told in report, f"{told!r} is not in the report:\n{report}"
