"""Texts from files and people: made safe to show, wrapped to a width, set as a table."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Sequence

__all__ = ["harmless", "is_harmful", "one_line", "pick", "printable", "table", "wrapped"]

# Bidirectional controls and invisible joiners that can make a text read as another.
# U+200C and U+200D are left: some scripts need them to be spelt right.
BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
HIDDEN = frozenset("\u00ad\u200b\u2060\ufeff\u2028\u2029")
# XML 1.0 (fifth edition), section 2.2: characters that no document can hold.
NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def is_harmful(char: str) -> bool:
    """Whether a terminal might obey this character, or a reader be misled by it."""
    if char in "\n\t":
        return False
    return char in BIDI or char in HIDDEN or unicodedata.category(char) in {"Cc", "Cs", "Co"}


def harmless(text: str) -> str:
    """The text with every harmful character shown as ``<U+XXXX>``; line ends are kept."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(f"<U+{ord(char):04X}>" if is_harmful(char) else char for char in text)


def one_line(text: str) -> str:
    """The same on a single line."""
    return " ".join(harmless(text).split())


def printable(text: object) -> str:
    r"""The same for a page or a picture: a character that XML cannot hold is replaced.

    Example:
        >>> printable("hums\x1b[31m")
        'hums<U+001B>[31m'
    """
    return NOT_IN_XML.sub("\ufffd", one_line(str(text)))


def wrapped(
    text: str, width: int, first: str = "", rest: str | None = None, *, whole_words: bool = False
) -> list[str]:
    """A text as lines of at most ``width`` columns; names are not broken at their hyphens.

    Args:
        text: one paragraph, made harmless here; line ends become blanks.
        width: columns; never fewer than 16 beside the indent.
        first: what stands before the first line.
        rest: what stands before every other line; None repeats ``first``.
        whole_words: let a word that is longer than the line stand out, so that it can be copied.

    Example:
        >>> wrapped("Measure the supply voltage", 20, "1. ", "   ")
        ['1. Measure the', '   supply voltage']
    """
    rest = first if rest is None else rest
    lines = textwrap.wrap(
        harmless(text),
        max(width, len(rest) + 16),
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=not whole_words,
        break_on_hyphens=False,
    )
    return lines or [first]


def table(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Columns side by side, two blanks apart; cells wrap where a row is wider than the screen.

    Example:
        >>> table([("case", "result"), ("14", "fixed")], 80)
        ['case  result', '14    fixed']
    """
    from io import StringIO

    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=(0, 2, 0, 0))
    for _ in rows[0]:
        grid.add_column(overflow="fold")
    for row in rows:
        grid.add_row(*(Text(one_line(cell)) for cell in row))
    drawn = StringIO()
    Console(file=drawn, width=max(width, 20), color_system=None, force_terminal=False).print(grid)
    return [line.rstrip() for line in drawn.getvalue().splitlines()]


def pick(typed: str, names: Sequence[str], *, numbered: bool = True) -> str | None:
    """The name that is meant: the whole of it, its number from 1, or first letters of only it.

    Example:
        >>> pick("f", ["returned", "fixed"]), pick("1", ["returned", "fixed"])
        ('fixed', 'returned')
    """
    word = one_line(typed).casefold()
    for name in names:
        if one_line(name).casefold() == word:
            return name
    if numbered and word.isdecimal() and 1 <= int(word) <= len(names):
        return names[int(word) - 1]
    begins = [name for name in names if word and one_line(name).casefold().startswith(word)]
    return begins[0] if len(begins) == 1 else None
