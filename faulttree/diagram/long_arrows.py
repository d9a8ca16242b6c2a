"""Arrows that would run through half the picture, taken out of it.

Where very many steps lead to one box, their arrows hide the rest, and the layout engine takes
minutes over them. An end is then drawn beside each step that leads to it; before a step,
arrows end in a numbered connector (ISO 5807) and go on from the circle with the same number.
"""

from __future__ import annotations

from dataclasses import replace

from faulttree.diagram.chart import Box, Chart, Link

__all__ = ["MOST_ARROWS", "relieved"]

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
