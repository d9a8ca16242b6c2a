"""Find faults whose share grows slowly, with a stated rate of false discoveries.

The strict alarms (:mod:`faulttree.figures.changes` and :mod:`faulttree.figures.rises`) keep the
chance of even one false alarm low, so they miss slow trends. Here a part of the reported trends
may be false, and the review says how large this part is on average.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from faulttree.convert import Plain
from faulttree.figures.changes import LEAST
from faulttree.figures.statistics import Share, benjamini_hochberg, share_of

if TYPE_CHECKING:
    from faulttree.figures.rises import ClosedCases
    from faulttree.figures.tree_counts import TreeCount


FALSE_DISCOVERIES = 0.10
"""The mean part of the reported trends that is false, at most."""

EXACT_UP_TO = 1_500
"""Pairs of a case with the fault and one without, up to which the chance is computed exactly."""


@dataclass(frozen=True, slots=True)
class Trend(Plain):
    """A fault that became steadily commoner in one tree.

    Attributes:
        first_half: confirmed cases of the earlier half of the closed cases.
        second_half: the same of the later half.
        chance: one-sided p-value of the rank-sum test over the order of the cases.
    """

    first_half: Share
    second_half: Share
    chance: float


def trends(
    counts: Sequence[TreeCount], cases: Mapping[str, ClosedCases]
) -> Mapping[tuple[str, str], Trend]:
    """(tree, fault) → its trend, for the faults with a trend.

    All faults with :data:`~faulttree.figures.changes.LEAST` cases are tested. The rule of
    Benjamini and Hochberg keeps the mean part of false ones among the reported trends at
    :data:`FALSE_DISCOVERIES` or below.

    Args:
        counts: the counts of each tree.
        cases: family → its closed cases.
    """
    tested: list[tuple[tuple[str, str], Trend]] = []
    for count in counts:
        family = cases.get(count.tree.family)
        for fault in count.tree.faults if family is not None else ():
            texts = count.texts_with(fault)
            _, had = family.that_knew(count.tree.identity(fault), texts)  # type: ignore[union-attr]
            if LEAST <= had.sum() < len(had):
                tested.append(((count.tree.id, fault), _trend(had)))
    found = benjamini_hochberg([trend.chance for _, trend in tested], FALSE_DISCOVERIES)
    return {key: trend for (key, trend), sure in zip(tested, found, strict=True) if sure}


def _trend(had: NDArray[np.bool_]) -> Trend:
    many, found, half = len(had), int(had.sum()), len(had) // 2
    ranks = int(np.flatnonzero(had).sum()) - found * (found - 1) // 2
    early = int(had[:half].sum())
    return Trend(
        share_of(early, half),
        share_of(found - early, many - half),
        trend_chance(ranks, found, many - found),
    )


@lru_cache(maxsize=4096)
def trend_chance(pairs: int, with_fault: int, without: int) -> float:
    """The one-sided p-value of the rank-sum test (F. Wilcoxon, Biometrics Bulletin 1, 1945).

    For a share whose odds change by a constant factor with each case, the sum of the ranks is
    the sufficient statistic, so no other test of the order finds such a trend more often (D. R.
    Cox and D. V. Hinkley, Theoretical Statistics, 1974, 5.3). Exact by the recursion of H. B.
    Mann and D. R. Whitney (Annals of Mathematical Statistics 18, 1947) up to
    :data:`EXACT_UP_TO` pairs; above that by their normal approximation.

    Args:
        pairs: pairs of a case with the fault and an earlier case without it.
        with_fault: number of cases with the fault.
        without: number of the others.

    Example:
        >>> trend_chance(9, 3, 3)
        0.05
    """
    most = with_fault * without
    if most <= EXACT_UP_TO:
        return min(1.0, float(_distribution(with_fault, without)[pairs:].sum()))
    deviation = math.sqrt(most * (with_fault + without + 1) / 12)
    return math.erfc((pairs - most / 2 - 0.5) / deviation / math.sqrt(2)) / 2


@lru_cache(maxsize=256)
def _distribution(with_fault: int, without: int) -> NDArray[np.float64]:
    """P(0, 1, … pairs) if every order of the cases is as likely as any other."""
    size = with_fault * without + 1
    rows: list[NDArray[np.float64]] = [np.eye(1, size)[0] for _ in range(without + 1)]
    for m in range(1, with_fault + 1):
        for n in range(1, without + 1):
            last = np.zeros(size)  # The last case has the fault: n cases without it are earlier.
            last[n:] = rows[n][: size - n]
            rows[n] = (m * last + n * rows[n - 1]) / (m + n)
    return rows[without]
