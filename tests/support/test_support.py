"""The support of safety tests is itself right: trees, breakers, walks, and the replay of a walk."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from itertools import islice
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from faulttree.reading import judge, parse_quantity, resolve_limits
from faulttree.tree import Tree, assemble
from faulttree.tree.document import parse
from faulttree.walk import Event
from faulttree.walk import events as ev
from tests.support.broken_trees import BREAKERS, Breaker, Broken, paths_avoid
from tests.support.careful_walks import Fact, careful_walk
from tests.support.counts import SOAK, examples
from tests.support.random_walks import CHOICES, KINDS, Walk, put, random_walk, violations
from tests.support.safety_procedures import PROCEDURES
from tests.support.safety_trees import (
    RightTree,
    outcomes_towards,
    right_trees,
    sample_of_right_trees,
    tree_of,
)

SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example]
QUICK = settings(max_examples=examples(40), derandomize=not SOAK, suppress_health_check=SLOW)

Data = dict[str, Any]

# -- what each rule is about, said once more and apart from the breakers --------------------------


def finding(tree: Tree) -> Iterator[str]:
    """The steps of the tree's own file and of the procedures used in it."""
    return (step.id for step in tree.steps.values() if step.role == "finding")


def looked_at_before_power(tree: Tree, right: RightTree) -> bool:
    made = {tree.uses[check.use].procedure for check in tree.before_power}
    needed = {"look", "insulation"} if "mains" in tree.cautions else {"look"}
    return needed <= made or not any(tree.steps[name].live for name in finding(tree))


def can_be_closed(tree: Tree, right: RightTree) -> bool:
    for later in finding(tree):
        for name in outcomes_towards(tree, later) if tree.steps[later].live else ():
            left = set(tree.steps[name].access) - set(tree.steps[later].access)
            if any(tree.access[state].close is None for state in left):
                return False
    return True


def proved_dead(tree: Tree, right: RightTree) -> bool:
    touching = [name for name in finding(tree) if tree.steps[name].on]
    return not any("charged" in wrong_on_the_way(tree, name) for name in touching)


def wrong_on_the_way(tree: Tree, aim: str) -> set[str]:
    """Kinds of violation on a careful walk to a step."""
    events = careful_walk(tree, Random(1), aim)
    return {one.kind for one in violations(tree, events)}


def all_discharged(tree: Tree, right: RightTree) -> bool:
    """What is proved dead by a reading was discharged before it."""
    discharged = [step.discharges for step in tree.steps.values() if step.discharges]
    discharged += [use.discharges for use in tree.uses.values() if use.discharges]
    proved = [step.proves_dead for step in tree.steps.values() if step.role == "finding"]
    proved += [use.proves_dead for use in tree.uses.values()]
    capacitors = sorted(sorted(set(stores) - {"mains"}) for stores in proved)
    return [stores for stores in capacitors if stores] == sorted(map(sorted, discharged))


def proofs_prove(tree: Tree, right: RightTree) -> bool:
    for fault in tree.faults.values():
        seen = outcomes_towards(tree, fault.id)
        if not any(
            one.gives not in (*seen.get(one.step, ()), *fault.signs.get(one.step, ()))
            for one in fault.confirms
            if not one.safety
        ):
            return False
    return True


def signs_possible(tree: Tree, right: RightTree) -> bool:
    return all(
        set(outcomes) <= set(outcomes_towards(tree, fault.id).get(step, ()))
        for fault in tree.faults.values()
        for step, outcomes in fault.signs.items()
    )


def symptoms_seen(tree: Tree, right: RightTree) -> bool:
    return "nothing" not in tree.stops or all(
        any(not paths_avoid(tree, "nothing", step) for step in symptom.seen_at)
        for symptom in tree.symptoms
    )


def found_by_test(tree: Tree, right: RightTree) -> bool:
    return not any(
        target in tree.faults and outcome == tree.steps[step].normal_outcome
        for step, outcome, target in tree.edges()
    )


def good_units_pass(tree: Tree, right: RightTree) -> bool:
    for name in finding(tree):
        limits = dict(tree.steps[name].limits or {})
        good = limits.get("good", ())
        figures: Data = {
            key: limits[key] for key in ("min", "max", "nominal", "tolerance") if key in limits
        }
        for text in good:
            resolved = resolve_limits(figures)
            if judge([parse_quantity(text)], resolved).outcome != "inside":
                return False
    return True


def instruments_can(tree: Tree, right: RightTree) -> bool:
    for name in finding(tree):
        step = tree.steps[name]
        if not step.limits or not step.needs:
            continue
        measured = " ".join(" ".join(tree.known_instruments[kind].measures) for kind in step.needs)
        if not any(word in measured.lower() for word in step.text.lower().split()):
            return False
        if step.limits.get("requires", {}).get("test_voltage", "500 V") != "500 V":
            return False
    return True


def figures_by_model(tree: Tree, right: RightTree) -> bool:
    steps = [tree.steps[name] for name in finding(tree)]
    nominals = [step.limits["nominal"] for step in steps if step.limits and step.live]
    return not tree.ratings or all(isinstance(nominal, Mapping) for nominal in nominals)


def cells_looked_at(tree: Tree, right: RightTree) -> bool:
    return not any("cells" in wrong_on_the_way(tree, name) for name in finding(tree))


def as_many_checks(tree: Tree, right: RightTree) -> bool:
    def safety(one: Tree) -> set[str]:
        return {use.procedure for use in one.uses.values() if use.checks == "safety"}

    return safety(tree) >= safety(right.tree)


HOLDS: Mapping[str, Callable[[Tree, RightTree], bool]] = {
    "live-before-checks": looked_at_before_power,
    "live-with-open-state": can_be_closed,
    "not-proved-dead": proved_dead,
    "discharge-too-few": all_discharged,
    "proof-proves-nothing": proofs_prove,
    "sign-impossible": signs_possible,
    "symptom-not-seen": symptoms_seen,
    "elimination": found_by_test,
    "good-unit-outside": good_units_pass,
    "instrument-cannot": instruments_can,
    "one-model": figures_by_model,
    "cells-unknown": cells_looked_at,
    "fewer-checks": as_many_checks,
}

ALSO = {
    "live-before-checks": {"fewer-checks"},
    "not-proved-dead": {"discharge-too-few"},
    "discharge-too-few": set[str](),
}
"""What cannot but be wrong as well: no checks are fewer checks; what is not proved dead is not
compared with what was discharged."""

# -- right trees ----------------------------------------------------------------------------------


@QUICK
@given(right=right_trees())
def test_right_trees_have_no_problem_and_keep_every_rule(right: RightTree) -> None:
    assert assemble(right.bundle)[1] == ()
    assert 3 <= len(right.bundle["tree"]["steps"]) <= 45
    wrong = [name for name, holds in HOLDS.items() if not holds(right.tree, right)]
    assert wrong == []


@QUICK
@given(right=right_trees())
def test_a_careful_technician_does_no_harm_by_a_right_tree(right: RightTree) -> None:
    for seed in range(5):
        assert violations(right.tree, careful_walk(right.tree, Random(seed))) == []


def test_right_trees_use_every_key_of_safety() -> None:
    used: Counter[str] = Counter()
    for right in sample_of_right_trees():
        data = right.bundle["tree"]
        found = {*data, *(key for step in data["steps"].values() for key in step)}
        found |= {key for step in data["steps"].values() for key in step.get("limits", ())}
        found |= {key for fault in data["faults"].values() for key in fault}
        used.update(found)
    keys = """properties before_power stores access symptoms closing ratings stop_if property
        live discharges proves_dead on charges normal leaves puts_back disturbs of loads
        cells_known after holds_at basis good requires signs confirm"""
    assert [key for key in keys.split() if used[key] < 3] == []


def test_right_trees_come_in_many_sizes() -> None:
    sizes = {len(right.bundle["tree"]["steps"]) for right in sample_of_right_trees()}
    assert min(sizes) <= 4
    assert max(sizes) >= 20
    confirms = [
        fault.confirms for right in sample_of_right_trees() for fault in right.tree.faults.values()
    ]
    assert any(one.safety for listed in confirms for one in listed)
    assert any(len([one for one in listed if not one.safety]) > 1 for listed in confirms)
    assert any(check.when for right in sample_of_right_trees() for check in right.tree.before_power)
    procedures = {
        use.procedure for right in sample_of_right_trees() for use in right.tree.uses.values()
    }
    assert {"look", "insulation", "first-start", "discharge", "soak"} <= procedures


# -- broken trees ---------------------------------------------------------------------------------


@cache
def broken_sample(breaker: Breaker) -> list[tuple[RightTree, Broken]]:
    """The first trees that have what this breaks."""
    made = ((right, breaker(right)) for right in sample_of_right_trees())
    broken = ((right, broken) for right, broken in made if broken is not None)
    return list(islice(broken, 25 if SOAK else 10))


EACH = [(name, breaker) for name, listed in BREAKERS.items() for breaker in listed]
IDS = [breaker.__name__ for _, breaker in EACH]


@pytest.mark.parametrize(("name", "breaker"), EACH, ids=IDS)
def test_a_breaker_breaks_what_it_says_and_nothing_else(name: str, breaker: Breaker) -> None:
    sample = broken_sample(breaker)
    assert len(sample) >= 10, "too few trees have what this breaks"
    for right, broken in sample:
        before = right.copy()
        tree = tree_of(broken.bundle)
        wrong = {rule for rule, holds in HOLDS.items() if not holds(tree, right)}
        assert name in wrong, broken
        assert wrong <= {name, *ALSO.get(name, ())}, broken
        assert right.bundle == before, "the right tree stays as it is"


@pytest.mark.parametrize(("name", "breaker"), EACH, ids=IDS)
def test_the_place_of_what_is_broken_is_there(name: str, breaker: Breaker) -> None:
    for _, broken in broken_sample(breaker):
        at: Any = broken.bundle["tree"]
        for key in broken.at:
            at = at[key]
        assert at is not None
        assert broken.names


# -- the replay of a walk -------------------------------------------------------------------------

HAND_MADE = """
title: Supply, no output
family: unit
cautions: [mains]
properties: {supply: {models: {two-channel: linear}}, protection-class: {models: {old: I}}}
access:
  cover-off: {minutes: 4, exposes: [voltage], close: {minutes: 2, how: Put the cover back.}}
  board-out: {minutes: 4, exposes: [voltage], close: {minutes: 2, how: Put the board back.}}
stores:
  reservoir: {voltage: 34 V, capacitance: 2200 µF}
  auxiliary: {voltage: 15 V, capacitance: 1000 µF}
before_power:
  - look
  - {use: insulation, when: {protection-class: I}, with: {least: 1 Mohm}}
  - first-start
start: terminals
steps:
  terminals: {measure: Output, live: true, charges: [reservoir, mains], unit: V, then: rail}
  rail: {measure: Rail, live: true, charges: [mains], access: [cover-off], unit: V, then: sealing}
  sealing: {ask: Sealed, stop_if: {supply: {switch-mode: nothing}}, answers: {no: drain}}
  drain: {do: Discharge, access: [cover-off], discharges: [reservoir, auxiliary], then: dead}
  dead:
    measure: Voltage left
    access: [cover-off]
    limits: {max: 1 V}
    results: {inside: unplug, high: nothing}
    proves_dead: [reservoir, auxiliary]
  unplug: {do: Unplug, proves_dead: [mains], then: esr}
  esr: {measure: ESR, on: [reservoir, mains], access: [board-out], unit: ohm, then: nothing}
faults: {dry: {title: Dry, remedy: Replace it.}}
stops: {nothing: {title: No fault found, reason: no-fault-found}}
"""
WITH_BATTERY = """
title: Tool, weak
family: unit
stores: {pack: {kind: battery}}
before_power: [look]
start: cells
steps:
  cells: {measure: Cell, cells_known: [pack], unit: V, then: load}
  load: {measure: Under load, loads: [pack], unit: V, then: charger}
  charger: {measure: On charge, live: true, charges: [pack], unit: V, then: motor}
  motor: {measure: Motor current, live: true, unit: A, then: lamp}
  lamp: {measure: Lamp current, live: true, charges: [], unit: A, then: nothing}
faults: {dry: {title: Dry, remedy: Replace it.}}
stops: {nothing: {title: No fault found, reason: no-fault-found}}
"""


def hand_made(text: str) -> Tree:
    return tree_of(
        sample_of_right_trees()[0].copy() | {"tree": parse(text).data, "procedures": PROCEDURES}
    )


OPENED: list[Event] = [ev.Opened(tree="unit/no-output", tree_hash="x", unit={"model": "old"})]
LOOK = "before-power.look"
CHECKS = f"""{LOOK}.outside=yes {LOOK}.rattle=no before-power.insulation.unplug=done
    before-power.insulation.method=500-volt before-power.insulation.insulation=inside
    before-power.first-start.connect=done before-power.first-start.glow=dims"""
CLOSED = "close.cover-off=done close.board-out=done"
DEAD = "drain=done dead=inside unplug=done"


def events_of(told: str) -> list[Event]:
    """A walk as text: ``step=outcome``, ``<2`` back, ``repair``, ``reopen``, ``skip:``, facts,
    ``withdraw`` the last event and ``correct:outcome`` the last answer.
    """
    events = list(OPENED)
    for word in told.split():
        step, _, outcome = word.partition("=")
        if word.startswith("<"):
            events.append(ev.WentBack(steps=int(word[1:])))
        elif word == "repair":
            events.append(ev.RepairTried(fault="dry"))
        elif word == "withdraw":
            events.append(ev.Withdrawn(target=len(events) - 1))
        elif word.startswith("correct:"):
            events.append(ev.Corrected(target=len(events) - 1, outcome=word[8:]))
        elif word == "reopen":
            events += [ev.Closed(result="unsolved"), ev.Reopened()]
        elif word.startswith("skip:"):
            events.append(ev.Skipped(step=word[5:]))
        elif word.startswith("fact:"):
            events.append(Fact(name=step[5:], value=outcome))
        else:
            events.append(ev.Answered(step=step, outcome=outcome))
    return events


def found(told: str, text: str = HAND_MADE) -> list[tuple[str, str, tuple[str, ...]]]:
    tree = hand_made(text)
    return [(one.kind, one.step, one.names) for one in violations(tree, events_of(told))]


@pytest.mark.parametrize(
    "told",
    [
        "",
        f"{CHECKS} terminals=taken rail=taken",
        f"{CHECKS} terminals=taken {DEAD} esr=taken",
        f"{DEAD} esr=taken repair {CLOSED} {CHECKS} terminals=taken",
        f"{CHECKS} rail=taken close.cover-off=done terminals=taken",
        f"fact:protection-class=II {LOOK}.outside=yes {LOOK}.rattle=no "
        "before-power.first-start.glow=dims terminals=taken",
        f"{CHECKS} {DEAD} close.cover-off=done terminals=taken {DEAD} esr=taken",
        f"{CHECKS} terminals=taken <1 terminals=taken",
        "fact:supply=linear sealing=no",
        f"{DEAD} repair {DEAD} esr=taken",
        f"{CHECKS} {DEAD} rail=taken unplug=done esr=taken",
        f"{LOOK}.outside=yes {LOOK}.rattle=yes correct:no {CHECKS} terminals=taken",
        f"{CHECKS} fact:protection-class=not-known withdraw terminals=taken",
    ],
)
def test_a_right_walk_is_let_pass(told: str) -> None:
    assert found(told) == []


ALL = ("look", "insulation", "first-start")
NO_LOOK = CHECKS.replace(f"{LOOK}.rattle=no", f"{LOOK}.rattle=undecided")
NO_OHMS = CHECKS.replace("insulation.insulation=inside", "insulation.insulation=undecided")
LOW = CHECKS.replace("insulation.insulation=inside", "insulation.insulation=low")
SKIP = CHECKS.replace(f"{LOOK}.rattle=no", f"skip:{LOOK}.rattle")
GLOW, METHOD = "before-power.first-start.glow", "before-power.insulation.insulation"
SEEN = f"{LOOK}.outside=yes {LOOK}.rattle=no"


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ("terminals=taken", [("before-power", "terminals", ALL)]),
        (f"{NO_LOOK} ", [("before-power", GLOW, ("look",))]),
        (f"{SKIP} ", [("before-power", GLOW, ("look",))]),
        (f"{NO_OHMS} ", [("before-power", GLOW, ("insulation",))]),
        (f"{LOW} ", [("before-power", GLOW, ("insulation",))]),
        (f"{CHECKS} repair terminals=taken", [("before-power", "terminals", ALL)]),
        (f"{CHECKS} reopen terminals=taken", [("before-power", "terminals", ALL)]),
        (f"{CHECKS} <1 terminals=taken", [("before-power", "terminals", ("first-start",))]),
        (
            f"{CHECKS} fact:protection-class=not-known terminals=taken",
            [("before-power", "terminals", ("insulation",))],
        ),
        (f"{CHECKS} rail=taken terminals=taken", [("open", "terminals", ("cover-off",))]),
        (f"{CHECKS} rail=taken <1 terminals=taken", [("open", "terminals", ("cover-off",))]),
        (
            f"{CHECKS} {DEAD} esr=taken close.cover-off=done terminals=taken",
            [("open", "terminals", ("board-out",))],
        ),
        (f"{CHECKS} {DEAD} esr=taken rail=taken", [("open", "rail", ("board-out",))]),
        ("esr=taken", [("charged", "esr", ("mains", "reservoir"))]),
        ("drain=done unplug=done esr=taken", [("charged", "esr", ("reservoir",))]),
        (f"{CHECKS} {DEAD} rail=taken esr=taken", [("charged", "esr", ("mains",))]),
        (f"{CHECKS} withdraw terminals=taken", [("before-power", "terminals", ("first-start",))]),
        (
            f"{CHECKS} correct:bright terminals=taken",
            [("before-power", "terminals", ("first-start",))],
        ),
        (f"{CHECKS} rail=taken withdraw terminals=taken", [("open", "terminals", ("cover-off",))]),
        (f"{CHECKS} repair withdraw terminals=taken", [("before-power", "terminals", ALL)]),
        (
            f"{DEAD} rail=taken withdraw esr=taken",
            [
                ("before-power", "rail", ALL),
                ("charged", "esr", ("mains",)),
            ],
        ),
        (f"{DEAD} withdraw esr=taken", [("charged", "esr", ("mains",))]),
        (
            "unplug=done drain=done dead=inside correct:high esr=taken",
            [("charged", "esr", ("reservoir",))],
        ),
        (f"{DEAD} repair esr=taken", [("charged", "esr", ("mains", "reservoir"))]),
        (f"{DEAD} <1 esr=taken", [("charged", "esr", ("mains",))]),
        ("drain=done dead=high unplug=done esr=taken", [("charged", "esr", ("reservoir",))]),
        (
            "before-power.insulation.insulation=inside",
            [("charged", METHOD, ("mains",))],
        ),
        ("sealing=no", [("stop-if", "sealing", ("supply",))]),
        ("fact:supply=switch-mode sealing=no", [("stop-if", "sealing", ("supply",))]),
    ],
)
def test_a_wrong_walk_is_found_out(
    told: str, expected: list[tuple[str, str, tuple[str, ...]]]
) -> None:
    assert found(told) == expected


@pytest.mark.parametrize(
    ("told", "steps"),
    [
        ("cells=taken load=taken", []),
        (f"{SEEN} cells=taken charger=taken", []),
        (f"{SEEN} lamp=taken", []),
        ("load=taken", ["load"]),
        ("cells=undecided load=taken", ["load"]),
        ("cells=taken <1 load=taken", ["load"]),
        (f"{SEEN} charger=taken", ["charger"]),
        (f"{SEEN} motor=taken cells=taken motor=taken", ["motor"]),
    ],
)
def test_a_battery_is_strained_only_with_its_cells_known(told: str, steps: list[str]) -> None:
    expected = [("cells", step, ("pack",)) for step in steps]
    assert found(told, WITH_BATTERY) == expected


# -- random walks ---------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_walk() -> None:
    tree = sample_of_right_trees()[3].tree
    assert random_walk(tree, 5) == random_walk(tree, 5)
    assert random_walk(tree, 5) != random_walk(tree, 6)


def test_random_walks_make_every_move() -> None:
    made = Counter(
        event.kind
        for seed in range(60 if SOAK else 30)
        for event in random_walk(sample_of_right_trees()[seed].tree, seed)
    )
    kinds = """answered skipped jumped went-back repair-tried reopened confirmed not-confirmed
        caution-read noted closed corrected withdrawn"""
    assert [kind for kind in kinds.split() if made[kind] < 3] == []


def test_moves_can_be_left_out() -> None:
    calm = dict(CHOICES) | dict.fromkeys(("go", "back", "skip", "repair", "reopen"), 0)
    events = random_walk(sample_of_right_trees()[7].tree, 1, calm)
    assert not any(isinstance(event, (ev.Skipped, ev.WentBack)) for event in events)


def test_how_a_step_is_answered_can_be_replaced() -> None:
    asked: list[str] = []

    def told(walk: Walk, step: Any, outcome: str) -> list[Event]:
        asked.append(step.id)
        return put(walk, step, outcome)

    events = random_walk(sample_of_right_trees()[7].tree, 1, put=told)
    assert asked == [event.step for event in events if isinstance(event, ev.Answered)]


def test_violations_name_the_answer_they_are_about() -> None:
    for seed in range(30):
        tree = sample_of_right_trees()[seed].tree
        events = random_walk(tree, seed)
        for one in violations(tree, events):
            answered = events[one.at]
            assert isinstance(answered, ev.Answered)
            assert (answered.step, one.kind in KINDS, bool(one.names)) == (one.step, True, True)
