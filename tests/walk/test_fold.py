"""A walk keeps to the order that safety needs, loses nothing, and ends honestly."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from faulttree.errors import FaulttreeError, WalkError
from faulttree.reading import read_bench
from faulttree.tree import Tree, build
from faulttree.walk import Event, State, fold, from_dict
from faulttree.walk import events as ev
from faulttree.walk.advisor import (
    better,
    both,
    choose,
    cleared,
    evidence,
    possible,
    ranking,
    untested,
)
from faulttree.walk.answer import DoubtError, TypedAnswer, answer
from faulttree.walk.document import document
from faulttree.walk.repair import conclude, conclude_by_sight
from faulttree.walk.script import Script, play, read_script
from tests.work import calls

STOPS = {
    "beyond": {"title": "Beyond this tree", "reason": "out-of-scope"},
    "unsafe": {"title": "Not safe", "reason": "unsafe"},
    "licensed": {"title": "For a licensed person", "reason": "licensed"},
}


def fault(**more: Any) -> dict[str, Any]:
    return {"title": "A fault", "remedy": "Replace it.", **more}


def tree_of(
    steps: Mapping[str, Any],
    faults: Mapping[str, Any] | None = None,
    *,
    procedures: Mapping[str, Any] | None = None,
    start: str = "",
    **more: Any,
) -> Tree:
    """A small tree from plain data."""
    data = {
        "title": "A unit, no output",
        "family": "unit",
        "start": start or next(iter(steps)),
        "steps": steps,
        "faults": faults or {"worn": fault()},
        "stops": STOPS,
        **more,
    }
    return build({"id": "unit/no-output", "tree": data, "procedures": procedures or {}})


def ask(**answers: str) -> dict[str, Any]:
    return {"ask": "Is it so?", "minutes": 1, "answers": answers}


def action(then: str, **more: Any) -> dict[str, Any]:
    return {"do": "Do it", "minutes": 1, "then": then, **more}


def volts(low: str, inside: str, **more: Any) -> dict[str, Any]:
    return {
        "measure": "Rail",
        "minutes": 2,
        "limits": {"min": "10 V"},
        "results": {"low": low, "inside": inside},
        **more,
    }


RAIL_34 = {
    "measure": "Rail",
    "limits": {"nominal": "34 V", "tolerance": "10 %"},
    "results": {"outside": "worn", "inside": "beyond"},
}


class Walk:
    """A walk in memory: answers as typed, one after another."""

    def __init__(self, tree: Tree, **opening: Any) -> None:
        self.tree = tree
        self.events: list[Event] = [
            ev.Opened(tree=tree.id, tree_hash=tree.hash, unit={"family": tree.family}, **opening)
        ]

    @property
    def state(self) -> State:
        return fold(self.tree, self.events)

    @property
    def asked(self) -> str | None:
        step = self.state.ask
        return step.id if step else None

    def add(self, *events: Event) -> State:
        self.events += events
        return self.state

    def say(self, *typed: str, **entry: Any) -> State:
        """Answer the step being asked, as typed."""
        for text in typed:
            step = self.state.ask
            assert step is not None, f"nothing is asked, but {text} is answered"
            self.add(answer(self.state, step, TypedAnswer(typed=(text,), **entry)))
        return self.state

    def skip(self) -> State:
        step = self.state.ask
        assert step is not None
        return self.add(ev.Skipped(step=step.id, reason="no gear"))

    def go(self, step: str) -> State:
        return self.add(ev.Jumped(step=step))

    def repair(self, name: str) -> State:
        return self.add(ev.RepairTried(fault=name))

    def prove(self) -> State:
        """Conclude what the confirming step showed."""
        conclusion = conclude(self.state)
        assert conclusion is not None
        return self.add(conclusion)


def played(tree: Tree, *answers: Mapping[str, Any], **more: Any) -> tuple[State, tuple[str, ...]]:
    """A script on a tree, its events thrown away."""
    script = read_script({"answers": list(answers), **more})
    return play(tree, script, emit=lambda event: None, clock=lambda: "")


# -- order that safety needs ------------------------------------------------------------------

LIVE = {
    "fuse": ask(intact="rail", blown="safe"),
    "rail": volts("safe", "beyond", live=True),
    "safe": action("cap"),
    "cap": ask(good="again", bad="worn") | {"after": ["safe"]},
    "again": volts("esr", "esr", live=True),
    "esr": ask(good="beyond", bad="leaky") | {"after": ["safe"]},
}
LIVE_TREE = tree_of(LIVE, {"worn": fault(), "leaky": fault()})


def test_a_later_live_step_voids_what_was_made_safe() -> None:
    walk = Walk(LIVE_TREE)
    assert walk.say("intact", "4 V", "done", "good").ask == LIVE_TREE.steps["again"]
    state = walk.say("12 V")
    assert (walk.asked, state.pending) == ("safe", "esr")
    assert walk.say("done").ask == LIVE_TREE.steps["esr"]


def test_what_must_come_first_is_asked_for_on_a_jump_too() -> None:
    walk = Walk(LIVE_TREE)
    assert walk.go("esr").pending == "esr"
    assert walk.asked == "safe"
    assert walk.say("done").ask == LIVE_TREE.steps["esr"]


def test_a_skipped_deed_blocks_what_rests_on_it() -> None:
    walk = Walk(LIVE_TREE)
    walk.go("esr")
    state = walk.skip()
    assert state.stuck
    assert state.blocked == "safe"
    jump = choose(state)
    assert jump is not None
    assert jump.step in ("fuse", "rail", "again"), "nothing that rests on the skipped deed"


def test_a_jump_to_a_step_asks_anew_for_the_deed_that_was_skipped() -> None:
    walk = Walk(LIVE_TREE)
    walk.go("esr")
    walk.skip()
    walk.go("cap")
    assert walk.asked == "safe"


def test_a_jump_does_not_pass_a_deed_on_the_only_way_to_a_step() -> None:
    steps = {
        "unplug": action("inside"),
        "inside": ask(good="beyond", bad="worn"),
    }
    walk = Walk(tree_of(steps))
    walk.go("inside")
    assert walk.asked == "unplug"
    assert walk.say("done", "bad").end is not None


def test_prerequisites_have_prerequisites() -> None:
    steps = {
        "start": ask(a="deep", b="beyond"),
        "unplug": action("drain"),
        "drain": action("deep", after=["unplug"]),
        "deep": ask(good="beyond", bad="worn") | {"after": ["drain"]},
    }
    walk = Walk(tree_of(steps))
    assert walk.say("a").ask is not None
    assert walk.asked == "unplug"
    walk.say("done")
    assert walk.asked == "drain"
    walk.say("done")
    assert walk.asked == "deep"


DRAIN = {
    "procedure": "drain",
    "title": "Drain",
    "start": "bleed",
    "exits": ["safe", "charged"],
    "steps": {
        "bleed": {"do": "Bleed", "then": "check"},
        "check": {"ask": "Below 5 V?", "answers": {"yes": "safe", "no": "charged"}},
    },
}


def test_a_whole_procedure_can_be_what_must_come_first() -> None:
    steps = {
        "rail": volts("inside", "beyond", live=True),
        "safe": {"use": "drain", "exits": {"safe": "inside", "charged": "unsafe"}},
        "inside": ask(good="beyond", bad="worn") | {"after": ["safe"]},
    }
    walk = Walk(tree_of(steps, procedures={"drain": DRAIN}))
    walk.say("2 V")
    assert walk.asked == "safe.bleed"
    walk.say("done", "yes")
    assert walk.asked == "inside"


def test_what_was_not_made_safe_does_not_count_as_done() -> None:
    steps = {
        "rail": volts("safe", "beyond"),
        "safe": {"use": "drain", "exits": {"safe": "inside", "charged": "unsafe"}},
        "inside": ask(good="beyond", bad="worn") | {"after": ["safe"]},
    }
    walk = Walk(tree_of(steps, procedures={"drain": DRAIN}))
    state = walk.say("2 V", "done", "no")
    assert state.end is not None
    assert state.end.reason == "unsafe"
    assert "safe" not in state.holding
    walk.add(ev.Closed(result="referred"), ev.Reopened())
    walk.go("inside")
    assert walk.asked == "safe.bleed"


def test_steps_that_wait_for_one_another_are_gone_to_once_and_not_for_ever() -> None:
    steps = {
        "one": ask(good="two", bad="three"),
        "two": ask(good="beyond", bad="worn") | {"after": ["three"]},
        "three": ask(good="beyond", bad="leaky") | {"after": ["two"]},
    }
    data = {"title": "A", "family": "unit", "start": "one", "steps": steps, "stops": STOPS}
    data["faults"] = {"worn": fault(), "leaky": fault()}
    tree = build({"id": "unit/a", "tree": data, "procedures": {}}, strict=False)
    walk = Walk(tree)
    walk.say("good")
    jumps = 0
    while (jump := choose(walk.state)) is not None:
        walk.add(jump)
        jumps += 1
        assert jumps < 5


def test_what_must_come_first_can_end_the_walk() -> None:
    steps = {
        "rail": volts("safe", "inside"),
        "safe": {"use": "drain", "exits": {"safe": "inside", "charged": "unsafe"}},
        "inside": ask(good="beyond", bad="worn") | {"after": ["safe"]},
    }
    proof = {"step": "inside", "gives": "good"}
    tree = tree_of(steps, {"worn": fault(confirm=proof)}, procedures={"drain": DRAIN})
    walk = Walk(tree)
    walk.say("12 V")
    assert walk.asked == "safe.bleed"
    state = walk.say("done", "no")
    assert (state.phase, state.end and state.end.reason) == ("ended", "unsafe")
    assert choose(state) is None
    walk = Walk(tree)
    walk.repair("worn")
    state = walk.say("done", "no")
    assert (state.phase, state.end and state.end.reason) == ("ended", "unsafe")


def test_after_a_repair_nothing_counts_as_made_safe() -> None:
    steps = {
        "safe": action("esr"),
        "esr": ask(good="beyond", bad="worn") | {"after": ["safe"]},
    }
    walk = Walk(tree_of(steps, {"worn": fault(confirm={"step": "esr", "gives": "good"})}))
    walk.say("done", "bad")
    walk.repair("worn")
    assert walk.asked == "safe"
    state = walk.say("done", "good")
    assert conclude(state) is not None


# -- access -----------------------------------------------------------------------------------


def test_access_is_paid_once_and_again_where_states_exclude_each_other() -> None:
    steps = {
        "one": ask(a="two", b="worn") | {"access": ["open"]},
        "two": ask(a="three", b="worn") | {"access": ["open"]},
        "three": ask(a="four", b="worn") | {"access": ["flipped"]},
        "four": ask(a="beyond", b="worn") | {"access": ["open"]},
    }
    access = {
        "open": {"minutes": 10, "group": "side"},
        "flipped": {"minutes": 5, "group": "side"},
    }
    walk = Walk(tree_of(steps, access=access))
    assert walk.state.access_minutes == 10
    minutes = [walk.say("a").minutes for _ in range(4)]
    assert minutes == [11, 12, 18, 29]


# -- outcomes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "outcome"),
    [("9.9 V", "low"), ("10 V", "inside"), ("10000 mV", "inside"), ("OL", "inside")],
)
def test_a_one_sided_limit_gives_two_outcomes(typed: str, outcome: str) -> None:
    state = Walk(tree_of({"rail": volts("worn", "beyond")})).say(typed)
    assert state.path[-1].outcome == outcome


def test_over_range_is_kept_as_no_value() -> None:
    steps = {
        "rail": {
            "measure": "Rail",
            "limits": {"max": "5 ohm"},
            "results": {"high": "worn", "inside": "beyond"},
        }
    }
    state = Walk(tree_of(steps)).say("OL")
    kept = state.path[-1].event.reading
    assert kept is not None
    assert (kept["value"], kept["over_range"]) == (None, True)
    assert state.path[-1].outcome == "high"


def test_outside_stands_for_low_and_high() -> None:
    steps = {
        "rail": {
            "measure": "Rail",
            "limits": {"nominal": "12 V", "tolerance": "5 %"},
            "results": {"inside": "beyond", "outside": "worn"},
        }
    }
    tree = tree_of(steps)
    for typed, outcome in (("11 V", "low"), ("13 V", "high")):
        state = Walk(tree).say(typed)
        assert state.path[-1].outcome == outcome
        assert state.end is not None
        assert state.end.id == "worn"


def test_negative_limits_call_low_what_is_smaller_in_size() -> None:
    steps = {
        "rail": {
            "measure": "Rail",
            "limits": {"nominal": "-12 V", "tolerance": "10 %"},
            "results": {"low": "worn", "inside": "beyond", "high": "licensed"},
        }
    }
    tree = tree_of(steps)
    assert Walk(tree).say("-9 V").path[-1].outcome == "low"
    assert Walk(tree).say("-12.5 V").path[-1].outcome == "inside"
    with pytest.raises(DoubtError):
        Walk(tree).say("12 V")


def test_a_band_is_an_outcome_by_its_name() -> None:
    steps = {
        "rail": {
            "measure": "Rail",
            "limits": {
                "bands": [
                    {"name": "dead", "below": "5 V"},
                    {"name": "sagging", "from": "5 V", "below": "30.6 V"},
                    {"name": "good", "from": "30.6 V"},
                ]
            },
            "results": {"dead": "worn", "sagging": "beyond", "good": "licensed"},
        }
    }
    tree = tree_of(steps)
    said = {typed: Walk(tree).say(typed).path[-1].outcome for typed in ("4.99 V", "5 V", "30.6 V")}
    assert said == {"4.99 V": "dead", "5 V": "sagging", "30.6 V": "good"}


def test_undecided_goes_where_the_tree_says_else_it_acts_as_a_skip() -> None:
    led = ask(good="next", bad="worn", undecided="other")
    steps = {
        "first": led,
        "next": ask(good="beyond", bad="worn"),
        "other": ask(good="beyond", bad="leaky"),
    }
    faults = {"worn": fault(), "leaky": fault()}
    walk = Walk(tree_of(steps, faults))
    walk.say("undecided")
    assert walk.asked == "other"
    steps["first"] = ask(good="next", bad="worn")
    walk = Walk(tree_of({**steps, "next": ask(good="other", bad="worn")}, faults))
    state = walk.say("undecided")
    assert state.stuck
    assert state.skipped == {"first": 1}
    assert choose(state) is not None


def test_undecided_answers_do_not_send_a_walk_in_a_circle() -> None:
    steps = {
        "first": ask(good="beyond", bad="worn", undecided="second"),
        "second": ask(good="beyond", bad="worn", undecided="first"),
    }
    walk = Walk(tree_of(steps))
    state = walk.say("undecided", "undecided")
    assert state.ask is None
    assert choose(state) is None or choose(state) != ev.Jumped(step="first")


def test_a_value_is_kept_for_a_formula_and_missing_it_decides_nothing() -> None:
    steps = {
        "mains": {"measure": "Mains", "unit": "V", "then": "secondary"},
        "secondary": {
            "measure": "Secondary",
            "limits": {
                "nominal": {"formula": "u * 24 / 230", "from": {"u": "mains"}},
                "tolerance": "5 %",
                "unit": "V",
            },
            "results": {"low": "worn", "inside": "beyond", "high": "beyond"},
        },
    }
    tree = tree_of(steps)
    walk = Walk(tree)
    state = walk.say("230 V", "22 V")
    assert [visit.outcome for visit in state.path] == ["taken", "low"]
    walk = Walk(tree)
    assert walk.say("210 V", "22 V").path[-1].outcome == "inside"
    walk = Walk(tree)
    walk.skip()
    walk.go("secondary")
    assert walk.say("22 V").path[-1].outcome == "undecided"


def test_a_meter_s_uncertainty_goes_into_the_limits_worked_out_from_its_reading() -> None:
    steps = {
        "mains": {"measure": "Mains", "unit": "V", "then": "secondary"},
        "secondary": {
            "measure": "Secondary",
            "limits": {"min": {"formula": "u * 0.1", "from": {"u": "mains"}}, "unit": "V"},
            "results": {"low": "worn", "inside": "beyond"},
        },
    }
    ranges = [{"range": "600 V", "accuracy": "2 %"}]
    bench = read_bench({"instruments": {"dmm": {"kind": "multimeter", "measures": {"V": ranges}}}})
    tree = tree_of(steps)
    answers = ({"mains": {"reading": "230 V", "instrument": "dmm"}}, {"secondary": "23.1 V"})
    script = read_script({"answers": answers})
    state, _ = play(tree, script, emit=lambda event: None, clock=lambda: "", bench=bench)
    kept = state.path[0].event.reading
    assert kept is not None
    # Rectangular, a/√3: JCGM 100:2008 (GUM) 4.3.7; first order through the formula: 5.1.2.
    assert kept["uncertainty"] == pytest.approx(230 * 0.02 / 3**0.5)
    assert [visit.outcome for visit in state.path] == ["taken", "undecided"]


def test_a_proof_reckoned_from_another_reading_asks_for_that_reading_anew() -> None:
    steps = {
        "mains": {"measure": "Mains", "unit": "V", "then": "secondary"},
        "secondary": {
            "measure": "Secondary",
            "limits": {
                "min": {"formula": "u * 0.1", "from": {"u": "mains"}},
                "unit": "V",
            },
            "results": {"low": "worn", "inside": "beyond"},
        },
    }
    tree = tree_of(steps, {"worn": fault(confirm={"step": "secondary", "gives": "inside"})})
    walk = Walk(tree)
    walk.say("100 V", "9 V")
    walk.repair("worn")
    assert walk.asked == "mains"
    walk.say("230 V", "20 V")
    assert isinstance(conclude(walk.state), ev.NotConfirmed)


RATED = {
    "rail": {
        "measure": "Rail",
        "limits": {
            "nominal": {"formula": "r", "from": {"r": "rail-voltage"}},
            "tolerance": "10 %",
            "unit": "V",
        },
        "results": {"outside": "worn", "inside": "beyond"},
    }
}
RATINGS = {"rail-voltage": {"unit": "V", "ask": "Which rail?", "models": {"two-channel": "34 V"}}}


def test_a_rating_with_the_name_of_a_step_does_not_block_a_proof() -> None:
    """The step would else need its own reading first. ``check`` reports the name."""
    named = json.loads(json.dumps(RATED).replace("rail-voltage", "rail"))
    proof = fault(confirm={"step": "rail", "gives": "inside"})
    walk = Walk(tree_of(named, {"worn": proof}, ratings={"rail": RATINGS["rail-voltage"]}))
    walk.say("20 V")
    walk.repair("worn")
    assert (walk.asked, walk.state.blocked) == ("rail", None)


def test_a_rating_comes_from_the_model_or_from_the_opening() -> None:
    tree = tree_of(RATED, ratings=RATINGS)
    unit = {"model": "two-channel"}
    state, _ = played(tree, {"rail": "33 V"}, unit=unit)
    assert state.path[-1].outcome == "inside"
    state, _ = played(tree, {"rail": "33 V"}, unit={"ratings": {"rail-voltage": "15 V"}})
    assert state.path[-1].outcome == "high"
    state, _ = played(tree, {"rail": "33 V"}, unit={"model": "another"})
    assert state.path[-1].outcome == "undecided"


@pytest.mark.parametrize("ratings", [{"rail": "15 V"}, {"rail-voltage": "15 ohm"}])
def test_a_rating_that_does_not_fit_is_refused_before_the_case_is_opened(
    ratings: dict[str, str],
) -> None:
    tree = tree_of(RATED, ratings=RATINGS)
    kept: list[Event] = []
    script = Script(unit={"ratings": ratings}, answers=({"rail": "33 V"},))
    with pytest.raises(FaulttreeError) as error:
        play(tree, script, emit=kept.append, clock=lambda: "")
    assert error.value.key[:2] == ("unit", "ratings")
    assert kept == []


def test_several_readings_are_kept_one_by_one() -> None:
    tree = tree_of({"rail": volts("worn", "beyond")})
    state, _ = played(tree, {"rail": {"readings": ["9.4 V", "9.41 V", "9.39 V"]}})
    kept = state.path[-1].event.reading
    assert kept is not None
    assert kept["readings"] == [9.4, 9.41, 9.39]
    assert kept["value"] == pytest.approx(9.4)
    assert state.path[-1].outcome == "low"


# -- skips, jumps and ends --------------------------------------------------------------------

CHAIN = {
    "one": ask(good="two", bad="f-one"),
    "two": ask(good="three", bad="f-two"),
    "three": ask(good="beyond", bad="f-three"),
}
CHAIN_FAULTS = {name: fault() for name in ("f-one", "f-two", "f-three")}
CHAIN_TREE = tree_of(CHAIN, CHAIN_FAULTS)


def test_a_skip_does_not_end_a_walk_and_is_come_back_to() -> None:
    walk = Walk(CHAIN_TREE)
    walk.skip()
    asked = []
    while (jump := choose(walk.state)) is not None:
        walk.add(jump)
        while walk.asked is not None and walk.asked != "one":
            asked.append(walk.asked)
            walk.say("good")
        if walk.asked == "one":
            break
    assert sorted(asked) == ["three", "two"]
    assert walk.asked == "one", "back to what was skipped before it ends"
    state = walk.skip()
    assert choose(state) is None, "once is enough"
    assert choose(walk.state) is None


def test_ranking_does_not_cost_twice_as_much_for_each_action_before_a_test() -> None:
    def work(actions: int) -> int:
        steps = {f"do{i}": action(f"do{i + 1}") for i in range(actions - 1)}
        tree = tree_of(
            {**steps, f"do{actions - 1}": action("rail"), "rail": volts("worn", "beyond")}
        )
        ranked, cost = calls(lambda: ranking(Walk(tree).state))
        assert [one.test for one in ranked] == ["rail"]
        return cost

    work(2)  # The first one also loads modules.
    assert work(16) < 8 * work(8)


def test_a_skip_on_the_way_to_a_soft_stop_keeps_the_walk_open() -> None:
    walk = Walk(CHAIN_TREE)
    walk.skip()
    walk.go("three")
    state = walk.say("good")
    assert state.end is not None
    assert state.end.id == "beyond"
    assert choose(state) is not None


@pytest.mark.parametrize("stop", ["unsafe", "licensed"])
def test_a_hard_stop_ends_at_once_whatever_was_skipped(stop: str) -> None:
    steps = {"one": ask(good="two", bad="f-one"), "two": ask(good="beyond", bad=stop)}
    walk = Walk(tree_of(steps, {"f-one": fault()}))
    walk.skip()
    walk.go("two")
    state = walk.say("bad")
    assert state.phase == "ended"
    assert choose(state) is None


@pytest.mark.parametrize("stop", ["unsafe", "licensed", "beyond"])
def test_no_quicker_way_leads_round_what_may_find_the_unit_unsafe(stop: str) -> None:
    steps = {
        "look": ask(sound="slow", damaged=stop) | {"minutes": 10},
        "slow": ask(good="quick", bad="rare") | {"minutes": 30},
        "quick": ask(good="beyond", bad="common"),
    }
    faults = {
        "rare": fault(weight=1, signs={"quick": "good"}),
        "common": fault(weight=50, signs={"slow": "good"}),
    }
    walk = Walk(tree_of(steps, faults))
    offered = better(walk.state)
    assert offered is None if stop != "beyond" else offered is not None
    walk.say("sound")
    offered = better(walk.state)
    assert offered is not None
    assert offered.step == "quick"


@pytest.mark.parametrize(("stop", "asked"), [("unsafe", "look"), ("beyond", "quick")])
def test_a_skipped_look_at_safety_is_come_back_to_before_what_lies_behind(
    stop: str, asked: str
) -> None:
    steps = {
        "look": ask(sound="quick", damaged=stop),
        "quick": ask(good="beyond", bad="worn"),
    }
    walk = Walk(tree_of(steps))
    jump = choose(walk.skip())
    assert jump is not None
    assert jump.step == asked


@pytest.mark.parametrize("stop", ["unsafe", "beyond"])
def test_no_quicker_way_leaps_over_a_later_look_at_the_unit_s_safety(stop: str) -> None:
    steps = {
        "slow": ask(good="look", bad="rare") | {"minutes": 30},
        "look": ask(sound="quick", damaged=stop),
        "quick": ask(good="beyond", bad="common"),
    }
    faults = {
        "rare": fault(weight=1, signs={"quick": "good"}),
        "common": fault(weight=50, signs={"slow": "good"}),
    }
    offered = better(Walk(tree_of(steps, faults)).state)
    assert offered is not None
    assert offered.step == ("quick" if stop == "beyond" else "look")


def test_a_step_chosen_again_is_asked_again_and_its_last_answer_counts() -> None:
    walk = Walk(CHAIN_TREE)
    walk.say("good")
    walk.go("one")
    assert walk.asked == "one"
    state = walk.say("bad")
    assert state.end is not None
    assert state.end.id == "f-one"
    assert [seen.outcome for seen in evidence(state) if seen.test == "one"] == ["bad"]


def test_what_is_known_is_not_asked_twice() -> None:
    walk = Walk(CHAIN_TREE)
    walk.go("two")
    walk.say("good")
    walk.go("one")
    walk.say("good")
    assert walk.asked == "three"


def test_giving_up_ends_and_an_answer_takes_the_walk_up_again() -> None:
    walk = Walk(CHAIN_TREE)
    state = walk.add(ev.Stopped(reason="given up", step="one"))
    assert (state.phase, state.ask) == ("ended", None)
    assert choose(state) is None
    walk.add(ev.WentBack())
    assert walk.asked == "one"


# -- going back -------------------------------------------------------------------------------


def test_going_back_withdraws_an_answer_and_keeps_it() -> None:
    walk = Walk(CHAIN_TREE)
    walk.say("good", "good")
    state = walk.add(ev.WentBack(steps=2))
    assert walk.asked == "one"
    assert [gone.step for gone in state.withdrawn] == ["one", "two"]
    assert state.path == ()
    assert state.minutes == 0
    assert walk.add(ev.WentBack(steps=5)).ask == CHAIN_TREE.steps["one"]


def test_going_back_takes_a_skip_back_too() -> None:
    walk = Walk(CHAIN_TREE)
    walk.skip()
    assert walk.add(ev.WentBack()).skipped == {}
    assert walk.asked == "one"


def test_going_back_never_crosses_a_repair() -> None:
    tree = tree_of(
        CHAIN, {**CHAIN_FAULTS, "f-one": fault(confirm={"step": "one", "gives": "good"})}
    )
    walk = Walk(tree)
    walk.say("bad")
    walk.repair("f-one")
    state = walk.add(ev.WentBack(steps=9))
    assert len(state.repairs) == 1
    assert [visit.step for visit in state.path] == ["one"]
    walk.say("bad")
    walk.prove()
    assert walk.add(ev.WentBack(steps=9)).excluded == {"f-one"}


# -- second faults ----------------------------------------------------------------------------

SECOND = tree_of(
    CHAIN,
    {
        "f-one": fault(confirm={"step": "one", "gives": "good"}),
        "f-two": fault(confirm={"step": "two", "gives": "good"}),
        "f-three": fault(),
    },
)


def test_a_repair_that_holds_is_confirmed_by_its_step() -> None:
    walk = Walk(SECOND)
    assert walk.say("bad").phase == "found"
    assert walk.repair("f-one").phase == "confirming"
    assert walk.asked == "one"
    state = walk.say("good")
    assert isinstance(conclude(state), ev.Confirmed)
    state = walk.prove()
    assert state.phase == "ended"
    assert state.end is not None
    assert (state.end.kind, state.end.id) == ("fault", "f-one")
    assert possible(state) == {"f-one": 1.0}
    assert untested(state) == ()


def test_a_repair_that_does_not_hold_opens_a_round_that_goes_on_from_its_proof() -> None:
    steps = {"rail": volts("fuse", "beyond"), "fuse": ask(blown="f-one", intact="two"), **CHAIN}
    confirmed = fault(confirm={"step": "rail", "gives": "inside"})
    tree = tree_of(steps, {**CHAIN_FAULTS, "f-one": confirmed})
    walk = Walk(tree)
    walk.say("4 V", "blown")
    walk.repair("f-one")
    walk.say("5 V")
    state = walk.prove()
    assert state.round == 1
    assert state.excluded == {"f-one"}
    assert walk.asked == "fuse", "the proof's reading is the round's first evidence"
    assert [(seen.test, seen.outcome) for seen in evidence(state)] == [("rail", "low")]
    assert [(seen.test, seen.outcome) for seen in evidence(state, earlier=True)] == [
        ("rail", "low"),
        ("fuse", "blown"),
    ]
    assert possible(state).keys() == {"f-two", "f-three"}


def test_two_faults_at_once_are_weighed_after_a_repair_in_vain() -> None:
    walk = Walk(SECOND)
    assert both(walk.say("bad")) == ()
    walk.repair("f-one")
    walk.say("bad")
    state = walk.prove()
    found = both(state)
    assert all(pair.faults[0] == "f-one" for pair in found)
    assert sum(pair.probability for pair in found) == pytest.approx(1)
    walk.add(ev.Jumped(step="two"))
    seen = {pair.faults[1]: pair.probability for pair in both(walk.say("good"))}
    assert seen["f-three"] > 0.9, "what was seen since speaks of the other fault alone"


def test_the_fault_just_excluded_is_not_found_again_and_the_walk_goes_on() -> None:
    walk = Walk(SECOND)
    walk.say("bad")
    walk.repair("f-one")
    walk.say("bad")
    state = walk.prove()
    assert state.stuck, "the proof leads to the fault that is excluded"
    jump = choose(state)
    assert jump is not None
    assert jump.step in ("two", "three")
    walk.add(jump)
    walk.say("bad")
    state = walk.state
    assert state.end is not None
    second = state.end.id
    assert second != "f-one"
    assert possible(state).get("f-one") is None


def test_a_repair_in_vain_may_be_tried_again() -> None:
    walk = Walk(SECOND)
    walk.say("bad")
    walk.repair("f-one")
    walk.say("bad")
    walk.prove()
    walk.repair("f-one")
    walk.say("good")
    state = walk.prove()
    assert state.excluded == frozenset()
    assert state.end is not None
    assert state.end.id == "f-one"


def test_undecided_proves_nothing_and_is_asked_again() -> None:
    walk = Walk(SECOND)
    walk.say("bad")
    walk.repair("f-one")
    walk.say("undecided")
    assert walk.asked == "one"
    assert conclude(walk.state) is None


def test_a_detour_while_proving_comes_back_to_the_proof() -> None:
    walk = Walk(SECOND)
    walk.say("bad")
    walk.repair("f-one")
    walk.go("three")
    assert walk.asked == "three"
    walk.say("good")
    assert walk.asked == "one"
    walk.say("good")
    assert isinstance(walk.state.phase, str)
    assert walk.prove().cured is not None


def test_a_proof_that_was_skipped_can_be_gone_to() -> None:
    walk = Walk(SECOND)
    walk.say("bad")
    walk.repair("f-one")
    state = walk.skip()
    assert (state.phase, state.ask) == ("confirming", None)
    walk.go("one")
    walk.say("good")
    assert walk.prove().cured is not None


def test_a_proof_by_a_procedure_is_its_exit() -> None:
    steps = {
        "rail": volts("safe", "beyond"),
        "safe": {"use": "drain", "exits": {"safe": "worn", "charged": "unsafe"}},
    }
    tree = tree_of(
        steps,
        {"worn": fault(confirm={"step": "safe", "gives": "safe"})},
        procedures={"drain": DRAIN},
    )
    walk = Walk(tree)
    walk.say("2 V", "done", "yes")
    walk.repair("worn")
    assert walk.asked == "safe.bleed"
    state = walk.say("done", "yes")
    assert state.ask is None
    conclusion = conclude(state)
    assert isinstance(conclusion, ev.Confirmed)
    assert (conclusion.step, conclusion.outcome) == ("safe", "safe")
    state, _ = played(
        tree,
        {"rail": "2 V"},
        {"safe.bleed": "done"},
        {"safe.check": "yes"},
        {"repair": {"fault": "worn"}},
        {"safe.bleed": "done"},
        {"safe.check": "yes"},
        outcome={"result": "fixed"},
    )
    assert state.closed is not None
    state, _ = played(
        tree,
        {"rail": "2 V"},
        {"safe.bleed": "done"},
        {"safe.check": "yes"},
        confirm="safe",
        outcome={"result": "fixed", "fault": "worn"},
    )
    assert state.closed is not None


def test_without_a_step_the_technician_says_what_was_seen() -> None:
    walk = Walk(SECOND)
    walk.say("good", "good", "bad")
    walk.repair("f-three")
    assert walk.state.ask is None
    with pytest.raises(WalkError):
        conclude_by_sight(walk.state, "  ", held=True)
    walk.add(conclude_by_sight(walk.state, "ran an hour", held=True))
    assert walk.state.cured is not None
    walk = Walk(SECOND)
    walk.say("bad")
    walk.repair("f-one")
    with pytest.raises(WalkError, match="'one'"):
        conclude_by_sight(walk.state, "looks fine", held=True)


# -- closing ----------------------------------------------------------------------------------

EARTH = {
    "procedure": "earth",
    "title": "Earth path",
    "start": "path",
    "exits": ["pass", "fail"],
    "steps": {
        "path": {
            "measure": "Earth path",
            "limits": {"max": "0.3 ohm"},
            "results": {"inside": "pass", "high": "fail"},
        }
    },
}
SOAK = {
    "procedure": "soak",
    "title": "Soak",
    "start": "run",
    "exits": ["pass", "fail"],
    "steps": {"run": {"ask": "Ran an hour?", "answers": {"yes": "pass", "no": "fail"}}},
}
CLOSING = tree_of(
    {"one": ask(good="beyond", bad="f-one")},
    {"f-one": fault(confirm={"step": "one", "gives": "good"})},
    procedures={"earth": EARTH, "soak": SOAK},
    closing=["earth", "soak"],
)


def repaired_walk() -> Walk:
    walk = Walk(CLOSING)
    walk.say("bad")
    walk.repair("f-one")
    walk.say("good")
    walk.prove()
    return walk


def test_closing_procedures_run_in_order_after_a_confirmed_repair() -> None:
    walk = repaired_walk()
    assert (walk.state.phase, walk.asked) == ("closing", "closing.earth.path")
    walk.say("0.1 ohm")
    assert walk.asked == "closing.soak.run"
    state = walk.say("yes")
    assert (state.phase, state.unfit, state.closing_open) == ("ended", None, ())
    assert state.closing == {"closing.earth": "pass", "closing.soak": "pass"}
    assert [visit.step for visit in state.path] == ["one"]


def test_a_unit_that_fails_a_closing_check_must_not_go_back() -> None:
    walk = repaired_walk()
    state = walk.say("2 ohm")
    assert (state.phase, state.unfit) == ("ended", "closing.earth")
    entries = (
        {"one": "bad"},
        {"repair": {"fault": "f-one", "confirm": "good"}},
        {"closing.earth.path": "2 ohm"},
    )
    with pytest.raises(WalkError, match="must not go back"):
        played(CLOSING, *entries, outcome={"result": "fixed", "became": "returned"})
    with pytest.raises(WalkError, match="it is not fixed"):
        played(CLOSING, *entries, outcome={"result": "fixed", "became": "waiting"})
    state, _ = played(CLOSING, *entries, outcome={"result": "found", "became": "waiting"})
    assert state.closed is not None
    assert state.closing_result == "failed"


def test_a_skipped_closing_check_stays_open_and_is_asked_when_the_case_is_reopened() -> None:
    walk = repaired_walk()
    state = walk.skip()
    assert state.ask is None
    assert state.closing_open == ("closing.earth", "closing.soak")
    walk.add(ev.Closed(result="fixed", fault="f-one", became="waiting"), ev.Reopened())
    assert walk.asked == "closing.earth.path"
    walk.say("0.1 ohm", "yes")
    assert walk.state.closing_open == ()


def test_a_failed_closing_check_is_run_again_when_the_case_is_reopened() -> None:
    walk = repaired_walk()
    walk.say("2 ohm")
    walk.add(ev.Closed(result="fixed", fault="f-one", became="waiting"), ev.Reopened())
    assert walk.asked == "closing.earth.path"


def test_a_failed_closing_check_can_be_made_again_and_only_that_one() -> None:
    walk = repaired_walk()
    walk.say("0.1 ohm")
    state = walk.say("no")
    assert (state.unfit, state.closing_result) == ("closing.soak", "failed")
    walk.add(ev.Jumped(step="closing.soak.run"))
    assert (walk.state.phase, walk.asked) == ("closing", "closing.soak.run")
    assert walk.state.closing_result == "failed"
    state = walk.say("yes")
    assert (state.phase, state.unfit, state.closing_result) == ("ended", None, "passed")


def test_a_repair_alone_does_not_pass_the_check_that_failed() -> None:
    walk = repaired_walk()
    walk.say("2 ohm")
    walk.repair("f-one")
    walk.say("good")
    walk.prove()
    assert (walk.state.unfit, walk.state.closing_result) == ("closing.earth", "failed")
    walk.say("0.1 ohm")
    assert (walk.state.unfit, walk.state.closing_result) == (None, "not-made")


def test_a_further_repair_asks_for_every_closing_check_again() -> None:
    walk = repaired_walk()
    walk.say("0.1 ohm", "no")
    walk.repair("f-one")
    walk.say("good")
    state = walk.prove()
    assert state.closing_open == ("closing.earth", "closing.soak")
    assert walk.asked == "closing.earth.path"


def test_a_unit_that_comes_back_is_walked_anew() -> None:
    walk = repaired_walk()
    walk.say("0.1 ohm", "yes")
    walk.add(ev.Closed(result="fixed", fault="f-one", became="returned"))
    assert walk.state.phase == "closed"
    state = walk.add(ev.Reopened(reason="came back"))
    assert (state.phase, walk.asked, state.cured) == ("finding", "one", None)
    assert len(state.repairs) == 1
    state = walk.say("bad")
    assert state.phase == "found"
    assert possible(state)["f-one"] < 1


def test_a_case_given_up_and_reopened_goes_on_where_something_is_left() -> None:
    walk = Walk(CHAIN_TREE)
    walk.skip()
    walk.go("three")
    walk.say("good")
    walk.add(ev.Declined(), ev.Closed(result="unsolved"), ev.Reopened())
    state = walk.state
    assert not state.declined
    assert state.may_go_on
    assert choose(state) is not None


# -- replay -----------------------------------------------------------------------------------


def test_steps_an_older_tree_knew_stay_on_the_path() -> None:
    walk = Walk(CHAIN_TREE)
    walk.say("good")
    walk.add(
        ev.Answered(step="gone", outcome="odd"),
        ev.Skipped(step="gone"),
        ev.Jumped(step="gone"),
        ev.RepairTried(fault="gone"),
        ev.NotConfirmed(fault="gone", step="gone", outcome="odd"),
        ev.CautionRead(caution="gone"),
    )
    state = walk.state
    assert [visit.step for visit in state.path] == ["one", "gone"]
    assert isinstance(document(state, "case")["path"], list)


def test_the_fold_never_judges_again() -> None:
    tree = tree_of({"rail": volts("worn", "beyond")})
    kept = {"value": 4.0, "unit": "V", "text": "4 V"}
    state = fold(tree, [ev.Answered(step="rail", outcome="inside", reading=kept)])
    assert state.end is not None
    assert state.end.id == "beyond"


def test_events_come_back_as_they_were() -> None:
    walk = repaired_walk()
    walk.say("0.1 ohm", "yes")
    walk.add(
        ev.Closed(result="fixed", fault="f-one", became="kept-for-parts", kept=("board",)),
        ev.Declined(suspects=({"fault": "f-one", "probability": 0.5},)),
        ev.PhotoAdded(path="x.png", sha256="00"),
        ev.MinutesSet(step="one", minutes=2.5),
        ev.RepairTried(fault="f-one", parts=("C1",), cost=2.5),
    )
    again = [from_dict(event.to_dict()) for event in walk.events]
    assert again == walk.events
    assert fold(CLOSING, again) == walk.state


# -- a script ---------------------------------------------------------------------------------


def test_an_entry_that_names_another_step_says_both() -> None:
    with pytest.raises(WalkError) as error:
        played(CHAIN_TREE, {"two": "good"})
    assert "'two'" in str(error.value)
    assert "'one'" in str(error.value)
    assert error.value.key == ("answers", 0, "two")


def test_answers_that_run_out_leave_the_case_open() -> None:
    state, _ = played(CHAIN_TREE, {"one": "good"})
    assert document(state, "c")["end"] == {"kind": "open", "id": "two"}


def test_a_script_that_ends_with_a_skip_says_where_the_walk_goes_on() -> None:
    state, _ = played(CHAIN_TREE, {"one": {"skip": "no gear"}})
    assert state.ask is not None
    assert state.ask.id in ("two", "three")
    assert document(state, "c")["skipped"] == ["one"]


def test_a_reading_a_prefix_off_is_refused_unless_sure_and_is_not_on_the_path() -> None:
    tree = tree_of({"one": ask(good="rail", bad="f-one"), "rail": RAIL_34},
                   {"f-one": fault(), "worn": fault()})  # fmt: skip
    kept: list[Event] = []
    script = Script(answers=({"one": "good"}, {"rail": "33 mV"}))
    with pytest.raises(DoubtError):
        play(tree, script, emit=kept.append, clock=lambda: "")
    assert [event.step for event in kept if isinstance(event, ev.Answered)] == ["one"]
    state, _ = played(tree, {"one": "good"}, {"rail": {"reading": "33 mV", "sure": True}})
    assert state.path[-1].outcome == "low"


def test_a_wrong_unit_is_refused() -> None:
    tree = tree_of({"rail": volts("worn", "beyond")})
    with pytest.raises(FaulttreeError, match=r"ohm|Ω"):
        played(tree, {"rail": "12 ohm"})


def test_fixed_only_when_the_proof_was_given() -> None:
    with pytest.raises(WalkError, match="cannot be called fixed"):
        played(SECOND, {"one": "bad"}, outcome={"result": "fixed"})
    state, remarks = played(SECOND, {"one": "bad"}, confirm="bad", outcome={"result": "fixed"})
    assert state.closed is None
    assert any("not confirmed" in remark for remark in remarks)
    state, remarks = played(
        SECOND, {"one": "bad"}, confirm="undecided", outcome={"result": "fixed"}
    )
    assert (state.closed, state.phase) == (None, "confirming")
    state, _ = played(SECOND, {"one": "bad"}, confirm="good", outcome={"result": "fixed"})
    assert state.closed is not None
    with pytest.raises(WalkError, match="no confirming step"):
        played(
            SECOND, {"one": "good"}, {"two": "good"}, {"three": "bad"}, outcome={"result": "fixed"}
        )
    state, _ = played(
        SECOND,
        {"one": "good"},
        {"two": "good"},
        {"three": "bad"},
        outcome={"result": "fixed", "seen": "ran an hour"},
    )
    assert state.cured is not None


def test_found_needs_a_fault() -> None:
    with pytest.raises(WalkError, match="no fault is found"):
        played(CHAIN_TREE, {"one": "good"}, outcome={"result": "found"})
    state, _ = played(CHAIN_TREE, {"one": "bad"}, outcome={"result": "found"})
    assert state.closed is not None
    assert state.closed.fault == "f-one"


def test_a_script_gives_up_by_the_door_and_says_so() -> None:
    kept: list[Event] = []
    script = read_script({"answers": [{"one": "good"}], "outcome": {"result": "unsolved"}})
    state, _ = play(CHAIN_TREE, script, emit=kept.append, clock=lambda: "")
    declined = [event for event in kept if isinstance(event, ev.Declined)]
    assert len(declined) == 1
    assert declined[0].scripted
    assert {one["fault"] for one in declined[0].suspects} == {"f-two", "f-three"}
    assert state.closed is not None
    assert state.closed.result == "unsolved"


def test_a_script_may_go_back_note_and_repair_twice() -> None:
    state, _ = played(
        SECOND,
        {"one": "good"},
        {"back": "1"},
        {"note": "misread"},
        {"one": "bad"},
        {"repair": {"fault": "f-one", "confirm": "bad"}},
        {"repair": {"fault": "f-two", "confirm": "good"}},
        outcome={"result": "fixed", "fault": "f-two"},
    )
    assert [gone.outcome for gone in state.withdrawn] == ["good"]
    assert [repair.held for repair in state.repairs] == [False, True]
    assert state.closed is not None


def test_a_proof_with_steps_before_it_says_how_to_write_them() -> None:
    steps = {
        "look": ask(fine="esr", odd="beyond"),
        "esr": ask(good="beyond", bad="worn") | {"after": ["look"]},
    }
    tree = tree_of(steps, {"worn": fault(confirm={"step": "esr", "gives": "good"})})
    found = ({"look": "fine"}, {"esr": "bad"})
    with pytest.raises(WalkError, match="'look' must come before") as error:
        played(tree, *found, confirm="good")
    assert "repair:" in str(error.value)
    state, _ = played(
        tree, *found, {"repair": {"fault": "worn"}}, {"look": "fine"}, {"esr": "good"}
    )
    assert state.cured is not None


def test_cautions_of_what_a_step_opens_are_read_too() -> None:
    steps = {"one": ask(good="beyond", bad="worn") | {"access": ["open"], "cautions": ["hot"]}}
    cautions = {
        name: {"signal": "WARNING", "text": name, "covers": ["heat"]}
        for name in ("hot", "sharp", "mains")
    }
    data = {
        "title": "A",
        "family": "unit",
        "start": "one",
        "steps": steps,
        "faults": {"worn": fault()},
        "stops": STOPS,
        "cautions": ["mains"],
        "access": {"open": {"minutes": 1, "cautions": ["sharp"]}},
    }
    tree = build({"id": "unit/a", "tree": data, "procedures": {}, "cautions": cautions})
    state, _ = played(tree, {"one": "bad"})
    assert state.cautions_read == {"mains", "sharp", "hot"}


def test_a_stop_that_leads_to_another_complaint_says_which() -> None:
    tree = build(
        {
            "id": "unit/no-output",
            "tree": {
                "title": "A",
                "family": "unit",
                "start": "one",
                "steps": {"one": ask(good="other", bad="worn")},
                "faults": {"worn": fault()},
                "stops": {"other": {"title": "O", "reason": "out-of-scope", "see": "unit/hums"}},
            },
            "procedures": {},
        }
    )
    state, _ = played(tree, {"one": "good"})
    assert document(state, "c")["end"]["see"] == "unit/hums"


def test_an_answer_that_clears_a_suspect_of_hearsay_says_so_once() -> None:
    said = [{"kind": "reported", "source": "a visitor"}]
    seen = [{"kind": "confirmed", "source": "unit 7"}]
    tree = tree_of(
        {
            "lamp": ask(lit="rail", dark="burnt"),
            "rail": ask(whole="beyond", low="worn"),
        },
        {
            "burnt": fault(evidence=said),
            "worn": fault(evidence=seen, signs={"lamp": "lit"}),
            "cracked": fault(evidence=said, signs={"lamp": "dark", "rail": "low"}),
        },
    )
    state, _ = played(tree)
    assert cleared(state) == ()
    state, _ = played(tree, {"lamp": "lit"})
    assert cleared(state) == ("burnt", "cracked")
    state, _ = played(tree, {"lamp": "lit"}, {"rail": "whole"})
    assert cleared(state) == ()
