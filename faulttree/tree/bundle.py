"""Names used by a tree file and its procedures, and the bundles made from them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from faulttree.tree.document import Document

STORE_KEYS = ("discharges", "proves_dead", "on", "charges", "loads", "cells_known")
"""Keys of a step that name stores."""


def tree_id_of(document: Document) -> str:
    """The id of a tree from its path, else from its family."""
    if document.path is not None:
        return f"{document.path.absolute().parent.name}/{document.path.stem}"
    family = document.data.get("family")
    return f"{family if isinstance(family, str) else 'unknown'}/untitled"


def uses_in(data: Mapping[str, Any]) -> Iterator[str]:
    """Names of the procedures that a document uses."""
    steps = data.get("steps")
    for step in steps.values() if isinstance(steps, dict) else ():
        if isinstance(step, dict) and isinstance(step.get("use"), str):
            yield step["use"]
    listed = [data.get("closing"), data.get("before_power")]
    for item in (item for group in listed if isinstance(group, list) for item in group):
        name = item.get("use") if isinstance(item, dict) else item
        if isinstance(name, str):
            yield name


def named_in(
    key: str, known: Mapping[str, Any], tree: Mapping[str, Any], procedures: Mapping[str, Any]
) -> dict[str, Any]:
    """The entries of a table that a tree and its procedures name anywhere."""
    names: set[str] = set()
    for data in (item for item in (tree, *procedures.values()) if isinstance(item, dict)):
        groups = (data.get(group) for group in ("steps", "access", "faults"))
        inner = (item for group in groups if isinstance(group, dict) for item in group.values())
        for item in (data, *inner):
            listed = item.get(key) if isinstance(item, dict) else None
            if isinstance(listed, list):
                names.update(name for name in listed if isinstance(name, str))
    return {name: known[name] for name in sorted(names) if name in known}


def properties_in(tree: Mapping[str, Any], procedures: Mapping[str, Any]) -> list[str]:
    """Names of the properties of units that a tree and its procedures depend on."""
    names: set[str] = set()
    for data in (item for item in (tree, *procedures.values()) if isinstance(item, dict)):
        names.update(_keys(data.get("properties")))
        for group in ("before_power", "closing"):
            listed = data.get(group)
            for item in listed if isinstance(listed, list) else ():
                names.update(_keys(item.get("when") if isinstance(item, dict) else None))
        steps = data.get("steps")
        for step in steps.values() if isinstance(steps, dict) else ():
            if isinstance(step, dict):
                names.update(_keys(step.get("stop_if")))
                if isinstance(step.get("property"), str):
                    names.add(step["property"])
    return sorted(names)


def _keys(value: Any) -> Iterator[str]:
    return (key for key in value if isinstance(key, str)) if isinstance(value, dict) else iter(())


def trial_of(name: str, data: Mapping[str, Any], procedures: Mapping[str, Any]) -> dict[str, Any]:
    """A bundle whose tree only uses one procedure, with all values that it takes."""
    takes = data.get("takes")
    names = list(takes) if isinstance(takes, (dict, list)) else []
    exits = data.get("exits")
    ends = [item for item in exits if isinstance(item, str)] if isinstance(exits, list) else []
    use = {"use": name, "exits": dict.fromkeys(ends, "end")}
    given = {item: f"{{{item}}}" for item in names if isinstance(item, str)}
    tree = {
        "title": name,
        "family": "none",
        "start": "use",
        "access": {state: {} for state in states_in(data)},
        **({"stores": stores} if (stores := stores_in(data)) else {}),
        "steps": {"use": {**use, "with": given}},
        "faults": {},
        "stops": {"end": {"title": "End", "reason": "out-of-scope"}},
    }
    return {"id": f"none/{name}", "tree": tree, "procedures": procedures}


def states_in(data: Mapping[str, Any]) -> Iterator[str]:
    """Access states that the steps of a procedure name."""
    steps = data.get("steps")
    for step in steps.values() if isinstance(steps, dict) else ():
        listed = step.get("access") if isinstance(step, dict) else None
        if isinstance(listed, list):
            yield from (state for state in listed if isinstance(state, str))


def stores_in(data: Mapping[str, Any]) -> dict[str, Any]:
    """Stores that the steps of a procedure name, each as an empty entry."""
    steps = data.get("steps")
    found: dict[str, Any] = {}
    for step in steps.values() if isinstance(steps, dict) else ():
        for key in STORE_KEYS if isinstance(step, dict) else ():
            listed = step.get(key)
            if isinstance(listed, list):
                found |= {name: {} for name in listed if isinstance(name, str)}
    return found
