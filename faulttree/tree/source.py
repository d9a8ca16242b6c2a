"""The text of a library file: regular, not too large, UTF-8; and the places in it."""

from __future__ import annotations

import re
import stat
from pathlib import Path

from faulttree.errors import TreeError

MAX_BYTES = 1_048_576
"""A tree of 1,000 lines has about 35,000 bytes."""

HIDDEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff]"
)
"""Control and direction characters, which no library file may hold."""

LINE_END = re.compile("\r\n|\r|\n")


def load_text(path: Path) -> str:
    """The text of a file: regular, not too large, UTF-8.

    Raises:
        TreeError: where it is none of these, or cannot be opened.
    """
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise TreeError("This is a folder, not a file.", path=path, remedy="Name a file in it.")
        if not stat.S_ISREG(status.st_mode):
            raise TreeError("This is no regular file.", path=path, remedy="Name a YAML file.")
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise TreeError(
            "There is no such file.", path=path, remedy="Look at the spelling."
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise TreeError(
            f"The file cannot be opened: {reason}.", path=path, remedy="Look at its permissions."
        ) from None
    return decode(raw, path)


def decode(raw: bytes, path: Path | None = None) -> str:
    """The text that bytes of a library file hold: UTF-8, within the size bound.

    Raises:
        TreeError: with the line and column of the first byte that is no UTF-8.
    """
    if len(raw) > MAX_BYTES:
        raise TreeError(
            f"The file is larger than {MAX_BYTES // 1024} KiB.",
            path=path,
            line=1,
            column=1,
            remedy="A tree is one complaint of one family; split it, or share procedures.",
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")):
        raise TreeError(
            "The file is UTF-16 or UTF-32.", path=path, line=1, column=1, remedy="Save it as UTF-8."
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", "replace")
        line, column = position(before, len(before))
        raise TreeError(
            f"Byte 0x{raw[error.start]:02X} is no UTF-8 text.",
            path=path,
            line=line,
            column=column,
            remedy="Save the file as UTF-8; a binary file is no tree.",
        ) from None


def position(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a character."""
    ends = list(LINE_END.finditer(text, 0, index))
    return len(ends) + 1, index - (ends[-1].end() if ends else 0) + 1


def shown(text: str, longest: int = 60) -> str:
    """A text from a file as a message may carry it: short, one line, nothing hidden."""
    safe = "".join(c if c.isprintable() else "\ufffd" for c in text[: longest + 1])
    return safe if len(safe) <= longest else f"{safe[:longest]}…"
