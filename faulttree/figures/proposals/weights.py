"""Proposals for weights and minutes that contradict the record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from faulttree.figures.formatting import listed, percent, within
from faulttree.figures.proposals.proposal import ReviewProposal
from faulttree.figures.statistics import FEW, Share, chance_of_at_least, chance_of_at_most, holm
from faulttree.odds import PSEUDO_COUNT

if TYPE_CHECKING:
    from faulttree.figures.tree_counts import Floats, TreeCount
    from faulttree.odds import FaultTable


FAR_OFF = 1.5
"""Least ratio of measured to stated time, or the inverse: common practice, no source."""


def weights(count: TreeCount, table: FaultTable) -> Iterator[ReviewProposal]:
    """Proposals for faults that are significantly commoner or rarer than their weight."""
    # A fault that is missing in older texts had a smaller chance to be found.
    known = [f for f in table.faults if count.could_find(f) == count.closed]
    weight = {f: w for f, w in zip(table.faults, table.weights, strict=True) if f in known}
    confirmed = {fault: count.faults["fixed", fault] for fault in known}
    cases, whole = sum(confirmed.values()), sum(weight.values())
    if cases < FEW:
        return
    stated = {fault: weight[fault] / whole for fault in known}
    off = _off(confirmed, stated)
    if not off:
        return
    pulled = {f: (PSEUDO_COUNT * stated[f] + confirmed[f]) / (PSEUDO_COUNT + cases) for f in off}
    # The others keep their weights, so the new weights change the total as well.
    rest = sum(weight[f] for f in known if f not in off)
    new_whole = rest / (1 - sum(pulled.values())) if rest else whole
    new = {fault: _digits(pulled[fault] * new_whole) for fault in off}
    told = [
        f"{fault} is {percent(confirmed[fault] / cases)} "
        f"({within(Share(confirmed[fault], cases))}), its weight says {percent(stated[fault])}"
        for fault in off
    ]
    yield ReviewProposal(
        "weights",
        "",
        f"Change the weight of {listed(off)}.",
        f"Of {cases} confirmed cases {'; '.join(told)}. By the exact binomial test, at most "
        "one tree in twenty would be named here by chance.",
        {
            fault: {**Share(confirmed[fault], cases).as_dict(), "stated": stated[fault]}
            for fault in off
        },
        {"action": "set-weights", "tree": count.tree.id, "weights": new},
    )


def _off(confirmed: Mapping[str, int], stated: Mapping[str, float]) -> list[str]:
    """Faults whose share differs from the stated one: exact binomial tests, Holm's rule."""
    cases = sum(confirmed.values())
    chances = [
        2 * min(chance_of_at_least(many, cases, share), chance_of_at_most(many, cases, share))
        for many, share in ((confirmed[fault], stated[fault]) for fault in confirmed)
    ]
    return [fault for fault, sure in zip(confirmed, holm(chances), strict=True) if sure]


def _digits(weight: float) -> float:
    return float(f"{max(weight, 0.01):.2g}")


class Timed(NamedTuple):
    """A step with the minutes that its file states, and those that were measured."""

    name: str
    stated: float | None
    minutes: Floats


def minutes(count: TreeCount) -> Iterator[ReviewProposal]:
    """The proposal for minutes in the file of a tree that contradict the measured ones."""
    timed = [
        Timed(name, step.minutes, count.steps[name].timed)
        for name, step in count.tree.steps.items()
        if step.where.document == "tree" and not step.access
    ]
    yield from new_minutes({"tree": count.tree.id}, timed)


def new_minutes(at: Mapping[str, str], timed: Iterable[Timed]) -> Iterator[ReviewProposal]:
    """The proposal for stated minutes that contradict the measured ones; none if all agree.

    Args:
        at: whose steps: ``{"tree": id}`` or ``{"procedure": name}``.
        timed: the steps.
    """
    new: dict[str, float] = {}
    told, figures = [], {}
    for name, stated, measured in timed:
        if len(measured) < FEW or stated is None:
            continue
        ordered = sorted(measured.tolist())
        low, median, high = (ordered[int(part * (len(ordered) - 1))] for part in (0.25, 0.5, 0.75))
        ratio = median / stated if stated else FAR_OFF
        if not low <= stated <= high and not 1 / FAR_OFF < ratio < FAR_OFF:
            new[name] = float(f"{median:.2g}")
            figures[name] = {"n": len(ordered), "median": median, "stated": stated}
            told.append(f"{name} {median:.2g} (stated {stated:g}, {len(ordered)} times)")
    if new:
        yield ReviewProposal(
            "minutes",
            "",
            f"Change the minutes of {_few(list(new))}.",
            f"The median as timed, in minutes: {'; '.join(told)}. More than half of the times "
            f"lie on one side of the stated value, by {FAR_OFF:g} times or more.",
            figures,
            {"action": "set-minutes", **at, "minutes": new},
        )


def _few(names: list[str]) -> str:
    return listed(names) if len(names) <= 3 else f"{len(names)} steps"
