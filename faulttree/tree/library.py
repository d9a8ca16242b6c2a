"""The library folder: trees with their shared items, on top of the shipped library."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree.about import About, read_about
from faulttree.tree.builder import assemble
from faulttree.tree.bundle import named_in, properties_in, tree_id_of, trial_of, uses_in
from faulttree.tree.checked_file import ExaminedFile, in_order, misplaced, with_refusals
from faulttree.tree.document import Document, parse, uncollected
from faulttree.tree.file_kind import kind_of
from faulttree.tree.finding import Finding, near
from faulttree.tree.model import Tree, Where
from faulttree.tree.schema import FileKind, shape_of
from faulttree.tree.source import load_text, shown

ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*", re.ASCII)


def _table(kind: FileKind) -> cached_property[Mapping[str, Any]]:
    """A shared table of a library by name, on top of that of the lower library.

    Reading it raises TreeError if the file has errors.
    """

    def read(library: Library) -> Mapping[str, Any]:
        data, findings = library._merged(kind)
        for finding in findings:
            raise finding.error()
        return data

    return cached_property(read)


class Library:
    """A folder with ``trees/`` and ``shared/``; each file is read once, when it is needed.

    Nothing outside the folder is read: a symbolic link that leads out of it is refused.
    Items that its ``shared/`` does not have come from the shipped library.

    Args:
        root: the folder.
        beneath: the library that gives missing shared items; by default the shipped one.

    Raises:
        TreeError: the folder does not exist or has neither ``trees/`` nor ``shared/``.
    """

    def __init__(self, root: str | Path, *, beneath: Library | None = None) -> None:
        self.root = root = Path(root)
        try:
            self._real = root.resolve(strict=True)
            fit = (root / "trees").is_dir() or (root / "shared").is_dir()
        except (OSError, ValueError, RuntimeError):
            remedy = "Check the spelling."
            raise TreeError("There is no such library folder.", path=root, remedy=remedy) from None
        if not fit:
            remedy = "A library holds trees/<family>/<complaint>.yaml and, if need be, shared/."
            raise TreeError("This folder is not a library.", path=root, remedy=remedy)
        self._beneath = beneath
        self._documents: dict[str, tuple[Document, tuple[Finding, ...]] | None] = {}

    def __repr__(self) -> str:
        return f"<Library {self.root}: {len(self.trees())} trees>"

    @property
    def beneath(self) -> Library | None:
        """The library that gives missing items; None for the shipped one."""
        if self._beneath is None:
            shipped = shipped_root()
            if shipped.resolve() == self._real or not shipped.is_dir():
                return None
            self._beneath = Library(shipped)
        return self._beneath

    # -- contents ----------------------------------------------------------------------

    def trees(self) -> tuple[str, ...]:
        """Sorted ids of the trees, including lower libraries; no tree is read."""
        below = self.beneath.trees() if self.beneath else ()
        return tuple(sorted({*self.own_trees(), *below}))

    def own_trees(self) -> tuple[str, ...]:
        """Ids of the trees in this folder, sorted; no tree is read for it."""
        return tuple(
            f"{path.parent.name}/{path.stem}"
            for path in self.tree_files()
            if ID.fullmatch(path.stem) and ID.fullmatch(path.parent.name) and self._inside(path)
        )

    @property
    def layers(self) -> tuple[Library, ...]:
        """The libraries from the top: this one and the lower ones."""
        return (self, *(self.beneath.layers if self.beneath else ()))

    @property
    def is_shipped(self) -> bool:
        """Whether it is the library that ships with the program."""
        return self._real == shipped_root().resolve()

    @cached_property
    def about(self) -> About:
        """The description in ``library.yaml``; without it the title is the folder's name.

        Raises:
            TreeError: the file has errors.
        """
        return read_about(self.root, "shipped" if self.is_shipped else self._real.name)

    def layer_of(self, tree_id: str) -> Library:
        """The topmost library that has a tree; this one if none has it.

        Example:
            >>> shipped_library().layer_of("bench-supply/no-output").is_shipped
            True
        """
        return next((layer for layer in self.layers if layer.own_tree(tree_id)), self)

    def own_tree(self, tree_id: str) -> bool:
        """Whether this folder has a tree of this id; only one file is looked up."""
        path = self._file_of(tree_id)
        return path is not None and path.is_file() and self._inside(path)

    def _file_of(self, tree_id: str) -> Path | None:
        """The file that a tree of this id would have here; None if it is no valid id."""
        family, _, complaint = tree_id.partition("/")
        named = ID.fullmatch(family) and ID.fullmatch(complaint)
        return self.root / "trees" / family / f"{complaint}.yaml" if named else None

    def replaced(self, tree_id: str) -> Tree | None:
        """The tree of this id in the lower libraries; None if none can be read."""
        if self.beneath is None or not self.beneath.layer_of(tree_id).own_tree(tree_id):
            return None
        return self.beneath.examine(tree_id).tree

    def tree_files(self) -> tuple[Path, ...]:
        """The files under ``trees/`` of this folder, sorted, with any name.

        Files that are links out of the library are included.
        """
        return tuple(sorted(self.root.glob("trees/*/*.yaml")))

    def procedures(self) -> tuple[str, ...]:
        """Names of the shared procedures, including those of the lower library."""
        files = self.root.glob("shared/procedures/*.yaml")
        own = {path.stem for path in files if ID.fullmatch(path.stem) and self._inside(path)}
        return tuple(sorted(own.union(self.beneath.procedures() if self.beneath else ())))

    def _inside(self, path: Path) -> bool:
        try:
            return path.resolve(strict=True).is_relative_to(self._real)
        except (OSError, RuntimeError):
            return False

    def _leads_out(self, path: Path) -> bool:
        """Whether a path in the library leads to a file outside it."""
        here = path.absolute().is_relative_to(self.root.absolute())
        return here and path.exists() and not self._inside(path)

    cautions = _table("cautions")
    instruments = _table("instruments")
    families = _table("families")
    properties = _table("properties")
    words = _table("words")
    thesaurus = _table("thesaurus")

    def _merged(self, kind: FileKind) -> tuple[Mapping[str, Any], tuple[Finding, ...]]:
        """A shared table over that of the library beneath, and what is wrong with both."""
        below, findings = self.beneath._merged(kind) if self.beneath else ({}, ())
        found = self._shared(kind)
        if found is None:
            return below, findings
        own = found[0].data if isinstance(found[0].data, dict) else {}
        return {**below, **own}, findings + found[1]

    # -- reading -----------------------------------------------------------------------

    def load(self, tree_id: str) -> Tree:
        """A tree that is fit to be built, read with what it uses and nothing else.

        Raises:
            TreeError: where there is no such tree (naming ids that are near), or at the
                first error in it.
        """
        examined = self.examine(tree_id)
        for finding in examined.errors():
            raise finding.error()
        if examined.tree is None:
            raise TreeError(f"`{shown(tree_id)}` is no tree.", remedy="Name one of the trees.")
        return examined.tree

    def examine(self, what: Path | str) -> ExaminedFile:
        """Look at one file as a whole, by a tree's id or by path.

        Args:
            what: an id (``<family>/<complaint>``) as a text, or a path to a tree, a
                procedure or one of the shared tables.

        Raises:
            TreeError: where there is no such tree or file, or it cannot be opened. What
                is wrong inside a file stands in the findings.
        """
        path = self.path_of(what) if isinstance(what, str) else what
        if self._leads_out(path):
            return ExaminedFile("tree", None, (Finding.of_error(led_out(path)),))
        try:
            text = load_text(path)
        except TreeError as error:
            if error.line is None:
                raise
            return ExaminedFile("tree", None, (Finding.of_error(error),))
        return self.examine_text(text, path)

    def examine_text(self, text: str, path: Path | None = None) -> ExaminedFile:
        """Look at a text as :meth:`examine` does at a file; ``path`` names it."""
        kind = kind_of(text, path)
        if kind == "tree" or kind == "table":
            return self.examine_document(
                parse(text, path=path, shape=shape_of("tree"), name="tree")
            )
        name: str = kind
        if kind == "procedure":
            name = f"procedure:{path.stem if path is not None else 'procedure'}"
        document = parse(text, path=path, shape=shape_of(kind), name=name)
        document, found = with_refusals(document, kind)
        if kind == "procedure" and isinstance(document.data, dict):
            return self._procedure(document, found)
        return ExaminedFile(kind, None, found, {document.name: document})

    def examine_document(self, document: Document) -> ExaminedFile:
        """Look at a tree that was read already, with the name ``tree``."""
        if isinstance(document.data, dict):
            return self._tree(document)
        document, found = with_refusals(document, "tree")
        return ExaminedFile("tree", None, found, {"tree": document})

    def path_of(self, tree_id: str) -> Path:
        """The file of a tree.

        Raises:
            TreeError: where there is none, naming ids that are near.
        """
        path = self._file_of(tree_id)
        if path is not None and path.is_file():
            if self._inside(path):
                return path
            raise led_out(path)
        if self.beneath is not None and self.beneath.layer_of(tree_id).own_tree(tree_id):
            return self.beneath.path_of(tree_id)
        known = self.trees()
        remedy = near(tree_id, known) or _near_part(tree_id, known)
        if path is not None and path.with_suffix(".yml").is_file():
            remedy = f"The file ends in .yml; rename it to {path.name}."
        raise TreeError(f"There is no tree `{shown(tree_id)}` in {self.root}.", remedy=remedy)

    def _tree(self, document: Document) -> ExaminedFile:
        documents = {"tree": document}
        findings = list(document.findings)
        used = self._used(document.data, documents, findings)
        cautions, wrong_cautions = self._merged("cautions")
        instruments, wrong_instruments = self._merged("instruments")
        bundle: dict[str, Any] = {
            "id": tree_id_of(document),
            "tree": document.data,
            "procedures": used,
            "cautions": named_in("cautions", cautions, document.data, used),
            "instruments": named_in("needs", instruments, document.data, used),
        }
        if (about := self._origin(document.path)) is not None and about.invented:
            bundle["library"] = {"title": about.title, "invented": True}
        wrong_properties = self._properties_into(bundle, document.data, used)
        with uncollected():
            tree, found = assemble(bundle, documents, known_procedures=self.procedures)
        findings += found
        findings += misplaced(document, "tree")
        findings += changed_base(document, self, bundle["id"])
        findings += wrong_cautions + wrong_instruments + wrong_properties
        return ExaminedFile("tree", tree, in_order(findings, document), documents)

    def _origin(self, path: Path | None) -> About | None:
        """The description of the library that a file belongs to; None where it cannot be read."""
        real = path.resolve() if path is not None else None
        for layer in self.layers if real is not None else ():
            if real is not None and real.is_relative_to(layer._real / "trees"):
                try:
                    return layer.about
                except TreeError:
                    return None
        return None

    def _properties_into(
        self, bundle: dict[str, Any], tree: Mapping[str, Any], procedures: Mapping[str, Any]
    ) -> tuple[Finding, ...]:
        """Put the properties that a tree depends on into its bundle; none where there are none."""
        names = properties_in(tree, procedures)
        if not names:
            return ()
        known, findings = self._merged("properties")
        if named := {name: known[name] for name in names if name in known}:
            bundle["properties"] = named
        return findings

    def _used(
        self, tree: Mapping[str, Any], documents: dict[str, Document], findings: list[Finding]
    ) -> dict[str, Any]:
        """The procedures a tree uses, theirs too, by name."""
        used: dict[str, Any] = {}
        todo = list(uses_in(tree))
        while todo:
            name = todo.pop()
            if f"procedure:{name}" in documents:
                continue
            found = self.procedure(name)
            if found is None:
                continue
            document, _ = found
            documents[f"procedure:{name}"] = document
            findings += document.findings
            used[name] = document.data
            if isinstance(document.data, dict):
                todo += uses_in(document.data)
        return {name: used[name] for name in sorted(used)}

    def procedure(self, name: str) -> tuple[Document, tuple[Finding, ...]] | None:
        """A shared procedure with what is wrong with it alone; None where there is none."""
        if not ID.fullmatch(name):
            return None
        found = self._shared("procedure", f"procedures/{name}.yaml", f"procedure:{name}")
        if found is None and self.beneath is not None:
            return self.beneath.procedure(name)
        return found

    def own_procedure(self, name: str) -> Any:
        """What the file of a procedure in this folder says; None where there is none."""
        found = self._shared("procedure", f"procedures/{name}.yaml", f"procedure:{name}")
        return found[0].data if found is not None else None

    def own_table(self, kind: FileKind) -> Document | None:
        """A shared table of this folder; None where there is none."""
        found = self._shared(kind)
        return found[0] if found is not None else None

    def own_caution(self, name: str) -> Any:
        """What this folder's table says of a caution; None where it says nothing."""
        table = self.own_table("cautions")
        return table.data.get(name) if table and isinstance(table.data, dict) else None

    def _shared(
        self, kind: FileKind, file: str = "", name: str = ""
    ) -> tuple[Document, tuple[Finding, ...]] | None:
        file, name = file or f"{kind}.yaml", name or kind
        if file not in self._documents:
            path = self.root / "shared" / file
            self._documents[file] = None
            if self._leads_out(path):
                self._documents[file] = unread(path, name, led_out(path))
            elif path.exists():
                self._documents[file] = read_checked(path, kind, name)
        return self._documents[file]

    def _procedure(self, document: Document, found: tuple[Finding, ...]) -> ExaminedFile:
        """A procedure looked at by itself: used once in a tree made for it alone."""
        documents = {document.name: document}
        data, findings = document.data, list(found)
        used = self._used(data, documents, findings)
        name = document.name.partition(":")[2]
        used[name] = data
        bundle: dict[str, Any] = {
            **trial_of(name, data, used),
            "cautions": named_in("cautions", self._merged("cautions")[0], {}, used),
            "instruments": named_in("needs", self._merged("instruments")[0], {}, used),
        }
        self._properties_into(bundle, {}, used)
        tree, built = assemble(bundle, documents, known_procedures=self.procedures)
        findings += [one for one in built if one.where.document != "tree"]
        findings += misplaced(document, "procedure")
        return ExaminedFile("procedure", tree, in_order(findings, document), documents)


def shipped_root() -> Path:
    """The folder of the library that ships: in the installed package, or in the project."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_shipped"
    return installed if installed.is_dir() else package.parent


def shipped_library() -> Library:
    """The library that ships.

    Raises:
        TreeError: where the installation is not whole.
    """
    return Library(shipped_root())


def demo_library() -> Library:
    """The library of ``faulttree demo``: its data is invented. It stands on the shipped one.

    Raises:
        TreeError: where the installation is not whole.
    """
    return Library(shipped_root() / "demo")


def changed_base(document: Document, library: Library, tree_id: str) -> list[Finding]:
    """A copy whose original in a library beneath is another text now, or is gone."""
    base = document.data.get("based_on") if isinstance(document.data, Mapping) else None
    path = document.path
    own = path is not None and path.absolute().is_relative_to(library.root.absolute())
    if not isinstance(base, str) or not own:
        return []
    original = library.replaced(tree_id)
    if original is not None and original.hash == base:
        return []
    what = "has changed since" if original is not None else "is no longer there"
    then = f"write `based_on: {original.hash}`" if original is not None else "remove the key"
    found = Finding(
        Where(document.name, ("based_on",)),
        f"The tree that this one was copied from {what}.",
        f"Compare the two, take over what is better there, then {then}.",
        rule="base-changed",
        level="warning",
    )
    return [found.located(document)]


def read_checked(path: Path, kind: FileKind, name: str) -> tuple[Document, tuple[Finding, ...]]:
    """A file of the library with what reader and schema find."""
    try:
        text = load_text(path)
    except TreeError as error:
        return unread(path, name, error)
    return with_refusals(parse(text, path=path, shape=shape_of(kind), name=name), kind)


def unread(path: Path, name: str, error: TreeError) -> tuple[Document, tuple[Finding, ...]]:
    """A file that could not be read, with the reason as its only finding."""
    found = (Finding.of_error(error),)
    return Document(None, "", path, name, found), found


def led_out(path: Path) -> TreeError:
    """Refusal of a link to a file elsewhere."""
    return TreeError(
        "The file is a link that leads out of the library.",
        path=path,
        remedy="Put the file itself into the library.",
    )


def _near_part(tree_id: str, known: tuple[str, ...]) -> str:
    """Ids whose family or complaint is the word given."""
    parts = set(tree_id.strip("/").split("/"))
    close = [name for name in known if parts & set(name.split("/"))][:3]
    if close:
        return f"Did you mean {' or '.join(f'`{name}`' for name in close)}?"
    return "`faulttree find` lists the trees." if known else "The library holds no trees."
