"""The one base error: what went wrong, where, and how to remedy it."""

from __future__ import annotations

from pathlib import Path

__all__ = ["FaulttreeError", "ReadingError", "RecordError", "TreeError", "WalkError"]


class FaulttreeError(Exception):
    """Anything a user can cause; worded for people, caught in one place by the command line.

    Args:
        message: one sentence that names the matter.
        path: the file concerned, where there is one.
        line: line in that file, from 1.
        column: column in that line, from 1.
        remedy: what to do about it, one sentence.
        key: the keys and positions that lead to the spot inside a document, outermost
            first; a reader that knows the file turns them into line and column.
    """

    def __init__(
        self,
        message: str,
        *,
        path: Path | str | None = None,
        line: int | None = None,
        column: int | None = None,
        remedy: str | None = None,
        key: tuple[str | int, ...] = (),
    ) -> None:
        super().__init__(message)
        self.message = message
        self.path = Path(path) if path is not None else None
        self.line = line
        self.column = column
        self.remedy = remedy
        self.key = key

    @property
    def place(self) -> str:
        """``file:line:column`` as far as known, or an empty text."""
        parts = [str(self.path)] if self.path is not None else []
        parts += [str(number) for number in (self.line, self.column) if number is not None]
        return ":".join(parts)

    def __str__(self) -> str:
        text = f"{self.place}: {self.message}" if self.place else self.message
        return f"{text}\n  {self.remedy}" if self.remedy else text


class ReadingError(FaulttreeError):
    """A quantity, unit, limit, rating or instrument that cannot be understood."""


class TreeError(FaulttreeError):
    """A file of the library that cannot be read as what it should be."""


class WalkError(FaulttreeError):
    """An answer or command that does not fit where the walk stands."""


class RecordError(FaulttreeError):
    """The record cannot be read or written."""
