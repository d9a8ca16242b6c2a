"""Propose another order of tests if it significantly saves time on the record."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.figures.proposals.proposal import ReviewProposal
from faulttree.figures.replay import replanned
from faulttree.figures.statistics import FEW

if TYPE_CHECKING:
    from faulttree.figures.order_replay import PlannedOrder
    from faulttree.figures.proposals.moves import MovedOrder, Mover
    from faulttree.figures.replay import Recorded, Replay


WORTH_SAYING = 1.0
"""Minutes a case below which another order is not proposed: common practice, no source."""

BESIDES = 0.5
"""Least minutes a case that a planned order must save beyond moves to be proposed too."""


def order(known: Recorded, mover: Mover) -> Iterator[ReviewProposal]:
    """Proposals: steps to move in the author's file, then a newly planned order."""
    if sum(known.fit.values()) < FEW:
        return  # Planning takes long, and no order is proposed from so few cases.
    found = replanned(known)
    if found is None or not _pays(found[1]):
        return
    moved = mover.tried()
    got = 0.0
    if moved is not None and _pays(moved[1]):
        yield _moves(*moved)
        got = moved[1].held_out.mean + BESIDES
    if found[1].held_out.mean < got:
        return
    try:
        yield _anew(known.tree.id, *found, begin="Or ask" if got else "Ask")
    except FaulttreeError:
        return


def _pays(tried: Replay) -> bool:
    return tried.cases >= FEW and tried.sure and tried.held_out.mean >= WORTH_SAYING


def _moves(moved: MovedOrder, tried: Replay) -> ReviewProposal:
    now, then = moved.expected
    told = [f"{place.step} {place}" for place in moved.places]
    return ReviewProposal(
        "order",
        moved.places[0].step if len(moved.places) == 1 else "",
        f"Move {', then '.join(told).replace('`', '')}.",
        f"{_replayed(tried)} By the odds of these cases and the tree's weights it takes "
        f"{then:.1f} min instead of {now:.1f}. No fault of the tree is found less reliably, and "
        "each step keeps its safety checks before it.",
        {**tried.as_dict(), **moved.as_figures()},
        {"action": "move-steps", "tree": moved.tree.id, "moves": moved.as_data()},
    )


def _anew(tree: str, planned: PlannedOrder, tried: Replay, *, begin: str) -> ReviewProposal:
    return ReviewProposal(
        "order",
        "",
        f"{begin} in a newly planned order: {', then '.join(planned.first)}.",
        _replayed(tried),
        tried.as_dict(),
        {
            "action": "replace-order",
            "tree": tree,
            "first": list(planned.first),
            "document": planned.document(),
        },
        "It is another tree: `--json` gives it completely under `change`, to be read and accepted "
        "or not.",
    )


def _replayed(tried: Replay) -> str:
    saved, held = tried.saved, tried.held_out
    left = (
        f" {tried.left_out} cases are left out: their own readings do not lead to their fault in "
        "the current tree."
        if tried.left_out
        else ""
    )
    return (
        f"Replayed on {tried.cases} cases it takes {tried.after:.1f} min instead of "
        f"{tried.before:.1f} on average: {saved.mean:.1f} min saved a case ({saved.low:.1f} to "
        f"{saved.high:.1f}); {held.mean:.1f} ({held.low:.1f} to {held.high:.1f}) where each half "
        f"of the cases is replayed in an order chosen from the other half. "
        f"{tried.longer.count} cases would have taken longer, the worst by {tried.worst:.0f} min; "
        f"{tried.misled} would have been misled.{left}"
    )
