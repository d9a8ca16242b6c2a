"""What to change in a tree, by its record: each with why, and as plain data to apply."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.figures.gathering import TreeCount
    from faulttree.figures.reviewing import TreeFigures

__all__ = ["Proposal", "propose"]


@dataclass(frozen=True)
class Proposal:
    """Something to change, and why.

    Attributes:
        kind: ``order``, ``move-down``, ``weights``, ``limits``, ``minutes`` or ``tell-apart``.
        at: the step or fault it is about; empty for the whole tree.
        what: what to do, one sentence.
        why: what the record says, with its figures and intervals.
        figures: the same as plain data.
        change: the edit as plain data, ``action`` first; for whoever applies it.
    """

    kind: str
    at: str
    what: str
    why: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    change: Mapping[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "kind": self.kind,
            "at": self.at,
            "what": self.what,
            "why": self.why,
            "figures": dict(self.figures),
            "change": dict(self.change),
        }


def propose(
    store: Store, figures: TreeFigures, count: TreeCount, filters: Mapping[str, Any]
) -> tuple[Proposal, ...]:
    """All that a tree's record suggests to change."""
    return ()
