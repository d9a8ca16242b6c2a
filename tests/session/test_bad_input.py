"""Every prompt takes any line: one clear line says what is wrong, and the same prompt stands."""

from __future__ import annotations

from functools import cache
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.session import (
    Accepted,
    Context,
    Kind,
    Position,
    Prompt,
    Refused,
    Result,
    next_prompt,
    read_typed,
    reply,
)
from faulttree.texts import printable
from faulttree.walk import events as ev
from tests.session.samples import Driver
from tests.session.test_likely import chain
from tests.session.test_meter_facts import insulation
from tests.session.test_session import LAMP, lamp
from tests.walk.test_safety_by_hand import supply

LOOK = {"ask": "Is it whole?", "answers": {"whole": "plug", "broken": "unsafe"}}
STOPS = {
    "elsewhere": {"title": "It flickers", "reason": "out-of-scope", "see": "lamp/flickers"},
    "unsafe": {"title": "Broken", "reason": "unsafe"},
}
TO_BULB = ("", "yes", "", "", "")
CHECKED = ("", "yes", "1", "sound", "insulation-tester", "5 Mohm")


def looked_over() -> Driver:
    return Driver(lamp(start="look", steps={"look": LOOK, **LAMP["steps"]}, stops=STOPS))


def open_supply() -> Driver:
    """A supply that was opened, in which nothing was found."""
    tree = supply()
    before = (
        ev.Opened(tree=tree.id, tree_hash=tree.hash),
        ev.CautionRead(caution="mains"),
        ev.FactGiven(name="protection-class", value="I"),
        ev.Answered(step="before-power.look.look", outcome="sound"),
        ev.Answered(step="before-power.insulation.ohms", outcome="good"),
        ev.Answered(step="outside", outcome="yes"),
        ev.Answered(step="rail", outcome="inside"),
        ev.Answered(step="drain", outcome="done"),
        ev.Answered(step="dead", outcome="inside"),
        ev.Answered(step="esr", outcome="inside"),
    )
    return Driver(tree, list(before))


def failed_supply() -> Driver:
    """A supply that was repaired and failed its insulation."""
    driver = open_supply()
    tree, events = driver.tree, list(driver.events[:5])
    events += [
        ev.RepairTried(fault="dry", what="replaced"),
        ev.Answered(step="before-power.look.look", outcome="sound"),
        ev.Answered(step="before-power.insulation.ohms", outcome="inside"),
        ev.Answered(step="terminals", outcome="inside"),
        ev.Answered(step="before-power.insulation.ohms", outcome="low"),
    ]
    return Driver(tree, events)


@cache
def met() -> dict[str, list[tuple[Position, Prompt]]]:
    """Kind of prompt → the prompts of that kind in some walks, each with its place."""
    walks = [
        (Driver(lamp()), [*TO_BULB, "5 ohm", "no", "no"]),
        (Driver(lamp()), [*TO_BULB, "40k", "yes", "1", "new bulb", "42 ohm", "yes", "kept"]),
        (Driver(lamp()), ["", "no", "plugged it in", "yes", "lit", "kept", "1"]),
        (Driver(lamp()), ["", "yes", "correct plug"]),
        (Driver(lamp()), ["", "skip"]),
        (Driver(lamp()), ["", "give up", "stop", "no time", "unsolved"]),
        (looked_over(), ["", "skip too dark", "go contact"]),
        (looked_over(), ["", "whole", *TO_BULB[1:], "50 ohm", "yes", "clean"]),
        (chain(), ["go sound", "quiet"]),
        (insulation(), ["20 Mohm"]),
        (open_supply(), ["stop", "no time", "unsolved"]),
        (failed_supply(), []),
    ]
    found: dict[str, list[tuple[Position, Prompt]]] = {}
    for driver, lines in walks:
        for line in [*lines, None]:
            found.setdefault(driver.prompt.kind, []).append((driver.position, driver.prompt))
            if line is not None:
                driver.type(line)
    draft = Position(lamp(), "draft", ())
    found["intake"] = [(draft, next_prompt(draft, Context()))]
    return found


KINDS = tuple(kind for kind in get_args(Kind) if kind != "done")
FREE = {"text", "seen", "declined", "fault", "intake"}
"""Prompts that take any words."""

BAD = ("banana", "12 A", "99", "-1", "x" * 10_000, "\x1b[2J\x07", "\u202eyes", "1e999 ohm", "  \t ")


def answered(place: Position, prompt: Prompt, line: str) -> Result:
    return reply(place, Context(now="t"), prompt, read_typed(prompt, line))


def test_the_walks_meet_every_kind_of_prompt() -> None:
    assert set(met()) >= set(KINDS)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("line", BAD, ids=lambda line: printable(line[:8]))
def test_what_does_not_fit_is_refused_in_one_line(kind: str, line: str) -> None:
    for place, prompt in met()[kind]:
        result = answered(place, prompt, line)
        if isinstance(result, Refused):
            error = result.error
            assert "\n" not in error.message
            assert len(error.message) <= 200, error.message
            assert error.remedy
            assert len(error.remedy) <= 400, error.remedy
        elif isinstance(result, Accepted) and line.strip():
            assert kind in FREE or not result.events, (kind, line, result)


@given(line=st.text(max_size=40), kind=st.sampled_from(KINDS))
def test_no_line_is_too_odd_for_a_prompt(line: str, kind: str) -> None:
    for place, prompt in met()[kind]:
        result = answered(place, prompt, line)
        if isinstance(result, Refused):
            assert "\n" not in result.error.message
