"""Places for a new step on the path of a case, and the reasons against a place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from faulttree.authoring.cause import Test
from faulttree.tree import Tree
from faulttree.tree.disturbance import names_part
from faulttree.tree.graph import graph_of
from faulttree.tree.safety import is_guard, sees_complaint
from faulttree.walk.fold import fold
from faulttree.walk.state import State, Visit


@dataclass(frozen=True, slots=True)
class Place:
    """A place between an outcome and its target, or before the first step.

    Attributes:
        keys: path of the target in the tree file.
        step: the step or use it comes after; empty before the first.
        outcome: its outcome or exit.
        onward: the target that comes next.
        passed: how many answers of the walk come before it.
    """

    keys: tuple[str | int, ...]
    step: str
    outcome: str
    onward: str
    passed: int

    def __str__(self) -> str:
        where = f"after `{self.step}: {self.outcome}`" if self.step else "at the start"
        return f"{where}, before `{self.onward}`"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "after": self.step or None,
            "outcome": self.outcome or None,
            "before": self.onward,
            "text": str(self).replace("`", ""),
        }


def places_on(state: State) -> Iterator[Place]:
    """The places along a walk in order, without those inside shared procedures."""
    tree = state.tree
    data = tree.bundle["tree"]
    yield Place(("start",), "", "", str(data["start"]), 0)
    seen: set[tuple[str | int, ...]] = set()
    for number, visit in enumerate(state.path, 1):
        place = _behind(tree, data, visit, number)
        if place is not None and place.keys not in seen:
            seen.add(place.keys)
            yield place


def _behind(tree: Tree, data: Mapping[str, Any], visit: Visit, number: int) -> Place | None:
    step = tree.steps.get(visit.step)
    if step is None or visit.outcome not in step.targets:
        return None
    leaves = step.leaves.get(visit.outcome, ())
    name, outcome = leaves[-1] if leaves else (step.id, visit.outcome)
    raw = data["steps"].get(name)
    if not isinstance(raw, Mapping):
        return None
    if isinstance(raw.get("then"), str):
        return Place(("steps", name, "then"), name, outcome, raw["then"], number)
    for key in ("answers", "results", "exits"):
        targets = raw.get(key)
        if isinstance(targets, Mapping):
            written = outcome if outcome in targets else "outside"
            if written in targets:
                keys = ("steps", name, key, written)
                return Place(keys, name, written, str(targets[written]), number)
    return None


def barred(state: State, place: Place, test: Test) -> str:
    """The reason why the test must not be in a place; empty if it may."""
    tree, later = state.tree, state.path[place.passed :]
    for visit in later:
        step = tree.steps.get(visit.step)
        if step is None:
            continue
        if is_guard(tree, step) and set(step.access) <= set(test.enters):
            return f"it would come before `{step.id}`, which may end the work as unsafe"
        if sees_complaint(tree, step):
            return f"it would come before `{step.id}`, which sees whether the complaint is there"
    against = _opens_early(state, place, test) or _disturbed(state, place, test)
    if against:
        return against
    if not test.after and not test.powered:
        return ""
    held = fold(tree, [visit.event for visit in state.path[: place.passed]]).holding
    missing = [name for name in test.after if name not in held]
    if missing:
        return f"`{missing[0]}` must be done first, and is not done there"
    if test.powered:
        rests = _rests_on(tree, place.onward, held)
        if rests:
            return f"it is live and would undo what `{rests}` needs"
    return ""


def _disturbed(state: State, place: Place, test: Test) -> str:
    """The reason if a step on the way disturbs what the test reads; else empty."""
    for visit in state.path[: place.passed] if test.measure else ():
        step = state.tree.steps.get(visit.step)
        if step is None or not step.disturbs:
            continue
        parts = [part for part in step.disturbs_of if names_part(test.measure, part)]
        if parts or not step.disturbs_of:
            what = " and ".join(parts) or "the unit"
            return f"it would read {what} after `{step.id}` disturbed it"
    return ""


def _opens_early(state: State, place: Place, test: Test) -> str:
    """The reason if the test would open the unit earlier than the tree does; else empty.

    Tests on the closed unit come first, even if the minutes are the same.
    """
    for name in test.enters:
        needing = [
            number
            for number, visit in enumerate(state.path)
            if visit.step in state.tree.steps and name in state.tree.steps[visit.step].access
        ]
        if needing and place.passed < needing[0]:
            before = state.path[place.passed].step
            return f"it would need `{name}` before `{before}`, which does not need it"
    return ""


def _rests_on(tree: Tree, onward: str, held: frozenset[str]) -> str:
    """A later step that needs something done before it; empty if there is none.

    An unpowered step inside the unit needs every ``do`` step before it, even if ``after`` does
    not name it.
    """
    done = any(name in tree.steps and tree.steps[name].kind == "do" for name in held)
    first = tree.uses[onward].start if onward in tree.uses else onward
    for name in graph_of(tree).beyond(first):
        step = tree.steps.get(name)
        if step and (held & set(step.after) or (done and step.access and not step.live)):
            return name
    return ""
