"""Something to change in a tree, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.convert import Plain

__all__ = ["ReviewProposal"]


@dataclass(frozen=True)
class ReviewProposal(Plain):
    """Something to change, and why.

    Attributes:
        kind: ``order``, ``weights``, ``move-down``, ``limits``, ``minutes`` or ``tell-apart``.
        at: the step or fault it is about; empty for the whole tree.
        what: what to do, one sentence.
        why: what the record says, with its figures and intervals.
        figures: the same as plain data.
        change: the edit as plain data, ``action`` first; for whoever applies it.
        by_hand: why no program can make the edit; empty where it can be applied.
    """

    kind: str
    at: str
    what: str
    why: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    change: Mapping[str, Any] = field(default_factory=dict)
    by_hand: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {**super().as_dict(), "by_hand": self.by_hand or None}
