"""Names used by a tree file and its procedures, and the bundles made from them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from faulttree.tree.document import Document
from faulttree.tree.plain import as_list, as_mapping, as_texts, entries

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
    for _, step in entries(data.get("steps")):
        if isinstance(step.get("use"), str):
            yield step["use"]
    for item in (*as_list(data.get("closing")), *as_list(data.get("before_power"))):
        name = item.get("use") if isinstance(item, dict) else item
        if isinstance(name, str):
            yield name


def named_in(
    key: str, known: Mapping[str, Any], tree: Mapping[str, Any], procedures: Mapping[str, Any]
) -> dict[str, Any]:
    """The entries of a table that a tree and its procedures name anywhere."""
    names: set[str] = set()
    for data in _documents(tree, procedures):
        inner = (
            item for group in ("steps", "access", "faults") for item in entries(data.get(group))
        )
        for item in (data, *(item for _, item in inner)):
            names.update(_texts(item.get(key)))
    return {name: known[name] for name in sorted(names) if name in known}


def properties_in(tree: Mapping[str, Any], procedures: Mapping[str, Any]) -> list[str]:
    """Names of the properties of units that a tree and its procedures depend on."""
    names: set[Any] = set()
    for data in _documents(tree, procedures):
        names.update(as_mapping(data.get("properties")))
        for item in (*as_list(data.get("before_power")), *as_list(data.get("closing"))):
            names.update(as_mapping(as_mapping(item).get("when")))
        for _, step in entries(data.get("steps")):
            names.update(as_mapping(step.get("stop_if")), [step.get("property")])
    return sorted(name for name in names if isinstance(name, str))


def _documents(tree: Mapping[str, Any], procedures: Mapping[str, Any]) -> Iterable[Any]:
    return (data for data in (tree, *procedures.values()) if isinstance(data, dict))


def _texts(value: Any) -> tuple[str, ...]:
    """The texts of a list; a single text is none."""
    return as_texts(as_list(value))


def trial_of(name: str, data: Mapping[str, Any], procedures: Mapping[str, Any]) -> dict[str, Any]:
    """A bundle whose tree only uses one procedure, with all values that it takes."""
    takes = data.get("takes")
    names = takes if isinstance(takes, (dict, list)) else ()
    steps = [step for _, step in entries(data.get("steps"))]
    stores: dict[str, Any] = {
        store: {} for step in steps for key in STORE_KEYS for store in _texts(step.get(key))
    }
    tree = {
        "title": name,
        "family": "none",
        "start": "use",
        "access": {state: {} for step in steps for state in _texts(step.get("access"))},
        **({"stores": stores} if stores else {}),
        "steps": {
            "use": {
                "use": name,
                "exits": dict.fromkeys(_texts(data.get("exits")), "end"),
                "with": {item: f"{{{item}}}" for item in names if isinstance(item, str)},
            }
        },
        "faults": {},
        "stops": {"end": {"title": "End", "reason": "out-of-scope"}},
    }
    return {"id": f"none/{name}", "tree": tree, "procedures": procedures}
