"""What is wrong with one tree, each thing once, with its place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from faulttree.tree.document import Document
from faulttree.tree.model import Where
from faulttree.tree.problems import Level, Problem, near
from faulttree.tree.schema import FileKind, findings

__all__ = ["Finder"]

MAX_PROBLEMS = 100
"""Problems of one tree that are listed."""


class Finder:
    """Collects problems, each once, and finds their places."""

    def __init__(self, documents: Mapping[str, Document]) -> None:
        self.documents = documents
        self.problems: dict[tuple[str, str, Where], Problem] = {}

    def add(
        self,
        rule: str,
        message: str,
        mend: str,
        where: Where,
        *,
        of_key: bool = False,
        level: Level = "error",
    ) -> None:
        if len(self.problems) > MAX_PROBLEMS or (rule, message, where) in self.problems:
            return
        if len(self.problems) == MAX_PROBLEMS:
            rule, level = "more-problems", "note"
            message, mend = (
                f"Only the first {MAX_PROBLEMS} problems are listed.",
                "Mend them first.",
            )
        document = self.documents.get(where.document)
        path = document.path if document else None
        line, column = document.place(where.keys, of_key) if document else (None, None)
        problem = Problem(rule, level, message, path, line, column, mend, where)
        self.problems[rule, message, where] = problem

    def near(self, word: str, known: Iterable[str]) -> str:
        """Words close to one that is not known; no longer looked for once enough is wrong."""
        return near(word, known) if len(self.problems) < MAX_PROBLEMS else ""

    def check(self, data: Any, kind: FileKind, name: str) -> None:
        """Hold a document against its schema."""
        for rule, message, mend, keys, of_key in findings(data, kind):
            self.add(rule, message, mend, Where(name, keys), of_key=of_key)
