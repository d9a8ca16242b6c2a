"""Proposals for limits that disagree with readings of good units or with confirmed cases."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from faulttree.errors import FaulttreeError
from faulttree.figures.formatting import listed, percent, within
from faulttree.figures.proposals.proposal import ReviewProposal
from faulttree.figures.statistics import FEW, share_of, tolerance_factor
from faulttree.reading import Limits, resolve_limits, show

if TYPE_CHECKING:
    from faulttree.figures.tree_counts import ReadingCounts, StepCount, TreeCount
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step


GOOD_UNITS = 10
"""Least number of good readings for a proposal about limits: common practice, no source."""

NEAR = 2.0
"""Standard deviations between the mean of good units and a limit below which the limit is
reported: at least one good unit in forty would be judged outside."""

OFTEN = 0.1
"""How often a step may contradict what was confirmed: common practice, no source."""


def limits(count: TreeCount) -> Iterator[ReviewProposal]:
    """Proposals for limits in the file of a tree that are too close to readings of good units."""
    for name, step in count.tree.steps.items():
        good = count.steps[name].good
        near = too_near(step, good) if step.where.document == "tree" else None
        if near is not None:
            yield wider({"tree": count.tree.id}, name, good, *near)


def too_near(step: Step, good: ReadingCounts) -> tuple[Limits, bool, bool] | None:
    """The limits of a step, and whether good units come near the lower and the upper one.

    None if they do not, if too few good units were read, or if the limits are no fixed figures.
    """
    fixed = _fixed_limits(step)
    if good.n < GOOD_UNITS or not good.deviation or fixed is None:
        return None
    near = NEAR * good.deviation
    under = fixed.lower is not None and good.mean - near < float(fixed.lower)
    over = fixed.upper is not None and good.mean + near > float(fixed.upper)
    return (fixed, under, over) if under or over else None


def wider(
    at: Mapping[str, str], step: str, good: ReadingCounts, limits: Limits, under: bool, over: bool
) -> ReviewProposal:
    """The proposal for limits that good units come near to.

    Args:
        at: whose step: ``{"tree": id}`` or ``{"procedure": name}``.
        step: its name there.
        good: the readings of good units.
        limits: its limits now, with ``under`` and ``over`` as :func:`too_near` gives them.
        under, over: which limit is meant.
    """
    half = tolerance_factor(good.n) * good.deviation
    low, high = good.mean - half, good.mean + half
    said_low, said_high, mean, deviation = (
        show(value, limits.unit, limits.kind, digits=4)
        for value in (low, high, good.mean, good.deviation)
    )
    sides = listed([*(["low"] if under else []), *(["high"] if over else [])])
    return ReviewProposal(
        "limits",
        step,
        f"Check the limits of {step}: good units come near them on the {sides} side.",
        f"The {good.n} readings that confirmed a repair are {mean} on average, standard "
        f"deviation {deviation}, so at least one good unit in forty would be judged outside. With "
        f"95 % confidence, 95 % of good units read {said_low} to {said_high}, if normally "
        f"distributed; the limits are {_said_limits(limits)}. Readings that did not confirm are "
        "not among them, so the true spread is wider still.",
        _figures(good, low, high, limits),
        {
            "action": "set-limits",
            **at,
            "step": step,
            "min": said_low if under else None,
            "max": said_high if over else None,
            "source": f"{good.n} repaired units of this record",
        },
    )


def _figures(good: ReadingCounts, low: float, high: float, limits: Limits) -> dict[str, Any]:
    """The readings of good units and their range beside the limits now, in the base unit."""
    return {
        "n": good.n,
        "mean": good.mean,
        "deviation": good.deviation,
        "low": low,
        "high": high,
        "unit": limits.unit,
        "lower": None if limits.lower is None else float(limits.lower),
        "upper": None if limits.upper is None else float(limits.upper),
    }


def _fixed_limits(step: Step) -> Limits | None:
    """Whether the limits are the author's own figures, not from a part or other readings."""
    if step.limits is None or "component" in step.limits:
        return None
    try:
        limits = resolve_limits(step.limits, unit=step.unit, mains={})
    except FaulttreeError:
        return None
    return None if limits.missing or limits.bands or limits.problem else limits


def _said_limits(limits: Limits) -> str:
    ends = [
        show(end, limits.unit, limits.kind, digits=4) if end is not None else word
        for end, word in ((limits.lower, "none below"), (limits.upper, "none above"))
    ]
    return " to ".join(ends)


def contradicted(count: TreeCount, table: FaultTable) -> Iterator[ReviewProposal]:
    """Proposals for steps whose outcome often contradicts the confirmed fault."""
    for name in table.tests:
        wrong, of = _against(count.steps[name], table, name)
        share = share_of(wrong, of)
        if of < FEW or share.low <= OFTEN:
            continue
        yield ReviewProposal(
            "limits",
            name,
            f"Check {name}: it often contradicts the confirmed fault.",
            f"In {wrong} of {of} confirmed cases ({percent(wrong / of)}, {within(share)}) its "
            "outcome leads to no path to the fault, or is not among its signs: its limits, its "
            "words or the signs are wrong."
            + (
                " Some walks followed an older text: first check whether that is the reason."
                if count.texts
                else ""
            ),
            share.as_dict(),
            {"action": "look-at", "tree": count.tree.id, "step": name},
            "Only an examination of the unit shows which is wrong: limits, words or signs.",
        )


def _against(counted: StepCount, table: FaultTable, name: str) -> tuple[int, int]:
    wrong = of = 0
    for outcome, ended in counted.ended.items():
        for (result, fault), cases in ended.items():
            entry = table.entry(fault, name) if fault in table.fault_index else ()
            if result == "fixed" and entry:
                of += cases
                wrong += 0 if outcome in entry else cases
    return wrong, of
