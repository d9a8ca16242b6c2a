"""Walks of older texts of a tree, brought onto the text it has now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from faulttree.walk.renames import now_called

if TYPE_CHECKING:
    from faulttree.tree.model import Fault, Step, Tree

__all__ = ["TextMapping", "bridge"]


@dataclass(frozen=True, slots=True)
class TextMapping:
    """Which step and fault of an older text is which one now; what is missing has no like."""

    steps: Mapping[str, str] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)


def bridge(old: Tree | None, now: Tree) -> TextMapping:
    """Bring an older text onto the one that stands.

    A step is the same where its id, its kind and its outcomes are; a former name that the
    tree keeps is its id too. Under any other id it is the same where kind, words and outcomes
    are and one step alone fits. A fault is the same by its id, or by title and part. Limits
    may have changed: an outcome stays as it was decided.

    Args:
        old: the older text; None where it can no longer be read, which maps nothing.
        now: the tree as it stands.
    """
    if old is None:
        return TextMapping()
    if old.hash == now.hash:
        return TextMapping({name: name for name in now.steps}, {name: name for name in now.faults})
    return TextMapping(_steps(old, now), _faults(old, now))


def _steps(old: Tree, now: Tree) -> dict[str, str]:
    by_content: dict[object, list[str]] = {}
    for step in now.steps.values():
        by_content.setdefault(_content(step), []).append(step.id)
    found: dict[str, str] = {}
    for step in old.steps.values():
        there = now.steps.get(now_called(now, step.id))
        if there is not None and _shape(there) == _shape(step):
            found[step.id] = there.id
            continue
        alike = [name for name in by_content.get(_content(step), ()) if name not in old.steps]
        if len(alike) == 1:
            found[step.id] = alike[0]
    return found


def _faults(old: Tree, now: Tree) -> dict[str, str]:
    by_content: dict[object, list[str]] = {}
    for fault in now.faults.values():
        by_content.setdefault(_cause(fault), []).append(fault.id)
    found: dict[str, str] = {}
    for fault in old.faults.values():
        alike = [name for name in by_content.get(_cause(fault), ()) if name not in old.faults]
        name = now_called(now, fault.id)
        if name in now.faults:
            found[fault.id] = name
        elif len(alike) == 1:
            found[fault.id] = alike[0]
    return found


def _shape(step: Step) -> object:
    return step.kind, frozenset(step.targets)


def _content(step: Step) -> object:
    return step.kind, step.text, frozenset(step.targets)


def _cause(fault: Fault) -> object:
    return fault.title, fault.part, fault.module
