"""The register of rules: id, family, level, reason and example beside the code of each."""

from __future__ import annotations

import inspect
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from textwrap import dedent
from typing import TYPE_CHECKING, Literal

from faulttree.tree.finding import Level

if TYPE_CHECKING:
    from faulttree.rules.context import RuleContext
    from faulttree.tree.finding import Finding


Family = Literal[
    "shape",
    "graph",
    "limits",
    "suitability",
    "evidence",
    "conclusions",
    "meaning",
    "safety",
    "structure",
    "order",
    "library",
    "table",
]

FAMILIES: Mapping[Family, str] = {
    "shape": "Whether a file is what it should be: text, keys, names, values.",
    "graph": "Whether every way leads somewhere, and nowhere twice.",
    "limits": "Whether every reading can be judged, and every verdict leads on.",
    "suitability": "Whether a limit fits good units, the instruments named, and every model.",
    "evidence": "Whether the faults stand apart, and on what they rest.",
    "conclusions": "Whether a repair is proved and a fault is found by its own test.",
    "meaning": "Whether each outcome leads where its name and its reading say.",
    "safety": "Whether a technician is told what can hurt.",
    "structure": "Whether the structure keeps what can hurt behind what makes it safe.",
    "order": "Whether minutes are spent where they tell most.",
    "library": "Whether the trees of a library fit each other.",
    "table": "Whether a fault table can be computed with.",
}

Check = Callable[["RuleContext"], "Iterator[Finding]"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    Attributes:
        id: in plain words, as it is printed and as ``accepted`` names it.
        family: which family it belongs to.
        level: ``error``, ``warning`` or ``note``.
        reason: one paragraph: why it matters.
        example: a piece of a file that breaks it.
        check: the function, where the rule looks at one tree; others are found while
            reading files or while comparing trees.
    """

    id: str
    family: Family
    level: Level
    reason: str
    example: str
    check: Check | None = None


_RULES: dict[str, Rule] = {}


def rule(family: Family, level: Level) -> Callable[[Check], Check]:
    """Register a function as a rule.

    Its name gives the id, its docstring the reason and, below ``Example:``, a piece of a file
    that breaks it.
    """

    def put(check: Check) -> Check:
        reason, _, example = (inspect.getdoc(check) or "").partition("\n\nExample:\n")
        name = check.__name__.replace("_", "-")
        _RULES[name] = Rule(name, family, level, " ".join(reason.split()), dedent(example), check)
        return check

    return put


def _import(families: Iterable[Family]) -> None:
    """Import the modules whose functions are the rules of some families."""
    for family in families:
        if family not in ("shape", "library", "table"):
            import_module(f"faulttree.rules.checks.{family}")


@cache
def _declared() -> Mapping[str, Rule]:
    """The rules that are no functions over one tree."""
    text = Path(__file__).with_name("declared.toml").read_text(encoding="utf-8")
    return {
        name: Rule(
            name,
            entry["family"],
            entry["level"],
            " ".join(entry["reason"].split()),
            entry["example"].strip(),
        )
        for name, entry in tomllib.loads(text).items()
    }


@cache
def all_rules() -> Mapping[str, Rule]:
    """Every rule by id, in the order of the families, by name within each."""
    _import(FAMILIES)
    order, found = list(FAMILIES), {**_declared(), **_RULES}
    return dict(sorted(found.items(), key=lambda item: (order.index(item[1].family), item[0])))


def rules_of(*families: Family) -> tuple[Rule, ...]:
    """The rules of some families that look at one tree; only those modules are imported."""
    _import(families)
    return tuple(rule for rule in _RULES.values() if rule.family in families)


def reason_of(name: str) -> str:
    """Why a rule matters; empty where there is no such rule.

    Only as many modules of rules are imported as are needed to find it.
    """
    if name in _declared():
        return _declared()[name].reason
    for family in FAMILIES:
        if name not in _RULES:
            _import([family])
    return _RULES[name].reason if name in _RULES else ""
