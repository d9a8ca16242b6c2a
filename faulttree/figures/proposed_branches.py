"""Branches that earn no place, and faults that no branch tells apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from faulttree.figures.guarding import guards
from faulttree.figures.intervals import share_of, upper_limit
from faulttree.figures.proposal import Proposal
from faulttree.figures.said import listed, percent, within
from faulttree.odds.problem import Problem
from faulttree.odds.testability import groups_of

if TYPE_CHECKING:
    from faulttree.figures.gathering import TreeCount
    from faulttree.odds import FaultTable

__all__ = ["move_down", "tell_apart"]

RARE = 0.05
"""A share below which a fault or an outcome is called rare here: common practice, no source."""


def move_down(count: TreeCount) -> Iterator[Proposal]:
    """Faults never confirmed, and steps that always gave the same, once that is telling."""
    tree = count.tree
    for fault in tree.faults.values():
        closed = count.could_find(fault.id)
        below = upper_limit(closed)
        seen = count.faults["fixed", fault.id] + count.faults["found", fault.id]
        if seen or below >= RARE or fault.id in tree.loose:
            continue
        leads = sorted({step for step, _, to in tree.edges() if to == fault.id})
        yield Proposal(
            "move-down",
            fault.id,
            f"Move what finds “{fault.title}” behind the rest, or retire it.",
            f"Not found in {closed} closed cases: its share is below {percent(below)} "
            "(95 %, exact binomial). Rare is not never: keep it where a miss would be dangerous.",
            {"cases": closed, "below": below},
            {"action": "move-down", "tree": tree.id, "fault": fault.id, "steps": leads},
        )
    for name in tree.diagnostic:
        yield from _tells_nothing(count, name)


def _tells_nothing(count: TreeCount, name: str) -> Iterator[Proposal]:
    step, counted = count.tree.steps[name], count.steps[name]
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    walked = sum(counted.taken.values())
    below = upper_limit(walked)
    one_sided = len(outcomes) > 1 and len([o for o in outcomes if counted.taken[o]]) == 1
    if not one_sided or below >= RARE or guards(count.tree, name):
        return
    always = next(outcome for outcome in outcomes if counted.taken[outcome])
    yield Proposal(
        "move-down",
        name,
        f"Move {name} later, or retire it.",
        f"It gave “{always}” all {walked} times before a repair: any other outcome comes in less "
        f"than {percent(below)} of walks (95 %, exact binomial), and it takes {step.cost:g} min "
        "each time. No caution hangs on it by the tree's own stops; look before you move it.",
        {"walked": walked, "below": below, "minutes": step.cost},
        {"action": "move-down", "tree": count.tree.id, "step": name},
    )


def tell_apart(count: TreeCount, table: FaultTable) -> Iterator[Proposal]:
    """Faults that were taken for one another, or that no test tells apart."""
    title = {name: fault.title for name, fault in count.tree.faults.items()}
    for (first, then), cases in sorted(count.instead.items(), key=lambda item: -item[1]):
        tried = count.failed[first] + count.faults["fixed", first]
        share = share_of(cases, tried)
        if cases >= 3 and share.low > RARE:
            yield _split(
                count,
                [first, then],
                f"Of {tried} repairs of “{title[first]}” {cases} did not help, and "
                f"“{title[then]}” was confirmed instead ({percent(cases / tried)}, "
                f"{within(share)}).",
                share.as_dict(),
            )
    for group in groups_of(Problem(table)):
        seen = {fault: count.faults["fixed", fault] for fault in group}
        if sum(number > 0 for number in seen.values()) > 1:
            said = ", ".join(f"“{title[fault]}” {number} times" for fault, number in seen.items())
            yield _split(
                count, list(group), f"No test tells them apart; confirmed were {said}.", seen
            )


def _split(count: TreeCount, faults: list[str], why: str, figures: Mapping[str, Any]) -> Proposal:
    return Proposal(
        "tell-apart",
        faults[0],
        f"Find a test that tells {listed(faults)} apart.",
        why,
        figures,
        {"action": "add-test", "tree": count.tree.id, "between": faults},
    )
