"""Pages written as SVG 1.1: plain shapes and text, no script, nothing fetched from outside.

Colours stand as attributes, so that every converter understands them; a style sheet lays the
dark theme over them where the reader's screen asks for it, and never in print.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from faulttree.diagram.chart import Box, Chart, Link
from faulttree.diagram.escape import plain, xml
from faulttree.diagram.layout import Route
from faulttree.diagram.page import Page, Plate
from faulttree.diagram.palette import DARK, LIGHT, OKABE_ITO, ROLES, SIGNALS, Role, Theme, ThemeName
from faulttree.diagram.symbols import BODY, FONT, SMALL, SYMBOLS, Row, SymbolShape, label_lines
from faulttree.diagram.text_width import LINE, clip, width, wrap

A4 = (595.28, 841.89)
"""ISO 216, in points."""

MARGIN = 26.0
ON_PAPER = 0.8
"""Scale on a sheet: letters of 8.8 points, read at arm's length."""
TITLE = 15.0

LEGEND = {
    "ask": "question (decision)",
    "measure": "reading, judged by its limits (manual input)",
    "do": "work (manual operation)",
    "use": "procedure (predefined process)",
    "more": "folded away here",
    "fault": "fault",
    "stop": "end without a fault",
    "family": "family",
    "tree": "tree",
    "module": "module",
    "connector": "goes on at the same number",
    "by-property": "by what the unit is",
    "walked": "walked in this case",
    "asked": "where the case stands",
    "new": "new",
    "gone": "gone",
    "changed": "changed",
}


@dataclass(frozen=True, slots=True)
class Paper:
    """What a page is drawn on: its size, how much of a point a point is, its number of all."""

    width: float
    height: float
    scale: float = 1.0
    number: int = 1
    count: int = 1


def head_height(chart: Chart, room: float) -> float:
    """How much title, tree and cautions of a chart take above it."""
    return TITLE * LINE * len(_title_lines(chart, room)) + 16 + 15 * len(chart.warnings) + 8


def _title_lines(chart: Chart, room: float) -> tuple[str, ...]:
    return wrap(chart.title, room, TITLE, True, lines=2) or ("",)


def foot_height(chart: Chart, room: float) -> float:
    """How much the legend of a chart takes below it."""
    return len(_legend_rows(chart, room)) * 22.0 + 10


def paper_for(page: Page) -> Paper:
    """A paper as large as the page needs."""
    across = max(page.width, 420.0)
    above, below = head_height(page.chart, across), foot_height(page.chart, across)
    return Paper(across + 2 * MARGIN, page.height + above + below + 2 * MARGIN)


def sheet_room(chart: Chart) -> tuple[float, float]:
    """How much of a chart fits on a sheet of A4, in points of the chart."""
    room = A4[0] - 2 * MARGIN
    tall = A4[1] - 2 * MARGIN - head_height(chart, room) - foot_height(chart, room)
    return room / ON_PAPER, max(tall, A4[1] / 3) / ON_PAPER


def sheets_for(pages: Sequence[Page]) -> list[tuple[Page, Paper]]:
    """Pages on sheets of A4; a page with one plate too large for it is drawn smaller."""
    sheets = []
    for number, page in enumerate(pages, 1):
        wide, tall = sheet_room(page.chart)
        scale = ON_PAPER * min(1.0, wide / max(page.width, 1), tall / max(page.height, 1))
        sheets.append((page, Paper(*A4, scale, number, len(pages))))
    return sheets


def write_page(page: Page, paper: Paper, theme: ThemeName = "auto") -> str:
    """One page as an SVG document of its own."""
    body = _body(page, paper, _Pen(DARK if theme == "dark" else LIGHT))
    return _document([(page, body)], paper.width, paper.height, theme)


def write_pages(pages: Sequence[tuple[Page, Paper]], theme: ThemeName = "auto") -> str:
    """All pages in one SVG document, below each other, linked through their connectors."""
    if len(pages) == 1:
        return write_page(*pages[0], theme)
    pen = _Pen(DARK if theme == "dark" else LIGHT)
    bodies = []
    top = 0.0
    for page, paper in pages:
        edge = (
            f'<path d="M0 {paper.height - 0.5:.1f}H{paper.width:.1f}" fill="none" '
            f'stroke="{pen.theme.quiet}" stroke-width=".5" stroke-dasharray="2 4"/>'
        )
        body = [f'<g transform="translate(0 {top:.1f})">', *_body(page, paper, pen), edge, "</g>"]
        bodies.append((page, body))
        top += paper.height
    return _document(bodies, max(paper.width for _, paper in pages), top, theme)


def _document(
    bodies: Sequence[tuple[Page, Iterable[str]]], across: float, tall: float, theme: ThemeName
) -> str:
    colours = DARK if theme == "dark" else LIGHT
    chart = bodies[0][0].chart
    lines = [
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'width="{across:.1f}pt" height="{tall:.1f}pt" viewBox="0 0 {across:.1f} {tall:.1f}" '
        f'role="img" font-family="{FONT}" font-size="{BODY:g}" fill="{colours.ink}" '
        f'class="paper-ink">',
        f"<title>{xml(chart.title)}</title>",
        f"<desc>{xml(_description(page.chart for page, _ in bodies))}</desc>",
        _style(theme),
        f'<rect class="paper" width="{across:.1f}" height="{tall:.1f}" fill="{colours.paper}"/>',
    ]
    for _, body in bodies:
        lines += body
    return "\n".join([*(line for line in lines if line), "</svg>\n"])


def _description(charts: Iterable[Chart]) -> str:
    kinds: dict[str, int] = {}
    subtitle = ""
    # All pages have the chart that they were cut from.
    for chart in {id(chart): chart for chart in charts}.values():
        subtitle = subtitle or chart.subtitle
        for box in chart.boxes.values():
            kinds[box.kind] = kinds.get(box.kind, 0) + 1
    told = ", ".join(f"{kind} {count}" for kind, count in kinds.items())
    return f"Flow chart of {subtitle}: {told}."


def _style(theme: ThemeName) -> str:
    """The dark theme, where the theme is left to the reader's screen."""
    if theme != "auto":
        return ""
    rules = [
        f".paper{{fill:{DARK.paper}}}",
        f".paper-ink{{fill:{DARK.ink}}}",
        f".quiet{{fill:{DARK.quiet}}}",
    ]
    for name, role in ROLES.items():
        rules.append(f".o-{name}{{stroke:{role.dark}}}.f-{name}{{fill:{role.dark}}}")
    return f"<style>@media screen and (prefers-color-scheme:dark){{{''.join(rules)}}}</style>"


def _legend_rows(chart: Chart, room: float) -> list[list[tuple[str, float]]]:
    named = chart.names_used
    rows: list[list[tuple[str, float]]] = [[]]
    used = 0.0
    for name, said in LEGEND.items():
        if name not in named:
            continue
        wide = 40 + width(said, SMALL) + 16
        if rows[-1] and used + wide > room:
            rows.append([])
            used = 0.0
        rows[-1].append((name, used))
        used += wide
    return rows


@dataclass(frozen=True, slots=True)
class _Pen:
    """Writes boxes and arrows in the colours of one theme."""

    theme: Theme

    def colour(self, role: Role) -> str:
        return role.dark if self.theme is DARK else role.light

    # -- boxes ----------------------------------------------------------------------------

    def box(self, box: Box, figure: SymbolShape, middle: tuple[float, float], name: str) -> str:
        """A box with its tooltip, behind a link where a click leads somewhere."""
        role = ROLES[box.kind]
        colour = self.colour(role)
        mark = ROLES.get(box.mark)
        parts = [
            f'<g id="{name}" class="box {box.kind}" data-id="{xml(_id(box.key))}" '
            f'transform="translate({middle[0]:.1f} {middle[1]:.1f})"'
            + (' opacity=".55">' if box.faint else ">")
        ]
        if box.tip:
            parts.append(f"<title>{xml(box.tip)}</title>")
        parts += [self._outline(outline, box, role, colour) for outline in figure.outlines]
        if mark is not None:
            parts.append(self._marked(figure.outlines[0], mark, box.mark))
        parts += [
            f'<path class="o-{box.kind}" d="{line}" fill="none" stroke="{colour}" '
            f'stroke-width="{role.width:g}"/>'
            for line in figure.lines
        ]
        parts += [self.row(row) for row in figure.rows]
        if box.badge and box.kind != "connector":
            parts.append(self._badge(box, figure))
        parts.append("</g>")
        drawn = "".join(parts)
        href = box.href or (f"#{box.goal}" if box.goal else "")
        if not href:
            return drawn
        # Both spellings: SVG 2 readers want the plain one, older converters the other.
        return f'<a href="{xml(href)}" xlink:href="{xml(href)}">{drawn}</a>'

    def _outline(self, outline: str, box: Box, role: Role, colour: str) -> str:
        dash = _dashed(role.dash or ("4 3" if box.kind == "more" else ""))
        shade = 0.1 + 0.5 * min(max(box.shade, 0.0), 1.0)
        return (
            f'<path class="o-{box.kind} f-{box.kind}" d="{outline}" fill="{colour}" '
            f'fill-opacity="{shade:.2f}" stroke="{colour}" stroke-width="{role.width:g}"{dash}/>'
        )

    def _marked(self, outline: str, mark: Role, name: str) -> str:
        dash = _dashed(mark.dash)
        return (
            f'<path class="o-{name} mark" d="{outline}" fill="none" '
            f'stroke="{self.colour(mark)}" stroke-width="{mark.width:g}"{dash}/>'
        )

    def _badge(self, box: Box, figure: SymbolShape) -> str:
        wide = width(box.badge, SMALL, True) + 10
        x, y = figure.badge
        x += 4 - min(wide / 2, figure.width / 2)
        return (
            f'<rect class="paper" x="{x - wide / 2:.1f}" y="{y - 8:.1f}" width="{wide:.1f}" '
            f'height="16" rx="8" fill="{self.theme.paper}"/>'
            f'<rect class="o-edge" x="{x - wide / 2:.1f}" y="{y - 8:.1f}" width="{wide:.1f}" '
            f'height="16" rx="8" fill="none" stroke="{self.theme.ink}"/>'
            + self.text(x, y, box.badge, SMALL, bold=True)
        )

    def row(self, row: Row) -> str:
        """One line of text, its signal word on its panel."""
        if not row.signal:
            return self.text(0, row.y, row.text, row.size, bold=row.bold, quiet=row.quiet)
        panel = width(row.signal, SMALL, True) + 6
        left = -row.wide / 2
        high = SMALL * LINE
        colour = OKABE_ITO[SIGNALS[row.signal]] if row.signal in SIGNALS else "none"
        stroke = "" if row.signal in SIGNALS else f' class="o-edge" stroke="{self.theme.ink}"'
        ink = f' fill="{LIGHT.ink}"' if row.signal in SIGNALS else ' class="paper-ink"'
        return (
            f'<rect x="{left:.1f}" y="{row.y - high / 2:.1f}" width="{panel:.1f}" '
            f'height="{high:.1f}" fill="{colour}"{stroke}/>'
            f'<text x="{left + 3:.1f}" y="{row.y + SMALL * 0.36:.1f}" font-size="{SMALL:g}" '
            f'font-weight="bold"{ink}>{xml(row.signal)}</text>'
            f'<text x="{left + panel + 4:.1f}" y="{row.y + SMALL * 0.36:.1f}" '
            f'font-size="{SMALL:g}">{xml(row.text)}</text>'
        )

    def text(
        self,
        x: float,
        y: float,
        said: str,
        size: float,
        *,
        bold: bool = False,
        quiet: bool = False,
        anchor: str = "middle",
    ) -> str:
        """A line of text about ``y``; digits and capitals are 0.72 of the size high."""
        attributes = f' font-size="{size:g}"' if size != BODY else ""
        attributes += ' font-weight="bold"' if bold else ""
        attributes += f' class="quiet" fill="{self.theme.quiet}"' if quiet else ""
        attributes += f' text-anchor="{anchor}"' if anchor != "start" else ""
        return f'<text x="{x:.1f}" y="{y + size * 0.36:.1f}"{attributes}>{xml(said)}</text>'

    # -- arrows ---------------------------------------------------------------------------

    def link(self, link: Link, route: Route) -> str:
        """An arrow with its words."""
        name = link.mark or "edge"
        role = ROLES[name]
        colour = self.colour(role)
        thick = role.width + (0 if link.share is None else 5.0 * link.share)
        dash = _dashed(role.dash)
        points = route.points
        curve = f"M{points[0][0]:.1f} {points[0][1]:.1f}C" + " ".join(
            f"{x:.1f} {y:.1f}" for x, y in points[1:]
        )
        said = " / ".join(link.outcomes)
        parts = [
            f'<g class="link" data-tail="{xml(_id(link.tail))}" '
            f'data-head="{xml(_id(link.goal or link.head))}" data-outcome="{xml(said)}"'
            + (' opacity=".55">' if link.faint else ">"),
            f'<path class="o-{name}" d="{curve}" fill="none" stroke="{colour}" '
            f'stroke-width="{thick:.1f}"{dash}/>',
            f'<path class="f-{name}" d="{_arrow(points[-1], route.tip, thick)}" fill="{colour}"/>',
        ]
        return "".join([*parts, "</g>"])

    def words(self, link: Link, middle: tuple[float, float]) -> Iterator[str]:
        """The words beside an arrow, on paper of their own: no other arrow runs through them."""
        lines = label_lines(link.label)
        size = BODY - 1
        high = size * LINE
        wide = max(width(line, size, True) for line in lines) + 4
        tall = len(lines) * high
        yield (
            f'<rect class="paper" x="{middle[0] - wide / 2:.1f}" y="{middle[1] - tall / 2:.1f}" '
            f'width="{wide:.1f}" height="{tall:.1f}" fill="{self.theme.paper}" '
            'fill-opacity=".85"/>'
        )
        first = middle[1] - high * (len(lines) - 1) / 2
        for at, line in enumerate(lines):
            yield self.text(middle[0], first + at * high, line, size, bold=True)


def _dashed(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""


def _id(key: str) -> str:
    """The id in the tree: a stop drawn in several places has its place behind an @."""
    return plain(key.partition("@")[0])


def _arrow(end: tuple[float, float], tip: tuple[float, float], thick: float) -> str:
    across, down = tip[0] - end[0], tip[1] - end[1]
    length = max((across * across + down * down) ** 0.5, 0.1)
    half = 2.6 + thick * 0.9
    side = (-down / length * half, across / length * half)
    return (
        f"M{tip[0]:.1f} {tip[1]:.1f}L{end[0] + side[0]:.1f} {end[1] + side[1]:.1f}"
        f"L{end[0] - side[0]:.1f} {end[1] - side[1]:.1f}Z"
    )


def _body(page: Page, paper: Paper, pen: _Pen) -> list[str]:
    """Title, cautions, chart and legend of one page."""
    room = paper.width - 2 * MARGIN
    chart = page.chart
    prefix = f"p{paper.number}"
    lines = [f'<g id="{prefix}">', *_head(chart, paper, pen, room)]
    above = head_height(chart, room)
    left = MARGIN + max(0.0, (room - page.width * paper.scale) / 2)
    scale = f" scale({paper.scale:.3f})" if paper.scale != 1 else ""
    lines.append(f'<g transform="translate({left:.1f} {MARGIN + above:.1f}){scale}">')
    for at, (plate, corner) in enumerate(page.plates):
        lines.append(f'<g transform="translate({corner[0]:.1f} {corner[1]:.1f})">')
        lines += _plate(plate, f"{prefix}.{at}", pen)
        lines.append("</g>")
    lines.append("</g>")
    lines += _foot(chart, paper, pen, room)
    return [*lines, "</g>"]


def _head(chart: Chart, paper: Paper, pen: _Pen, room: float) -> Iterator[str]:
    titles = _title_lines(chart, room)
    for at, title in enumerate(titles):
        y = MARGIN + TITLE * LINE * (at + 0.5)
        yield pen.text(MARGIN, y, title, TITLE, bold=True, anchor="start")
    y = MARGIN + TITLE * LINE * len(titles) + 7
    page = f" · page {paper.number} of {paper.count}" if paper.count > 1 else ""
    subtitle = clip(f"{chart.subtitle}{page}", room, SMALL + 1)
    yield pen.text(MARGIN, y, subtitle, SMALL + 1, quiet=True, anchor="start")
    for at, (signal, said) in enumerate(chart.warnings):
        panel = width(signal or "unknown", SMALL, True) + 10
        text = clip(said, room - panel, SMALL)
        wide = panel - 2 + width(text, SMALL)
        row = Row(y + 16 + 15 * at, text, SMALL, signal=signal or "unknown", wide=wide)
        yield f'<g transform="translate({MARGIN + wide / 2:.1f} 0)">{pen.row(row)}</g>'


def _plate(plate: Plate, prefix: str, pen: _Pen) -> Iterator[str]:
    yield from _frames(plate, pen)
    if plate.heading:
        yield pen.text(0, 8, plate.heading, BODY, bold=True, anchor="start")
    for at, link in enumerate(plate.links):
        yield pen.link(link, plate.laid.routes[at])
    for at, link in enumerate(plate.links):
        middle = plate.laid.routes[at].label
        if middle is not None:
            yield from pen.words(link, middle)
    for at, (box, figure, middle) in enumerate(plate.placed):
        yield pen.box(box, figure, middle, f"{prefix}.{at}")


def _frames(plate: Plate, pen: _Pen) -> Iterator[str]:
    role = ROLES["use"]
    for at, name in enumerate(plate.frames):
        frame = plate.laid.frames.get(at)
        if frame is None:
            continue
        left, top, across, tall = frame
        yield (
            f'<rect class="o-use" x="{left:.1f}" y="{top:.1f}" width="{across:.1f}" '
            f'height="{tall:.1f}" fill="none" stroke="{pen.colour(role)}" '
            'stroke-dasharray="2 3" stroke-width="1.6"/>'
        )
        said = clip(plain(name), across - 12, SMALL, True)
        yield pen.text(left + 6, top + 9, said, SMALL, bold=True, anchor="start")


def _foot(chart: Chart, paper: Paper, pen: _Pen, room: float) -> Iterator[str]:
    rows = _legend_rows(chart, room)
    top = paper.height - MARGIN - 22.0 * len(rows)
    for line, row in enumerate(rows):
        y = top + 22 * line + 11
        for name, x in row:
            place = f"translate({MARGIN + x + 17:.1f} {y:.1f})"
            yield f'<g transform="{place}">{_sample(name, pen)}</g>'
            yield pen.text(MARGIN + x + 38, y, LEGEND[name], SMALL, anchor="start")


_SAMPLES = {
    "decision": "M0 -8L15 0L0 8L-15 0Z",
    "manual input": "M-14 -2L14 -7L14 7L-14 7Z",
    "manual operation": "M-15 -7L15 -7L10 7L-10 7Z",
    "predefined process": "M-14 -7L14 -7L14 7L-14 7ZM-10 -7V7M10 -7V7",
    "terminator": "M-8 -7H8A7 7 0 0 1 8 7H-8A7 7 0 0 1 -8 -7Z",
    "process": "M-14 -7L14 -7L14 7L-14 7Z",
    "connector": "M-8 0A8 8 0 1 1 8 0A8 8 0 1 1 -8 0Z",
}


def _sample(name: str, pen: _Pen) -> str:
    role = ROLES[name]
    colour = pen.colour(role)
    dashed = _dashed(role.dash or ("4 3" if name == "more" else ""))
    if name not in SYMBOLS:
        return (
            f'<path class="o-{name}" d="M-15 0H15" fill="none" stroke="{colour}" '
            f'stroke-width="{role.width:g}"{dashed}/>'
        )
    return (
        f'<path class="o-{name} f-{name}" d="{_SAMPLES[SYMBOLS[name]]}" fill="{colour}" '
        f'fill-opacity=".1" stroke="{colour}" stroke-width="{role.width:g}"{dashed}/>'
    )
