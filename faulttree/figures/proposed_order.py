"""Another order of tests, where the record surely pays for it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.figures.intervals import FEW
from faulttree.figures.proposal import Proposal

if TYPE_CHECKING:
    from faulttree.figures.gathering import TreeCount
    from faulttree.figures.replay import Replay

__all__ = ["order"]

WORTH_SAYING = 1.0
"""Minutes a case below which another order is not proposed: common practice, no source."""


def order(count: TreeCount, tried: Replay | None) -> Iterator[Proposal]:
    if tried is None or tried.cases < FEW:
        return
    sure = tried.saved.low > 0 and tried.held_out.low > 0
    if not sure or tried.held_out.mean < WORTH_SAYING:
        return
    try:
        document = tried.order.document()
    except FaulttreeError:
        return
    saved, held = tried.saved, tried.held_out
    yield Proposal(
        "order",
        "",
        f"Ask in another order: {', then '.join(tried.order.first)}.",
        f"Replayed on {tried.cases} cases it takes {tried.after:.1f} min instead of "
        f"{tried.before:.1f} on average: {saved.mean:.1f} min saved a case ({saved.low:.1f} to "
        f"{saved.high:.1f}); {held.mean:.1f} ({held.low:.1f} to {held.high:.1f}) where each half "
        f"of the cases is replayed in an order chosen from the other half. "
        f"{tried.longer.count} cases would have taken longer, the worst by {tried.worst:.0f} min; "
        f"{tried.misled} would have been misled. {tried.left_out} cases are left out: their own "
        "readings do not lead to their fault in the tree as it stands.",
        tried.as_dict(),
        {
            "action": "replace-order",
            "tree": count.tree.id,
            "first": list(tried.order.first),
            "document": document,
        },
    )
