"""All that one run of ``faulttree check`` found, and what it looked at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, get_args

from faulttree.rules.registry import reason_of
from faulttree.tree.finding import Finding, Level

LEVELS: tuple[Level, ...] = get_args(Level)
"""Levels of SARIF 2.1.0 (3.27.10), the gravest first."""


@dataclass(frozen=True, slots=True)
class Report:
    """The findings of one run, and what was looked at.

    Attributes:
        findings: sorted by file and place, each once.
        trees, procedures, tables, others: how many files of each kind were looked at.

    Example:
        >>> Report(trees=1).fails("note")
        False
    """

    findings: tuple[Finding, ...] = ()
    trees: int = 0
    procedures: int = 0
    tables: int = 0
    others: int = 0
    counts: Mapping[str, int] = field(init=False)

    def __post_init__(self) -> None:
        counts = dict.fromkeys(LEVELS, 0)
        for finding in self.findings:
            counts[finding.level] += 1
        object.__setattr__(self, "counts", counts)

    def fails(self, level: Level) -> bool:
        """Whether anything is at or above a level."""
        return any(self.counts[name] for name in LEVELS[: LEVELS.index(level) + 1])

    def as_dict(self) -> dict[str, Any]:
        """The JSON document of ``faulttree check``."""
        return {
            "findings": [finding_dict(finding) for finding in self.findings],
            "trees": self.trees,
            "procedures": self.procedures,
            "tables": self.tables,
            "errors": self.counts["error"],
            "warnings": self.counts["warning"],
            "notes": self.counts["note"],
        }


def finding_dict(finding: Finding) -> dict[str, Any]:
    """One finding as JSON data, with the reason of its rule."""
    names = ("rule", "level", "message", "path", "line", "column")
    return {
        **{name: getattr(finding, name) for name in names},
        "mend": finding.remedy,
        "at": finding.at,
        "reason": reason_of(finding.rule),
    }


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """One file looked at.

    Attributes:
        kind: ``tree``, ``procedure``, ``table``, or the kind of another library file.
        findings: sorted, each once.
        facts: what comparing trees needs to know of a tree; None for other files.
    """

    kind: str
    findings: tuple[Finding, ...]
    facts: Mapping[str, Any] | None = field(default=None, repr=False)


def once(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Each finding once, by file and place: a procedure's is met in every tree that uses it."""
    distinct = {(f.rule, f.place, f.message): f for f in findings}
    return tuple(sorted(distinct.values(), key=lambda f: (f.place, LEVELS.index(f.level), f.rule)))
