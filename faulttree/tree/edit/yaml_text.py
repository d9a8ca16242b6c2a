"""Write plain data as YAML text that every reader understands in the same way."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree.scalars import scalar
from faulttree.tree.source import HIDDEN

DATE = re.compile(r"\d{4}-\d\d-\d\d")
PLAIN = re.compile(r"[^\W_](?:[^\n\t\r#:,\[\]{}]|(?<=\S)#|:(?=[^\s,\[\]{}]))*")
"""A text that needs no quotes, also in a flow mapping."""
FIGURES = re.compile(r"(?=.*\d)[\d_.:+-]+(?:[eE][\d+-]*)?|0[xo][\da-fA-F_]+")
"""A text that some readers take for a number or a time: 1_000, 0o17, 12:30."""
ODD_WORDS = frozenset(("yes", "no", "on", "off", "y", "n", "true", "false", "null"))
LINE = 100
"""Columns; a mapping that is longer in flow style is written one entry a line."""


def scalar_text(value: Any) -> str:
    """One scalar as YAML, quoted where another reader could take it for something else.

    Raises:
        TreeError: a text holds a character that no library file may hold.
    """
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        whole = isinstance(value, float) and value.is_integer() and abs(value) < 1e15
        return str(int(value)) if whole else repr(value)
    text = str(value)
    hidden = HIDDEN.search(text)
    if hidden:
        raise TreeError(
            f"Character U+{ord(hidden.group()):04X} is a control or direction character.",
            remedy="Write the text without it; it can make a text look other than it is.",
        )
    same = isinstance(scalar(text), str) and text.casefold() not in ODD_WORDS
    if DATE.fullmatch(text):
        return text
    figures = FIGURES.fullmatch(text)
    if same and not figures and PLAIN.fullmatch(text) and text.strip() == text:
        return text
    return json.dumps(text, ensure_ascii=False)


def flow(value: Any) -> str:
    """Plain data as YAML in flow style, on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{scalar_text(k)}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(flow(item) for item in value) + "]"
    return scalar_text(value)


def block(key: str, value: Any, indent: int, unit: int, *, top: bool = True) -> list[str]:
    """An entry of a block mapping as lines: one line for each key, its value in flow style."""
    lead = f"{' ' * indent}{scalar_text(key)}:"
    whole = f"{lead} {flow(value)}"
    if isinstance(value, Mapping) and value and (top or len(whole) > LINE):
        lines = [lead]
        for inner, item in value.items():
            lines += block(str(inner), item, indent + unit, unit, top=False)
        return lines
    if isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
        return [lead, *(f"{' ' * (indent + unit)}- {flow(item)}" for item in value)]
    return [whole]


def quoted(text: str, quote: str) -> str:
    """A text in the quotes of the old text."""
    if quote == "'" and text.isprintable():
        return "'" + text.replace("'", "''") + "'"
    return json.dumps(text, ensure_ascii=False)
