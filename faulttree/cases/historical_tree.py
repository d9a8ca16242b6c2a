"""A case on the tree as it was when the case was opened."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from faulttree.cases.case import Case
    from faulttree.cases.store import Store
    from faulttree.tree.model import Tree
    from faulttree.walk.events import Event
    from faulttree.walk.state import State


def tree_of(store: Store, tree_hash: str) -> Tree | None:
    """The tree kept under a hash; None where it is missing or can no longer be read."""
    from faulttree.tree import build

    try:
        return build(json.loads(store.tree_text(tree_hash)), strict=False)
    except (FaulttreeError, ValueError):
        return None


def walked_tree(store: Store, events: Iterable[Event]) -> Tree:
    """The tree a case is walked on: the text its opening names, or its last reopening.

    Raises:
        RecordError: the record does not have that text.
        TreeError: it can no longer be read.
    """
    from faulttree.tree import build
    from faulttree.walk.events import Opened, Reopened

    named = [
        event.tree_hash
        for event in events
        if isinstance(event, Opened | Reopened) and event.tree_hash
    ]
    return build(json.loads(store.tree_text(named[-1] if named else "")), strict=False)


def last_state_of(store: Store, case: Case) -> State | None:
    """Where a case stands on the text it was walked on last; None without that text."""
    from faulttree.walk.fold import fold

    events = store.events(case.id)
    try:
        return fold(walked_tree(store, events), events)
    except (FaulttreeError, ValueError):
        return None


def state_of(store: Store, case: Case) -> State | None:
    """Where the walk of a case stands; None without its tree."""
    from faulttree.walk.fold import fold

    tree = tree_of(store, case.tree_hash)
    return fold(tree, store.events(case.id)) if tree else None
