"""A record's history under the names that things have now.

Events are never changed. A tree file keeps the former names of its steps, faults and stops in
``renamed``, a procedure's file those of its steps; the fold reads old events by them. Whoever
reads events on a newer text of the tree without folding sends them through :func:`follow`.
A fault keeps the modules it belonged to before in ``moved_from``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from faulttree.tree.model import Tree
from faulttree.walk.events import Event

__all__ = ["counted_for", "follow", "known_as", "now_called"]

NAMED = ("step", "fault", "then")
"""Keys of events that hold the id of a step, use or fault."""


def now_called(tree: Tree, name: str) -> str:
    """What a step, use, fault or stop of an older text is called in this one.

    A name that the tree has is not looked up: what stands there now is meant.
    """
    if name in tree.steps or name in tree.uses or name in tree.faults or name in tree.stops:
        return name
    head, *rest = name.split(".")
    if head == "closing" and rest:
        head, *rest = f"closing.{rest[0]}", *rest[1:]
    here = _aliases(tree.bundle.get("tree")).get(head, head)
    for part in rest:
        use = tree.uses.get(here)
        procedures = tree.bundle.get("procedures") or {}
        inside = _aliases(procedures.get(use.procedure)) if use is not None else {}
        here = f"{here}.{inside.get(part, part)}"
    return here


def _aliases(data: Any) -> Mapping[str, str]:
    found = data.get("renamed") if isinstance(data, Mapping) else None
    if not isinstance(found, Mapping):
        return {}
    return {old: new for old, new in found.items() if isinstance(new, str)}


def _has_any(tree: Tree) -> bool:
    procedures = tree.bundle.get("procedures") or {}
    return any(_aliases(data) for data in (tree.bundle.get("tree"), *procedures.values()))


def follow(tree: Tree, events: Iterable[Event]) -> Iterable[Event]:
    """The events with the names that the tree has now; themselves where nothing was renamed."""
    if not _has_any(tree):
        return events
    return [_followed(tree, event) for event in events]


def _followed(tree: Tree, event: Event) -> Event:
    changed: dict[str, Any] = {}
    for key in NAMED:
        name = getattr(event, key, "")
        if name and (now := now_called(tree, name)) != name:
            changed[key] = now
    priors = getattr(event, "priors", None)
    if priors:
        named = {now_called(tree, fault): share for fault, share in priors.items()}
        if named != priors:
            changed["priors"] = named
    return replace(event, **changed) if changed else event


def known_as(tree: Tree, fault: str) -> frozenset[tuple[str, str]]:
    """Every (module or family, id) that a fault of the tree has had, the one it has now included.

    Its former names count, and the modules it was moved from. So does the family: a case from
    before the tree knew which module the fault belongs to, or had it at all, stands under that.
    """
    names = {fault}
    names.update(old for old in _aliases(tree.bundle.get("tree")) if now_called(tree, old) == fault)
    holder, _ = tree.identity(fault)
    holders = {holder, tree.family, *tree.faults[fault].moved_from}
    return frozenset((one, name) for one in holders for name in names)


def counted_for(
    tree: Tree, counts: Mapping[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    """Confirmed cases by what makes a fault the same cause, as this tree calls it now.

    Args:
        tree: the tree.
        counts: (module or family, fault) → cases, as :func:`faulttree.cases.fault_counts.confirmed`
            gives them.
    """
    total = dict(counts)
    for fault in tree.faults:
        identity = tree.identity(fault)
        more = sum(counts.get(one, 0.0) for one in known_as(tree, fault) - {identity})
        if more:
            total[identity] = total.get(identity, 0.0) + more
    return total
