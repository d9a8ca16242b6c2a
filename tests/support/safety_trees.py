"""Random trees that use the safety keys as a careful technician would.

A tree is a row of checks that leads to the complaint's own test, the terminals. From there one
row of tests follows where the complaint shows, and another where it does not, which ends with
no fault found. Each test leads to a fault of its own by its bad outcome, so no fault is found
by elimination. :mod:`tests.support.safety_segments` makes the tests.

Example:
    >>> right = right_tree(Random(7))
    >>> right.tree.before_power[0].id
    'look'
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cache
from random import Random
from typing import Any

from hypothesis import strategies as st

from faulttree.tree import Tree, assemble, shipped_library
from tests.support.safety_procedures import PROCEDURES, Choices
from tests.support.safety_segments import (
    Draft,
    Row,
    Segment,
    cells,
    charge,
    charge_test,
    cold_test,
    dead_tests,
    fork,
    kind,
    leak,
    live_opened,
    live_test,
    load_test,
    question,
    unplug,
    voltage,
)

__all__ = ["RightTree", "outcomes_towards", "right_tree", "right_trees", "tree_of"]

Data = dict[str, Any]


@dataclass(frozen=True)
class RightTree:
    """A generated tree: as plain data, as :func:`faulttree.tree.assemble` takes it, and built."""

    bundle: Data = field(repr=False)
    tree: Tree = field(repr=False)

    def copy(self) -> Data:
        """The plain data, to be changed."""
        return deepcopy(self.bundle)


def chain(draft: Draft, row: Row, segments: Sequence[tuple[str, Segment]], end: str) -> None:
    """Segments one after another; the last one leads to ``end``."""
    following = [*(name for name, _ in segments[1:]), end][: len(segments)]
    for (name, segment), then in zip(segments, following, strict=True):
        segment(draft, row, name, then)


def picked(draft: Draft, prefix: str, least: int, most: int) -> list[tuple[str, Segment]]:
    """Some tests that fit the unit, each with a name."""
    fitting: list[Segment] = [question, live_test, cold_test, live_opened, dead_tests, fork]
    if draft.battery:
        fitting = [question, fork, load_test, charge_test]
    count = draft.choices.count(least, most)
    return [(f"{prefix}-{turn}", draft.choices.one(fitting)) for turn in range(count)]


def opening(draft: Draft) -> list[tuple[str, Segment]]:
    """The tests before the complaint is looked at."""
    listed: list[tuple[str, Segment]] = []
    if draft.battery:
        listed.append(("cells", cells))
    if draft.mains and draft.choices.maybe():
        listed.append(("kind", kind))
    if draft.mains and draft.choices.maybe():
        listed += [("unplug", unplug), ("leak", leak)]
    return listed + [("outside", question)] * draft.choices.below(2)


def complaint(draft: Draft, row: Row, shows: str, fine: str) -> None:
    """The step that tests the complaint itself."""
    limits = voltage(draft)
    step: Data = {
        "measure": "D.c. voltage at the terminals",
        "live": True,
        "needs": ["multimeter"],
        "limits": limits,
        "results": {"inside": fine, "low": shows, "high": shows},
    }
    charge(draft, row, step)
    draft.steps["terminals"] = step


def fill(draft: Draft) -> str:
    """All steps and faults; the id of the first step."""
    first = [*opening(draft), ("terminals", question)]
    before = Row()
    chain(draft, before, first[:-1], "terminals")
    shows = picked(draft, "shown", 2, 4)
    fine = [("second", live_test), *picked(draft, "fine", 0, 3)]
    if draft.choices.maybe():
        fine = fine[1:]
    start = fine[0][0] if fine else "nothing"
    complaint(draft, before, shows[0][0], start)
    seen = {"step": "terminals", "gives": "inside"}
    chain(draft, Row(dict(before.dead), [seen]), shows, "beyond")
    chain(draft, Row(dict(before.dead)), fine, "nothing")
    return first[0][0]


def access() -> Data:
    """States of the unit; each that exposes a hazard can be closed."""

    def state(minutes: int, how: str, back: str) -> Data:
        return {
            "minutes": minutes,
            "how": how,
            "exposes": ["voltage", "charge"],
            "cautions": ["stored-charge"],
            "close": {"minutes": 2, "how": back},
        }

    return {
        "cover-off": state(
            4, "Unplug; four screws underneath.", "Put the cover back, four screws."
        ),
        "board-out": state(6, "Unplug; lift the board out.", "Put the board back into its slots."),
    }


def power_checks(draft: Draft) -> list[Any]:
    """What must pass before the unit gets power."""
    if not draft.mains:
        return ["look"]
    checks: list[Any] = [
        "look",
        {
            "use": "insulation",
            "id": "insulation-i",
            "when": {"protection-class": "I"},
            "with": {"least": "1 Mohm"},
            "exits": {"low": "leaky-i"},
        },
        {
            "use": "insulation",
            "id": "insulation-ii",
            "when": {"protection-class": ["II"]},
            "with": {"least": "2 Mohm"},
            "exits": {"low": "leaky-ii"},
        },
    ]
    return [*checks, "first-start"] if draft.choices.maybe() else checks


def closing(draft: Draft) -> list[Any]:
    """What is looked at before the unit goes back."""
    if draft.battery:
        return []
    if not draft.mains:
        return ["soak"]
    return [
        "soak",
        {"use": "class-i-check", "when": {"protection-class": "I"}},
        {"use": "class-ii-check", "when": {"protection-class": "II"}},
    ]


def properties(draft: Draft) -> Data:
    """What the unit is; the models known by some properties and not by others."""
    if not draft.mains:
        return {}

    def known(values: Sequence[str]) -> Data:
        models = {model: draft.choices.one(values) for model in draft.choices.some(draft.models)}
        return {"values": list(values), **({"models": models} if models else {})}

    return {"supply": known(["linear", "switch-mode"]), "protection-class": known(["I", "II"])}


def symptoms(draft: Draft) -> list[Any]:
    """What owners say, each with the step that sees it on every path to no fault found."""
    listed: list[Any] = [{"text": "no output", "seen_at": ["terminals"]}]
    if "second" in draft.steps:
        listed.append({"text": "hums", "conditions": ["loaded"], "seen_at": ["second"]})
    return listed


def stops(draft: Draft) -> Data:
    """The ends without a fault that the steps lead to."""
    listed: Data = {
        "nothing": {"title": "No fault found", "reason": "no-fault-found"},
        "beyond": {"title": "Beyond this tree", "reason": "out-of-scope"},
        "sealed": {"title": "A supply that stays closed here", "reason": "licensed"},
        "charge-stays": {"title": "The voltage does not fall below 5 V", "reason": "unsafe"},
    }
    used = repr(draft.steps)
    return {name: stop for name, stop in listed.items() if f"'{name}'" in used}


def plain(draft: Draft) -> Data:
    """The tree as a file would hold it, without signs."""
    checks, start = power_checks(draft), fill(draft)
    for name in ("i", "ii") if draft.mains else ():
        draft.faults[f"leaky-{name}"] = {
            "title": f"Inlet of class {name.upper()} leaks to the case",
            "remedy": "Replace the inlet.",
            "part": "J1",
            "confirm": {"step": f"before-power.insulation-{name}", "gives": "good"},
        }
    data: Data = {
        "title": "Unit, no output",
        "family": "unit",
        "symptoms": symptoms(draft),
        "cautions": ["mains"] if draft.mains else ["battery-fire"] if draft.battery else [],
        "access": access(),
        "ratings": ratings(draft),
        "properties": properties(draft),
        "stores": stores(draft),
        "before_power": checks,
        "start": start,
        "steps": draft.steps,
        "faults": draft.faults,
        "stops": stops(draft),
        "closing": closing(draft),
    }
    return {key: value for key, value in data.items() if value not in ({}, [])}


def ratings(draft: Draft) -> Data:
    """The voltage of each model, where there are several."""
    if len(draft.models) < 2:
        return {}
    models = {model: f"{volts} V" for model, volts in zip(draft.models, (12, 24, 34), strict=False)}
    return {"rail": {"unit": "V", "ask": "Rated output voltage", "models": models}}


def stores(draft: Draft) -> Data:
    """The parts that hold energy."""
    listed: Data = {
        name: {"voltage": f"{34 + 100 * turn} V", "capacitance": "2200 µF"}
        for turn, name in enumerate(draft.capacitors)
    }
    return listed | ({draft.battery: {"kind": "battery"}} if draft.battery else {})


def drafted(choices: Choices) -> Draft:
    """An empty draft for one kind of unit: on the mains, on low voltage, or with a battery."""
    unit = choices.one(["mains", "mains", "mains", "low-voltage", "battery"])
    capacitors = ("reservoir", "auxiliary")[: choices.count(0, 2)]
    models = ("one-channel", "two-channel", "three-channel")[: choices.count(1, 3)]
    if unit == "battery":
        return Draft(choices, False, (), "pack", models)
    return Draft(choices, unit == "mains", capacitors, "", models)


def make(choices: Choices) -> RightTree:
    """A right tree by these choices; the signs of its faults are what its paths show."""
    bundle = bundled(plain(drafted(choices)))
    tree = tree_of(bundle)
    changed = deepcopy(bundle)
    for name, fault in changed["tree"]["faults"].items():
        towards = outcomes_towards(tree, name)
        telling = {
            step: list(outcomes)
            for step, outcomes in towards.items()
            if tree.steps[step].role == "finding" and set(outcomes) != set(tree.steps[step].targets)
        }
        if signs := {step: telling[step] for step in choices.some(list(telling))}:
            fault["signs"] = signs
    return RightTree(changed, tree_of(changed))


@cache
def _shared() -> tuple[Data, Data, Data]:
    library = shipped_library()
    return dict(library.cautions), dict(library.instruments), dict(library.properties)


def bundled(data: Data) -> Data:
    """A tree with the procedures it uses and the shipped names of cautions and instruments."""
    cautions, instruments, known = _shared()
    text = repr(data)
    return {
        "id": "unit/no-output",
        "tree": data,
        "procedures": {
            name: deepcopy(one) for name, one in PROCEDURES.items() if f"'{name}'" in text
        },
        "cautions": cautions,
        "instruments": instruments,
        "properties": known,
    }


def tree_of(bundle: Data) -> Tree:
    """The tree of a bundle without problems."""
    tree, problems = assemble(bundle)
    assert problems == (), problems
    assert tree is not None
    return tree


def outcomes_towards(tree: Tree, end: str) -> dict[str, tuple[str, ...]]:
    """Step → its outcomes from which ``end`` can be reached. Trees here have no circles."""
    reaches: dict[str, bool] = {}

    def leads(node: str) -> bool:
        if node == end:
            return True
        if node not in tree.steps:
            return False
        if node not in reaches:
            reaches[node] = False
            reaches[node] = any(leads(to) for to in tree.steps[node].targets.values())
        return reaches[node]

    found = {
        step.id: tuple(outcome for outcome, to in step.targets.items() if leads(to))
        for step in tree.steps.values()
    }
    return {step: outcomes for step, outcomes in found.items() if outcomes}


def right_tree(random: Random) -> RightTree:
    """A right tree by a source of random numbers, for walks without hypothesis."""
    return make(Choices(lambda n: random.randrange(n)))


@st.composite
def right_trees(draw: st.DrawFn) -> RightTree:
    """Right trees, as hypothesis draws and shrinks them."""
    return make(Choices(lambda n: draw(st.integers(0, n - 1))))


@cache
def sample_of_right_trees() -> tuple[RightTree, ...]:
    """The same trees for every test that asks, made when the first one does."""
    return tuple(right_tree(Random(seed)) for seed in range(120))
