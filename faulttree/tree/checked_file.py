"""A checked file of the library: the tree built from it, and all findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.tree.builder import assemble
from faulttree.tree.document import Document
from faulttree.tree.finding import Finding
from faulttree.tree.model import Tree, Where
from faulttree.tree.schema import FileKind, refusals
from faulttree.tree.source import shown


@dataclass(frozen=True)
class ExaminedFile:
    """A checked file: the tree as far as it could be built, and all findings.

    Attributes:
        kind: what kind of file it is.
        tree: the tree, if one can be built. For a procedure, a tree made only to use it, by
            the step ``use`` whose exits all lead to the stop ``end``.
        findings: the findings of reader, schema and builder, in the order of the files.
        documents: the files behind it by name, the one examined first.
    """

    kind: FileKind
    tree: Tree | None
    findings: tuple[Finding, ...]
    documents: Mapping[str, Document] = field(default_factory=dict, repr=False)

    @property
    def data(self) -> Any:
        """The plain data of the file; None if it could not be read."""
        return next((document.data for document in self.documents.values()), None)

    def errors(self) -> tuple[Finding, ...]:
        """The findings of level ``error``."""
        return tuple(finding for finding in self.findings if finding.level == "error")


def examine(bundle: Mapping[str, Any]) -> ExaminedFile:
    """Check plain data and return all findings, without line and column.

    Args:
        bundle: as for :func:`faulttree.tree.build`.

    Example:
        >>> [finding.rule for finding in examine({"id": "lamp/dark", "tree": None}).findings]
        ['empty-text']
    """
    tree, findings = assemble(bundle)
    return ExaminedFile("tree", tree, findings)


def with_refusals(document: Document, kind: FileKind) -> tuple[Document, tuple[Finding, ...]]:
    """A document with the findings of reader and schema."""
    if document.data is None and document.findings:
        return document, document.findings
    refused = refusals(document.data, kind, document.name)
    return document, (*document.findings, *(one.located(document) for one in refused))


def in_order(findings: list[Finding], first: Document) -> tuple[Finding, ...]:
    """The findings without repetition, by line, those of the checked file first."""
    own = str(first.path or "")
    return tuple(sorted(dict.fromkeys(findings), key=lambda one: (one.path != own, *one.place)))


def misplaced(document: Document, kind: FileKind) -> list[Finding]:
    """Findings for a family that differs from the folder, or a procedure from its file name."""
    path, key = document.path, "family" if kind == "tree" else "procedure"
    name = document.data.get(key)
    if path is None or not isinstance(name, str):
        return []
    folder = path.absolute().parent
    if kind == "tree":
        place, what, other = folder.name, "The family", "the folder's name"
        away = folder.parent.name == "trees"
    else:
        place, what, other, away = path.stem, "The procedure", "the file's name", True
    if not away or name == place:
        return []
    remedy = "or move the file." if kind == "tree" else "or rename the file."
    found = Finding(
        Where(document.name, (key,)),
        f"{what} `{shown(name)}` is not {other}, `{shown(place)}`.",
        f"Write `{key}: {shown(place)}`, {remedy}",
        rule="family-folder",
    )
    return [found.located(document)]
