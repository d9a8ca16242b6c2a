"""Find the fault in a unit on the bench: trees of tests, judged readings, kept cases.

The library and the command line are twins: what ``faulttree find`` does, ``faulttree.find``
does. Each is imported when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from faulttree.cases.revisit import revisit
    from faulttree.diagram import picture as draw
    from faulttree.odds import plan
    from faulttree.reading import judge_text as judge
    from faulttree.rules import check_paths as check
    from faulttree.tree.search import find

__version__ = "0.1.0"

__all__ = ["FaulttreeError", "check", "draw", "find", "judge", "plan", "revisit"]

_HOMES = {
    "FaulttreeError": ("faulttree.errors", "FaulttreeError"),
    "check": ("faulttree.rules", "check_paths"),
    "draw": ("faulttree.diagram", "picture"),
    "find": ("faulttree.tree.search", "find"),
    "judge": ("faulttree.reading", "judge_text"),
    "plan": ("faulttree.odds", "plan"),
    "revisit": ("faulttree.cases.revisit", "revisit"),
}
"""Public name → the module it lives in, and its name there."""


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, own = _HOMES[name]
    value = getattr(import_module(module), own)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
