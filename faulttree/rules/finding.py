"""What was found: one thing that could mislead, at its line of its file, and all of a run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from faulttree.rules.registry import reason_of
from faulttree.tree.model import Where
from faulttree.tree.problems import Level

__all__ = ["LEVELS", "CheckedFile", "Finding", "Level", "Report", "about", "once"]

LEVELS: tuple[Level, ...] = ("error", "warning", "note")
"""Levels of SARIF 2.1.0 (3.27.10), the gravest first."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that could mislead.

    Attributes:
        rule: the rule's id.
        level: ``error``, ``warning`` or ``note``.
        message: one sentence that names the matter.
        path: the file, as it was named; empty where no file is at hand.
        line, column: from 1.
        mend: what to do about it.
        at: the step, fault or stop it is about, as ``accepted`` may name it; else empty.
        source: the line of the file, for people.
        document: the file as ``accepted`` counts it: ``tree`` or ``procedure:<name>``.
    """

    rule: str
    level: Level
    message: str
    path: str
    line: int
    column: int
    mend: str = ""
    at: str = ""
    source: str = ""
    document: str = ""

    @property
    def place(self) -> tuple[str, int, int]:
        """What findings are sorted by."""
        return self.path, self.line, self.column

    def as_dict(self) -> dict[str, Any]:
        """The finding as the JSON document has it."""
        return {
            "rule": self.rule,
            "level": self.level,
            "message": self.message,
            "path": self.path,
            "line": self.line,
            "column": self.column,
            "mend": self.mend,
            "at": self.at,
            "reason": reason_of(self.rule),
        }


@dataclass(frozen=True, slots=True)
class Report:
    """The findings of one run, and what was looked at.

    Attributes:
        findings: sorted by file and place, each once.
        trees, procedures, tables, others: how many files of each kind were looked at.
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
            "findings": [finding.as_dict() for finding in self.findings],
            "trees": self.trees,
            "procedures": self.procedures,
            "tables": self.tables,
            "errors": self.counts["error"],
            "warnings": self.counts["warning"],
            "notes": self.counts["note"],
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


def about(where: Where) -> str:
    """The step, fault or stop a place belongs to; empty where it is the file's own."""
    if len(where.keys) > 1 and where.keys[0] in ("steps", "faults", "stops"):
        return str(where.keys[1])
    return ""


def once(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Each finding once, by file and place: a procedure's is met in every tree that uses it."""
    distinct = {(f.rule, f.place, f.message): f for f in findings}
    return tuple(sorted(distinct.values(), key=lambda f: (f.place, LEVELS.index(f.level), f.rule)))
