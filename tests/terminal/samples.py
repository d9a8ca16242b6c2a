"""A technician who types what a test says, and a record in memory."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from faulttree.cases.photos.picture import picture_file
from faulttree.reading import Bench
from faulttree.terminal.console import (
    AwayError,
    Line,
)
from faulttree.terminal.open_case import EventWriter, OpenCase
from faulttree.tree import Tree
from faulttree.walk import Event
from faulttree.walk import events as ev

CAUTIONS = {
    "mains": {"signal": "WARNING", "text": "Pull the plug.", "covers": ["voltage"]},
    "hot": {"signal": "CAUTION", "text": "It stays hot.", "covers": ["heat"]},
}


class Typist:
    """A console that types from a list and keeps all that was shown."""

    def __init__(self, *typed: str, width: int = 80) -> None:
        self.typed, self.width = list(typed), width
        self.lines: list[str] = []
        self.waited: list[float] = []
        self.patient = True
        self.typed_meanwhile = ""

    @property
    def said(self) -> str:
        return "\n".join(self.lines)

    def show(self, lines: Iterable[Line]) -> None:
        self.lines += ["".join(text for _, text in line) for line in lines]

    def ask(self, prompt: str, choices: Sequence[str] = (), status: Any = None) -> str:
        if not self.typed:
            raise AwayError
        text = self.typed.pop(0)
        self.lines.append(f"{prompt}{text}")
        return text

    def pause(self, seconds: float, what: str) -> tuple[bool, str]:
        self.waited.append(seconds)
        return self.patient, self.typed_meanwhile


class Memory:
    """A record in memory that can be made to refuse."""

    def __init__(self) -> None:
        self.kept: list[Event] = []
        self.refusing: Exception | None = None

    def append(self, case: str, sequence: int, event: Event) -> None:
        if self.refusing is not None:
            refusing, self.refusing = self.refusing, None
            raise refusing
        assert sequence == len(self.kept)
        self.kept.append(event)


def sitting_of(console: Typist, memory: Memory, tree: Tree, bench: Bench | None = None) -> OpenCase:
    opened = ev.Opened(tree=tree.id, tree_hash=tree.hash, unit={"serial": "tag 3"})
    memory.kept.append(opened)
    journal = EventWriter(tree, "c", [opened], memory, lambda: "2026-02-11T10:00:00Z")
    bench = replace(bench or Bench(), likely_below=0.0)
    return OpenCase(journal, console, bench=bench, label="case 1", keep_photo=kept_photo)


def kept_photo(path: Path, words: str, events: Sequence[Event]) -> ev.PhotoAdded:
    """A photo as a record keeps it; here nothing is kept."""
    photo = picture_file(path)
    return ev.PhotoAdded(sha256=photo.sha256, width=photo.width, height=photo.height, words=words)
