"""A file of the library looked at as a whole: what was built of it, and all that is wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree.builder import assemble
from faulttree.tree.document import Document
from faulttree.tree.model import Tree, Where
from faulttree.tree.problems import Problem
from faulttree.tree.schema import FileKind, findings
from faulttree.tree.source import shown

__all__ = [
    "ExaminedFile",
    "checked",
    "examine",
    "in_order",
    "problem_of",
    "wrong_folder",
    "wrong_name",
]


@dataclass(frozen=True)
class ExaminedFile:
    """A file looked at as a whole: what could be built of it, and all that is wrong.

    Attributes:
        kind: what kind of file it is.
        tree: the tree, wherever one can be built. For a procedure a tree made only to use
            it, as the step ``use`` whose exits all lead to the stop ``end``.
        problems: what reader, schema and builder found, in the order of the files.
        documents: the files behind it by name, the one examined first.
        data: the plain data of the file examined.
    """

    kind: FileKind
    tree: Tree | None
    problems: tuple[Problem, ...]
    documents: Mapping[str, Document] = field(default_factory=dict, repr=False)

    @property
    def data(self) -> Any:
        """The plain data of the file examined; None where it could not be read."""
        return next((document.data for document in self.documents.values()), None)

    def place(
        self, where: Where, of_key: bool = False
    ) -> tuple[Path | None, int | None, int | None]:
        """Path, line and column (from 1) of a place; None for what is not known."""
        document = self.documents.get(where.document)
        if document is None:
            return None, None, None
        return (document.path, *document.place(where.keys, of_key))


def examine(bundle: Mapping[str, Any]) -> ExaminedFile:
    """Look at plain data leniently: everything wrong at once, without line and column.

    Args:
        bundle: as for :func:`faulttree.tree.build`.
    """
    tree, problems = assemble(bundle)
    return ExaminedFile("tree", tree, problems)


def checked(document: Document, kind: FileKind) -> tuple[Document, tuple[Problem, ...]]:
    """A document with what reader and schema find."""
    problems = list(document.problems)
    if document.data is not None or not problems:
        for rule, message, mend, keys, of_key in findings(document.data, kind):
            line, column = document.place(keys, of_key)
            where = Where(document.name, keys)
            problems.append(
                Problem(rule, "error", message, document.path, line, column, mend, where)
            )
    return document, tuple(problems)


def problem_of(error: TreeError) -> Problem:
    """What reading a file failed on, as a problem of it."""
    return Problem(
        "unreadable",
        "error",
        error.message,
        error.path,
        error.line or 1,
        error.column or 1,
        error.mend or "",
    )


def in_order(problems: list[Problem], first: Document) -> tuple[Problem, ...]:
    """In the order of the lines, the file examined before the others."""

    def order(problem: Problem) -> tuple[bool, str, int, int]:
        other = problem.path != first.path
        return other, str(problem.path), problem.line or 0, problem.column or 0

    return tuple(sorted(problems, key=order))


def wrong_folder(document: Document, family: Any) -> list[Problem]:
    """A family that is not the name of the folder the tree is in."""
    path = document.path
    if path is None or not isinstance(family, str):
        return []
    absolute = path.absolute()
    folder = absolute.parent
    if folder.parent.name != "trees" or family == folder.name:
        return []
    line, column = document.place(("family",))
    message = f"The family `{shown(family)}` is not the folder's name, `{shown(folder.name)}`."
    mend = f"Write `family: {shown(folder.name)}`, or move the file."
    where = Where("tree", ("family",))
    return [Problem("family-folder", "error", message, path, line, column, mend, where)]


def wrong_name(document: Document, name: Any) -> list[Problem]:
    """A procedure whose name is not that of its file."""
    path = document.path
    if path is None or not isinstance(name, str) or name == path.stem:
        return []
    line, column = document.place(("procedure",))
    message = f"The procedure `{shown(name)}` is not the file's name, `{shown(path.stem)}`."
    mend = f"Write `procedure: {shown(path.stem)}`, or rename the file."
    where = Where(document.name, ("procedure",))
    return [Problem("family-folder", "error", message, path, line, column, mend, where)]
