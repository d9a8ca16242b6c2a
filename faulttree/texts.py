"""Texts from files and people made safe to show: nothing in them is obeyed."""

from __future__ import annotations

import unicodedata

__all__ = ["harmless", "is_harmful", "one_line"]

# Bidirectional controls and invisible joiners that can make a text read as another.
# U+200C and U+200D are left: some scripts need them to be spelt right.
BIDI = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
HIDDEN = frozenset("\u00ad\u200b\u2060\ufeff\u2028\u2029")


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
