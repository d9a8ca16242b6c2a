"""What a unit is, said late or corrected: ratings, properties, what it was taken in with."""

from __future__ import annotations

from typing import Any

import pytest

from faulttree.cases.projection import CaseProjection
from faulttree.tree import Tree, build
from faulttree.walk import events as ev
from faulttree.walk.fold import fold
from tests.session.samples import Driver

PACK: dict[str, Any] = {
    "title": "A battery pack, empty soon",
    "family": "pack",
    "start": "look",
    "ratings": {
        "full": {"unit": "V", "ask": "Full-charge voltage", "models": {"big": "42 V"}},
    },
    "steps": {
        "look": {"ask": "Is the case whole?", "answers": {"whole": "rest", "cracked": "case"}},
        "rest": {
            "measure": "Voltage at rest",
            "limits": {
                "min": {"formula": "0.95 * full", "from": {"full": "full"}},
                "unit": "V",
                "source": "invented",
            },
            "results": {"low": "cell", "inside": "contact"},
        },
        "contact": {
            "ask": "Are the contacts clean?",
            "answers": {"clean": "fine", "dirty": "dirt"},
        },
    },
    "faults": {
        "case": {"title": "Case cracked", "remedy": "Replace it."},
        "cell": {
            "title": "A cell is weak",
            "remedy": "Replace it.",
            "confirm": {"step": "rest", "gives": "inside"},
        },
        "dirt": {"title": "Contacts dirty", "remedy": "Clean them."},
    },
    "stops": {"fine": {"title": "Nothing wrong", "reason": "no-fault-found"}},
}


def pack() -> Tree:
    parts = {"procedures": {}, "cautions": {}, "instruments": {}}
    return build({"id": "pack/empty", "tree": PACK, **parts})


def driver(model: str = "", **ratings: str) -> Driver:
    tree = pack()
    unit = {"family": "pack", "model": model, "serial": "tag 1"}
    opened = ev.Opened(
        at="t", tree=tree.id, tree_hash=tree.hash, unit=unit, complaint="weak", ratings=ratings
    )
    return Driver(tree, [opened])


def facts(walk: Driver) -> list[ev.FactGiven]:
    return [event for event in walk.events if isinstance(event, ev.FactGiven)]


def test_an_unknown_rating_is_asked_once_at_the_first_step_that_needs_it() -> None:
    walk = driver()
    walk.type("whole")
    assert (walk.prompt.kind, walk.prompt.id.subject) == ("fact", "full")
    assert "Full-charge voltage, in V" in walk.prompt.text
    walk.type("21 A", "much")
    assert len(walk.refusals) == 2
    walk.type("21,0 V")
    assert walk.prompt.kind == "step"
    walk.type("20.5 V")
    assert walk.state.path[-1].outcome == "inside"


def test_a_rating_nobody_knows_is_not_asked_twice_and_can_be_given_later() -> None:
    walk = driver()
    walk.type("whole", "", "18 V", "no")  # not known; measured; not measured again
    assert [event.value for event in facts(walk)] == ["not-known"]
    assert walk.state.path[-1].outcome == "undecided"
    walk.type("set full 21 V")
    assert "Judged again: rest: low." in walk.said
    (decided,) = facts(walk)[-1].decided
    assert (decided["target"], decided["outcome"]) == (3, "low")
    assert walk.state.end is not None
    assert walk.state.end.id == "cell"


def test_a_rating_given_late_equals_one_known_at_the_intake() -> None:
    late, early = driver(), driver(full="21 V")
    late.type("whole", "not-known", "20.5 V", "no", "set full 21 V", "dirty")
    early.type("whole", "20.5 V", "dirty")
    for walk in (late, early):
        assert walk.state.end is not None
        assert walk.state.end.id == "dirt"
    outcomes = [[(one.step, one.outcome) for one in walk.state.path] for walk in (late, early)]
    assert outcomes[0] == outcomes[1]


def test_a_corrected_rating_takes_back_the_proof_that_rested_on_it() -> None:
    walk = driver(full="21 V")
    walk.type("whole", "18 V", "new cell", "20.5 V")
    assert walk.state.cured is not None
    walk.type("set full 42 V")
    assert walk.state.cured is None
    assert "Still faulty after the repair" in walk.said


def test_the_model_is_corrected_and_decides_what_it_is_known_for() -> None:
    walk = driver("big")
    walk.type("whole", "20.5 V")
    assert walk.state.end is not None
    walk.type("correct model")
    assert walk.prompt.kind == "text"
    walk.type("small", "set full 21 V")
    assert walk.state.opened is not None
    assert walk.state.opened.unit["model"] == "small"
    assert walk.state.path[-1].outcome == "inside"
    assert walk.state.end is None
    first = walk.events[0]
    assert isinstance(first, ev.Opened)
    assert first.unit["model"] == "big"  # what was recorded stays
    assert walk.state == fold(walk.tree, walk.events)


def test_the_list_of_cases_follows_what_is_corrected() -> None:
    walk = driver("big")
    walk.type("set tag tag 2", "correct complaint", "empty after a minute")
    row = CaseProjection(walk.events).row
    assert (row["serial"], row["complaint"]) == ("tag 2", "empty after a minute")
    grown = CaseProjection()
    for event in walk.events:
        grown.add(event)
    assert grown.row == row


@pytest.mark.parametrize("typed", ["set colour red", "set full 21 A", "set full", "set model"])
def test_what_cannot_be_set_is_refused(typed: str) -> None:
    walk = driver()
    before = len(walk.events)
    walk.type(typed)
    assert walk.refusals
    assert len(walk.events) == before


def test_a_corrected_reading_that_says_nobody_may_go_on_ends_the_walk_at_once() -> None:
    steps = dict(PACK["steps"])
    steps["rest"] = {
        "measure": "Voltage at rest",
        "limits": {
            "max": {"formula": "1.02 * full", "from": {"full": "full"}},
            "unit": "V",
            "source": "invented",
        },
        "results": {"inside": "contact", "high": "keep-off"},
    }
    stops = {**PACK["stops"], "keep-off": {"title": "Charged too high", "reason": "unsafe"}}
    parts = {"procedures": {}, "cautions": {}, "instruments": {}}
    tree = build({"id": "pack/empty", "tree": {**PACK, "steps": steps, "stops": stops}, **parts})
    opened = ev.Opened(tree=tree.id, tree_hash=tree.hash, ratings={"full": "21 V"})
    walk = Driver(tree, [opened])
    walk.type("go rest", "20 V", "set full 18 V")
    assert "Judged again: rest: high." in walk.said
    assert walk.state.end is not None
    assert walk.state.end.id == "keep-off"
    walk.type("set full 21 V")
    assert walk.state.end is None
