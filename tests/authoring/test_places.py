"""Where a new test may stand on the path of a case."""

from __future__ import annotations

from faulttree.authoring.cause import Test
from faulttree.authoring.placement import barred, places_on
from faulttree.tree import build
from faulttree.walk import State, fold
from faulttree.walk import events as ev
from faulttree.walk.answer import TypedAnswer, answer


def walked() -> State:
    """A walk by a reading, then a step that heats R1, then another reading."""
    tree = build(
        {
            "tree": {
                "title": "Lamp",
                "family": "work-lamp",
                "start": "seen",
                "steps": {
                    "seen": {"ask": "Is it lit?", "answers": {"dark": "solder", "lit": "out"}},
                    "solder": {
                        "do": "Resolder R1",
                        "disturbs": ["heat"],
                        "of": ["R1"],
                        "then": "last",
                    },
                    "last": {"ask": "Is it lit now?", "answers": {"dark": "out", "lit": "joint"}},
                },
                "faults": {"joint": {"title": "Joint of R1", "remedy": "Resolder it."}},
                "stops": {"out": {"title": "Beyond", "reason": "out-of-scope"}},
            }
        }
    )
    events: list[ev.Event] = [ev.Opened(tree=tree.id, tree_hash=tree.hash)]
    for outcome in ("dark", "done", "dark"):
        state = fold(tree, events)
        assert state.ask is not None
        events.append(answer(state, state.ask, TypedAnswer(outcome=outcome)))
    return fold(tree, events)


def test_a_reading_is_not_put_behind_a_step_that_disturbs_what_it_reads() -> None:
    state = walked()
    places = [place for place in places_on(state) if place.passed]
    assert [place.step for place in places] == ["seen", "solder", "last"]

    def refused(measure: str) -> list[bool]:
        test = Test(step="new", measure=measure, limits={"max": "5 ohm"})
        return ["disturbed" in barred(state, place, test) for place in places]

    assert refused("Resistance of R1") == [False, True, True]
    assert refused("Resistance of R12") == [False, False, False]
