"""One file through all rules, whatever kind it is."""

from __future__ import annotations

from dataclasses import replace

from faulttree.errors import FaulttreeError, TreeError
from faulttree.rules.report import CheckedFile
from faulttree.rules.run_rules import look_at
from faulttree.rules.targets import LOOKED_FOR, Target, leads_out
from faulttree.tree.document import Document
from faulttree.tree.file_kind import kind_of
from faulttree.tree.finding import Finding
from faulttree.tree.model import Where
from faulttree.tree.source import load_text


def check_target(target: Target) -> CheckedFile:
    """One file, whatever kind it is.

    Raises:
        TreeError: where it was named and cannot be opened.
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
            # One odd file of a library does not end the look at the others.
            if error.line is None and not target.whole:
                raise
            return CheckedFile(kind_of("", path), (Finding.of_error(error),))
    kind = kind_of(text, path)
    if kind == "table":
        from faulttree.rules.checks.table import findings_of

        return CheckedFile("table", tuple(findings_of(text, path, target.name)))
    try:
        examined = target.library.examine_text(text, path)
        checked = look_at(examined, target.library)
    except FaulttreeError as error:
        return CheckedFile(kind, (Finding.of_error(error),))
    except RecursionError:
        deep = TreeError("The file is nested too deeply to be followed.", path=path)
        return CheckedFile(kind, (Finding.of_error(deep),))
    listed = checked.findings
    if kind == "bench" and not listed:
        listed = _bench(examined.documents["bench"])
    return replace(checked, findings=_named(target, listed))


def _named(target: Target, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """The findings, each with the name of the file where it has none."""
    return tuple(f if f.path else replace(f, path=target.name) for f in findings)


def _unseen(target: Target) -> bool:
    """Whether it is a file of a library that no command looks for, by its place or its name."""
    if target.path is None or not target.whole:
        return False
    inside = target.path.relative_to(target.library.root).as_posix()
    return LOOKED_FOR.fullmatch(inside) is None


def _bench(document: Document) -> tuple[Finding, ...]:
    from faulttree.reading import read_bench

    try:
        read_bench(document.data)
    except FaulttreeError as error:
        where = Where(document.name, error.key)
        found = Finding(where, error.message, error.remedy or "", rule="bad-value")
        return (found.located(document),)
    return ()
