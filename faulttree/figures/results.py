"""Results of a review as plain figures; each share has its interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

from faulttree.convert import Plain
from faulttree.figures.owner import OwnerFigures
from faulttree.figures.statistics import share_of

if TYPE_CHECKING:
    from faulttree.figures.changes import ShareChange
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.figures.rises import Rise
    from faulttree.figures.statistics import PhaseMinutes, Share, Spread
    from faulttree.figures.tree_counts import TreeCount
    from faulttree.figures.trends import Trend
    from faulttree.tree.model import Tree


@dataclass(frozen=True, slots=True)
class Branch(Plain):
    """Counts of one outcome of a step: its target, and the faults found after it.

    Attributes:
        walked: the cases that took it, of those that answered the step before any repair.
        confirmed: of these, the cases that ended with a confirmed repair.
        found: of these, the cases that named a fault, confirmed or not.
        faults: fault → confirmed cases.
        below: if it was never taken, the upper limit of its share at 95 %.
    """

    outcome: str
    target: str
    walked: Share
    found: int
    confirmed: Share
    faults: Mapping[str, int]
    below: float | None

    def as_dict(self) -> dict[str, Any]:
        """Plain data, numbers not rounded; the share is not nested."""
        data = Plain.as_dict(self)
        return {**data.pop("walked"), **data}


@dataclass(frozen=True, slots=True)
class StepFigures(Plain):
    """Counts of one step: how often it was answered, and the results.

    Attributes:
        walked: cases that answered it before any repair, undecided answers aside.
        answers: all answers, also those after a repair and those gone back on.
        minutes: as timed; ``stated`` is the tree's own figure.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"stated": "stated_minutes"}

    step: str
    text: str
    kind: str
    walked: int
    answers: int
    skipped: int
    undecided: int
    gone_back: int
    given_up: int
    later: int
    found: int
    confirmed: int
    minutes: Spread | None
    stated: float | None
    branches: tuple[Branch, ...]


@dataclass(frozen=True, slots=True)
class FaultFigures(Plain):
    """Counts of one fault: how often it was found and confirmed.

    Attributes:
        confirmed: closed cases that ended with its confirmed repair, of those walked on a text
            of the tree that knew it.
        found: closed cases that named it without one.
        held: repairs of it that were confirmed, of all that were tried.
        came_back: units that came in again soon, of those it was confirmed in.
        below: if it was never confirmed, the upper limit of its share at 95 %.
        minutes: of the cases in which it was confirmed, by phase.
        evidence: kinds of evidence for it in the tree.
        change: whether it became commoner or rarer.
        rise: the time in which it was commoner; None if there is no significant rise.
        trend: its steady growth; None if there is none.
    """

    COMPUTED: ClassVar[tuple[str, ...]] = ("whole",)
    RENAMED: ClassVar[Mapping[str, str]] = {
        "held": "repairs",
        "minutes": "minutes_by_phase",
        "whole": "minutes",
    }

    fault: str
    title: str
    part: str
    module: str | None
    loose: bool
    confirmed: Share
    found: int
    held: Share
    came_back: Share
    below: float | None
    minutes: PhaseMinutes
    evidence: tuple[str, ...]
    change: ShareChange | None
    rise: Rise | None = None
    trend: Trend | None = None

    @property
    def whole(self) -> Spread | None:
        """Minutes of the whole cases."""
        return self.minutes.whole

    def as_dict(self) -> dict[str, Any]:
        """Plain data, numbers not rounded; the share is not nested."""
        data = Plain.as_dict(self)
        share: dict[str, Any] = data["confirmed"]
        return data | {"confirmed": share.pop("count")} | share


@dataclass(frozen=True, slots=True)
class KindFigures(Plain):
    """Counts of suspects with one kind of evidence: how many were confirmed.

    Attributes:
        seen: those confirmed at least once since, of all faults with that kind of evidence.
        held: repairs of them that were confirmed, of all that were tried.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"held": "repairs"}

    kind: str
    seen: Share
    held: Share


@dataclass(frozen=True)
class TreeFigures(Plain):
    """All figures of one tree.

    Attributes:
        tree: the current tree, or its last text in the record if ``gone``.
        results: result → closed cases.
        unsolved: closed cases without a fault, of all closed.
        open_suspects: suspect → (walks that left it untested, its mean probability there).
        minutes: of the cases with a confirmed fault, by phase.
        older: cases walked on older texts; ``left_out`` are answers to steps that are no
            longer there; ``no_longer`` faults found that the tree no longer has.
        quarters: quarter → closed cases, and fault → confirmed cases, oldest first.
    """

    COMPUTED: ClassVar[tuple[str, ...]] = ("whole",)
    RENAMED: ClassVar[Mapping[str, str]] = {
        "unsolved": "without_fault",
        "minutes": "minutes_by_phase",
        "whole": "minutes",
    }
    LEFT_OUT: ClassVar[frozenset[str]] = frozenset(
        {"tree", "open_suspects", "older", "left_out", "no_longer", "quarters", "count"}
    )

    tree: Tree
    gone: bool
    cases: int
    closed: int
    first: str
    last: str
    results: Mapping[str, int]
    unsolved: Share
    open_suspects: Mapping[str, tuple[int, float]]
    minutes: PhaseMinutes
    older: int
    left_out: Mapping[str, int]
    no_longer: Mapping[str, int]
    steps: tuple[StepFigures, ...]
    faults: tuple[FaultFigures, ...]
    suspects: tuple[KindFigures, ...]
    quarters: tuple[tuple[str, int, Mapping[str, int]], ...]
    proposals: tuple[ReviewProposal, ...] = ()
    count: TreeCount | None = field(default=None, repr=False, compare=False)

    @property
    def whole(self) -> Spread | None:
        """Minutes of the whole cases with a confirmed fault."""
        return self.minutes.whole

    @property
    def confirmed(self) -> Share:
        """Closed cases with a confirmed fault, of all closed."""
        return share_of(sum(fault.confirmed.count for fault in self.faults), self.closed)

    @property
    def seen_faults(self) -> list[FaultFigures]:
        """Faults that a case named or a repair was tried for, the commonest first."""
        seen = [f for f in self.faults if f.confirmed.count or f.found or f.held.of]
        return sorted(seen, key=lambda fault: -fault.confirmed.count)

    @property
    def never_faults(self) -> list[FaultFigures]:
        """All other faults."""
        return [f for f in self.faults if not (f.confirmed.count or f.found or f.held.of)]

    def as_dict(self) -> dict[str, Any]:
        """Plain data, numbers not rounded."""
        return super().as_dict() | {
            "tree": self.tree.id,
            "title": self.tree.title,
            "open_suspects": [
                {"fault": fault, "cases": cases, "mean_probability": mean}
                for fault, (cases, mean) in self.open_suspects.items()
            ],
            "older_texts": {
                "cases": self.older,
                "answers_left_out": dict(self.left_out),
                "faults_no_longer": dict(self.no_longer),
            },
            "quarters": [
                {"quarter": quarter, "closed": closed, "confirmed": dict(faults)}
                for quarter, closed, faults in self.quarters
            ],
        }


@dataclass(frozen=True)
class Review(Plain):
    """The whole review.

    Attributes:
        cases: number of cases that match the filters; ``unread``: those without a tree text.
        unsaid: cases counted for a module only by their tree: their units name no modules.
        benches: who took the cases in.
        method: sentences about the method of all figures.
        shared: proposals for shared procedures, over all trees that use them.
        owner: figures of the whole shop.
    """

    COMPUTED: ClassVar[tuple[str, ...]] = ("invented",)
    RENAMED: ClassVar[Mapping[str, str]] = {
        "unread": "cases_unread",
        "unsaid": "modules_unsaid",
    }

    trees: tuple[TreeFigures, ...]
    cases: int
    unread: int
    unsaid: int
    first: str
    last: str
    benches: tuple[str, ...]
    suspects: tuple[KindFigures, ...]
    filters: Mapping[str, Any]
    method: tuple[str, ...]
    shared: tuple[ReviewProposal, ...] = ()
    owner: OwnerFigures = field(default_factory=OwnerFigures)

    @property
    def invented(self) -> bool:
        """Whether the record is marked as invented."""
        return any("(invented)" in bench for bench in self.benches)
