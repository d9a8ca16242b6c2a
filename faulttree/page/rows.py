"""Lines of the terminal's views as rows of a page: the words of a screen are made once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faulttree.terminal.console import Line

__all__ = ["WIDE", "Row", "rows"]

WIDE = 4000
"""Columns: no line is broken; the browser does that."""


@dataclass(frozen=True, slots=True)
class Row:
    """A label with its text, or a text alone; ``style`` as the terminal names it."""

    text: str
    label: str = ""
    style: str = ""


def rows(lines: Iterable[Line]) -> Iterator[Row]:
    """Each line that says something.

    Example:
        >>> list(rows([[("label", "Expect    "), ("", "0 V to 5 V")], [("", "")]]))
        [Row(text='0 V to 5 V', label='Expect', style='')]
    """
    for line in lines:
        parts = [(style, text.strip()) for style, text in line if text.strip()]
        if not parts:
            continue
        if len(parts) > 1 and parts[0][0] == "label":
            style = parts[1][0]
            label = parts[0][1].rstrip(":")
            yield Row(" ".join(text for _, text in parts[1:]), label, style)
        else:
            text = " ".join(text for _, text in parts).strip("─ ")
            yield Row(text, "", parts[0][0])
