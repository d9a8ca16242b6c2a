"""Detect faults that became commoner or rarer, by an exact test that limits false alarms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from faulttree.convert import Plain
from faulttree.figures.statistics import (
    Share,
    chance_of_at_least,
    chance_of_at_most,
    holm,
    share_of,
)

if TYPE_CHECKING:
    from faulttree.figures.tree_counts import TreeCount


RECENT_MONTHS = 6
"""The number of months that count as recent: common practice, no source."""

ALARM = 0.025
"""The chance of even one false alarm, here and again for rises: 5 % in the whole review."""

LEAST = 5
"""Least number of cases of a fault for a test of change: common practice, no source."""


@dataclass(frozen=True, slots=True)
class ShareChange(Plain):
    """The recent share of a fault, and its share before.

    Attributes:
        recent: confirmed cases of the last months, of all closed then.
        before: the same of all the time before.
        chance: two-sided p-value: the chance of a difference at least as large if the share
            were unchanged.
        alarm: whether the change is significant among all changes of the review.
    """

    COMPUTED: ClassVar[tuple[str, ...]] = ("word",)

    recent: Share
    before: Share
    chance: float
    alarm: bool

    @property
    def word(self) -> str:
        """``commoner``, ``rarer`` or ``steady``; no direction is claimed without an alarm."""
        if not self.alarm:
            return "steady"
        return "commoner" if (self.recent.share or 0) > (self.before.share or 0) else "rarer"


def changes(counts: Sequence[TreeCount]) -> Mapping[tuple[str, str], ShareChange]:
    """(tree, fault) → how its share changed, for faults with enough cases.

    Given k cases of a fault in all, each falls into the recent months with the chance that
    any closed case of the tree does, were the fault's share unchanged: an exact binomial
    test (J. Przyborowski and H. Wilenski, Biometrika 31 (1940), for two Poisson counts).
    Holm's rule over all faults tested keeps the chance of one false alarm at :data:`ALARM`.
    """
    last = max((month for count in counts for _, month in count.closed_in), default="")
    begins = month_before(last, RECENT_MONTHS - 1) if last else ""
    tested: list[tuple[tuple[str, str], Share, Share, float]] = []
    for count in counts:
        for fault in count.tree.faults:
            shares = _shares(count, fault, begins)
            recent, before = shares
            cases = recent.count + before.count
            if recent.of and before.of and cases >= LEAST:
                part = recent.of / (recent.of + before.of)
                chance = _both_ways(recent.count, cases, part)
                tested.append(((count.tree.id, fault), *shares, chance))
    stands = holm([chance for *_, chance in tested], ALARM)
    return {
        key: ShareChange(recent, before, chance, alarm)
        for (key, recent, before, chance), alarm in zip(tested, stands, strict=True)
    }


def _shares(count: TreeCount, fault: str, begins: str) -> tuple[Share, Share]:
    """A fault's share since a month, and before it, of the cases that could find it."""
    closed = count.closed_for(fault)
    found = {month: cases for (name, month), cases in count.months.items() if name == fault}
    late, all_late = (
        sum(cases for month, cases in counted.items() if month >= begins)
        for counted in (found, closed)
    )
    return (
        share_of(late, all_late),
        share_of(sum(found.values()) - late, sum(closed.values()) - all_late),
    )


def _both_ways(count: int, of: int, share: float) -> float:
    ends = chance_of_at_least(count, of, share), chance_of_at_most(count, of, share)
    return min(1.0, 2 * min(ends))


def month_before(month: str, months: int) -> str:
    """The month so many months earlier, as ``2025-08``."""
    year, number = (int(part) for part in month.split("-")[:2])
    at = year * 12 + number - 1 - months
    return f"{at // 12:04d}-{at % 12 + 1:02d}"
