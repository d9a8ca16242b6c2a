"""The trees and procedures of a library as files, for changes to several files at once."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree import ExaminedFile, FileKind, Library, Tree, shape_of
from faulttree.tree.document import Document, parse
from faulttree.tree.edit import Editor
from faulttree.tree.source import decode

ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*", re.ASCII)


@dataclass
class LibraryFile:
    """The file of one tree or procedure of the library."""

    name: str
    path: Path
    raw: bytes | None
    document: Document
    kind: FileKind

    @property
    def data(self) -> Mapping[str, Any]:
        """The data of the file; an empty mapping if the file holds no mapping."""
        return self.document.data if isinstance(self.document.data, Mapping) else {}

    def held(self, group: str) -> Mapping[str, Any]:
        """The mapping under a key such as ``steps`` or ``faults``."""
        found = self.data.get(group)
        return found if isinstance(found, Mapping) else {}

    def holder(self, fault: str) -> str | None:
        """The module of a fault, or the family if it has none; None if there is no such fault."""
        raw = self.held("faults").get(fault)
        found = (raw.get("module") or self.data.get("family")) if isinstance(raw, Mapping) else None
        return found if isinstance(found, str) else None

    def editor(self) -> Editor:
        """A new editor for the file."""
        return Editor(self.document, self.raw, shape_of(self.kind))


def files_of(library: Library) -> Iterator[LibraryFile]:
    """Every tree and procedure of a library, without those of lower libraries."""
    for path in library.tree_files():
        yield _one(f"{path.parent.name}/{path.stem}", path, "tree")
    for path in sorted(library.root.glob("shared/procedures/*.yaml")):
        yield _one(path.stem, path, "procedure")


def _one(name: str, path: Path, kind: FileKind) -> LibraryFile:
    raw = path.read_bytes()
    document = parse(decode(raw, path), path=path, shape=shape_of(kind), name=name)
    return LibraryFile(name, path, raw, document, kind)


def procedure_file(library: Library, name: str) -> LibraryFile:
    """The file of a shared procedure, ready for editing.

    One of a lower library is edited as a copy in the topmost one.

    Raises:
        TreeError: there is no such procedure, or it has errors (the first is raised).
    """
    found = library.procedure(name)
    if found is None:
        raise TreeError(
            f"There is no procedure `{name}`.", remedy="Run the review again; it names those known."
        )
    document, findings = found
    for finding in (*document.findings, *findings):
        if finding.level == "error":
            raise finding.error()
    path = library.root / "shared" / "procedures" / f"{name}.yaml"
    if library.own_procedure(name) is not None:
        return _one(name, path, "procedure")
    return LibraryFile(name, path, None, replace(document, path=path), "procedure")


def same_cause(files: Mapping[str, LibraryFile], home: LibraryFile, fault: str) -> Iterator[str]:
    """Ids of the other trees in which the fault is the same cause."""
    wanted = home.holder(fault)
    for name, other in files.items():
        same = wanted is not None and other.holder(fault) == wanted
        if same and other is not home and other.kind == "tree":
            yield name


@dataclass(frozen=True)
class TreeFile:
    """The file of one tree, read once, without errors, ready for editing.

    A tree of a lower library is edited as a copy in the topmost one. The copy keeps the hash
    of its original (``based_on``).

    Attributes:
        path: the file to write.
        raw: its bytes; None for a copy that is not written yet.
        examined: the file as the library examined it.
        tree: the tree built from it.
    """

    path: Path
    raw: bytes | None = field(repr=False)
    examined: ExaminedFile = field(repr=False)
    tree: Tree = field(repr=False)

    @classmethod
    def of(cls, library: Library, tree_id: str) -> TreeFile:
        """Read the file of a tree.

        Raises:
            TreeError: there is no such tree, or it has errors (the first is raised).
        """
        path = library.path_of(tree_id)
        raw = path.read_bytes()
        examined = library.examine_text(decode(raw, path), path)
        for finding in examined.errors():
            raise finding.error()
        if examined.tree is None:
            raise TreeError(
                "This file is not a tree.", path=path, remedy="Run `faulttree check` on it."
            )
        if library.layer_of(tree_id) is library:
            return cls(path, raw, examined, examined.tree)
        return cls._copied(library, tree_id, examined.documents["tree"], examined.tree)

    @classmethod
    def _copied(cls, library: Library, tree_id: str, original: Document, tree: Tree) -> TreeFile:
        """Make a copy of a lower library's tree for the topmost library; write nothing."""
        path = library.root / "trees" / f"{tree_id}.yaml"
        editor = Editor(original, None, shape_of("tree"))
        editor.put((), "based_on", tree.hash, after="family")
        document = replace(editor.change().document or original, path=path)
        examined = library.examine_document(document)
        if examined.tree is None:
            raise TreeError(f"`{tree_id}` cannot be copied.", path=original.path)
        return cls(path, None, examined, examined.tree)

    @property
    def document(self) -> Document:
        """The text with the line and column of each key."""
        return self.examined.documents["tree"]

    def editor(self) -> Editor:
        """A new editor for the file."""
        return Editor(self.document, self.raw, shape_of("tree"))
