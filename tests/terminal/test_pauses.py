"""The input may end at any prompt: what was recorded stays, and the walk goes on from there."""

from __future__ import annotations

from contextlib import suppress

from faulttree.reading import Bench
from faulttree.terminal.console import AwayError
from faulttree.terminal.open_case import EventWriter, Leaving, OpenCase
from faulttree.terminal.walk import sit
from faulttree.walk import Event, State, fold
from faulttree.walk import events as ev
from tests.terminal.test_walk import TO_BULB, Memory, Typist, lamp, sat

WALK = (*TO_BULB, "500 ohm", "yes", "new bulb", "", "20 ohm", "yes", "note tidy", "waiting")


def gone_on(kept: list[Event], *typed: str) -> State:
    """Take a case up again from its record and type these lines."""
    memory, tree = Memory(), lamp()
    memory.kept += kept
    writer = EventWriter(tree, "c", list(kept), memory, lambda: "2026-02-11T10:00:00Z")
    case = OpenCase(writer, Typist(*typed), bench=Bench(likely_below=0.0), label="case 1")
    with suppress(AwayError, Leaving):
        sit(case)
    assert fold(tree, memory.kept) == case.state
    return case.state


def test_the_end_of_input_at_any_prompt_loses_nothing() -> None:
    _, whole, state = sat(*WALK)
    assert state.closed is not None
    resumed_at = -1
    for lines in range(len(WALK)):
        console, memory, _ = sat(*WALK[:lines])
        assert console.lines[-1] == "(paused)"
        assert memory.kept == whole.kept[: len(memory.kept)], lines
        if len(memory.kept) == resumed_at:
            continue  # A sub-question was open: its reading is typed again.
        resumed_at = len(memory.kept)
        after = gone_on(memory.kept, *WALK[lines:])
        assert after.closed == state.closed, lines


def test_a_line_typed_during_a_wait_is_the_answer_to_the_next_step_not_to_its_caution() -> None:
    console, memory = Typist("", "yes", ""), Memory()
    console.typed_meanwhile = "500 ohm"
    tree = lamp()
    opened = ev.Opened(tree=tree.id, tree_hash=tree.hash)
    memory.kept.append(opened)
    writer = EventWriter(tree, "c", [opened], memory, lambda: "2026-02-11T10:00:00Z")
    console.typed += ["", "yes"]  # the caution of the next step; isolated
    with suppress(AwayError):
        sit(OpenCase(writer, console, bench=Bench(likely_below=0.0), label="case 1"))
    readings = [e.reading["text"] for e in memory.kept if isinstance(e, ev.Answered) and e.reading]
    assert readings == ["500 ohm"]
    assert "Typed during the wait: 500 ohm" in console.said
