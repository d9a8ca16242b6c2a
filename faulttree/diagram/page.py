"""One page of a picture: its chart laid out, with what stands above and below it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from faulttree.diagram.chart import Box, Chart, Link
from faulttree.diagram.layout import Engine, Laid, lay
from faulttree.diagram.symbols import Figure, figure_of, label_room

__all__ = ["GAP", "Page", "make_page"]

GAP = 14.0


@dataclass(frozen=True, slots=True)
class Page:
    """A laid-out page. Lengths are in points.

    Attributes:
        placed: every box with its figure and the middle it stands at, in the chart's frame.
        laid: the layout that the arrows are taken from.
        links: the arrows, in the layout's order.
        loose_top: where the boxes begin that nothing leads to, or None.
        width, height: of the chart itself, without title and legend.
    """

    chart: Chart
    placed: tuple[tuple[Box, Figure, tuple[float, float]], ...]
    laid: Laid
    links: tuple[Link, ...]
    frames: tuple[str, ...]
    loose_top: float | None
    width: float
    height: float


def make_page(chart: Chart, *, run: Engine | None = None, across: bool = False) -> Page:
    """Lay one page out."""
    exits = Counter(link.tail for link in chart.links)
    loose = set(chart.loose)
    boxes = [box for key, box in chart.boxes.items() if key not in loose]
    figures = [figure_of(box, exits[box.key]) for box in boxes]
    number = {box.key: at for at, box in enumerate(boxes)}
    # The engine numbers arrows by their place in this list.
    links = tuple(link for link in chart.links if link.tail in number and link.head in number)
    frames = {
        name: inside
        for name, held in chart.frames.items()
        if (inside := [number[key] for key in held if key in number])
    }
    laid = lay(
        [(figure.width, figure.height) for figure in figures],
        [(number[link.tail], number[link.head], label_room(link)) for link in links],
        list(frames.values()),
        across=across,
        run=run,
    )
    placed = [
        (box, figure, laid.middles[at])
        for at, (box, figure) in enumerate(zip(boxes, figures, strict=True))
    ]
    apart = [chart.boxes[key] for key in chart.loose if key in chart.boxes]
    width, height = _reach(laid)
    top = None
    if apart:
        top = height + (GAP if placed else 0)
        shelved, width, height = _shelve(apart, width, top + 20)
        placed += shelved
    return Page(chart, tuple(placed), laid, links, tuple(frames), top, width, height)


def _reach(laid: Laid) -> tuple[float, float]:
    """How far the layout goes: a line may bulge a little beyond its bounding box."""
    return laid.width + 4, laid.height + 4


def _shelve(
    boxes: list[Box], width: float, top: float
) -> tuple[list[tuple[Box, Figure, tuple[float, float]]], float, float]:
    """Stand boxes side by side in rows below the chart."""
    room = max(width, 520.0)
    placed = []
    x, row = 0.0, 0.0
    for box in boxes:
        figure = figure_of(box)
        if x and x + figure.width > room:
            x, top, row = 0.0, top + row + GAP, 0.0
        placed.append((box, figure, (x + figure.width / 2, top + figure.height / 2)))
        x += figure.width + GAP
        row = max(row, figure.height)
        width = max(width, x - GAP)
    return placed, width, top + row
