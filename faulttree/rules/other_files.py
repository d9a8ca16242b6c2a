"""Files that are neither tree nor procedure: shared tables, answers, benches, fault tables."""

from __future__ import annotations

import re
from pathlib import Path

from faulttree.errors import FaulttreeError
from faulttree.rules.finding import CheckedFile, Finding
from faulttree.rules.run_rules import of_error
from faulttree.tree import FileKind, shape_of
from faulttree.tree.document import parse
from faulttree.tree.schema import findings
from faulttree.tree.source import load_text

__all__ = ["kind_of", "look_at_other", "text_of"]

SHARED: tuple[FileKind, ...] = ("cautions", "instruments", "families", "properties", "words")
KEYS = re.compile(r"^([A-Za-z_-]+)\s*:", re.MULTILINE)
TREE_KEYS = frozenset(("title", "steps", "start", "faults", "stops", "symptoms"))
INNER = (
    ("cautions", re.compile(r"^\s+signal\s*:|\{\s*signal\s*:", re.MULTILINE)),
    (
        "instruments",
        re.compile(r"^\s+(measures|brings)\s*:|\{.*\b(measures|brings)\s*:", re.MULTILINE),
    ),
    (
        "families",
        re.compile(r"^\s+(complaints|mains)\s*:|\{.*\b(complaints|mains)\s*:", re.MULTILINE),
    ),
    ("properties", re.compile(r"^\s+values\s*:|\{.*\bvalues\s*:", re.MULTILINE)),
)


def text_of(path: Path) -> str:
    """The text of a file.

    Raises:
        TreeError: where it cannot be opened (no line), or is no text (with its line).
    """
    return load_text(path)


def kind_of(text: str, path: Path | None) -> str:
    """What kind of file a text is: by its place and name, else by what it says."""
    if path is not None:
        if path.suffix == ".csv":
            return "table"
        if path.parent.name == "procedures":
            return "procedure"
        if path.parent.name == "shared" and path.stem in SHARED:
            return path.stem
        if path.parent.parent.name == "trees":
            return "tree"
    keys = set(KEYS.findall(text))
    if "procedure" in keys:
        return "procedure"
    if keys & TREE_KEYS:
        return "tree"
    if "answers" in keys:
        return "answers"
    if not keys and text.lstrip("\ufeff").lower().startswith(("fault,", '"fault"')):
        return "table"
    for kind, sign in INNER:
        if sign.search(text):
            return kind
    return "bench" if path is not None and path.stem == "bench" else "tree"


def look_at_other(kind: str, text: str, path: Path | None, name: str) -> CheckedFile:
    """A file that no walk goes through."""
    if kind == "table":
        return _table(text, path, name)
    file_kind: FileKind = kind  # type: ignore[assignment]
    document = parse(text, path=path, shape=shape_of(file_kind), name=kind)
    found = [
        Finding(p.rule, p.level, p.message, name, p.line or 1, p.column or 1, p.mend)
        for p in document.problems
    ]
    if document.data is not None:
        for rule, message, mend, keys, of_key in findings(document.data, file_kind):
            line, column = document.place(keys, of_key)
            found.append(Finding(rule, "error", message, name, line, column, mend))
    if kind == "bench" and not found:
        found += _bench(document.data, name, document.place)
    return CheckedFile(kind, tuple(_with_source(f, document.lines) for f in found))


def _with_source(finding: Finding, lines: tuple[str, ...]) -> Finding:
    from dataclasses import replace

    line = lines[finding.line - 1] if 0 < finding.line <= len(lines) else ""
    return replace(finding, source=line[:240])


def _bench(data: object, name: str, place: object) -> list[Finding]:
    from faulttree.reading import read_bench

    try:
        read_bench(data)  # type: ignore[arg-type]
    except FaulttreeError as error:
        line, column = place(error.key)  # type: ignore[operator]
        return [Finding("bad-value", "error", error.message, name, line, column, error.mend or "")]
    return []


def _table(text: str, path: Path | None, name: str) -> CheckedFile:
    from faulttree.rules.checks.table import findings_of

    return CheckedFile("table", tuple(findings_of(text, path, name)))


__all__ += ["of_error"]
