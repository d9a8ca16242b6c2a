"""Review the record: figures for each tree, each share with its interval."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from faulttree.authoring.edited_check import EditedCheck
from faulttree.cases import open_store
from faulttree.cases.filters import ReviewFilters
from faulttree.figures.changes import ShareChange, changes
from faulttree.figures.counts import built_in, tally, unsaid
from faulttree.figures.owner import owner_figures
from faulttree.figures.proposals.collect import propose, propose_shared
from faulttree.figures.results import (
    Branch,
    FaultFigures,
    KindFigures,
    Review,
    StepFigures,
    TreeFigures,
)
from faulttree.figures.rises import Rise, closed_cases, rises
from faulttree.figures.statistics import (
    FEW,
    PhaseMinutes,
    Share,
    share_of,
    spread_of,
    upper_limit,
)
from faulttree.figures.tree_counts import TreeCount, gather
from faulttree.figures.trends import Trend, trends
from faulttree.tree import Library

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.figures.counts import ClosedCase, Tallies
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.figures.tree_counts import StepCount
    from faulttree.tree.model import Tree


KINDS = ("confirmed", "documented", "reported", "contradicted", "none")
"""Kinds of evidence, the surest first; ``none`` is a fault without evidence."""

Progress = Callable[[str, int, int], None]


METHOD = (
    "A share is given with its Wilson interval at 95 %; what was never seen with the exact "
    "binomial limit that its share is below.",
    f"Fewer than {FEW} cases are few: such a figure is marked, and nothing is ranked by it.",
    "A branch is counted by the cases that took it before any repair was tried; answers that "
    "somebody went back on are counted apart.",
    "A fault's share is of the closed cases walked on a text of the tree that knew it; it is "
    "confirmed when a repair held.",
    "Changes are tested by the exact binomial test, the last six months against all before, and "
    "rises within a family by a cumulative sum over its cases; by Holm's rule the chance of even "
    "one false alarm in the whole review is 5 %, half for each. The day that a rise began is an "
    "estimate.",
    "A trend is found by the rank-sum test over the order of the cases; of the trends that the "
    "review names, at most 10 % are false on average (Benjamini and Hochberg).",
    "Minutes saved by another order are computed by replaying every case whose fault is known; "
    "the interval is by bootstrap over these cases. The order was chosen by the same cases, "
    "so beside it stands what each half of them saves by an order chosen from the other half.",
)


def review(
    store: Store | str | Path,
    trees: Iterable[Tree] | Library,
    *,
    proposals: bool = True,
    progress: Progress | None = None,
    module: str | None = None,
    library: Library | None = None,
    **filters: Unpack[ReviewFilters],
) -> Review:
    """Review a record: counts, changes over time, and proposals for each tree.

    Args:
        store: the record, or its URL or path.
        trees: the trees or their library; for others the record's last text is used.
        proposals: also make proposals; this takes longer than the counting.
        progress: called with the activity, and how much of how much is done.
        module: only cases of units with this module, or whose tree knows a fault of it.
        library: the trees' files; only moves that its rules allow are proposed.
        **filters: as :func:`faulttree.cases.filters.conditions` names them.

    Raises:
        RecordError: a filter that is not known, or the record cannot be read.
    """
    tell: Progress = progress or (lambda what, done, total: None)
    with opened(store) as record:
        tell("counting", 0, 1)
        known = list(_readable(trees))
        part = [built_in(record, module, known)] if module else []
        tallies = tally(record, part, **filters)
        counts = gather(record, tallies, known)
        figures = _all_figures(counts, tallies.closed, tell)
        fitness = _fitness(trees, library)
        if proposals:
            make = partial(propose, record, filters=filters, part=part, fitness=fitness)
            figures = _with_proposals(figures, counts, make, tell)
        shared = propose_shared(counts, fitness) if proposals and not filters.get("tree") else ()
        left = unsaid(record, part[0], {**filters}) if part else 0
        whole = _whole(tallies, counts, figures, left, {**filters, "module": module})
        return replace(whole, shared=shared, owner=owner_figures(tallies, counts))


@contextmanager
def opened(store: Store | str | Path) -> Iterator[Store]:
    """The record itself, or the one that a URL or path names, open for reading."""
    if isinstance(store, str | Path):
        with open_store(str(store), read_only=True) as record:
            yield record
    else:
        yield store


def _fitness(trees: Iterable[Tree] | Library, library: Library | None) -> EditedCheck | None:
    shelf = trees if isinstance(trees, Library) else library
    return None if shelf is None else EditedCheck(shelf)


def _readable(trees: Iterable[Tree] | Library) -> Iterator[Tree]:
    if not isinstance(trees, Library):
        yield from trees
        return
    examined = (trees.examine(name) for name in trees.trees())
    yield from (one.tree for one in examined if one.tree is not None)


def _with_proposals(
    figures: Sequence[TreeFigures],
    counts: Sequence[TreeCount],
    make: Callable[[TreeCount], tuple[ReviewProposal, ...]],
    tell: Progress,
) -> list[TreeFigures]:
    """The figures of each tree with its proposals, each tree reported as progress."""
    made = []
    for done, (one, count) in enumerate(zip(figures, counts, strict=True)):
        tell("making proposals", done, len(counts))
        made.append(replace(one, proposals=make(count)))
    tell("making proposals", len(counts), max(len(counts), 1))
    return made


def _all_figures(
    counts: Sequence[TreeCount], closed: Sequence[ClosedCase], tell: Progress
) -> list[TreeFigures]:
    tell("counting", 1, 1)
    cases = closed_cases(counts, closed)
    moved = Trends(changes(counts), rises(counts, cases), trends(counts, cases))
    return [_figures(count, moved) for count in counts]


def _whole(
    tallies: Tallies,
    counts: Sequence[TreeCount],
    figures: Sequence[TreeFigures],
    left: int,
    filters: Mapping[str, Any],
) -> Review:
    """The figures of all trees together; ``left`` cases are of units that name no modules."""
    seen = sum(count.cases for count in counts)
    return Review(
        trees=tuple(figures),
        cases=seen,
        unread=sum(one.count for one in tallies.cases) - seen,
        unsaid=left,
        first=min((count.first for count in counts), default=""),
        last=max((count.last for count in counts), default=""),
        benches=tallies.benches,
        suspects=_suspects([fault for one in figures for fault in one.faults]),
        filters={name: value for name, value in filters.items() if value},
        method=METHOD,
    )


@dataclass(frozen=True, slots=True)
class Trends:
    """(tree, fault) → the change of its share over time."""

    changes: Mapping[tuple[str, str], ShareChange]
    rises: Mapping[tuple[str, str], Rise]
    trends: Mapping[tuple[str, str], Trend]


def _figures(count: TreeCount, moved: Trends) -> TreeFigures:
    faults = tuple(_fault(count, name, moved) for name in count.tree.faults)
    closed = count.closed
    named = sum(count.faults.values()) + sum(count.no_longer.values())
    fixed = [case for cases in count.fixed.values() for case in cases]
    return TreeFigures(
        tree=count.tree,
        gone=count.gone,
        cases=count.cases,
        closed=closed,
        first=count.first,
        last=count.last,
        results=dict(count.results.most_common()),
        unsolved=share_of(closed - named, closed),
        open_suspects={
            fault: (len(chances), float(np.mean(chances)))
            for fault, chances in sorted(count.open.items(), key=lambda item: -len(item[1]))
        },
        minutes=_minutes(fixed),
        older=sum(count.texts.values()),
        left_out=dict(count.left_out.most_common()),
        no_longer=dict(count.no_longer.most_common()),
        steps=tuple(_step(count, name) for name in count.tree.steps),
        faults=faults,
        suspects=_suspects(faults),
        quarters=_quarters(count),
        count=count,
    )


def _step(count: TreeCount, name: str) -> StepFigures:
    step, counted = count.tree.steps[name], count.steps[name]
    walked = sum(counted.taken.values())
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    branches = tuple(
        _branch(counted, outcome, step.targets[outcome], walked) for outcome in outcomes
    )
    return StepFigures(
        step=name,
        text=step.text,
        kind=step.kind,
        walked=walked,
        answers=counted.answers,
        skipped=counted.skipped,
        undecided=counted.undecided,
        gone_back=counted.gone_back,
        given_up=counted.given_up,
        later=counted.later,
        found=sum(branch.found for branch in branches),
        confirmed=sum(branch.confirmed.count for branch in branches),
        minutes=spread_of(counted.timed),
        stated=step.minutes,
        branches=branches,
    )


def _branch(counted: StepCount, outcome: str, target: str, walked: int) -> Branch:
    taken, ended = counted.taken[outcome], counted.ended[outcome]
    confirmed = {
        fault: cases for (result, fault), cases in ended.most_common() if result == "fixed"
    }
    return Branch(
        outcome=outcome,
        target=target,
        walked=share_of(taken, walked),
        found=sum(ended.values()),
        confirmed=share_of(sum(confirmed.values()), taken),
        faults=confirmed,
        below=None if taken else upper_limit(walked),
    )


def _fault(count: TreeCount, name: str, moved: Trends) -> FaultFigures:
    fault = count.tree.faults[name]
    confirmed, found = count.faults["fixed", name], count.faults["found", name]
    of = count.could_find(name)
    kinds = {evidence.kind for evidence in fault.evidence}
    return FaultFigures(
        fault=name,
        title=fault.title,
        part=fault.part,
        module=fault.module,
        loose=name in count.tree.loose,
        confirmed=share_of(confirmed, of),
        found=found,
        held=share_of(confirmed, confirmed + count.failed[name]),
        came_back=share_of(count.came_back[name], confirmed),
        below=None if confirmed else upper_limit(of),
        minutes=_minutes(count.fixed.get(name, ())),
        evidence=tuple(kind for kind in KINDS if kind in kinds),
        change=moved.changes.get((count.tree.id, name)),
        rise=moved.rises.get((count.tree.id, name)),
        trend=moved.trends.get((count.tree.id, name)),
    )


def _minutes(cases: Sequence[ClosedCase]) -> PhaseMinutes:
    """The minutes of cases by phase; cases without any timed step are left out."""
    parts = np.array([(one.finding, one.repair, one.closing) for one in cases]).reshape(-1, 3)
    whole = parts.sum(axis=1)
    timed = whole > 0
    finding, repair, closing = (spread_of(part) if part.any() else None for part in parts[timed].T)
    return PhaseMinutes(finding, repair, closing, spread_of(whole[timed]))


def _suspects(faults: Iterable[FaultFigures]) -> tuple[KindFigures, ...]:
    known, seen, held, tried = (Counter[str]() for _ in range(4))
    for fault in faults:
        for kind in fault.evidence or ("none",):
            known[kind] += 1
            seen[kind] += fault.confirmed.count > 0
            held[kind] += fault.held.count
            tried[kind] += fault.held.of
    return tuple(
        KindFigures(kind, Share(seen[kind], known[kind]), Share(held[kind], tried[kind]))
        for kind in KINDS
        if known[kind]
    )


def _quarters(count: TreeCount) -> tuple[tuple[str, int, Mapping[str, int]], ...]:
    closed: Counter[str] = Counter()
    faults: dict[str, Counter[str]] = {}
    for (_, month), cases in count.closed_in.items():
        closed[quarter_of(month)] += cases
    for (fault, month), cases in count.months.items():
        faults.setdefault(quarter_of(month), Counter())[fault] += cases
    return tuple(
        (quarter, closed[quarter], dict(faults.get(quarter, Counter()).most_common()))
        for quarter in sorted(closed)
    )


def quarter_of(month: str) -> str:
    """``2025-Q3`` for ``2025-08``; a text that is not a month is returned unchanged."""
    year, _, number = month.partition("-")
    if not number.isdecimal():
        return month
    return f"{year}-Q{(int(number) + 2) // 3}"
