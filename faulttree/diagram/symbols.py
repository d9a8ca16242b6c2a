"""The symbols of a flow chart by the names of ISO 5807, and how a box fills one.

=====================  ==============================================================
decision               a question; below a measurement, the place where limits decide
manual input           a reading somebody takes
manual operation       something somebody does
predefined process     a procedure that is written out elsewhere
terminator             where a walk begins or ends: complaint, fault, stop
connector              the path continues at the same number elsewhere
process                a family, module or tree in an overview
=====================  ==============================================================

All lengths are in points; a figure is drawn about the middle of its box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from faulttree.diagram.chart import Box, Link
from faulttree.diagram.text_width import LINE, clip, width, wrap, wrap_in_rhombus

FONT = "DejaVu Sans,Verdana,Noto Sans,Liberation Sans,Arial,sans-serif"
"""Common faces that hold °, µ and Ω, then whatever the reader has."""

BODY = 11.0
SMALL = 9.0
ROOM = 156.0
END_ROOM = 134.0
"""How wide a text may run inside a box, and inside an end, before it is broken."""

SYMBOLS = {
    "ask": "decision",
    "measure": "manual input",
    "do": "manual operation",
    "use": "predefined process",
    "more": "predefined process",
    "fault": "terminator",
    "stop": "terminator",
    "start": "terminator",
    "connector": "connector",
    "family": "process",
    "module": "process",
    "tree": "predefined process",
}
"""Kind of box → its symbol's name in ISO 5807."""

SLOPE = 11.0
SLANT = 13.0
BARS = 6.0
DIAMOND = (30.0, 18.0)
"""The decision below a measurement: what is decided stands above it, in the limits."""
STEM = 5.0


@dataclass(frozen=True, slots=True)
class Row:
    """One line of text: its middle, its size, and how it is set."""

    y: float
    text: str
    size: float
    bold: bool = False
    quiet: bool = False
    signal: str = ""
    wide: float = 0.0


@dataclass(frozen=True, slots=True)
class SymbolShape:
    """A box ready to draw: its size, the outlines (SVG path data), the rows of text."""

    width: float
    height: float
    outlines: tuple[str, ...]
    lines: tuple[str, ...]
    rows: tuple[Row, ...]
    corner: tuple[float, float] | None = None

    @property
    def badge(self) -> tuple[float, float]:
        """Where a badge sits: the upper right corner of what is drawn."""
        return self.corner or (self.width / 2, -self.height / 2)


@dataclass(slots=True)
class _Text:
    """Rows gathered from the top; where they end up is settled by the symbol."""

    rows: list[Row]
    height: float = 0.0
    width: float = 0.0

    def add(self, said: str, size: float, *, bold: bool = False, quiet: bool = False) -> None:
        high = size * LINE
        wide = width(said, size, bold)
        self.rows.append(Row(self.height + high / 2, said, size, bold, quiet, wide=wide))
        self.height += high
        self.width = max(self.width, wide)

    def add_signal(self, signal: str, name: str, room: float) -> None:
        word = signal or "unknown"
        panel = width(word, SMALL, True) + 6
        said = clip(name, max(room, ROOM) + 34 - panel - 4, SMALL)
        wide = panel + 4 + width(said, SMALL)
        high = SMALL * LINE + 3
        self.rows.append(Row(self.height + high / 2, said, SMALL, signal=word, wide=wide))
        self.height += high
        self.width = max(self.width, wide)

    def moved(self, down: float) -> tuple[Row, ...]:
        return tuple(
            Row(row.y + down, row.text, row.size, row.bold, row.quiet, row.signal, row.wide)
            for row in self.rows
        )


MOST_SIGNALS = 3


def _gather(box: Box, *, text: bool = True, room: float = ROOM) -> _Text:
    """The rows of a box in reading order: cautions come before the text."""
    gathered = _Text([])
    if box.head:
        gathered.add(clip(box.head, room, SMALL), SMALL, quiet=True)
    for signal, name in box.signals[:MOST_SIGNALS]:
        gathered.add_signal(signal, name, room)
    if len(box.signals) > MOST_SIGNALS:
        gathered.add(f"and {len(box.signals) - MOST_SIGNALS} more cautions", SMALL)
    if text:
        for line in wrap(box.text, room, BODY, box.kind == "fault"):
            gathered.add(line, BODY, bold=box.kind == "fault")
    for fact in box.facts[:8]:
        for line in wrap(fact, room, BODY, box.kind == "measure", lines=2):
            gathered.add(line, BODY, bold=box.kind == "measure")
    if box.small:
        for line in wrap(box.small, room, SMALL, lines=2):
            gathered.add(line, SMALL, quiet=True)
    for told in box.told:
        for line in wrap(told, room, SMALL + 1, True, lines=3):
            gathered.add(line, SMALL + 1, bold=True)
    return gathered


@lru_cache(maxsize=8192)
def figure_of(box: Box, exits: int = 1) -> SymbolShape:
    """Make a box ready to be laid out and drawn.

    Args:
        box: what to say.
        exits: how many arrows leave it: a measurement with several ends in a decision.
    """
    symbol = SYMBOLS[box.kind]
    if symbol == "decision":
        return _decision(box)
    if symbol == "connector":
        return _connector(box)
    gathered = _gather(box, room=END_ROOM if symbol == "terminator" else ROOM)
    if symbol == "manual input":
        return _manual_input(gathered, exits)
    if symbol == "manual operation":
        return _quadrangle(gathered, 22, 90, SLANT)
    if symbol == "predefined process":
        return _quadrangle(gathered, 16, 80, BARS, bars=True)
    if symbol == "terminator":
        return _terminator(gathered)
    return _quadrangle(gathered, 20, 80)


def _polygon(*points: tuple[float, float]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _rhombus(across: float, tall: float, y: float = 0.0) -> str:
    return _polygon((0, y - tall / 2), (across / 2, y), (0, y + tall / 2), (-across / 2, y))


def _decision(box: Box) -> SymbolShape:
    lines, across, tall = wrap_in_rhombus(box.text, BODY)
    above = _gather(box, text=False)
    tab = (above.height + 6) if above.rows else 0.0
    total = tab + tall
    top = -total / 2
    middle = top + tab + tall / 2
    high = BODY * LINE
    first = middle - high * (len(lines) - 1) / 2
    rows = [*above.moved(top + 3)]
    rows += [Row(first + at * high, line, BODY) for at, line in enumerate(lines)]
    outlines = [_rhombus(across, tall, middle)]
    half = above.width / 2 + 7
    if tab:
        outlines.append(_polygon((-half, top), (half, top), (half, top + tab), (-half, top + tab)))
    wide = max(across, 2 * half if tab else 0.0)
    corner = (half, top) if tab else None
    return SymbolShape(wide, total, tuple(outlines), (), tuple(rows), corner)


def _manual_input(gathered: _Text, exits: int) -> SymbolShape:
    half = max(gathered.width + 20, 96) / 2
    body = gathered.height + SLOPE + 9
    extra = STEM + DIAMOND[1] if exits > 1 else 0.0
    # An arrow must meet the slope at its middle: the right corner stands a little above.
    total = body - SLOPE / 2 + extra
    top = -total / 2 - SLOPE / 2
    bottom = top + body
    shape = _polygon((-half, top + SLOPE), (half, top), (half, bottom), (-half, bottom))
    rows = gathered.moved(top + SLOPE + 3)
    if not extra:
        return SymbolShape(2 * half, total, (shape,), (), rows)
    decision = _rhombus(*DIAMOND, bottom + STEM + DIAMOND[1] / 2)
    stem = f"M0 {bottom:.1f}V{bottom + STEM:.1f}"
    return SymbolShape(2 * half, total, (shape, decision), (stem,), rows)


def _quadrangle(
    gathered: _Text, margin: float, least: float, side: float = 0.0, *, bars: bool = False
) -> SymbolShape:
    """A rectangle; with a side its lower edge is shorter by it, or it has a bar there."""
    half = max(gathered.width + margin, least) / 2 + side
    y, lower = gathered.height / 2 + 6, half if bars else half - side
    shape = _polygon((-half, -y), (half, -y), (lower, y), (-lower, y))
    places = (side - half, half - side) if bars else ()
    lines = tuple(f"M{x:.1f} {-y:.1f}V{y:.1f}" for x in places)
    return SymbolShape(2 * half, 2 * y, (shape,), lines, gathered.moved(-gathered.height / 2))


def _terminator(gathered: _Text) -> SymbolShape:
    tall = gathered.height + 12
    round_ = min(tall / 2, 24.0)
    half = max(gathered.width / 2 + 7 + round_ * 0.3, 44.0)
    flat, y = half - round_, tall / 2
    shape = (
        f"M{-flat:.1f} {-y:.1f}H{flat:.1f}A{round_:.1f} {round_:.1f} 0 0 1 {half:.1f} "
        f"{round_ - y:.1f}V{y - round_:.1f}A{round_:.1f} {round_:.1f} 0 0 1 {flat:.1f} {y:.1f}"
        f"H{-flat:.1f}A{round_:.1f} {round_:.1f} 0 0 1 {-half:.1f} {y - round_:.1f}"
        f"V{round_ - y:.1f}A{round_:.1f} {round_:.1f} 0 0 1 {-flat:.1f} {-y:.1f}Z"
    )
    return SymbolShape(2 * half, tall, (shape,), (), gathered.moved(-gathered.height / 2))


def _connector(box: Box) -> SymbolShape:
    """Always of one size: numbers are known only when all pages are laid out."""
    radius, high, room = 15.0, SMALL * LINE, 62.0
    total = 2 * radius + high
    # An entry has its words above, an exit below: where no arrow touches the circle.
    side = 1 if box.badge == "in" else -1
    middle = side * high / 2
    circle = (
        f"M{-radius:.1f} {middle:.1f}A{radius:.1f} {radius:.1f} 0 1 1 {radius:.1f} {middle:.1f}"
        f"A{radius:.1f} {radius:.1f} 0 1 1 {-radius:.1f} {middle:.1f}Z"
    )
    rows = [Row(middle, box.text, BODY, bold=True)]
    rows += [Row(-side * radius, clip(fact, room, SMALL), SMALL) for fact in box.facts[:1]]
    return SymbolShape(room, total, (circle,), (), tuple(rows))


def label_room(link: Link) -> tuple[float, float] | None:
    """The room that the words beside an arrow need, or None where there are none."""
    lines = label_lines(link.label)
    if not lines:
        return None
    widest = max(width(line, BODY - 1, True) for line in lines)
    return widest + 10, len(lines) * (BODY - 1) * LINE + 2


def label_lines(words: Sequence[str]) -> tuple[str, ...]:
    """The words beside an arrow, a line each; many are drawn together."""
    if len(words) > 4:
        words = (*words[:3], f"and {len(words) - 3} more")
    return tuple(clip(word, 130.0, BODY - 1, True) for word in words)
