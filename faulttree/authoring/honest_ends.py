"""Where the walk of a unit ends if no fault of its tree is the cause."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from graphlib import CycleError, TopologicalSorter

from faulttree.reading.instruments import USUALLY_NORMAL
from faulttree.tree import Tree
from faulttree.tree.model import Step

GIVEN_UP = frozenset({"out-of-scope", "uneconomic"})
"""Reasons of stops before which a suspect's test may be placed."""

Place = tuple[str, str]
"""(step or use, outcome or exit) before a stop, as the file of the tree names them."""


def ends_of_unknown_cause(tree: Tree) -> Mapping[Place, float]:
    """Where the walk ends if none of the known faults is the cause, with the probability.

    Each step then gives its normal outcome with the probability :data:`USUALLY_NORMAL`, and
    each of its other outcomes with an equal part of the rest; a question about a property of the
    unit gives all its answers alike. Only ends that a good unit's outcome leads to count: another
    outcome says that the unit is of another kind, or that something else is wrong. A stop that
    names another tree (``see``) is another complaint and does not count either.

    Example:
        >>> from faulttree.tree import shipped_library
        >>> tree = shipped_library().load("soldering-station/does-not-heat")
        >>> list(ends_of_unknown_cause(tree))
        [('primary-alone', 'inside')]
    """
    found: dict[Place, float] = defaultdict(float)
    reached: dict[str, float] = defaultdict(float, {tree.start: 1.0})
    for name in _in_order(tree):
        step = tree.steps[name]
        for outcome, share in _shares(step).items():
            target, chance = step.targets[outcome], reached[name] * share
            if target in tree.steps:
                reached[target] += chance
            elif _is_honest(tree, target) and outcome == step.normal_outcome and chance:
                leaves = step.leaves.get(outcome, ())
                found[leaves[-1] if leaves else (name, outcome)] += chance
    return found


def _is_honest(tree: Tree, target: str) -> bool:
    stop = tree.stops.get(target)
    return stop is not None and stop.reason in GIVEN_UP and stop.see is None


def _shares(step: Step) -> Mapping[str, float]:
    """Outcome → its probability if no known fault is the cause."""
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    normal = step.normal_outcome
    if step.property is not None or normal not in outcomes or len(outcomes) < 2:
        return dict.fromkeys(outcomes, 1 / max(len(outcomes), 1))
    rest = (1 - USUALLY_NORMAL) / (len(outcomes) - 1)
    return {one: USUALLY_NORMAL if one == normal else rest for one in outcomes}


def _in_order(tree: Tree) -> list[str]:
    """The steps, each after those that lead to it; without those in a circle and after it."""
    before: dict[str, set[str]] = {name: set() for name in tree.steps}
    for name, _, target in tree.edges():
        if target in before and name in before:
            before[target].add(name)
    try:
        return list(TopologicalSorter(before).static_order())
    except CycleError:
        return []
