"""A large chart split over sheets of paper, with numbered connectors between them.

The chart is cut into pieces that hang together; where an arrow leaves a piece it ends in a
circle with a number, and goes on from the circle with the same number (the connector of
ISO 5807). Faults and stops are drawn wherever they are reached. Every page has the same
scale, so that the letters have one size throughout.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from faulttree.diagram.chart import CLOSING, START, Box, Chart, Link
from faulttree.diagram.layout import Engine, Span
from faulttree.diagram.page import Page, Plate, lay_out, shelve, stand
from faulttree.diagram.symbols import figure_of

# A laid-out piece fills about this share of its bounding box.
FILL = 0.45
# How much too large a piece may be: its page is then drawn that much smaller.
SHRINK = 1.1
# How much smaller a piece is cut when it did not fit.
STEP = 0.8
ENDS = frozenset({"fault", "stop", "module"})
CONNECTOR_AREA = 60.0 * 70.0


def split(
    chart: Chart, room: Span, *, across: bool = False, run: Engine | None = None
) -> list[Page]:
    """Split a chart over pages.

    Args:
        chart: what to split.
        room: width and height there is for the chart on each page.
        across: ranks from left to right.
        run: the layout engine, where another than the usual is wanted.
    """
    cutter = _Cutter(chart, room[0] * room[1] * FILL)
    lay_all = partial(lay_out, run=run, across=across)
    plates = _fitted(cutter, room, lay_all)
    if chart.loose:
        boxes = (chart.boxes[key] for key in chart.loose)
        plates.append(shelve(boxes, room[0], chart.loose_heading))
    pages = stand(chart, plates, room)
    return _numbered(pages)


class _Cutter:
    """Knows the chart as a tree of boxes, and cuts it where it grows too large for a page."""

    def __init__(self, chart: Chart, capacity: float) -> None:
        self.chart = chart
        self.capacity = capacity
        self.after: dict[str, list[Link]] = {}
        self.before: dict[str, list[Link]] = {}
        for link in chart.links:
            self.after.setdefault(link.tail, []).append(link)
            self.before.setdefault(link.head, []).append(link)
        self.exits = {key: len(links) for key, links in self.after.items()}
        self.children, self.order = self._grow()

    def _is_end(self, key: str) -> bool:
        return self.chart.boxes[key].kind in ENDS

    def _grow(self) -> tuple[dict[str, list[str]], list[str]]:
        """Each box under the first that leads to it, depth first; ends are left out."""
        boxes = self.chart.boxes
        children: dict[str, list[str]] = {}
        order: list[str] = []
        heads = {link.head for link in self.chart.links}
        loose = set(self.chart.loose)
        roots = [key for key in (START, CLOSING) if key in boxes]
        roots += [key for key in boxes if key not in heads and key not in loose]
        for root in dict.fromkeys([*roots, *boxes]):
            if root in loose or root in children or (self._is_end(root) and root in heads):
                continue
            stack: list[tuple[str, str | None]] = [(root, None)]
            while stack:
                key, parent = stack.pop()
                if key in children:
                    continue
                children[key] = []
                order.append(key)
                if parent is not None:
                    children[parent].append(key)
                follow = [link.head for link in self.after.get(key, ())]
                stack += [(head, key) for head in reversed(follow) if not self._is_end(head)]
        return children, order

    def _area(self, key: str) -> float:
        """What a box takes of a page, with the ends it leads to and the gaps about them."""
        keys = [key, *(link.head for link in self.after.get(key, ()) if self._is_end(link.head))]
        total = 0.0
        for held in keys:
            figure = figure_of(self.chart.boxes[held], self.exits.get(held, 0))
            total += (figure.width + 22) * (figure.height + 44)
        return total

    def pieces(self, keys: Iterable[str] | None = None, share: float = 1.0) -> list[list[str]]:
        """Cut all boxes, or these, into pieces of at most ``share`` of a page."""
        order = self.order if keys is None else list(keys)
        inside = set(order)
        weight: dict[str, float] = {}
        held: dict[str, list[str]] = {}
        roots = []
        for key in reversed(order):
            below = [child for child in self.children[key] if child in inside]
            below.sort(key=lambda child: weight[child])
            weight[key] = self._area(key) + sum(weight[child] for child in below)
            while below and weight[key] > self.capacity * share:
                cut = below.pop()
                weight[key] += CONNECTOR_AREA - weight[cut]
                roots.append(cut)
            held[key] = [key, *(name for child in below for name in held[child])]
        heads = {child for key in order for child in self.children[key]}
        roots += [key for key in order if key not in heads]
        place = {key: at for at, key in enumerate(order)}
        return [
            sorted(held[root], key=place.__getitem__)
            for root in sorted(roots, key=place.__getitem__)
        ]

    def part(self, piece: list[str]) -> Chart:
        """A piece as a chart of its own, with a connector wherever an arrow crosses its edge."""
        own = set(piece)
        boxes: dict[str, Box] = {}
        links: list[Link] = []
        for key in piece:
            entries = [link for link in self.before.get(key, ()) if link.tail not in own]
            if entries:
                # What was walked into from another page goes on walked here.
                first = min(entries, key=lambda link: (not link.mark, link.faint))
                name = f"in {key}"
                boxes[name] = Box(name, "connector", "", goal=key, badge="in", faint=first.faint)
                links.append(Link(name, key, mark=first.mark, faint=first.faint))
            boxes[key] = self.chart.boxes[key]
            for link in self.after.get(key, ()):
                if link.head in own:
                    links.append(link)
                elif self._is_end(link.head):
                    boxes[link.head] = self.chart.boxes[link.head]
                    links.append(link)
                else:
                    name = f"out {key} {link.head}"
                    boxes[name] = Box(
                        name, "connector", "", goal=link.head, badge="out", faint=link.faint
                    )
                    links.append(replace(link, head=name, goal=link.head))
        return replace(self.chart, boxes=boxes, links=tuple(links), loose=())


def _fitted(
    cutter: _Cutter, room: Span, lay_all: Callable[[Sequence[Chart]], list[Plate]]
) -> list[Plate]:
    """Lay the pieces out, and cut those smaller that do not fit, until all do."""
    slots: list[Plate | list[str]] = list(cutter.pieces())
    while waiting := [slot for slot in slots if isinstance(slot, list)]:
        laid = iter(lay_all([cutter.part(piece) for piece in waiting]))
        after: list[Plate | list[str]] = []
        for slot in slots:
            if isinstance(slot, Plate):
                after.append(slot)
                continue
            plate = next(laid)
            fits = plate.width <= room[0] * SHRINK and plate.height <= room[1] * SHRINK
            smaller = [slot] if fits else _smaller(cutter, slot)
            after += [plate] if len(smaller) == 1 else smaller
        slots = after
    return [slot for slot in slots if isinstance(slot, Plate)]


def _smaller(cutter: _Cutter, piece: list[str]) -> list[list[str]]:
    """A piece cut up, or the piece itself where it cannot be."""
    share, cut = 1.0, [piece]
    while len(piece) > 1 and len(cut) == 1 and share > 0.05:
        share *= STEP
        cut = cutter.pieces(piece, share)
    return cut


def _numbered(pages: list[Page]) -> list[Page]:
    """Number the connectors in reading order, and say on which page each goes on."""
    at: dict[str, int] = {}
    numbers: dict[str, int] = {}
    tails: dict[str, dict[int, None]] = {}
    for count, page in enumerate(pages, 1):
        for box in _boxes(page):
            if box.kind != "connector":
                at.setdefault(box.key, count)
            elif box.badge == "in":
                numbers[box.goal] = len(numbers) + 1
            else:
                tails.setdefault(box.goal, {})[count] = None
    return [
        replace(
            page,
            plates=tuple(
                (_relabelled(plate, at, numbers, tails), place) for plate, place in page.plates
            ),
        )
        for page in pages
    ]


def _boxes(page: Page) -> Iterable[Box]:
    return (box for plate, _ in page.plates for box, _, _ in plate.placed)


def _relabelled(
    plate: Plate,
    at: Mapping[str, int],
    numbers: Mapping[str, int],
    tails: Mapping[str, Mapping[int, None]],
) -> Plate:
    placed = []
    for box, figure, middle in plate.placed:
        if box.kind == "connector":
            if box.badge == "in":
                pages = list(tails.get(box.goal, {}))
                word = "from page" if len(pages) == 1 else "from"
                said = f"{word} {', '.join(map(str, pages[:3]))}{'…' if len(pages) > 3 else ''}"
                goal = f"p{pages[0]}" if pages else ""
            else:
                said, goal = f"page {at[box.goal]}", f"p{at[box.goal]}"
            told = f"{'comes from' if box.badge == 'in' else 'goes on at'} {numbers[box.goal]}"
            box = replace(
                box, text=str(numbers[box.goal]), facts=(said,), goal=goal, tip=f"{told}, {said}"
            )
            figure = figure_of(box)
        placed.append((box, figure, middle))
    return replace(plate, placed=tuple(placed))
