"""The record: every case, every event, kept durably and shared between benches.

Light to import: SQLAlchemy is loaded when a store is opened.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from faulttree.cases.case import Case, new_id
    from faulttree.cases.problems import AmbiguousCase, NoSuchCase, SequenceTaken
    from faulttree.cases.store import Store, open_store
    from faulttree.cases.summary import Summary, Taken, summarise
    from faulttree.cases.urls import default_url, shown

__all__ = [
    "AmbiguousCase",
    "Case",
    "NoSuchCase",
    "SequenceTaken",
    "Store",
    "Summary",
    "Taken",
    "default_url",
    "new_id",
    "open_store",
    "shown",
    "summarise",
]

HOMES = {
    "AmbiguousCase": "problems",
    "Case": "case",
    "NoSuchCase": "problems",
    "SequenceTaken": "problems",
    "Store": "store",
    "Summary": "summary",
    "Taken": "summary",
    "default_url": "urls",
    "new_id": "case",
    "open_store": "store",
    "shown": "urls",
    "summarise": "summary",
}


def __getattr__(name: str) -> Any:
    home = HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{home}"), name)
