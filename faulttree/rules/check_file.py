"""One file through all rules, whatever kind it is."""

from __future__ import annotations

from dataclasses import replace

from faulttree.errors import FaulttreeError, TreeError
from faulttree.rules import other_files
from faulttree.rules.finding import CheckedFile, Finding
from faulttree.rules.run_rules import look_at, of_error
from faulttree.rules.targets import LOOKED_FOR, Target, leads_out

__all__ = ["look"]


def look(target: Target) -> CheckedFile:
    """One file, whatever kind it is.

    Raises:
        TreeError: where it cannot be opened.
    """
    unseen = _unseen(target)
    if unseen is not None:
        return CheckedFile("other", (unseen,))
    if target.path is not None and leads_out(target):
        return CheckedFile("other", ())
    text = target.text
    if target.path is not None:
        try:
            text = other_files.text_of(target.path)
        except TreeError as error:
            if error.line is None:
                raise
            return CheckedFile(other_files.kind_of("", target.path), (of_error(error),))
    kind = other_files.kind_of(text or "", target.path)
    if kind not in ("tree", "procedure"):
        return other_files.look_at_other(kind, text or "", target.path, target.name)
    try:
        examined = target.library.examine_text(text or "", target.path)
        found = look_at(examined, target.library)
    except FaulttreeError as error:
        return CheckedFile(kind, (of_error(error),))
    except RecursionError:
        deep = TreeError("The file is nested too deeply to be followed.", path=target.path)
        return CheckedFile(kind, (of_error(deep),))
    return found if target.path is not None else _renamed(found, target.name)


def _renamed(looked: CheckedFile, name: str) -> CheckedFile:
    findings = tuple(replace(f, path=f.path or name) for f in looked.findings)
    return CheckedFile(looked.kind, findings, looked.facts)


def _unseen(target: Target) -> Finding | None:
    """A file of a library that no command looks for, by its place or its name."""
    if target.path is None or not target.whole:
        return None
    if LOOKED_FOR.fullmatch(target.path.relative_to(target.library.root).as_posix()):
        return None
    return Finding(
        "file-not-seen", "warning", "No command looks for a file of this name here.",
        target.name, 1, 1, "Rename or move it, or take it out of the library.",
    )  # fmt: skip
