"""Small plots as SVG: shares with their intervals, minutes as boxes, shares over time.

Every plot has a title and a description for screen readers, and its figures are in a table
beside it. Colours are classes of the page's style sheet, so that they follow light and
dark; each series has its own mark and dash besides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from faulttree.diagram.escape import plain, xml
from faulttree.figures.formatting import between, minutes, percent

if TYPE_CHECKING:
    from faulttree.figures.statistics import Share, Spread


ACROSS = 640.0
ROW = 24.0
NAME = 190.0
RIGHT = 24.0
LETTER = 6.6
"""Width of a letter of 12 px, about."""


@dataclass(frozen=True, slots=True)
class PlotLine:
    """One series over time: a share, 0 to 1, for each time."""

    name: str
    shares: tuple[float, ...]


def intervals(title: str, rows: Sequence[tuple[str, Share]]) -> str:
    """A dot at each share with its 95 % interval as a line; few cases give an open dot."""
    most = max([0.05, *(share.high for _, share in rows if share.of)])
    top = _nice(min(most, 1.0))
    scale = _scale(top)

    def row(at: int, name: str, share: Share) -> Iterator[str]:
        y = _middle(at)
        yield _name(name, y)
        if share.share is None:
            yield f'<text x="{scale(0) + 4:.1f}" y="{y + 4:.1f}" class="quiet">none</text>'
            return
        low, dot, high = scale(share.low), scale(share.share), scale(min(share.high, top))
        said = f"{name}: {share.count} of {share.of}, {percent(share.share)}"
        said += f" ({between(share.low, share.high)})"
        kind = "dot open" if share.small else "dot"
        yield f"<g><title>{xml(plain(said))}</title>"
        yield f'<path class="whisker" d="M{low:.1f} {y:.1f}H{high:.1f}"/>'
        for end in (low, high):
            yield f'<path class="whisker" d="M{end:.1f} {y - 5:.1f}v10"/>'
        yield f'<circle class="{kind}" cx="{dot:.1f}" cy="{y:.1f}" r="4.5"/></g>'

    body = [part for at, (name, share) in enumerate(rows) for part in row(at, name, share)]
    return _plot(title, _told(rows), len(rows), [*_axis(scale, top, len(rows), percent), *body])


def _told(rows: Sequence[tuple[str, Share]]) -> str:
    return "; ".join(
        f"{name} {percent(share.share)}, {between(share.low, share.high)}"
        for name, share in rows
        if share.share is not None
    )


def boxes(title: str, rows: Sequence[tuple[str, Spread]]) -> str:
    """For each row the middle half as a box, the median as a bar in it, least and most."""
    top = _nice(max([1.0, *(spread.most for _, spread in rows)]))
    scale = _scale(top)
    body: list[str] = []
    for at, (name, spread) in enumerate(rows):
        y = _middle(at)
        low, high = scale(spread.lower_quartile), scale(spread.upper_quartile)
        said = f"{name}: median {minutes(spread.median)} min, middle half "
        said += (
            f"{minutes(spread.lower_quartile)} to {minutes(spread.upper_quartile)}, n {spread.n}"
        )
        body += [
            _name(name, y),
            f"<g><title>{xml(plain(said))}</title>",
            f'<path class="whisker" d="M{scale(spread.least):.1f} {y:.1f}H{low:.1f}'
            f'M{high:.1f} {y:.1f}H{scale(spread.most):.1f}"/>',
            f'<rect class="box" x="{low:.1f}" y="{y - 7:.1f}" '
            f'width="{max(high - low, 1):.1f}" height="14"/>',
            f'<path class="median" d="M{scale(spread.median):.1f} {y - 7:.1f}v14"/></g>',
        ]
    told = "; ".join(f"{name} median {minutes(spread.median)} minutes" for name, spread in rows)
    axis = _axis(scale, top, len(rows), lambda value: f"{minutes(value)} min")
    return _plot(title, told, len(rows), [*axis, *body])


SERIES = ("blue", "vermillion", "green", "purple")
"""Classes of the style sheet, each with its own dash and mark."""

TALL = 190.0
LEFT = 52.0


def lines_over_time(title: str, times: Sequence[str], lines: Sequence[PlotLine]) -> str:
    """Shares over time, named at their ends; at most four lines, two times at least."""
    shown = lines[: len(SERIES)]
    top = _nice(max([0.05, *(s for line in shown for s in line.shares)]))
    room = ACROSS - LEFT - NAME
    step = room / max(len(times) - 1, 1)

    def place(at: int, share: float) -> tuple[float, float]:
        return LEFT + at * step, 16 + (TALL - 40) * (1 - share / top)

    body: list[str] = []
    for part in (0.0, 0.5, 1.0):
        _, y = place(0, part * top)
        body.append(f'<path class="grid" d="M{LEFT} {y:.1f}H{LEFT + room:.1f}"/>')
        body.append(
            f'<text class="tick" x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">'
            f"{percent(part * top)}</text>"
        )
    every = max(1, -(-len(times) // 8))
    for at in range(0, len(times), every):
        x, _ = place(at, 0)
        body.append(
            f'<text class="tick" x="{x:.1f}" y="{TALL - 6}" text-anchor="middle">'
            f"{xml(plain(times[at]))}</text>"
        )
    ends = _apart([place(len(times) - 1, line.shares[-1]) for line in shown])
    for line, colour, (x, y) in zip(shown, SERIES, ends, strict=False):
        body += _series(line, colour, place, (x, y))
    told = "; ".join(
        f"{line.name}: " + ", ".join(percent(share) for share in line.shares) for line in shown
    )
    return _document(title, told, ACROSS, TALL, body)


def _series(
    line: PlotLine,
    colour: str,
    place: Callable[[int, float], tuple[float, float]],
    label: tuple[float, float],
) -> Iterator[str]:
    points = [place(at, share) for at, share in enumerate(line.shares)]
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    yield f'<g class="series {colour}"><title>{xml(plain(line.name))}</title>'
    yield f'<path class="line" d="M{path}"/>'
    for x, y in points:
        yield _mark(colour, x, y)
    yield (
        f'<text class="name" x="{label[0] + 9:.1f}" y="{label[1] + 4:.1f}">'
        f"{xml(_short(line.name, NAME - 12))}</text></g>"
    )


def _mark(colour: str, x: float, y: float) -> str:
    shapes = {
        "blue": f'<circle class="mark" cx="{x:.1f}" cy="{y:.1f}" r="3.6"/>',
        "vermillion": f'<path class="mark" d="M{x - 3.5:.1f} {y - 3.5:.1f}h7v7h-7z"/>',
        "green": f'<path class="mark" d="M{x:.1f} {y - 4.5:.1f}l4.5 8h-9z"/>',
        "purple": f'<path class="mark" d="M{x:.1f} {y - 5:.1f}l5 5-5 5-5-5z"/>',
    }
    return shapes[colour]


def _apart(ends: list[tuple[float, float]], least: float = 14.0) -> list[tuple[float, float]]:
    """Labels moved down until none overlaps another, then all up if they left the plot."""
    moved = list(ends)
    order = sorted(range(len(ends)), key=lambda at: ends[at][1])
    for before, at in pairwise(order):
        x, y = moved[at]
        moved[at] = (x, max(y, moved[before][1] + least))
    over = max([0.0, *(y - (TALL - 24) for _, y in moved)])
    return [(x, y - over) for x, y in moved]


def _nice(most: float) -> float:
    """The next round value for the end of an axis."""
    if most == 1:
        return 1.0
    size = 10.0 ** len(str(int(most))) / 10 if most >= 1 else 1.0
    while size > most:
        size /= 10
    return next(size * part for part in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if size * part >= most)


def _scale(top: float) -> Callable[[float], float]:
    room = ACROSS - NAME - RIGHT
    return lambda value: NAME + room * value / top


def _middle(at: int) -> float:
    return 14 + at * ROW


def _axis(
    scale: Callable[[float], float], top: float, rows: int, said: Callable[[float], str]
) -> Iterator[str]:
    foot = rows * ROW + 4
    for part in (0.0, 0.25, 0.5, 0.75, 1.0):
        x = scale(part * top)
        yield f'<path class="grid" d="M{x:.1f} 2V{foot:.1f}"/>'
        anchor = "end" if part == 1 else "middle"
        yield (
            f'<text class="tick" x="{x:.1f}" y="{foot + 14:.1f}" text-anchor="{anchor}">'
            f"{said(part * top)}</text>"
        )


def _name(name: str, y: float) -> str:
    return (
        f'<text class="name" x="{NAME - 8:.1f}" y="{y + 4:.1f}" text-anchor="end">'
        f"{xml(_short(name, NAME - 12))}</text>"
    )


def _short(name: str, room: float) -> str:
    said, most = plain(name), int(room / LETTER)
    return said if len(said) <= most else f"{said[: most - 1]}…"


def _plot(title: str, told: str, rows: int, body: Sequence[str]) -> str:
    return _document(title, told, ACROSS, rows * ROW + 24, body)


def _document(title: str, told: str, across: float, tall: float, body: Sequence[str]) -> str:
    return "".join(
        [
            f'<svg class="plot" role="img" viewBox="0 0 {across:.0f} {tall:.0f}" '
            'xmlns="http://www.w3.org/2000/svg">',
            f"<title>{xml(plain(title))}</title><desc>{xml(plain(told))}</desc>",
            *body,
            "</svg>",
        ]
    )
