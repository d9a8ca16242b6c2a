"""What changed between two runs, so that only that is shown."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from faulttree.rules.report import Report, once
from faulttree.tree.finding import Finding


def changes(before: Report, after: Report) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """(new, gone) findings; one that only moved to another line is neither."""
    new = _left(after.findings, before.findings)
    gone = _left(before.findings, after.findings)
    return once(new), once(gone)


def _left(these: Iterable[Finding], those: Iterable[Finding]) -> list[Finding]:
    counts: dict[tuple[str, str, str, str], int] = {}
    for finding in those:
        key = _key(finding)
        counts[key] = counts.get(key, 0) + 1
    left = []
    for finding in these:
        key = _key(finding)
        if counts.get(key, 0):
            counts[key] -= 1
        else:
            left.append(finding)
    return left


def _key(finding: Finding) -> tuple[str, str, str, str]:
    return finding.rule, finding.path, finding.message, finding.source.strip()


def stamp(paths: Iterable[Path]) -> frozenset[tuple[str, int, int]]:
    """What tells that a file was saved: its name, size and time of change."""
    found = set()
    for path in paths:
        try:
            status = path.stat()
        except OSError:
            continue
        found.add((str(path), status.st_size, status.st_mtime_ns))
    return frozenset(found)
