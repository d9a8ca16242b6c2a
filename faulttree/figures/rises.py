"""Find faults whose share rose within a family, the dates, and the chance of it.

Comparing two time spans misses a slow rise and a bad batch of parts. A chart over the single
cases (:mod:`faulttree.figures.cusum`) finds both, and estimates when the rise began.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from faulttree.convert import Plain
from faulttree.figures.changes import ALARM, LEAST
from faulttree.figures.cusum import CusumChart, Peak, chart_for
from faulttree.figures.statistics import Share, holm, share_of
from faulttree.figures.tree_counts import owners

if TYPE_CHECKING:
    from faulttree.figures.counts import ClosedCase
    from faulttree.figures.tree_counts import TreeCount


WORTH_COMPUTING = 1.0
"""How many times as likely a run must be with the odds risen, for each case found, for its chance
to be computed: below 1.3 no chance of 2.5 % was seen, from 5 cases of 20 to 400 of 4,000."""

ENOUGH_MISSED = 8
"""Runs in a row without an alarm after which no more chances are computed."""

Flags = NDArray[np.bool_]

Identity = tuple[str, str]
"""(module or family, fault): one cause, whichever tree of the family finds it."""


@dataclass(frozen=True, slots=True)
class Rise(Plain):
    """A period in which a fault was significantly commoner.

    Attributes:
        family: the family whose closed cases were examined, all its trees together.
        since: day of the case that the rise is estimated to begin with.
        until: day of the case that it is estimated to end with; None where it still goes on.
        during: confirmed cases of closed ones in that time.
        otherwise: the same of all the other time.
        chance: the chance of a run as high or higher in any order of the same cases.
        run_length: closed cases between false alarms, on average, of a chart that alarms there.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"run_length": "cases_between_false_alarms"}

    family: str
    since: str
    until: str | None
    during: Share
    otherwise: Share
    chance: float
    run_length: float


@dataclass(frozen=True, slots=True)
class ClosedCases:
    """The closed cases of a family in the order they came in, as codes in arrays of equal length.

    Attributes:
        days: when each came in.
        texts: which of ``names`` it was walked on.
        faults: which of ``causes`` was confirmed; -1 where none was.
    """

    days: Sequence[str]
    texts: NDArray[np.int64]
    faults: NDArray[np.int64]
    names: Mapping[str, int]
    causes: Mapping[Identity, int]

    def that_knew(self, fault: Identity, texts: Collection[str]) -> tuple[list[str], Flags]:
        """Days of the cases on some texts, and whether each had the fault."""
        known = [self.names[text] for text in texts if text in self.names]
        rows = np.flatnonzero(np.isin(self.texts, known))
        had = self.faults[rows] == self.causes.get(fault, -2)
        return [self.days[row] for row in rows.tolist()], had


def rises(
    counts: Sequence[TreeCount], cases: Mapping[str, ClosedCases]
) -> Mapping[tuple[str, str], Rise]:
    """(tree, fault) → its rise, for the faults with a significant rise.

    Holm's rule over all faults with enough cases keeps the chance of one false alarm low.

    Args:
        counts: the counts of each tree.
        cases: family → its closed cases.
    """
    tested = list(_tested(counts, cases))
    chances = _chances([run for *_, run in tested])
    found = {
        (family, fault): run.as_rise(family, chance)
        for (family, fault, run), chance, sure in zip(
            tested, chances, holm(chances, ALARM), strict=True
        )
        if sure and run is not None
    }
    return {
        (count.tree.id, name): found[count.tree.family, count.tree.identity(name)]
        for count in counts
        for name in count.tree.faults
        if (count.tree.family, count.tree.identity(name)) in found
    }


def _tested(
    counts: Sequence[TreeCount], cases: Mapping[str, ClosedCases]
) -> Iterator[tuple[str, Identity, _Run | None]]:
    """Each fault of a family with enough cases, and its highest run."""
    for family in sorted(cases):
        known = _known([count for count in counts if count.tree.family == family])
        for fault, texts in sorted(known.items()):
            days, had = cases[family].that_knew(fault, texts)
            if had.sum() >= LEAST:
                yield family, fault, _run(days, had)


def _known(trees: Sequence[TreeCount]) -> Mapping[Identity, set[str]]:
    """Fault → the texts that have it: only on these it could be found."""
    found: dict[Identity, set[str]] = {}
    for count in trees:
        for name in count.tree.faults:
            found.setdefault(count.tree.identity(name), set()).update(count.texts_with(name))
    return found


@dataclass(frozen=True, slots=True)
class _Run:
    """The highest run of a fault, before its chance is known."""

    chart: CusumChart
    peak: Peak
    days: Sequence[str]
    had: Flags

    @property
    def bound(self) -> float:
        """An upper bound of the chance, which costs nothing."""
        return len(self.days) * math.exp(-self.chart.decay * self.peak.height)

    @property
    def chance(self) -> float:
        """The chance of a run as high in any order of the same cases; this takes time."""
        return self.chart.chance_given(self.peak.height, len(self.days), int(self.had.sum()))

    def as_rise(self, family: str, chance: float) -> Rise:
        """The run as a figure of the review."""
        days, peak, many = self.days, self.peak, len(self.days)
        end = peak.at + 1 if peak.over else many
        inside, found = int(self.had[peak.begins : end].sum()), int(self.had.sum())
        return Rise(
            family=family,
            since=days[peak.begins],
            until=days[peak.at] if peak.over else None,
            during=share_of(inside, end - peak.begins),
            otherwise=share_of(found - inside, many - (end - peak.begins)),
            chance=chance,
            run_length=self.chart.run_length(peak.height),
        )


def _run(days: Sequence[str], had: Flags) -> _Run | None:
    """The highest run of a fault; None if its chance need not be computed."""
    many, found = len(days), int(had.sum())
    if found == many:
        return None
    chart = chart_for(found / many)
    peak = chart.peak(had)
    if chart.likelihood(peak.height) < WORTH_COMPUTING * found:
        return None
    return _Run(chart, peak, days, had)


def _chances(runs: Sequence[_Run | None]) -> list[float]:
    """The chance of each run, for Holm's rule; 1 where it is not computed.

    Runs are taken in the order of their bounds, the most significant first, until so many in a
    row are no alarm. A chance that is too large is never a false alarm, so the rest may have 1.
    """
    chances, missed = [1.0] * len(runs), 0
    order = [(run.bound, at) for at, run in enumerate(runs) if run is not None]
    for rank, (_, at) in enumerate(sorted(order)):
        run = runs[at]
        if missed == ENOUGH_MISSED or run is None:
            break
        chances[at] = run.chance
        missed = 0 if chances[at] <= ALARM / (len(runs) - rank) else missed + 1
    return chances


def closed_cases(
    counts: Sequence[TreeCount], closed: Iterable[ClosedCase]
) -> Mapping[str, ClosedCases]:
    """Family → its closed cases.

    Args:
        counts: the counts of each tree.
        closed: the closed cases in any order; those of trees that were not counted are left out.
    """
    owner = owners(counts)
    causes = cache(lambda text, fault: _cause(owner[text], text, fault))
    rows: dict[str, list[tuple[str, str, Identity | None]]] = {}
    for case in sorted(closed, key=lambda one: (one.opened, one.number)):
        text = case.tree_hash
        if text in owner:
            cause = causes(text, case.fault) if case.result == "fixed" else None
            rows.setdefault(owner[text].tree.family, []).append((case.opened[:10], text, cause))
    return {family: _coded(cases) for family, cases in rows.items()}


def _cause(count: TreeCount, text: str, fault: str) -> Identity | None:
    name = count.fault(text, fault)
    return None if name is None else count.tree.identity(name)


def _coded(cases: Sequence[tuple[str, str, Identity | None]]) -> ClosedCases:
    days, texts, faults = zip(*cases, strict=True)
    names = {text: code for code, text in enumerate(dict.fromkeys(texts))}
    named = dict.fromkeys(fault for fault in faults if fault is not None)
    causes = {fault: code for code, fault in enumerate(named)}
    return ClosedCases(
        days,
        np.array([names[text] for text in texts]),
        np.array([-1 if fault is None else causes[fault] for fault in faults]),
        names,
        causes,
    )
