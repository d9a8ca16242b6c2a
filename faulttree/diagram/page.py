"""Pages: pieces of a chart laid out, and stood on paper beside and below each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from faulttree.diagram.chart import Box, Chart, Link
from faulttree.diagram.layout import Asked, Engine, Laid, Span, lay
from faulttree.diagram.symbols import SymbolShape, figure_of, label_room

GAP = 14.0
LOOK_BACK = 4
"""How many pages back there may be room for a small piece; further would hide it."""
HEADING = 22.0


@dataclass(frozen=True, slots=True)
class Plate:
    """A piece of a chart, laid out. Lengths are in points, from its own top left.

    Attributes:
        placed: every box with its figure and the middle it stands at.
        laid, links: the ways of the arrows, and the arrows in the same order.
        frames: names of the frames, in the layout's order.
        heading: words that stand above it.
    """

    placed: tuple[tuple[Box, SymbolShape, Span], ...]
    laid: Laid
    links: tuple[Link, ...]
    frames: tuple[str, ...]
    width: float
    height: float
    heading: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """Plates with the places of their top left corners, under the title of a chart."""

    chart: Chart
    plates: tuple[tuple[Plate, Span], ...]
    width: float
    height: float


def lay_out(
    charts: Sequence[Chart], *, run: Engine | None = None, across: bool = False
) -> list[Plate]:
    """Lay out charts, or parts of one, a plate each; loose boxes are left out."""
    drafts = [_Draft(chart) for chart in charts]
    laid = lay([draft.asked for draft in drafts], across=across, run=run)
    return [draft.plate(found) for draft, found in zip(drafts, laid, strict=True)]


class _Draft:
    """A chart made ready for the layout engine, which knows boxes by number only."""

    def __init__(self, chart: Chart) -> None:
        exits = Counter(link.tail for link in chart.links)
        loose = set(chart.loose)
        self.boxes = [box for key, box in chart.boxes.items() if key not in loose]
        self.figures = [figure_of(box, exits[box.key]) for box in self.boxes]
        number = {box.key: at for at, box in enumerate(self.boxes)}
        self.links = [link for link in chart.links if link.tail in number and link.head in number]
        self.frames = {
            name: inside
            for name, held in chart.frames.items()
            if (inside := [number[key] for key in held if key in number])
        }
        self.asked: Asked = (
            [(figure.width, figure.height) for figure in self.figures],
            [(number[link.tail], number[link.head], label_room(link)) for link in self.links],
            list(self.frames.values()),
        )

    def plate(self, laid: Laid) -> Plate:
        """The plate, from what the engine said."""
        placed = tuple(
            (box, figure, laid.middles[at])
            for at, (box, figure) in enumerate(zip(self.boxes, self.figures, strict=True))
        )
        size = (laid.width + 4, laid.height + 4)
        return Plate(placed, laid, tuple(self.links), tuple(self.frames), *size)


def shelve(boxes: Iterable[Box], room: float, heading: str = "") -> Plate:
    """Stand boxes side by side in rows no wider than ``room``."""
    placed = []
    x, widest, row = 0.0, 0.0, 0.0
    top = HEADING if heading else 0.0
    for box in boxes:
        figure = figure_of(box)
        if x and x + figure.width > room:
            x, top, row = 0.0, top + row + GAP, 0.0
        placed.append((box, figure, (x + figure.width / 2, top + figure.height / 2)))
        x += figure.width + GAP
        row = max(row, figure.height)
        widest = max(widest, x - GAP)
    return Plate(tuple(placed), Laid(0, 0, {}, {}), (), (), widest, top + row, heading)


def stand(chart: Chart, plates: Sequence[Plate], room: Span | None = None) -> list[Page]:
    """Stand plates on pages in their order, side by side where they fit.

    Args:
        chart: whose title the pages have.
        plates: each no larger than ``room``; a larger one gets a page to itself.
        room: width and height for plates; None for one page as large as is needed.
    """
    if room is None:
        return [_page(chart, _column(plates))]
    sheets: list[_Sheet] = []
    for plate in plates:
        place = None
        for sheet in sheets[-LOOK_BACK:]:
            place = sheet.take(plate, room)
            if place:
                break
        if not place:
            sheets.append(_Sheet())
            sheets[-1].put(plate, (0.0, 0.0))
    return [_page(chart, tuple(sheet.plates)) for sheet in sheets]


def _column(plates: Iterable[Plate]) -> tuple[tuple[Plate, Span], ...]:
    y, stood = 0.0, []
    for plate in plates:
        stood.append((plate, (0.0, y)))
        y += plate.height + GAP
    return tuple(stood)


@dataclass(slots=True)
class _Sheet:
    """One page being filled, from left to right and from top to bottom."""

    plates: list[tuple[Plate, Span]] = field(default_factory=list)
    right: float = 0.0
    top: float = 0.0
    bottom: float = 0.0

    def take(self, plate: Plate, room: Span) -> bool:
        """Stand a plate beside the last one or below all, where it fits."""
        if self.right + plate.width <= room[0] and self.top + plate.height <= room[1]:
            self.put(plate, (self.right, self.top))
            return True
        below = self.bottom + GAP
        if plate.width <= room[0] and below + plate.height <= room[1]:
            self.top = below
            self.put(plate, (0.0, below))
            return True
        return False

    def put(self, plate: Plate, place: Span) -> None:
        """Stand it there."""
        self.plates.append((plate, place))
        self.right = place[0] + plate.width + 2 * GAP
        self.bottom = max(self.bottom, place[1] + plate.height)


def _page(chart: Chart, plates: tuple[tuple[Plate, Span], ...]) -> Page:
    width = max(x + plate.width for plate, (x, _) in plates)
    height = max(y + plate.height for plate, (_, y) in plates)
    return Page(chart, plates, width, height)


def one_page(chart: Chart, *, run: Engine | None = None, across: bool = False) -> Page:
    """The whole chart on one page, its loose boxes below it, no box crowded with arrows."""
    chart = relieved(chart)
    plate = lay_out([chart], run=run, across=across)[0]
    plates = [plate] if plate.placed else []
    if chart.loose:
        boxes = [chart.boxes[key] for key in chart.loose]
        plates.append(shelve(boxes, max(plate.width, 520.0), chart.loose_heading))
    return stand(chart, plates)[0] if plates else Page(chart, (), 0.0, 0.0)


MOST_ARROWS = 4
"""So many arrows may lead to one box; of more, all but the first are taken out."""

ENDS = frozenset({"fault", "stop"})


def relieved(chart: Chart) -> Chart:
    """The chart with no more than :data:`MOST_ARROWS` arrows to any box."""
    count: dict[str, int] = {}
    for link in chart.links:
        count[link.head] = count.get(link.head, 0) + 1
    crowded = {
        head
        for head, arrows in count.items()
        if arrows > MOST_ARROWS and chart.boxes[head].kind != "module"
    }
    if not crowded:
        return chart
    boxes = dict(chart.boxes)
    links: list[Link] = []
    numbers: dict[str, int] = {}
    first: set[str] = set()
    for link in chart.links:
        if link.head not in crowded or link.head not in first:
            first.add(link.head)
            links.append(link)
        elif boxes[link.head].kind in ENDS:
            key = f"{link.head}@{link.tail}"
            boxes[key] = replace(boxes[link.head], key=key)
            links.append(replace(link, head=key))
        else:
            number = numbers.setdefault(link.head, len(numbers) + 1)
            key = f"out {link.tail} {link.head}"
            goes = f"goes on at {link.head}"
            boxes[key] = Box(key, "connector", str(number), facts=(link.head,), tip=goes)
            links.append(replace(link, head=key, goal=link.head))
    for head, number in numbers.items():
        key = f"in {head}"
        said = f"from {count[head] - 1}"
        boxes[key] = Box(key, "connector", str(number), facts=(said,), tip=said, badge="in")
        links.append(Link(key, head))
    legend = ("connector",) if numbers else ()
    return replace(chart, boxes=boxes, links=tuple(links), legend=(*chart.legend, *legend))
