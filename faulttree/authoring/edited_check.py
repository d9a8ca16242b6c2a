"""Check edited files and report only the findings that are new."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

from faulttree.authoring.files import TreeFile
from faulttree.errors import TreeError
from faulttree.rules import check_paths
from faulttree.rules.checks.library import compare, facts_of
from faulttree.rules.run_rules import look_at
from faulttree.tree import ExaminedFile, Library
from faulttree.tree.edit import FileChange
from faulttree.tree.finding import Finding

Key = tuple[str, str, str]


class Unfit(TreeError):  # noqa: N818 - names the state of the tree
    """The edited tree has findings that prevent writing it; they are in ``findings``."""

    def __init__(self, message: str, findings: tuple[Finding, ...], **place: Any) -> None:
        super().__init__(message, **place)
        self.findings = findings

    @classmethod
    def because(cls, found: tuple[Finding, ...], path: Path | None = None) -> Unfit:
        """The error for new findings in an edited text; ``found`` must not be empty."""
        first, remedy = found[0], found[0].remedy
        if all(finding.level != "error" for finding in found):
            remedy = f"{remedy} --even-so writes it with this warning.".strip()
        text = f"The changed tree would break a rule: {first.message} [{first.rule}]"
        return cls(text, found, path=path, remedy=remedy)


class EditedCheck:
    """Runs all rules on edited files and returns only the new findings.

    Each text is read once: a change carries its document, and results are kept.

    Args:
        library: the library on the disk.
        opened: tree files that were already read.
    """

    def __init__(self, library: Library, *opened: TreeFile) -> None:
        self.library = library
        self._opened = {one.path: one.examined for one in opened}
        self._examined = {(one.path, one.document.text): one.examined for one in opened}
        self._before: dict[tuple[Path, str], frozenset[Key]] = {}

    def new(self, change: FileChange) -> tuple[Finding, ...]:
        """Errors and warnings of the new text that the old text does not have."""
        known = self._known(change)
        return tuple(
            finding
            for finding in self._found(change.path, self.examined(change))
            if finding.level != "note" and _key(finding) not in known
        )

    def accepted(self, change: FileChange, *, even_so: bool = False) -> tuple[Finding, ...]:
        """The new warnings of a change, if the change may be written.

        Args:
            change: the edited file.
            even_so: accept warnings. Errors are never accepted.

        Raises:
            Unfit: there are new errors, or new warnings and ``even_so`` is false.
        """
        found = self.new(change)
        if found and not (even_so and all(one.level != "error" for one in found)):
            raise Unfit.because(found, change.path)
        return found

    def examined(self, change: FileChange) -> ExaminedFile:
        """The new text of a change, built and checked on its own."""
        key = change.path, change.text
        if key not in self._examined:
            self._examined[key] = (
                self.library.examine_document(change.document)
                if change.document is not None and change.document.name == "tree"
                else self.library.examine_text(change.text, change.path)
            )
        return self._examined[key]

    def _known(self, change: FileChange) -> frozenset[Key]:
        key = change.path, change.before
        if key not in self._before:
            before = self._examined.get(key)
            if change.raw is None:
                before = self._opened.get(change.path)  # the original of a copy
            elif before is None:
                before = self.library.examine_text(key[1], change.path)
            found = () if before is None else self._found(change.path, before)
            self._before[key] = frozenset(map(_key, found))
        return self._before[key]

    def _found(self, path: Path, examined: ExaminedFile) -> Iterable[Finding]:
        looked = look_at(examined, self.library)
        yield from looked.findings
        if looked.facts is not None:
            others = [facts for other, facts in self.facts.items() if other != path.absolute()]
            for finding in compare(self.library, [*others, looked.facts]):
                if finding.path == str(path):
                    yield finding

    @cached_property
    def facts(self) -> Mapping[Path, Mapping[str, Any]]:
        """File → facts of its tree, for the rules that compare trees of the library."""
        found = {}
        for path in self.library.tree_files():
            try:
                examined = self._opened.get(path) or self.library.examine(path)
            except TreeError:
                continue
            if examined.tree is not None:
                found[path.absolute()] = facts_of(examined.tree, examined)
        return found


def _key(finding: Finding) -> Key:
    return finding.rule, finding.where.document, finding.at


def check_whole(
    library: Library, changes: Sequence[FileChange], called: Callable[[str], str] = str
) -> None:
    """Run every rule on the whole library after the changes, and compare with before.

    Args:
        library: the library on the disk.
        changes: the files to be written.
        called: returns the new name of the place of a finding.

    Raises:
        Unfit: a rule has a new finding.
    """
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for part in ("trees", "shared"):
            if (library.root / part).is_dir():
                shutil.copytree(library.root / part, root / part, symlinks=True)
        for change in changes:
            copy = root / change.path.relative_to(library.root)
            copy.write_bytes(change.new)
        found = list(_by_place(Library(root), root))
    known = {(rule, path, called(at)) for rule, path, at, _ in
             _by_place(library, library.root)}  # fmt: skip
    wrong = [one for rule, path, at, one in found if (rule, path, at) not in known]
    wrong = [one for one in wrong if one.level != "note"]
    if wrong:
        text = f"The changed library would break a rule: {wrong[0].message} [{wrong[0].rule}]"
        raise Unfit(text, tuple(wrong), remedy=wrong[0].remedy)


def _by_place(library: Library, root: Path) -> Iterator[tuple[str, str, str, Finding]]:
    for finding in check_paths([], library).findings:
        path = Path(finding.path)
        inside = path.is_relative_to(root)
        yield (
            finding.rule,
            str(path.relative_to(root)) if inside else str(path),
            finding.at,
            finding,
        )
