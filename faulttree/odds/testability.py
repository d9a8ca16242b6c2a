"""What a set of tests can do: fractions detected and isolated, and which test is missing.

The figures follow the definitions of IEEE Std 1522 (testability and diagnosability
characteristics and metrics), from memory, with a fault's weight as its failure rate:

* fraction of faults detected: the weight of faults that some test says something of;
* fraction isolated to L or fewer: the weight that a complete plan ends with in a group of at
  most L faults;
* mean ambiguity-group size: the mean size of the group a plan ends with, by weight;
* mean minutes to isolate: the expected minutes of the plan.

Which faults a plan ends with together does not depend on the order of the tests where every
entry names one outcome; with vague entries the figures are those of the plan at hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from faulttree.odds.planning.plan_graph import PlanGraph
from faulttree.odds.planning.problem import PlanningProblem, bits
from faulttree.odds.planning.search import Draft

__all__ = ["Testability", "Wanted", "groups_of", "testability", "wanted"]


@dataclass(frozen=True, slots=True)
class Testability:
    """Testability figures; fractions are 0 to 1.

    Attributes:
        detected: fraction of faults detected.
        isolated_to_one, isolated_to_two: fractions isolated to one fault, to two or fewer.
        shown_by_test: fraction isolated to one fault after an outcome that the fault itself shows
            and a good unit does not. The rest of ``isolated_to_one`` is isolated by elimination:
            an unknown fault would end there too.
        mean_group_size: faults left together at the end, on average.
        mean_minutes: expected minutes to isolate.
    """

    __test__ = False

    detected: float
    isolated_to_one: float
    isolated_to_two: float
    mean_group_size: float
    mean_minutes: float
    shown_by_test: float

    def as_dict(self) -> dict[str, float]:
        """Plain data."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A new test that would split a group best.

    Attributes:
        group: faults that no test tells apart.
        sides: the two parts whose weights are closest, each fault in one.
        probability: of the group.
        bits: what such a test would tell, on average over all walks.
    """

    group: tuple[str, ...]
    sides: tuple[tuple[str, ...], tuple[str, ...]]
    probability: float
    bits: float

    def as_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "group": list(self.group),
            "sides": [list(side) for side in self.sides],
            "probability": self.probability,
            "bits": self.bits,
        }


def groups_of(problem: PlanningProblem) -> tuple[tuple[str, ...], ...]:
    """Faults that no test ever tells apart: those with the same entries, two or more."""
    alike: dict[tuple[tuple[str, ...], ...], list[str]] = {}
    for fault, entries in zip(problem.table.faults, problem.table.entries, strict=True):
        alike.setdefault(entries, []).append(fault)
    return tuple(tuple(group) for group in alike.values() if len(group) > 1)


def testability(graph: PlanGraph, draft: Draft) -> Testability:
    """The figures of a plan, and of its tests."""
    problem, table = graph.problem, graph.problem.table
    detected = math.fsum(
        weight
        for weight, entries in zip(problem.weights, table.entries, strict=True)
        if any(entries)
    )
    one = two = mean = 0.0
    for size, weight in _ends(graph, draft):
        one += weight if size == 1 else 0.0
        two += weight if size <= 2 else 0.0
        mean += weight * size
    shown = _shown(graph, draft)
    return Testability(float(detected), one, two, mean, draft.total, shown)


testability.__test__ = False  # type: ignore[attr-defined]


def _ends(graph: PlanGraph, draft: Draft) -> Sequence[tuple[int, float]]:
    """(faults left, probability) of each end of a plan."""
    reached = {graph.root: 1.0}
    ends = []
    for place in sorted(draft.tests, key=lambda one: one.depth):
        weight = reached.pop(place, 0.0)
        for _, share, end in graph.ends(place, draft.tests[place]):
            reached[end] = reached.get(end, 0.0) + weight * share
    for place, weight in reached.items():
        ends.append((place.faults.bit_count(), weight))
    return ends


def _shown(graph: PlanGraph, draft: Draft) -> float:
    """The weight of faults that a plan ends with alone, after a test that shows them.

    Follows each fault through the plan, apart for the walks in which some test has shown it.
    """
    problem, root = graph.problem, graph.root
    # (place, fault) → weight of the walks without and with a test that has shown the fault
    reached = {
        (root, fault): (weight, 0.0) for fault, weight in enumerate(problem.weights.tolist())
    }
    for place in sorted(draft.tests, key=lambda one: one.depth):
        test = draft.tests[place]
        for fault in bits(place.faults):
            without, shown = reached.pop((place, fault), (0.0, 0.0))
            ends = [(at, end) for at, _, end in graph.ends(place, test) if end.faults >> fault & 1]
            for at, end in ends:
                told = _shows(problem, fault, test, at)
                old = reached.get((end, fault), (0.0, 0.0))
                more = (0.0, without + shown) if told else (without, shown)
                reached[end, fault] = (
                    old[0] + more[0] / len(ends),
                    old[1] + more[1] / len(ends),
                )
    alone = [shown for (end, _), (_, shown) in reached.items() if end.faults.bit_count() == 1]
    return math.fsum(alone)


def _shows(problem: PlanningProblem, fault: int, test: int, at: int) -> bool:
    """Whether an outcome is one that the table states for a fault and that is not normal."""
    table = problem.table
    outcome, entry = table.outcomes[test][at], table.entries[fault][test]
    return outcome in entry and not (table.normal and table.normal[test] == outcome)


def wanted(problem: PlanningProblem) -> tuple[Wanted, ...]:
    """For each group the split that a new test should make, the most telling first."""
    weights = dict(zip(problem.table.faults, problem.weights.tolist(), strict=True))
    found = [_halved(group, weights) for group in groups_of(problem)]
    return tuple(sorted(found, key=lambda one: -one.bits))


def _halved(group: tuple[str, ...], weights: dict[str, float]) -> Wanted:
    """Split by weight: exactly up to 12 faults, else heaviest to the lighter side."""
    whole = math.fsum(weights[fault] for fault in group)
    if len(group) <= 12:
        # The first fault stays on one side, so that each split is met once.
        masks = range(1, 1 << (len(group) - 1))
        best = min(masks, key=lambda m: abs(whole / 2 - _weigh(group, m, weights)))
        side = [group[at + 1] for at in bits(best)]
    else:
        side, mass = [], 0.0
        for fault in sorted(group, key=lambda f: -weights[f]):
            if mass + weights[fault] <= whole / 2 or not side:
                side.append(fault)
                mass += weights[fault]
    other = tuple(fault for fault in group if fault not in set(side))
    share = math.fsum(weights[fault] for fault in side) / whole
    told = -sum(p * math.log2(p) for p in (share, 1 - share) if p > 0)
    return Wanted(group, (other, tuple(f for f in group if f in set(side))), whole, whole * told)


def _weigh(group: tuple[str, ...], mask: int, weights: dict[str, float]) -> float:
    return math.fsum(weights[group[at + 1]] for at in bits(mask))
