"""Whether a tree is fit to be followed: one rule a function, findings, and their forms."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faulttree.rules.checking import check_paths
    from faulttree.rules.examining import Looked, fit_to_walk, look_at
    from faulttree.rules.finding import LEVELS, Finding, Level, Report
    from faulttree.rules.register import FAMILIES, Rule, all_rules
    from faulttree.rules.rules_page import rules_page

_HOMES = {
    "checking": ("check_paths",),
    "examining": ("Looked", "fit_to_walk", "look_at"),
    "finding": ("LEVELS", "Finding", "Level", "Report"),
    "register": ("FAMILIES", "Rule", "all_rules"),
    "rules_page": ("rules_page",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "FAMILIES",
    "LEVELS",
    "Finding",
    "Level",
    "Looked",
    "Report",
    "Rule",
    "all_rules",
    "check_paths",
    "fit_to_walk",
    "look_at",
    "rules_page",
]


def __getattr__(name: str) -> object:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{home}"), name)
    globals()[name] = value
    return value
