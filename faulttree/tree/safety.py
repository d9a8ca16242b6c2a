"""Which steps of a tree are safety checks, and which steps every path to a step passes.

A safety check is a step with an answer that ends the work as unsafe or for licensed people
only ("Is the pack free of swelling, leak and heat?"). What a tree puts behind such a check must
stay behind it in every other order of the same steps.
"""

from __future__ import annotations

from collections.abc import Callable

from faulttree.tree.model import Step, Tree

__all__ = ["HARD_STOPS", "always_before", "checks_before", "is_guard", "sees_complaint"]

HARD_STOPS = frozenset({"licensed", "unsafe"})
"""Reasons after which nobody is sent back into the unit, whatever was skipped."""


def is_guard(tree: Tree, step: Step) -> bool:
    """Whether the step can end the walk as unsafe, or as work for licensed people only.

    It can by an outcome, or by a property of the unit (``stop_if``).
    """
    by_property = (stop for stops in step.stop_if.values() for stop in stops.values())
    ends = (tree.stops[to] for to in (*step.targets.values(), *by_property) if to in tree.stops)
    return any(stop.reason in HARD_STOPS for stop in ends)


def sees_complaint(tree: Tree, step: Step) -> bool:
    """Whether the step starts the tree and can end it because the complaint is not there."""
    reasons = [tree.stops[to].reason for to in step.targets.values() if to in tree.stops]
    return step.id == tree.start and "no-fault-found" in reasons


def checks_before(tree: Tree) -> dict[str, tuple[str, ...]]:
    """Step → what no order may put behind it: the safety checks on every path to it.

    A first step that reproduces the complaint is one of them. First to last; steps that no
    path reaches are left out.
    """
    return always_before(tree, lambda step: is_guard(tree, step) or sees_complaint(tree, step))


def always_before(tree: Tree, wanted: Callable[[Step], bool]) -> dict[str, tuple[str, ...]]:
    """Step, fault or stop → the wanted steps that every path from the start to it passes.

    It is the meet over all paths into a node, until nothing changes. The first path found
    gives the order; the others only strike steps out.
    """
    known: dict[str, tuple[str, ...]] = {tree.start: ()}
    waiting = [tree.start]
    while waiting:
        step = tree.steps.get(waiting.pop())
        if step is None:
            continue
        own = (step.id,) if wanted(step) else ()
        passed = (*(name for name in known[step.id] if name != step.id), *own)
        for target in step.targets.values():
            before = known.get(target)
            met = passed if before is None else tuple(name for name in before if name in passed)
            if met != before:
                known[target] = met
                waiting.append(target)
    return {name: tuple(one for one in found if one != name) for name, found in known.items()}
