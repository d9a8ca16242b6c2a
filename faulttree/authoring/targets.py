"""Targets in a tree file: every place that names one, and the changes that a move makes."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree import Tree, assemble
from faulttree.tree.edit import DataEdits
from faulttree.tree.finding import near
from faulttree.tree.safety import HARD_STOPS

Keys = tuple[str | int, ...]
Targets = dict[Keys, str]

THEN = 3
"""Keys of the target of an action; the target of a question or reading needs its outcome too."""


def known(data: Mapping[str, Any], where: str, name: str) -> None:
    steps = data["steps"]
    if name in steps:
        return
    use = name.split(".")[0]
    if use in steps and "." in name:
        remedy = f"Name `{use}`, the step that uses it, with its exit."
        raise TreeError(f"`{name}` is a step of a shared procedure.", remedy=remedy)
    remedy = near(name, steps) or "Name one of its steps."
    raise TreeError(f"`{where}` has no step `{name}`.", remedy=remedy)


def targets(data: Mapping[str, Any]) -> Iterator[tuple[Keys, str]]:
    """Every place of a tree file that names a target, with the target."""
    yield ("start",), str(data["start"])
    for name, step in data["steps"].items():
        if "then" in step:
            yield ("steps", name, "then"), str(step["then"])
        for group in ("answers", "results", "exits"):
            for outcome, target in (step.get(group) or {}).items():
                yield ("steps", name, group, outcome), str(target)


def onward(data: Mapping[str, Any], step: str, passed: str) -> tuple[str, str]:
    """The outcome of a step for a unit that passed, and its target."""
    own = {str(keys[-1]): target for keys, target in targets(data) if keys[:2] == ("steps", step)}
    if passed:
        if passed not in own:
            remedy = f"It has {', '.join(own)}."
            raise TreeError(f"`{step}` has no outcome `{passed}`.", remedy=remedy)
        return passed, own[passed]
    hard = {name for name, stop in data["stops"].items() if stop["reason"] in HARD_STOPS}
    none = {*data["faults"], *hard, step}
    ways = {o: target for o, target in own.items() if o != "undecided" and target not in none}
    if "inside" in ways:
        return "inside", ways["inside"]
    if len(set(ways.values())) != 1:
        message = f"The outcome of `{step}` for a unit that passed is missing."
        raise TreeError(message, remedy=f"Give --passed: {', '.join(own)}.")
    return next(iter(ways.items()))


def edits_of(
    data: Mapping[str, Any], step: str, passing: str, after: tuple[str, str] | None
) -> tuple[Targets, str]:
    """The changed targets, and the target that follows the step in its new place."""
    old = dict(targets(data))
    new = {
        keys: passing if target == step and keys[:2] != ("steps", step) else target
        for keys, target in old.items()
    }
    edge = ("start",) if after is None else _edge(old, step, *after)
    before = new[edge]
    for keys, target in old.items():
        if keys[:2] == ("steps", step) and target == passing:
            new[keys] = before
    new[edge] = step
    changed = {keys: target for keys, target in new.items() if target != old[keys]}
    if not changed:
        raise TreeError(f"`{step}` is already there.", remedy="Name another place.")
    if new["start",] not in data["steps"]:
        message = f"Without `{step}` at its place the tree would begin with a fault or stop."
        raise TreeError(message, remedy="Move another step to the start first.")
    return changed, before


def _edge(old: Targets, step: str, after: str, outcome: str) -> Keys:
    if after == step:
        raise TreeError(f"`{step}` cannot come after itself.", remedy="Name another step.")
    own = {
        "done" if len(keys) == THEN else str(keys[-1]): keys
        for keys in old
        if keys[:2] == ("steps", after)
    }
    wanted = "done" if outcome in ("taken", "then") and "done" in own else outcome
    if wanted not in own:
        remedy = f"It has {', '.join(own)}, as its file says."
        raise TreeError(f"`{after}` has no outcome `{outcome}`.", remedy=remedy)
    return own[wanted]


def assembled(tree: Tree, edits: Targets) -> Tree:
    changed = DataEdits(copy.deepcopy(tree.bundle["tree"]))
    for keys, target in edits.items():
        changed.set(keys, target)
    new, _ = assemble({**tree.bundle, "tree": changed.data}, schema=False)
    assert new is not None
    return new


def retargeted(tree: Tree, edits: Targets) -> Tree:
    """A tree with changed targets, for computing: much faster than building it again.

    Args:
        tree: the tree; its bundle is left as it is.
        edits: places of its file and their new targets.
    """
    steps, uses, start = dict(tree.steps), dict(tree.uses), tree.start
    for keys, named in edits.items():
        target = uses[named].start if named in uses else named
        name, outcome = str(keys[1 % len(keys)]), str(keys[-1])
        if keys == ("start",):
            start = target
        elif name in uses:
            uses[name] = replace(uses[name], exits={**uses[name].exits, outcome: target})
            for inner in uses[name].steps:
                step = steps[inner]
                leaving = [o for o, left in step.leaves.items() if (name, outcome) in left]
                led = {**step.targets, **dict.fromkeys(leaving, target)}
                steps[inner] = replace(step, targets=led)
        else:
            step = steps[name]
            meant = [outcome] if outcome in step.targets else ["low", "high"]
            meant = list(step.targets) if len(keys) == THEN else meant
            steps[name] = replace(step, targets={**step.targets, **dict.fromkeys(meant, target)})
    return replace(tree, steps=steps, uses=uses, start=start)
