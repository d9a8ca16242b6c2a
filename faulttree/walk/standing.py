"""How sure a fault is that the walk came to: found, or only likely. Decided once and kept."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from faulttree.walk.advisor import WORTH_ASKING, beliefs, ranking, worth_repeating
from faulttree.walk.events import Reached

if TYPE_CHECKING:
    from faulttree.reading import Bench
    from faulttree.walk.state import State

__all__ = ["LIKELY_BELOW", "not_made", "reached", "threshold_of"]

LIKELY_BELOW = 0.8
"""A fault with a lower probability is likely, not found: common practice, no source."""

WORTH_NAMING = 0.01
"""Probability from which another fault is named beside the one reached."""

MOST = 5
"""Rivals and open tests kept: more is not read at a bench."""


def threshold_of(bench: Bench | None) -> float:
    """The probability below which a fault is likely, as the bench file says, or the default."""
    below = bench.likely_below if bench is not None else None
    return LIKELY_BELOW if below is None else below


def reached(state: State, *, threshold: float = LIKELY_BELOW, at: str = "") -> Reached | None:
    """How sure the fault is that the walk stands at; None where that is decided, or at no fault.

    It is likely where P(fault | everything seen) is below ``threshold``, or where tests on the
    tree's way to it were not made: a conclusion by elimination needs the eliminations. The
    tests to make are then those, the one best made again, and those that would tell something.

    Example:
        >>> reached(state)  # doctest: +SKIP
        Reached(fault='fuse-aged', standing='likely', probability=0.15, …)
    """
    if state.phase != "found" or state.end is None or state.reached is not None:
        return None
    fault, shares = state.end.id, beliefs(state)
    probability = shares.probabilities.get(fault, 0.0)
    left = not_made(state)
    likely = probability < threshold or left
    others = [(name, share) for name, share in shares.ranked if name != fault]
    others.append(("", shares.none))
    rivals: list[dict[str, Any]] = [
        {"fault": name, "probability": share}
        for name, share in sorted(others, key=lambda one: -one[1])[:MOST]
        if share >= WORTH_NAMING
    ]
    again = worth_repeating(state, fault)[0] if likely else ""
    telling = [one.test for one in ranking(state) if one.bits > WORTH_ASKING]
    telling = [again, *telling] if again and not left else telling
    return Reached(
        at=at,
        fault=fault,
        standing="likely" if likely else "found",
        probability=probability,
        rivals=tuple(rivals),
        open_tests=tuple(dict.fromkeys((*telling[:MOST], *left))),
        threshold=threshold,
    )


def not_made(state: State) -> tuple[str, ...]:
    """The tests on the tree's way to where the walk stands that were not made in this round.

    Those skipped; and after a jump, the first test that the answers leave open when the tree
    is followed from where the round began. None where a check that comes before all tests,
    such as one before power, found the fault by itself.
    """
    steps = state.tree.steps
    last = steps.get(state.visits[-1].step) if state.visits else None
    if last is not None and last.role != "finding":
        return ()
    left = [name for name in state.skipped if name in steps and steps[name].role == "finding"]
    told = {visit.step: visit.outcome for visit in state.visits if visit.round == state.round}
    node, passed = state.start, set[str]()
    while node in steps and node not in passed:
        passed.add(node)
        step = steps[node]
        outcome = told.get(node, step.normal_outcome if step.kind == "do" else None)
        if outcome is None or outcome not in step.targets:
            left.append(node)
            break
        node = step.targets[outcome]
    return tuple(dict.fromkeys(name for name in left if steps[name].kind != "do"))
