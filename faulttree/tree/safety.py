"""Which steps of a tree are safety checks.

A safety check is a step with an answer that ends the work as unsafe or for licensed people
only ("Is the pack free of swelling, leak and heat?"). What a tree puts behind such a check must
stay behind it in every other order of the same steps (see :mod:`faulttree.tree.graph`).
"""

from __future__ import annotations

from faulttree.tree.model import Step, Tree

HARD_STOPS = frozenset({"licensed", "unsafe"})
"""Reasons after which nobody is sent back into the unit, whatever was skipped."""


def is_guard(tree: Tree, step: Step) -> bool:
    """Whether the step can end the walk as unsafe, or as work for licensed people only.

    It can by an outcome, or by a property of the unit (``stop_if``).
    """
    by_property = (stop for stops in step.stop_if.values() for stop in stops.values())
    ends = (tree.stops[to] for to in (*step.targets.values(), *by_property) if to in tree.stops)
    return any(stop.reason in HARD_STOPS for stop in ends)


def is_check(tree: Tree, step: Step) -> bool:
    """Whether the step must stay before what a tree puts behind it.

    A guard must, and so must a first step that reproduces the complaint.
    """
    return is_guard(tree, step) or sees_complaint(tree, step)


def sees_complaint(tree: Tree, step: Step) -> bool:
    """Whether the step starts the tree and can end it because the complaint is not there."""
    reasons = [tree.stops[to].reason for to in step.targets.values() if to in tree.stops]
    return step.id == tree.start and "no-fault-found" in reasons
