"""A proposal for a tree, with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.convert import Plain


@dataclass(frozen=True)
class ReviewProposal(Plain):
    """A proposed change and its reason.

    Attributes:
        kind: ``order``, ``weights``, ``move-down``, ``limits``, ``minutes`` or ``tell-apart``.
        at: the step or fault it is about; empty for the whole tree.
        what: the change, as one sentence.
        why: the reason from the record, with figures and intervals.
        figures: the same as plain data.
        change: the edit as plain data, ``action`` first.
        by_hand: why the program cannot make the edit; empty if it can.
    """

    kind: str
    at: str
    what: str
    why: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    change: Mapping[str, Any] = field(default_factory=dict)
    by_hand: str = ""

    @property
    def owner(self) -> str:
        """The tree or the shared procedure whose file it changes."""
        return str(self.change.get("tree") or self.change.get("procedure", ""))

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {**super().as_dict(), "by_hand": self.by_hand or None}
