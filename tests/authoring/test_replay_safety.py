"""A case of a tree that says what is safe, walked again from its answers."""

from __future__ import annotations

from faulttree.authoring.replay import answers_of, walk_again
from tests.walk.samples import CLASS_I, PASSED, supply, walked


def test_a_case_is_walked_again_with_the_facts_it_knew() -> None:
    dead = ({"drain": "done"}, {"dead": "0.1 V"})
    state, events = walked(
        {"outside": "yes"}, CLASS_I, *PASSED, {"rail": "2 V"}, *dead, {"esr": "3 ohm"}
    )
    again = walk_again(supply(), answers_of(state, events))
    assert again.end == state.end
    assert [visit.step for visit in again.path] == [visit.step for visit in state.path]
    assert again.facts == state.facts


def test_a_case_that_did_not_know_the_unit_stands_where_it_is_asked() -> None:
    state, events = walked({"outside": "yes"})
    again = walk_again(supply(), answers_of(state, events))
    assert again.needs_fact is not None
    assert again.needs_fact.id == "protection-class"
