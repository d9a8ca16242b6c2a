"""The review as one HTML page: works from disk, fetches nothing, prints on A4."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from faulttree.diagram import Counts, picture
from faulttree.diagram.html_page import themed_page
from faulttree.errors import FaulttreeError
from faulttree.figures import formatting
from faulttree.figures.render.plots import PlotLine, boxes, intervals, lines_over_time
from faulttree.figures.statistics import FEW

if TYPE_CHECKING:
    from faulttree.figures.results import KindFigures, Review, TreeFigures


PLOTTED = 12
"""Faults that a plot shows at most; the table shows all."""

KINDS = {
    "order": "Order",
    "weights": "Weights",
    "move-down": "Move down",
    "limits": "Limits",
    "minutes": "Minutes",
    "tell-apart": "Tell apart",
}


def page(review: Review, *, progress: Callable[[int, int], None] | None = None) -> str:
    """Render the page.

    Args:
        review: the results.
        progress: called with the number of trees drawn, and of all.
    """
    drawings = []
    for at, tree in enumerate(review.trees):
        if progress is not None:
            progress(at, len(review.trees))
        drawings.append(dict(_drawings(tree)))
    if progress is not None:
        progress(len(review.trees), len(review.trees))
    only = f": {review.trees[0].tree.title}" if len(review.trees) == 1 else ""
    return themed_page(
        "figures/render/review.html.jinja",
        title=f"Review of the record{only}",
        review=review,
        drawings=drawings,
        said=formatting,
        plot_suspects=_suspects,
        kinds=KINDS,
        few=FEW,
        plotted=PLOTTED,
    )


def _drawings(tree: TreeFigures) -> Iterator[tuple[str, Any]]:
    """The plots and the diagram of a tree, by name; empty if there is nothing to draw.

    The functions that draw plots escape all texts of the tree, so their results are markup.
    """
    confirmed = [fault for fault in tree.seen_faults if fault.confirmed.count][:PLOTTED]
    shares = [(fault.fault, fault.confirmed) for fault in confirmed]
    timed = [(f.fault, f.minutes.finding) for f in confirmed if f.minutes.finding]
    yield "confirmed", _plot(shares and intervals("Share of closed cases by fault", shares))
    yield "minutes", _plot(timed and boxes("Minutes to find the fault", timed))
    names = _trend_names(tree)
    enough = [quarter for quarter in tree.quarters if quarter[1] >= FEW]
    lines = [
        PlotLine(name, tuple(faults.get(name, 0) / closed for _, closed, faults in enough))
        for name in names
    ]
    times = [quarter for quarter, _, _ in enough]
    drawn = len(times) > 1 and lines and lines_over_time("Share of faults over time", times, lines)
    yield "names", names
    yield "trend", _plot(drawn)
    diagram, error = _diagram(tree)
    yield "diagram", diagram
    yield "error", error


def _plot(drawn: object) -> Markup:
    return Markup(drawn or "")  # noqa: S704


def _trend_names(tree: TreeFigures) -> list[str]:
    """The faults shown over time, at most four: those that changed, then the commonest."""
    if len(tree.quarters) < 2:
        return []
    changed = [f.fault for f in tree.faults if f.change is not None and f.change.alarm]
    common = [f.fault for f in tree.seen_faults if f.confirmed.count]
    return list(dict.fromkeys([*changed, *common]))[:4]


def _suspects(kinds: Sequence[KindFigures], where: str) -> Markup:
    seen = [(f"{kind.kind}, seen", kind.seen) for kind in kinds]
    held = [(f"{kind.kind}, repairs held", kind.held) for kind in kinds if kind.held.of]
    return _plot(intervals(f"Suspects by kind of evidence, {where}", [*seen, *held]))


def _diagram(tree: TreeFigures) -> tuple[str, str]:
    """The tree shaded by its counts, as SVG in base 64, or the reason for none."""
    if tree.count is None:
        return "", ""
    taken = {
        (name, outcome): many
        for name, step in tree.count.steps.items()
        for outcome, many in step.taken.items()
    }
    confirmed = {fault.fault: fault.confirmed.count for fault in tree.faults}
    counts = Counts(tree.cases, taken, confirmed)
    try:
        drawn = picture(tree.tree, paged=False, counts=counts).svg()
    except FaulttreeError as error:
        return "", error.message
    return base64.b64encode(drawn.encode()).decode(), ""
