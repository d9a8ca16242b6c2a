"""Corrections that are safe are made in the file, and nothing else of it changes.

A finding carries its edit. It is made at the finding's place in the text, so that comments,
order and quotes stay. That nothing else changed is then proved: ruamel.yaml reads the text
before and after, and the two may differ in the one word only. Targets are never corrected: a
guess there would send a technician another way.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from faulttree.tree.edit import FileChange, spelt, write_all
from faulttree.tree.finding import Finding
from faulttree.tree.source import LINE_END

EDITED = frozenset(
    (
        "hidden-character",
        "module-spelt-twice",
        "unknown-caution",
        "unknown-instrument",
        "unknown-key",
    )
)
"""Rules whose findings may carry an edit, for the page of rules."""


def fix_files(findings: Iterable[Finding]) -> list[Finding]:
    """Make the edits that findings carry, file by file.

    Returns:
        The findings that were corrected. An edit that would change anything else is left out.

    Raises:
        TreeError: where a file is changed meanwhile.
        OSError: where a file cannot be written.
    """
    by_file: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.edit is not None and finding.path and not finding.path.startswith("<"):
            by_file.setdefault(finding.path, []).append(finding)
    done: list[Finding] = []
    for name, found in by_file.items():
        path = Path(name)
        raw = path.read_bytes()
        text = raw.decode("utf-8")
        kept: list[Finding] = []
        # From the end of the file upwards, so that places stay where they are.
        for finding in sorted(found, key=lambda f: f.place, reverse=True):
            changed = edited(text, finding)
            if changed is not None:
                text = changed
                kept.append(finding)
        if kept:
            write_all([FileChange(path, raw, text.removeprefix("\ufeff"))])
            done += reversed(kept)
    return done


def edited(text: str, finding: Finding) -> str | None:
    """The text with the finding's edit, or None where more than that would change."""
    edit, at = finding.edit, _index(text, finding)
    if edit is None or at is None:
        return None
    if edit.new:
        at += len(text[at:]) - len(text[at:].lstrip("\"'"))
    if not text.startswith(edit.old, at):
        return None
    changed = text[:at] + edit.new + text[at + len(edit.old) :]
    same = not edit.new or _differ_once(text, changed, edit.old, edit.new)
    return changed if same else None


def _index(text: str, finding: Finding) -> int | None:
    """The position of a finding's line and column; None where the text has no such line."""
    begin = 0
    for _ in range(finding.line - 1):
        end = LINE_END.search(text, begin)
        if end is None:
            return None
        begin = end.end()
    mark = text.startswith("\ufeff") and finding.line == 1
    return begin + finding.column - 1 + (1 if mark else 0)


def _differ_once(before: str, after: str, old: str, new: str) -> bool:
    """Whether two texts say the same but for one word, in the same order."""
    one, two = spelt(before), spelt(after)
    if one is None or two is None or len(one) != len(two):
        return False
    differing = [pair for pair in zip(one, two, strict=True) if pair[0] != pair[1]]
    return differing in ([(old, new)], [(f"{old}:", f"{new}:")])
