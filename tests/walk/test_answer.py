"""Promises about one typed answer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.errors import ReadingError
from faulttree.tree import Tree, build
from faulttree.walk.answer import TypedAnswer, answer, parse_reading
from faulttree.walk.events import Answered
from faulttree.walk.fold import fold


def one_step(limits: object = None, **more: object) -> Tree:
    steps = {
        "rail": {
            "measure": "Rail",
            "limits": limits or {"nominal": "12 V", "tolerance": "5%"},
            "results": {"low": "bad", "inside": "good", "high": "bad"},
            **more,
        }
    }
    data = {
        "title": "T",
        "family": "unit",
        "start": "rail",
        "steps": steps,
        "faults": {"bad": {"title": "bad", "remedy": "Replace it."}},
        "stops": {"good": {"title": "good", "reason": "no-fault-found"}},
    }
    return build({"id": "unit/t", "tree": data}, strict=False)


TREE = one_step()
STATE = fold(TREE, ())
STEP = TREE.steps["rail"]


@given(st.lists(st.decimals(1, 30, places=2), min_size=1, max_size=3))
def test_a_reading_that_was_parsed_before_is_judged_as_its_text(values: list[object]) -> None:
    entry = TypedAnswer(typed=tuple(f"{value} V" for value in values), sure=True)
    parsed = parse_reading(STATE, STEP, entry)
    assert answer(STATE, STEP, entry, parsed=parsed) == answer(STATE, STEP, entry)


@pytest.mark.parametrize("typed", ["12 ohm", "12 W", "twelve"])
def test_a_reading_that_cannot_be_judged_is_refused_when_it_is_parsed(typed: str) -> None:
    with pytest.raises(ReadingError):
        parse_reading(STATE, STEP, TypedAnswer(typed=(typed,)))


@pytest.mark.parametrize("named", [[], ["C2", "C3"]])
def test_the_parts_beside_decide_what_a_reading_in_circuit_proves(named: list[str]) -> None:
    limits = {"nominal": "100 uF", "tolerance": "20 %", "neighbours": named}
    tree = one_step(limits, in_circuit="allowed")
    event = answer(fold(tree, ()), tree.steps["rail"], TypedAnswer(typed=("100 uF",)))
    assert isinstance(event, Answered)
    assert event.outcome == ("undecided" if named else "inside")
