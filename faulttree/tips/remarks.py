"""Remarks of other people, read from text, CSV, JSON Lines or a prompt."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from faulttree.errors import FaulttreeError

FIELDS = ("text", "author", "date", "unit")
LARGEST = 20_000_000
QUOTED = 160
"""Characters of a remark that is quoted in a list."""


class RemarksError(FaulttreeError):
    """A file of remarks that cannot be read; it names the place and the remedy."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark.

    Attributes:
        number: its place in the file, from 0.
        text: as it was written.
        author: who made it; empty where nobody is named.
        date: the day, as written.
        unit: the unit that it speaks of.
    """

    number: int
    text: str
    author: str = ""
    date: str = ""
    unit: str = ""


def quoted(text: str, longest: int = QUOTED) -> str:
    r"""A remark on one line, shortened with an ellipsis where it is too long.

    Args:
        text: as it was written.
        longest: characters that are kept whole; a longer text becomes ``longest - 2``
            characters, the ellipsis included.

    Example:
        >>> quoted("Check F1,\nthen K2."), quoted("Measure the relay", 12)
        ('Check F1, then K2.', 'Measure t…')
    """
    flat = " ".join(text.split())
    return flat if len(flat) <= longest else f"{flat[: longest - 3]}…"


def read_remarks(path: Path) -> tuple[Remark, ...]:
    """The remarks of a file: CSV or JSON Lines by its name, else text.

    Raises:
        RemarksError: the file cannot be read, or a line of it is not what its name says.
    """
    try:
        if path.stat().st_size > LARGEST:
            remedy = "Split it into smaller files."
            raise RemarksError("The file is larger than 20 MB.", path=path, remedy=remedy)
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        remedy = "Save it as UTF-8."
        raise RemarksError("The file is no UTF-8 text.", path=path, remedy=remedy) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        remedy = "Check the spelling of the path."
        raise RemarksError(f"The file cannot be read: {why}.", path=path, remedy=remedy) from None
    try:
        return remarks_in(text, path.suffix.lower())
    except RemarksError as error:
        error.path = path
        raise


def remarks_in(text: str, suffix: str = "") -> tuple[Remark, ...]:
    r"""The remarks of a text.

    Args:
        text: plain text has one remark a paragraph where it has empty lines, else one a line.
        suffix: ``.csv``, ``.jsonl`` or ``.ndjson``; anything else is plain text.

    Raises:
        RemarksError: a line is not what the suffix says, or there is no remark at all.

    Example:
        >>> [one.text for one in remarks_in("Check F1\nthe fan is full of dust")]
        ['Check F1', 'the fan is full of dust']
    """
    readers = {".csv": _from_csv, ".jsonl": _from_lines, ".ndjson": _from_lines}
    found = list(readers.get(suffix, _from_text)(text))
    if not found:
        raise RemarksError("There is no remark.", remedy="Give one remark a line or paragraph.")
    return tuple(Remark(number, **one) for number, one in enumerate(found))


def _from_text(text: str) -> Iterator[dict[str, str]]:
    body = text.replace("\r\n", "\n").replace("\r", "\n").strip()
    apart = r"\n[ \t]*\n" if re.search(r"\n[ \t]*\n", body) else r"\n"
    for one in re.split(apart, body):
        if one.strip():
            yield {"text": one.strip()}


def _from_csv(text: str) -> Iterator[dict[str, str]]:
    head = text.split("\n", 1)[0]
    mark = ";" if head.count(";") > head.count(",") else ","
    rows = csv.DictReader(io.StringIO(text, newline=""), delimiter=mark)
    csv.field_size_limit(LARGEST)
    names = [str(name).strip().lower() for name in rows.fieldnames or ()]
    if "text" not in names:
        remedy = "The first line names the columns: text, author, date, unit."
        raise RemarksError("The table has no column `text`.", line=1, remedy=remedy)
    rows.fieldnames = names
    try:
        for row in rows:
            one = {key: str(row.get(key) or "").strip() for key in FIELDS}
            if one["text"]:
                yield one
    except csv.Error as error:
        remedy = "Close every quotation mark."
        raise RemarksError(
            f"The table cannot be read: {error}.", line=rows.line_num, remedy=remedy
        ) from None


def _from_lines(text: str) -> Iterator[dict[str, str]]:
    remedy = 'Write one object a line: {"text": "…", "author": "…"}.'
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            data: Any = json.loads(line)
        except (ValueError, RecursionError):
            raise RemarksError("This line is no JSON.", line=number, remedy=remedy) from None
        if not isinstance(data, Mapping) or not isinstance(data.get("text"), str):
            raise RemarksError("This line has no `text`.", line=number, remedy=remedy)
        one = {}
        for key in FIELDS:
            value = data.get(key)
            if value is not None and not isinstance(value, str):
                raise RemarksError(f"`{key}` is no text.", line=number, remedy=remedy)
            one[key] = (value or "").strip()
        if one["text"]:
            yield one
