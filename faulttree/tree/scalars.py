"""What a plain scalar is: a word, or a number as YAML 1.2 reads it.

The core schema of YAML 1.2.2 (section 10.3.2) resolves plain scalars, with three narrower
choices, each of which keeps the word as it was written: a number with leading zeros
(``007``) is a label; ``.inf`` and ``.nan`` are no plain data; a decimal that a binary
float would change keeps its digits. What only YAML 1.1 reads as something else (``yes``,
``off``, ``1:30``, ``1_000``, dates) is a word.
"""

from __future__ import annotations

import re
from decimal import Decimal

Scalar = str | int | float | bool | None

WORDS: dict[str, bool | None] = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True,
    "false": False, "False": False, "FALSE": False,
}  # fmt: skip

LONGEST = 40
"""Characters a number may have; nothing a meter shows comes near it."""

FIRST = frozenset("0123456789+-.")
INTEGER = re.compile(r"[-+]?(?:0|[1-9][0-9]*)", re.ASCII)
OTHER_BASE = re.compile(r"0o[0-7]+|0x[0-9a-fA-F]+", re.ASCII)
DECIMAL = re.compile(
    r"[-+]?(?:\.[0-9]+|(?:0|[1-9][0-9]*)(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?", re.ASCII
)


def scalar(text: str) -> Scalar:
    """The plain value of a plain (unquoted) scalar; a word stays the text it is."""
    if text in WORDS:
        return WORDS[text]
    if text[0] not in FIRST or len(text) > LONGEST:
        return text
    if INTEGER.fullmatch(text):
        return int(text)
    if OTHER_BASE.fullmatch(text):
        return int(text, 0)
    if DECIMAL.fullmatch(text):
        return exact(text)
    return text


def exact(text: str) -> float | str:
    """The float that writes the same decimal, or the text where there is none."""
    value = float(text)
    if value in (float("inf"), float("-inf")) or Decimal(repr(value)) != Decimal(text):
        return text
    return value
