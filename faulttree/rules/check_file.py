"""One file through all rules, whatever kind it is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Literal

from faulttree.errors import FaulttreeError, TreeError
from faulttree.rules.report import CheckedFile
from faulttree.rules.run_rules import look_at
from faulttree.rules.targets import LOOKED_FOR, Target, leads_out
from faulttree.tree import FileKind, shape_of
from faulttree.tree.checked_file import with_refusals
from faulttree.tree.document import Document, parse
from faulttree.tree.finding import Finding
from faulttree.tree.model import Where
from faulttree.tree.source import load_text


def check_target(target: Target) -> CheckedFile:
    """One file, whatever kind it is.

    Raises:
        TreeError: where it cannot be opened.
    """
    if _unseen(target):
        message = "No command looks for a file of this name here."
        remedy = "Rename or move it, or take it out of the library."
        where, rule = Where("", ()), "file-not-seen"
        found = Finding(where, message, remedy, False, rule, "warning", None, target.name, 1, 1)
        return CheckedFile("other", (found,))
    path, text = target.path, target.text or ""
    if path is not None:
        if leads_out(target):
            return CheckedFile("other", ())
        try:
            text = load_text(path)
        except TreeError as error:
            if error.line is None:
                raise
            return CheckedFile(kind_of("", path), (Finding.of_error(error),))
    kind = kind_of(text, path)
    if kind == "table":
        from faulttree.rules.checks.table import findings_of

        return CheckedFile("table", tuple(findings_of(text, path, target.name)))
    if kind not in ("tree", "procedure"):
        return CheckedFile(kind, _named(target, _of_other(kind, text, path)))
    try:
        checked = look_at(target.library.examine_text(text, path), target.library)
    except FaulttreeError as error:
        return CheckedFile(kind, (Finding.of_error(error),))
    except RecursionError:
        deep = TreeError("The file is nested too deeply to be followed.", path=path)
        return CheckedFile(kind, (Finding.of_error(deep),))
    return replace(checked, findings=_named(target, checked.findings))


def _named(target: Target, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings, each with the name of the file where it has none."""
    return tuple(f if f.path else replace(f, path=target.name) for f in findings)


def _unseen(target: Target) -> bool:
    """Whether it is a file of a library that no command looks for, by its place or its name."""
    if target.path is None or not target.whole:
        return False
    inside = target.path.relative_to(target.library.root).as_posix()
    return LOOKED_FOR.fullmatch(inside) is None


def _of_other(kind: FileKind, text: str, path: Path | None) -> tuple[Finding, ...]:
    """What is wrong with a file that no walk goes through."""
    parsed = parse(text, path=path, shape=shape_of(kind), name=kind)
    document, found = with_refusals(parsed, kind)
    return found or (_bench(document) if kind == "bench" else ())


def _bench(document: Document) -> tuple[Finding, ...]:
    from faulttree.reading import read_bench

    try:
        read_bench(document.data)
    except FaulttreeError as error:
        where = Where(document.name, error.key)
        found = Finding(where, error.message, error.remedy or "", rule="bad-value")
        return (found.located(document),)
    return ()


# -- kinds of files --------------------------------------------------------------------

SHARED: tuple[FileKind, ...] = ("cautions", "instruments", "families", "properties", "words")
KEYS = re.compile(r"^([A-Za-z_-]+)\s*:", re.MULTILINE)
TREE_KEYS = frozenset(("title", "steps", "start", "faults", "stops", "symptoms"))


def _entry_with(keys: str) -> re.Pattern[str]:
    return re.compile(rf"^\s+({keys})\s*:|\{{.*\b({keys})\s*:", re.MULTILINE)


INNER: Mapping[FileKind, re.Pattern[str]] = {
    "cautions": _entry_with("signal"),
    "instruments": _entry_with("measures|brings"),
    "families": _entry_with("complaints|mains"),
    "properties": _entry_with("values"),
}
"""Keys of the entries that tell one kind of shared table from the others."""


def kind_of(text: str, path: Path | None) -> FileKind | Literal["table"]:
    """What kind of file a text is: by its place and name, else by what it says."""
    return _kind_by_place(path) or _kind_by_text(text, path)


def _kind_by_place(path: Path | None) -> FileKind | Literal["table"] | None:
    if path is not None:
        if path.suffix == ".csv":
            return "table"
        if path.parent.name == "procedures":
            return "procedure"
        for kind in SHARED:
            if path.parent.name == "shared" and path.stem == kind:
                return kind
        if path.parent.parent.name == "trees":
            return "tree"
    return None


def _kind_by_text(text: str, path: Path | None) -> FileKind | Literal["table"]:
    keys = set(KEYS.findall(text))
    if "procedure" in keys:
        return "procedure"
    if keys & TREE_KEYS:
        return "tree"
    if "answers" in keys:
        return "answers"
    if not keys and text.lstrip("\ufeff").lower().startswith(("fault,", '"fault"')):
        return "table"
    for kind, sign in INNER.items():
        if sign.search(text):
            return kind
    if path is not None and path.stem == "library":
        return "library"
    return "bench" if path is not None and path.stem == "bench" else "tree"
