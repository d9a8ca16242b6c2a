"""Right trees with exactly one thing made wrong: what a rule of safety must find.

Each breaker takes a right tree and gives the plain data with one property broken, and the
place; or None where the tree has nothing of the kind. The order follows the list of rules that
the format calls for; some have two breakers, one for each thing that the rule says.

Example:
    >>> broken = BREAKERS["discharge-too-few"][0](right)
    >>> broken.at
    ('steps', 'shown-0')
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.tree import Tree
from tests.support.safety_trees import RightTree, outcomes_towards

__all__ = ["BREAKERS", "Breaker", "Broken"]

Data = dict[str, Any]


@dataclass(frozen=True)
class Broken:
    """A bundle with one thing wrong.

    Attributes:
        bundle: as :func:`faulttree.tree.assemble` takes it.
        at: keys that lead to the place in the tree's own file.
        names: the ids it is about: steps, faults, stores, stops.
    """

    bundle: Data = field(repr=False)
    at: tuple[str | int, ...]
    names: tuple[str, ...]


Breaker = Callable[[RightTree], Broken | None]


def own_steps(right: RightTree) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """The steps of the tree's own file, those of procedures left out."""
    yield from right.bundle["tree"]["steps"].items()


def live(right: RightTree) -> list[str]:
    return [name for name, step in own_steps(right) if step.get("live")]


def paths_avoid(tree: Tree, node: str, barred: str) -> bool:
    """Whether a path leads from the start to a node and does not pass the barred step."""
    seen, waiting = {barred}, [tree.start]
    while waiting:
        here = waiting.pop()
        if here in seen:
            continue
        seen.add(here)
        if here == node:
            return True
        if here in tree.steps:
            waiting += tree.steps[here].targets.values()
    return False


def direct_test(right: RightTree, fault: str) -> str | None:
    """The tree's own step whose bad outcome finds the fault."""
    name = fault.removeprefix("bad-")
    return name if name in right.bundle["tree"]["steps"] else None


# -- 1 live before look and insulation, 2 live with an open state ---------------------------------


def without_checks(right: RightTree) -> Broken | None:
    """All checks before power taken out: a live step comes before look and insulation."""
    data = right.copy()
    if not live(right):
        return None
    del data["tree"]["before_power"]
    without_orphans(data)
    return Broken(data, ("steps", live(right)[0]), tuple(live(right)))


def without_insulation(right: RightTree) -> Broken | None:
    """The insulation tests taken out of the checks before power, the look kept."""
    data = right.copy()
    checks = data["tree"]["before_power"]
    kept = [one for one in checks if not (isinstance(one, dict) and one["use"] == "insulation")]
    if len(kept) == len(checks) or not live(right):
        return None
    data["tree"]["before_power"] = kept
    without_orphans(data)
    return Broken(data, ("before_power",), tuple(live(right)))


def without_orphans(data: Data) -> None:
    """Faults that only a check before power found go with it."""
    for name in ("leaky-i", "leaky-ii"):
        data["tree"]["faults"].pop(name, None)


def never_closed(right: RightTree) -> Broken | None:
    """A cover that is opened before a live step which does not name it, and nothing closes it."""
    tree = right.tree
    for name, step in own_steps(right):
        for state in step.get("access", ()):
            for later in live(right):
                follows = name in outcomes_towards(tree, later)
                if follows and state not in tree.steps[later].access:
                    data = right.copy()
                    for key in ("exposes", "close"):
                        del data["tree"]["access"][state][key]
                    return Broken(data, ("steps", later), (later, state))
    return None


# -- 3 not proved dead, 4 discharge of too few ----------------------------------------------------


def without_proof(right: RightTree) -> Broken | None:
    """A step or use that proved stores dead no longer does; a test on them follows."""
    for name, step in own_steps(right):
        on = {store for _, other in own_steps(right) for store in other.get("on", ())}
        users = tests_relying_on(right, name)
        if on.intersection(step.get("proves_dead", ())) and users:
            data = right.copy()
            del data["tree"]["steps"][name]["proves_dead"]
            return Broken(data, ("steps", users[0]), tuple(users))
    return None


def tests_relying_on(right: RightTree, proof: str) -> list[str]:
    """The tests that name a proof of dead in ``after``."""
    return [
        name for name, step in own_steps(right) if step.get("on") and proof in step.get("after", ())
    ]


def power_after_proof(right: RightTree) -> Broken | None:
    """The unit is powered once more right before a test on stores, which no longer asks for proof.

    Where the test names a proof in ``after``, a walk makes it again; so that goes as well.
    """
    for name, step in own_steps(right):
        if step.get("on") and "measure" in step:
            data = right.copy()
            del data["tree"]["steps"][name]["after"]
            led_to(data, name, "powered-again")
            data["tree"]["steps"]["powered-again"] = {
                "measure": "D.c. voltage at the terminals",
                "live": True,
                "needs": ["multimeter"],
                "unit": "V",
                "then": name,
            }
            return Broken(data, ("steps", name), (name, "powered-again"))
    return None


def led_to(data: Data, name: str, instead: str) -> None:
    """Whatever leads to a step leads to another one instead."""
    tree = data["tree"]
    if tree["start"] == name:
        tree["start"] = instead
    for step in tree["steps"].values():
        for key in ("answers", "results", "exits"):
            for outcome, target in step.get(key, {}).items():
                if target == name:
                    step[key][outcome] = instead
        if step.get("then") == name:
            step["then"] = instead


def discharges_fewer(right: RightTree) -> Broken | None:
    """A discharge leaves one of the charged stores out."""
    for name, step in own_steps(right):
        if step.get("discharges"):
            data = right.copy()
            listed = data["tree"]["steps"][name]["discharges"]
            left_out = listed.pop()
            if not listed:
                del data["tree"]["steps"][name]["discharges"]
            return Broken(data, ("steps", name), (name, left_out))
    return None


# -- 5 proofs, 6 signs ----------------------------------------------------------------------------


def steps_before(right: RightTree, fault: str) -> Iterator[tuple[str, str]]:
    """The tests on every path to a fault, with the one outcome that they give on it."""
    tree = right.tree
    for step, outcomes in outcomes_towards(tree, fault).items():
        one = tree.steps[step]
        telling = one.role == "finding" and one.kind != "do" and len(one.targets) > 1
        if telling and len(outcomes) == 1 and not paths_avoid(tree, fault, step):
            yield step, outcomes[0]


def proof_already_given(right: RightTree) -> Broken | None:
    """The proof of a repair is what every path to the fault had shown already."""
    for fault in right.bundle["tree"]["faults"]:
        for step, outcome in steps_before(right, fault):
            if right.tree.steps[step].normal_outcome == outcome:
                data = right.copy()
                data["tree"]["faults"][fault]["confirm"] = {"step": step, "gives": outcome}
                return Broken(data, ("faults", fault, "confirm"), (fault, step))
    return None


def proof_in_signs(right: RightTree) -> Broken | None:
    """The fault's own signs allow the outcome that is to prove its repair."""
    for fault in right.bundle["tree"]["faults"]:
        for other, step in own_steps(right):
            if off_the_path(right, fault, other) and "ask" in step:
                data = right.copy()
                gives = right.tree.steps[other].normal_outcome
                data["tree"]["faults"][fault]["confirm"] = {"step": other, "gives": gives}
                data["tree"]["faults"][fault]["signs"] = {other: [gives]}
                return Broken(data, ("faults", fault, "confirm"), (fault, other))
    return None


def off_the_path(right: RightTree, fault: str, step: str) -> bool:
    """Whether a step can be reached with a fault, and a path to the fault goes without it.

    Such steps lie behind a question which says nothing of the fault.
    """
    tree = right.tree
    return (
        step in tree.steps
        and tree.steps[step].property is None
        and step in outcomes_towards(tree, fault)
        and paths_avoid(tree, fault, step)
    )


def sign_against_path(right: RightTree) -> Broken | None:
    """A sign says the opposite of what every path to the fault showed."""
    for fault in right.bundle["tree"]["faults"]:
        proofs = [one.step for one in right.tree.faults[fault].confirms]
        for step, outcome in steps_before(right, fault):
            if step in proofs:
                continue
            others = [one for one in right.tree.steps[step].targets if one != outcome]
            data = right.copy()
            data["tree"]["faults"][fault].setdefault("signs", {})[step] = others[:1]
            return Broken(data, ("faults", fault, "signs", step), (fault, step))
    return None


def sign_out_of_reach(right: RightTree) -> Broken | None:
    """A sign at a step that no walk comes to with this fault in the unit."""
    tree = right.tree
    for fault in right.bundle["tree"]["faults"]:
        on_the_way = dict(steps_before(right, fault))
        for step, _ in own_steps(right):
            if step not in tree.steps or step in outcomes_towards(tree, fault):
                continue
            if any(cut_off(tree, step, before, out) for before, out in on_the_way.items()):
                data = right.copy()
                sign = next(iter(tree.steps[step].targets))
                data["tree"]["faults"][fault].setdefault("signs", {})[step] = [sign]
                return Broken(data, ("faults", fault, "signs", step), (fault, step))
    return None


def cut_off(tree: Tree, step: str, before: str, outcome: str) -> bool:
    """Whether a step lies behind another one only, and not behind this outcome of it."""
    towards = outcomes_towards(tree, step).get(before, ())
    return bool(towards) and outcome not in towards and not paths_avoid(tree, step, before)


# -- 7 symptoms, 8 elimination --------------------------------------------------------------------


def symptom_unseen(right: RightTree) -> Broken | None:
    """A symptom whose test a path to no fault found goes round."""
    tree = right.tree
    if "nothing" not in tree.stops:
        return None
    for step, _ in own_steps(right):
        if step in tree.steps and paths_avoid(tree, "nothing", step):
            data = right.copy()
            data["tree"]["symptoms"][0]["seen_at"] = [step]
            return Broken(data, ("symptoms", 0, "seen_at"), (step,))
    return None


def symptom_without_test(right: RightTree) -> Broken | None:
    """A symptom that names no test at all."""
    if "nothing" not in right.tree.stops:
        return None
    data = right.copy()
    data["tree"]["symptoms"].append({"text": "gets too hot"})
    return Broken(data, ("symptoms", len(data["tree"]["symptoms"]) - 1), ("nothing",))


def by_elimination(right: RightTree) -> Broken | None:
    """A fault that the last good outcome of another row concludes, though it has its own test."""
    tree = right.tree
    for fault in right.bundle["tree"]["faults"]:
        test = direct_test(right, fault)
        for last, step in own_steps(right):
            normal = tree.steps[last].normal_outcome if last in tree.steps else None
            end = tree.steps[last].targets[normal] if normal else ""
            if test is None or last == test or end != "beyond":
                continue
            apart = last not in outcomes_towards(tree, test) and test not in outcomes_towards(
                tree, last
            )
            if apart and "limits" in step and tree.steps[test].kind != "use":
                return concluded(right, fault, test, last, end)
    return None


def concluded(right: RightTree, fault: str, test: str, last: str, end: str) -> Broken:
    """``last`` leads by its good outcome to the fault, and the bad ones of ``test`` to the end."""
    data = right.copy()
    steps = data["tree"]["steps"]
    steps[last]["results"]["inside"] = fault
    key = "results" if "results" in steps[test] else "answers"
    for outcome, target in steps[test][key].items():
        if target == fault:
            steps[test][key][outcome] = end
    data["tree"]["faults"][fault].pop("signs", None)
    good = right.tree.steps[test].normal_outcome
    data["tree"]["faults"][fault]["confirm"] = {"step": test, "gives": good}
    return Broken(data, ("faults", fault), (fault, test, last))


# -- 9, 10 limits, 11 models, 12 batteries, 13 families -------------------------------------------


def limited(right: RightTree, key: str) -> Iterator[str]:
    """The tree's own steps whose limits have a key."""
    return (name for name, step in own_steps(right) if key in step.get("limits", {}))


def good_unit_outside(right: RightTree) -> Broken | None:
    """A good unit was measured outside the limit."""
    for name in limited(right, "good"):
        data = right.copy()
        good = data["tree"]["steps"][name]["limits"]["good"]
        number, unit = good[0].split()
        outside = float(number) * 100 if "max" in step_limits(data, name) else float(number) / 100
        good.append(f"{outside:g} {unit}")
        return Broken(data, ("steps", name, "limits", "good"), (name,))
    return None


def step_limits(data: Data, name: str) -> Data:
    limits: Data = data["tree"]["steps"][name]["limits"]
    return limits


def instrument_too_weak(right: RightTree) -> Broken | None:
    """A limit asks for a test voltage that no instrument named at the step offers."""
    for name in limited(right, "requires"):
        data = right.copy()
        step_limits(data, name)["requires"] = {"test_voltage": "5000 V"}
        return Broken(data, ("steps", name, "limits"), (name,))
    return None


def instrument_of_wrong_kind(right: RightTree) -> Broken | None:
    """A reading by an instrument that cannot measure this quantity."""
    for name, step in own_steps(right):
        if "limits" in step and "needs" in step:
            data = right.copy()
            data["tree"]["steps"][name]["needs"] = ["rule"]
            return Broken(data, ("steps", name, "needs"), (name, "rule"))
    return None


def figure_of_one_model(right: RightTree) -> Broken | None:
    """The figure of one model stands where each model has its own."""
    models = right.bundle["tree"].get("ratings", {}).get("rail", {}).get("models", {})
    for name in limited(right, "nominal"):
        if isinstance(right.bundle["tree"]["steps"][name]["limits"]["nominal"], dict):
            data = right.copy()
            step_limits(data, name)["nominal"] = next(iter(models.values()))
            return Broken(data, ("steps", name, "limits", "nominal"), (name, next(iter(models))))
    return None


def cells_unknown(right: RightTree) -> Broken | None:
    """A battery is charged or loaded, and no step makes its cells known."""
    strained = [
        name
        for name, step in own_steps(right)
        if step.get("loads") or "pack" in step.get("charges", ())
    ]
    if not strained:
        return None
    data = right.copy()
    del data["tree"]["steps"]["cells"]["cells_known"]
    return Broken(data, ("steps", strained[0]), (*strained, "pack"))


def fewer_checks_than_family(right: RightTree) -> Broken | None:
    """A tree beside the right one, of the same family, without its safety checks at the end.

    The right tree itself is the other tree of the family.
    """
    data = right.copy()
    kept = [one for one in data["tree"].get("closing", []) if not isinstance(one, dict)]
    if len(kept) == len(data["tree"].get("closing", [])):
        return None
    data["id"] = "unit/other-complaint"
    data["tree"] |= {"title": "Unit, other complaint", "closing": kept}
    return Broken(data, ("closing",), ("class-i-check", "class-ii-check"))


BREAKERS: Mapping[str, tuple[Breaker, ...]] = {
    "live-before-checks": (without_checks, without_insulation),
    "live-with-open-state": (never_closed,),
    "not-proved-dead": (without_proof, power_after_proof),
    "discharge-too-few": (discharges_fewer,),
    "proof-proves-nothing": (proof_already_given, proof_in_signs),
    "sign-impossible": (sign_against_path, sign_out_of_reach),
    "symptom-not-seen": (symptom_unseen, symptom_without_test),
    "elimination": (by_elimination,),
    "good-unit-outside": (good_unit_outside,),
    "instrument-cannot": (instrument_too_weak, instrument_of_wrong_kind),
    "one-model": (figure_of_one_model,),
    "cells-unknown": (cells_unknown,),
    "fewer-checks": (fewer_checks_than_family,),
}
"""What is wrong → the breakers that make it so. The names are no ids of rules."""
