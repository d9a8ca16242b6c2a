"""A proposed change of a tree: it is shown and checked before it is written."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from faulttree.rules.report import finding_dict
from faulttree.tree.edit import ChangeSet

if TYPE_CHECKING:
    from faulttree.authoring.case_impact import MovedCase
    from faulttree.authoring.improvements import Offer
    from faulttree.authoring.placement import Place
    from faulttree.authoring.solved_case import Solved
    from faulttree.tree.finding import Finding


Kind = Literal["found", "added", "misled"]


@dataclass(frozen=True, slots=True)
class Option:
    """A place for the new step, and its cost there.

    Attributes:
        expected: expected minutes over all faults, weighted by their probability.
        again: minutes of the case's own path to its fault.
    """

    place: Place
    expected: float
    again: float

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            **self.place.as_dict(),
            "expected_minutes": self.expected,
            "walk_minutes": self.again,
        }


@dataclass(frozen=True)
class TreeProposal(ChangeSet):
    """A change of a tree that one case teaches.

    Attributes:
        kind: ``found``: the tree led to the fault; ``added``: it could not; ``misled``: a
            branch led away from it.
        solved: the case.
        fault: the fault's id in the tree.
        step: the step that is new, or that is changed; empty where none is.
        why: the reason, as text.
        chosen: the place of a new step, with ``runner_up`` and the places ``refused``.
        expected: expected minutes (before, after) over all faults of the tree, the new one
            included; None if the order does not change.
        walk: minutes (first, again) of the case's own search; None where its answers do not
            reach the fault by themselves.
        told_minutes: whether the minutes of the search off the tree were given; else the
            minutes of the test count.
        moved: the other cases that end elsewhere on the new tree.
        rejudged: other recorded readings that the new limits judge otherwise, in words.
        findings: warnings that the new text has and the old one has not.
        changes: the files to write; empty if there is nothing to edit.
    """

    kind: Kind
    solved: Solved
    fault: str
    step: str = ""
    why: str = ""
    chosen: Option | None = None
    runner_up: Option | None = None
    refused: tuple[tuple[str, str], ...] = ()
    expected: tuple[float, float] | None = None
    walk: tuple[float, float] | None = None
    told_minutes: bool = False
    moved: tuple[MovedCase, ...] = ()
    rejudged: tuple[str, ...] = ()
    offers: tuple[Offer, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def diff(self) -> str:
        """The change as a unified diff."""
        root = self.solved.path.parents[2]
        parts = []
        for change in self.changes:
            path = change.path
            inside = path.is_relative_to(root)
            parts.append(change.diff(path.relative_to(root).as_posix() if inside else str(path)))
        return "".join(parts)

    @property
    def message(self) -> str:
        """A commit message that describes the case."""
        case, tree = self.solved.case, self.solved.now.id
        heads = {
            "added": f"{tree}: find {self.fault}",
            "misled": f"{tree}: lead to {self.fault} where it was missed",
            "found": f"{tree}: changes from case {case.number}",
        }
        lines = [heads[self.kind], "", f"Case {case.number}, {case.title}."]
        if self.solved.seen:
            lines.append(f"Shown by: {self.solved.seen}.")
        if self.why:
            lines.append(self.why)
        if self.walk is not None:
            first, again = self.walk
            lines.append(f"The same unit: {first:g} min then, {again:g} min now.")
        lines += [f"{one}." for one in self.moved]
        return "\n".join(" ".join(line.split()) for line in lines) + "\n"

    def edited(self, text: str) -> TreeProposal:
        """The same proposal with a manually edited text of the tree."""
        (change,) = self.changes
        return replace(self, changes=(change.with_text(text),))

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, numbers not rounded."""
        case = self.solved.case
        return {
            "case": case.id,
            "number": case.number,
            "tree": self.solved.now.id,
            "kind": self.kind,
            "fault": self.fault,
            "step": self.step or None,
            "position": self.chosen.as_dict() if self.chosen else None,
            "reason": self.why,
            "runner_up": self.runner_up.as_dict() if self.runner_up else None,
            "refused": [{"position": where, "reason": why} for where, why in self.refused],
            "minutes": _pair(self.expected, "before", "after"),
            "walk_minutes": _pair(self.walk, "first", "again"),
            "changed_cases": [one.as_dict() for one in self.moved],
            "rejudged": list(self.rejudged),
            "offers": [one.as_dict() for one in self.offers],
            "findings": [finding_dict(one) for one in self.findings],
            "path": str(self.solved.path),
            "diff": self.diff,
        }


def _pair(figures: tuple[float, float] | None, one: str, other: str) -> dict[str, float] | None:
    return None if figures is None else {one: figures[0], other: figures[1]}
