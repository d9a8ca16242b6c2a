"""Estimate the width of texts and wrap them, without a font.

The layout engine in process has no fonts, and the reader's are unknown. Widths are those of
one of the widest common sans-serif faces (DejaVu Sans 2.37, in thousandths of the size), so
a box that fits here fits with the narrower ones too.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

LINE = 1.25
"""Height of a line, in sizes of its letters."""

# U+0020 to U+007E.
_REGULAR = (
    317, 400, 459, 837, 636, 950, 779, 274, 390, 390, 500, 837, 317, 360, 317, 336, 636, 636,
    636, 636, 636, 636, 636, 636, 636, 636, 336, 336, 837, 837, 837, 530, 1000, 684, 686, 698,
    770, 631, 575, 774, 751, 294, 294, 655, 557, 862, 748, 787, 603, 787, 694, 634, 610, 731,
    684, 988, 685, 610, 685, 390, 336, 390, 837, 500, 500, 612, 634, 549, 634, 615, 352, 634,
    633, 277, 277, 579, 277, 974, 633, 611, 634, 634, 411, 520, 392, 633, 591, 817, 591, 591,
    524, 636, 336, 636, 837,
)  # fmt: skip
_BOLD = (
    348, 456, 520, 837, 695, 1001, 872, 306, 457, 457, 522, 837, 379, 415, 379, 365, 695, 695,
    695, 695, 695, 695, 695, 695, 695, 695, 399, 399, 837, 837, 837, 580, 1000, 773, 762, 733,
    830, 683, 683, 820, 836, 372, 372, 774, 637, 995, 836, 850, 732, 850, 770, 720, 682, 812,
    773, 1103, 770, 724, 725, 457, 365, 457, 837, 500, 500, 674, 715, 592, 715, 678, 435, 715,
    711, 342, 342, 665, 342, 1041, 711, 687, 715, 715, 493, 595, 478, 711, 651, 923, 645, 651,
    582, 711, 365, 711, 837,
)  # fmt: skip
_TABLES = tuple(
    {chr(32 + at): units / 1000 for at, units in enumerate(table)} for table in (_REGULAR, _BOLD)
)
# A figure and its unit stay on one line, and no line begins with a dot between words.
_QUANTITY = re.compile(r"(?<=\d) (?=(?:[pnuµmkMG]?(?:Ω|V|A|W|F|H|Hz|s)|°C|min|ohm)\b|%)| (?=·)")
_WIDE = 1.1
_OTHER = 0.86


def _sign(char: str, bold: bool) -> float:
    """The width of one character, cached."""
    if unicodedata.combining(char):
        units = 0.0
    elif unicodedata.east_asian_width(char) in "WF" or ord(char) > 0x1400:
        units = _WIDE if ord(char) > 0x2E00 else 1.0
    else:
        units = _OTHER
    if len(_TABLES[bold]) < 10_000:
        _TABLES[bold][char] = units
    return units


@lru_cache(maxsize=16_384)
def width(text: str, size: float, bold: bool = False) -> float:
    """The width of a text in the unit of ``size``; an upper estimate."""
    table = _TABLES[bold]
    try:
        return size * sum([table[char] for char in text])
    except KeyError:
        return size * sum([table.get(char) or _sign(char, bold) for char in text])


def clip(text: str, room: float, size: float, bold: bool = False) -> str:
    """The text, shortened with an ellipsis if there is not enough room."""
    if width(text, size, bold) <= room:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width(text[:middle] + "…", size, bold) <= room:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…"


def wrap(
    text: str, room: float, size: float, bold: bool = False, lines: int = 6
) -> tuple[str, ...]:
    """Break a text into lines that fit; what is beyond ``lines`` is clipped with an ellipsis.

    A word too long for a line is broken where it must be.
    """
    said = _QUANTITY.sub("\u00a0", text[: lines * 200])
    broken = _fill(_pieces(said, room, size, bold), [room] * (lines + 1), size, bold)
    broken = [line.replace("\u00a0", " ") for line in broken]
    if len(broken) <= lines and len(said) == len(text):
        return tuple(broken)
    last = broken[lines - 1] + "…" if len(broken) <= lines else " ".join(broken[lines - 1 :])
    return (*broken[: lines - 1], clip(last, room, size, bold))


def _pieces(text: str, room: float, size: float, bold: bool) -> list[str]:
    """The words, each cut so that it fits on a line by itself."""
    pieces = []
    for word in text.split(" "):
        while word and width(word, size, bold) > room:
            fits = max(1, len(clip(word, room, size, bold)) - 1)
            pieces.append(word[:fits])
            word = word[fits:]
        if word:
            pieces.append(word)
    return pieces


def _fill(words: list[str], rooms: list[float], size: float, bold: bool) -> list[str]:
    """Fill lines of these widths, one after another; the last takes all that is left."""
    space = width(" ", size, bold)
    lines: list[str] = []
    line, used = "", 0.0
    for word in words:
        needed = width(word, size, bold)
        if line and used + space + needed > rooms[min(len(lines), len(rooms) - 1)]:
            lines.append(line)
            line, used = word, needed
        else:
            line, used = (f"{line} {word}", used + space + needed) if line else (word, needed)
    return [*lines, line] if line else lines


@lru_cache(maxsize=4096)
def wrap_in_rhombus(
    text: str, size: float, *, slope: float = 0.46, widest: float = 330.0
) -> tuple[tuple[str, ...], float, float]:
    """Break a text into lines that fill a rhombus: short, longer, short again.

    Args:
        text: what to break.
        size: height of the letters.
        slope: height of the rhombus over its width.
        widest: no wider than this; what does not fit is clipped.

    Returns:
        lines, width and height of the rhombus, in the unit of ``size``.
    """
    high = size * LINE
    start = (4 * width(text, size) * high / slope / 1.1) ** 0.5 * 0.8
    across = min(max(start, 9 * size), widest)
    while True:
        lines = _fit(text, across, across * slope, size)
        if lines is not None:
            return lines, across, across * slope
        if across >= widest:
            return _clipped(text, widest, widest * slope, size), widest, widest * slope
        across = min(across * 1.06, widest)


def _rooms(across: float, tall: float, count: int, size: float) -> list[float]:
    high = size * LINE
    edges = [abs((at - (count - 1) / 2) * high) + size * 0.52 for at in range(count)]
    return [across * (1 - 2 * edge / tall) - size * 0.7 for edge in edges]


def _fit(text: str, across: float, tall: float, size: float) -> tuple[str, ...] | None:
    words = _QUANTITY.sub("\u00a0", text).split(" ")
    longest = max((width(word, size) for word in words), default=0.0)
    for count in range(1, int(tall / (size * LINE)) + 1):
        rooms = _rooms(across, tall, count, size)
        if min(rooms) <= 0:
            return None
        if longest > max(rooms):
            continue
        lines = _fill(words, rooms, size, False)
        fits = all(width(line, size) <= room for line, room in zip(lines, rooms, strict=False))
        if len(lines) == count and fits:
            return tuple(line.replace("\u00a0", " ") for line in lines)
    return None


def _clipped(text: str, across: float, tall: float, size: float) -> tuple[str, ...]:
    """As much as five lines of one width hold, which is about the most the rhombus takes."""
    count = 5
    return wrap(text, min(_rooms(across, tall, count, size)), size, lines=count)
