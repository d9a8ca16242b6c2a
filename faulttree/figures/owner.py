"""What the owner of a shop asks first: units not solved, first-time fixes, days, opinions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from faulttree.cases.case import moment
from faulttree.convert import Plain
from faulttree.figures.statistics import Share, Spread, spread_of
from faulttree.figures.tree_counts import owners

if TYPE_CHECKING:
    from faulttree.figures.counts import ClosedCase, EndCounts, Tallies
    from faulttree.figures.tree_counts import TreeCount

DAY = 86_400.0
"""Seconds of a day."""

NOBODY = ("common practice",)
"""Beginnings of sources that are no person."""

GONE = frozenset({"scrapped"})
"""What became of a unit that nobody can test any more."""


@dataclass(frozen=True, slots=True)
class UnsolvedUnit(Plain):
    """A closed case without a fault, and the likeliest suspect that was left untested.

    Attributes:
        number: of the case.
        unit: its model and tag.
        suspect: the fault, empty if none was left; ``probability`` as recorded then.
        step: the step that leads to it, and its ``minutes``.
    """

    number: int
    unit: str
    tree: str
    became: str
    suspect: str = ""
    probability: float = 0.0
    step: str = ""
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class SourceFigures(Plain):
    """Suspects that one source named: how many were confirmed at least once."""

    source: str
    seen: Share


@dataclass(frozen=True, slots=True)
class OwnerFigures(Plain):
    """Figures of the whole shop.

    Attributes:
        first_time_fix: cases fixed by their first repair whose unit did not come back in time, of
            all closed cases in which a repair was tried.
        days: from intake to return, of the units that were returned.
        unsolved: units without a fault that can still be tested, the likeliest suspect first.
        sources: suspects by who reported them.
    """

    first_time_fix: Share = field(default_factory=lambda: Share(0, 0))
    days: Spread | None = None
    unsolved: tuple[UnsolvedUnit, ...] = ()
    sources: tuple[SourceFigures, ...] = field(default=())


def owner_figures(tallies: Tallies, counts: Sequence[TreeCount]) -> OwnerFigures:
    """The figures of the shop, from what was counted."""
    owner = owners(counts)
    closed = [case for case in tallies.closed if case.tree_hash in owner]
    tried = [case for case in closed if case.repairs or case.result == "fixed"]
    once = [c for c in tried if c.result == "fixed" and c.repairs <= 1 and not c.came_back]
    days = [_days(case) for case in closed if case.became == "returned"]
    left = _left(tallies.ended)
    unsolved = [
        _unsolved(case, owner[case.tree_hash], left.get(case.number, {}))
        for case in closed
        if case.result == "unsolved" and case.became not in GONE
    ]
    unsolved.sort(key=lambda one: (-one.probability, one.minutes or 0.0, one.number))
    return OwnerFigures(
        Share(len(once), len(tried)), spread_of(np.array(days)), tuple(unsolved),
        tuple(_sources(counts)),
    )  # fmt: skip


def _days(case: ClosedCase) -> float:
    return (moment(case.closed) - moment(case.opened)).total_seconds() / DAY


def _left(ended: Iterable[EndCounts]) -> Mapping[int, Mapping[str, float]]:
    """Case → suspect left untested → its probability, as the last giving up recorded it."""
    return {
        one.number: {
            str(suspect.get("fault", "")): float(suspect.get("probability", 0.0))
            for suspect in one.event.get("suspects", ())
        }
        for one in ended
        if one.event.get("suspects")
    }


def _unsolved(case: ClosedCase, count: TreeCount, left: Mapping[str, float]) -> UnsolvedUnit:
    tree = count.tree
    known = {count.fault(case.tree_hash, fault): share for fault, share in left.items()}
    open_now = {fault: share for fault, share in known.items() if fault in tree.faults}
    unit = f"{case.model or tree.family}{f' ({case.tag})' if case.tag else ''}"
    if not open_now:
        return UnsolvedUnit(case.number, unit, tree.id, case.became)
    suspect = max(open_now, key=lambda fault: open_now[fault]) or ""
    steps = [step for step, _, target in tree.edges() if target == suspect]
    step = tree.steps[steps[0]] if steps else None
    return UnsolvedUnit(
        case.number, unit, tree.id, case.became, suspect, open_now[suspect],
        step.id if step else "", step.cost if step else None,
    )  # fmt: skip


def _sources(counts: Sequence[TreeCount]) -> Iterator[SourceFigures]:
    """Suspects by source, those with most suspects first: reports only, no published ones."""
    named: dict[str, list[bool]] = {}
    for count in counts:
        for fault in count.tree.faults.values():
            for one in fault.evidence:
                if one.kind == "reported" and not one.source.startswith(NOBODY):
                    seen = count.faults["fixed", fault.id] > 0
                    named.setdefault(one.source, []).append(seen)
    for source, seen_of in sorted(named.items(), key=lambda item: -len(item[1])):
        yield SourceFigures(source, Share(sum(seen_of), len(seen_of)))
