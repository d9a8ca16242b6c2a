"""Whether a library is as fit with new texts as it was before them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

from faulttree.errors import TreeError
from faulttree.rules.checks.library import compare, facts_of
from faulttree.rules.finding import Finding
from faulttree.rules.run_rules import look_at
from faulttree.tree import Library

__all__ = ["EditedCheck"]

Key = tuple[str, str, str]


class EditedCheck:
    """All rules on new texts of single files, by what they find that was not found before.

    Args:
        library: as it stands on the disk.
    """

    def __init__(self, library: Library) -> None:
        self.library = library
        self._before: dict[tuple[Path, str | None], frozenset[Key]] = {}

    def new(self, path: Path, before: str | None, after: str) -> tuple[Finding, ...]:
        """Errors and warnings of a new text that the old one did not have.

        Args:
            path: the file.
            before: its text as it stands; None for a new file.
            after: the text it is to have.
        """
        known = self._known(path, before)
        return tuple(
            finding
            for finding in self._found(path, after)
            if finding.level != "note" and _key(finding) not in known
        )

    def _known(self, path: Path, text: str | None) -> frozenset[Key]:
        if (path, text) not in self._before:
            found = self._found(path, text) if text is not None else ()
            self._before[path, text] = frozenset(map(_key, found))
        return self._before[path, text]

    def _found(self, path: Path, text: str) -> Iterable[Finding]:
        examined = self.library.examine_text(text, path)
        looked = look_at(examined, self.library)
        yield from looked.findings
        if looked.facts is not None:
            others = [facts for other, facts in self.facts.items() if other != path.absolute()]
            for finding in compare(self.library, [*others, looked.facts]):
                if finding.path == str(path):
                    yield finding

    @cached_property
    def facts(self) -> Mapping[Path, Mapping[str, Any]]:
        """What comparing needs to know of every tree of the library, by its file."""
        found = {}
        for path in self.library.tree_files():
            try:
                examined = self.library.examine(path)
            except TreeError:
                continue
            if examined.tree is not None:
                found[path.absolute()] = facts_of(examined.tree, examined)
        return found


def _key(finding: Finding) -> Key:
    return finding.rule, finding.document, finding.at
