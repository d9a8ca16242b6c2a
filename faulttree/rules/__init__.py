"""Whether a tree is fit to be followed: one rule a function, findings, and their forms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.rules.checking import check, check_paths
    from faulttree.rules.examining import fit_to_walk, look_at
    from faulttree.rules.finding import LEVELS, Finding, Level, Looked, Report
    from faulttree.rules.register import FAMILIES, Rule, all_rules
    from faulttree.rules.rules_page import rules_page

__all__ = [
    "FAMILIES",
    "LEVELS",
    "Finding",
    "Level",
    "Looked",
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
        "checking": ("check", "check_paths"),
        "examining": ("fit_to_walk", "look_at"),
        "finding": ("LEVELS", "Finding", "Level", "Looked", "Report"),
        "register": ("FAMILIES", "Rule", "all_rules"),
        "rules_page": ("rules_page",),
    },
)
