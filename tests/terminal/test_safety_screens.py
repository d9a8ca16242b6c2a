"""At the bench: facts, blocks, open covers, and a unit that may not go back yet.

The tree and what is right about it are those of :mod:`tests.walk.test_safety_by_hand`.
"""

from __future__ import annotations

from contextlib import suppress

from faulttree.reading import Bench
from faulttree.terminal.console import AwayError
from faulttree.terminal.open_case import EventWriter, Leaving, OpenCase
from faulttree.terminal.walk import sit
from faulttree.walk import Event, State
from faulttree.walk import events as ev
from tests.terminal.samples import Memory, Typist
from tests.walk.samples import supply


def sat(*typed: str, before: tuple[Event, ...] = ()) -> tuple[Typist, list[Event], State]:
    """Sit with these lines typed; the end of them pauses."""
    tree, memory, console = supply(), Memory(), Typist(*typed)
    opened = ev.Opened(tree=tree.id, tree_hash=tree.hash, unit={"serial": "tag 14"})
    memory.kept += [opened, ev.CautionRead(caution="mains"), *before]
    writer = EventWriter(tree, "c", list(memory.kept), memory, lambda: "2026-02-11T10:00:00Z")
    session = OpenCase(writer, console, bench=Bench(likely_below=0.0), label="case 1")
    with suppress(AwayError, Leaving):
        sit(session)
    return console, memory.kept, session.state


READY = ("yes", "1", "sound", "5 Mohm")
"""It hums, class I, sound, insulated: the rail comes next."""


def test_a_property_is_asked_by_number_name_or_first_letters() -> None:
    for typed in ("1", "I", "i"):
        console, _, state = sat("yes", typed)
        assert state.facts == {"protection-class": "I"}
        assert "Which class?" in console.said
        assert "4 not-known" in console.said


def test_a_word_that_is_no_value_is_told_what_would_be() -> None:
    console, _, state = sat("yes", "V", "?", "2")
    assert "'V' is no value of 'protection-class'" in console.said
    assert "I, II, III, not-known" in console.said
    assert state.facts == {"protection-class": "II"}


def test_what_blocks_power_is_said_and_set_clears_it() -> None:
    console, _, state = sat("yes", "not-known", "sound", "set protection-class I", "go rail")
    assert "No power until it is known" in console.said
    assert state.ask is not None
    assert state.ask.id == "before-power.insulation.ohms"
    assert "The unit: protection-class I." in console.said


def test_a_known_property_answers_its_step_and_back_passes_over_it() -> None:
    first = ("no", "1", "sound", "5 Mohm", "set supply linear", "34 V")
    console, kept, state = sat(*first)
    assert "kind: linear, known (supply)." in console.said
    assert [one.fact for one in kept if isinstance(one, ev.Answered)][-1] == "supply"
    _, _, state = sat(*first, "back")
    assert state.ask is not None
    assert state.ask.id == "terminals"


def test_what_is_open_is_shown_before_power() -> None:
    console, _, state = sat(*READY, "2 V", "", "0.1 V", "3 ohm", "replaced C1", "sound", "5 Mohm")
    assert state.ask is not None
    assert state.ask.id == "close.lid-off"
    assert "before power" in console.said
    console, _, _ = sat(
        *READY, "2 V", "", "0.1 V", "3 ohm", "replaced C1", "sound", "5 Mohm", "", "2 V"
    )
    assert "Open now" in console.said
    assert "lifted C1" in console.said


def test_a_unit_opened_here_is_offered_its_safety_checks_before_it_goes() -> None:
    found_nothing = (*READY, "2 V", "", "0.1 V", "20 mohm")
    console, _, state = sat(*found_nothing, "stop", "no time", "unsolved", "yes")
    said = " ".join(console.said.split())
    assert "It may go back only after: Safety of class I" in said
    assert state.ask is not None
    assert state.ask.id == "close.lid-off", "the assembled unit is tested"
    console, _, state = sat(*found_nothing, "stop", "no time", "unsolved", "no", "returned")
    assert state.phase != "closed"
    assert not any("back to its owner" in line for line in console.lines)


def test_a_failed_safety_condition_offers_repair_and_never_says_not_confirmed() -> None:
    before = (
        ev.FactGiven(name="protection-class", value="II"),
        ev.Answered(step="before-power.look.look", outcome="sound"),
        ev.RepairTried(fault="dry", what="replaced"),
        ev.Answered(step="before-power.look.look", outcome="sound"),
        ev.Answered(step="terminals", outcome="inside"),
    )
    console, kept, state = sat("0.2 Mohm", "repair", "inlet replaced", before=before)
    assert "FAILED: Insulation before power" in console.said
    assert not any(isinstance(one, ev.NotConfirmed) for one in kept)
    assert [one.what for one in kept if isinstance(one, ev.RepairTried)][-1] == "inlet replaced"
    assert state.unfit == "before-power.insulation"
