"""The record: every case, every event, kept durably and shared between benches.

Light to import: SQLAlchemy is loaded when a store is opened.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.cases.case import Case, new_id
    from faulttree.cases.opening import open_store
    from faulttree.cases.problems import AmbiguousCase, NoSuchCase, SequenceTaken
    from faulttree.cases.store import Store
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

__getattr__ = lazily(
    __name__,
    {
        "case": ("Case", "new_id"),
        "opening": ("open_store",),
        "problems": ("AmbiguousCase", "NoSuchCase", "SequenceTaken"),
        "store": ("Store",),
        "summary": ("Summary", "Taken", "summarise"),
        "urls": ("default_url", "shown"),
    },
)
