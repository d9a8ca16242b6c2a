"""Whether a tree is fit to be followed: one rule a function, findings, and their forms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.rules.output.rules_page import rules_page
    from faulttree.rules.registry import FAMILIES, Rule, all_rules
    from faulttree.rules.report import LEVELS, CheckedFile, Report
    from faulttree.rules.run_rules import fit_to_walk, look_at
    from faulttree.rules.runner import check, check_paths
    from faulttree.tree.finding import Finding, Level

__all__ = [
    "FAMILIES",
    "LEVELS",
    "CheckedFile",
    "Finding",
    "Level",
    "Report",
    "Rule",
    "all_rules",
    "check",
    "check_paths",
    "fit_to_walk",
    "look_at",
    "rules_page",
]

__getattr__ = lazily(
    __name__,
    {
        "runner": ("check", "check_paths"),
        "run_rules": ("fit_to_walk", "look_at"),
        "report": ("LEVELS", "CheckedFile", "Finding", "Level", "Report"),
        "registry": ("FAMILIES", "Rule", "all_rules"),
        "output.rules_page": ("rules_page",),
    },
)
