"""Make texts from files and people safe to show, wrap them, and set tables."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Sequence

# Bidirectional controls and invisible joiners that can make a text read as another.
# U+200C and U+200D are left: some scripts need them to be spelt right.
BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
HIDDEN = frozenset("\u00ad\u200b\u2060\ufeff\u2028\u2029")
# XML 1.0 (fifth edition), section 2.2: characters that no document can hold.
NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def is_harmful(char: str) -> bool:
    """Whether the character can control a terminal or mislead a reader."""
    if char in "\n\t":
        return False
    return char in BIDI or char in HIDDEN or unicodedata.category(char) in {"Cc", "Cs", "Co"}


def harmless(text: str) -> str:
    r"""Replace every harmful character by ``<U+XXXX>``; line ends are kept.

    Example:
        >>> harmless("hums\x1b[31m")
        'hums<U+001B>[31m'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(f"<U+{ord(char):04X}>" if is_harmful(char) else char for char in text)


def escaped(json_text: str) -> str:
    r"""Replace every harmful character of a JSON document by its escape (RFC 8259, section 7).

    The document stays equal as data.

    Example:
        >>> escaped('"C1\u202e7k4"')
        '"C1\\u202e7k4"'
    """
    if json_text.isascii() and "\x7f" not in json_text:
        return json_text
    return "".join(_escape(char) if is_harmful(char) else char for char in json_text)


def _escape(char: str) -> str:
    code = ord(char)
    if code > 0xFFFF:
        high, low = divmod(code - 0x10000, 0x400)
        return f"\\u{0xD800 + high:04x}\\u{0xDC00 + low:04x}"
    return f"\\u{code:04x}"


def one_line(text: str) -> str:
    """The same as :func:`harmless`, on a single line."""
    return " ".join(harmless(text).split())


def printable(text: object) -> str:
    r"""The same as :func:`harmless` for a page or picture: valid in XML as well.

    Example:
        >>> printable("hums\x1b[31m")
        'hums<U+001B>[31m'
    """
    return NOT_IN_XML.sub("\ufffd", one_line(str(text)))


def wrapped(
    text: str, width: int, first: str = "", rest: str | None = None, *, whole_words: bool = False
) -> list[str]:
    """Wrap a text to lines of at most ``width`` columns; words are not broken at hyphens.

    Args:
        text: one paragraph, made harmless here; line ends become blanks.
        width: columns; at least 16 remain beside the indent.
        first: prefix of the first line.
        rest: prefix of every other line; None repeats ``first``.
        whole_words: do not break a word that is longer than the line, so that it can be copied.

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
    """Set rows as columns, two blanks apart; cells wrap if a row is wider than ``width``.

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


def counted(many: int, what: str) -> str:
    """Say how many there are of something, with a plural in s.

    Example:
        >>> counted(1, "case"), counted(2, "case")
        ('1 case', '2 cases')
    """
    return f"{many} {what}{'' if many == 1 else 's'}"


def minutes_text(minutes: float) -> str:
    """Minutes for people, in seconds where they are less than one.

    Example:
        >>> minutes_text(0), minutes_text(0.5), minutes_text(1.5), minutes_text(1234)
        ('0 min', '30 s', '1.5 min', '1234 min')
    """
    if not minutes:
        return "0 min"
    if round(60 * minutes) < 60:
        return f"{60 * minutes:.0f} s"
    return f"{max(minutes, 1):.2g} min" if minutes < 10 else f"{minutes:.0f} min"


def spell(seconds: float) -> str:
    """A length of time for people: ``2 min``, ``1 min 30 s``."""
    whole = max(0, round(seconds))
    minutes, rest = divmod(whole, 60)
    parts = [f"{minutes} min"] if minutes else []
    if rest or not minutes:
        parts.append(f"{rest} s")
    return " ".join(parts)


def pick(typed: str, names: Sequence[str], *, numbered: bool = True) -> str | None:
    """Find a typed name: by the whole name, its number from 1, or a unique beginning.

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
