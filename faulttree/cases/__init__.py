"""The record: every case, every event, kept durably and shared between benches.

Light to import: SQLAlchemy is loaded when a store is opened.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.lazily import lazily

if TYPE_CHECKING:
    from faulttree.cases.backends.opening import open_store
    from faulttree.cases.backends.urls import default_url, shown
    from faulttree.cases.case import Case, new_id
    from faulttree.cases.errors import AmbiguousCase, NoSuchCase, SequenceTaken
    from faulttree.cases.projection import StepRecord
    from faulttree.cases.store import Store

__all__ = [
    "AmbiguousCase",
    "Case",
    "NoSuchCase",
    "SequenceTaken",
    "StepRecord",
    "Store",
    "default_url",
    "new_id",
    "open_store",
    "shown",
]

__getattr__ = lazily(
    __name__,
    {
        "case": ("Case", "new_id"),
        "backends.opening": ("open_store",),
        "errors": ("AmbiguousCase", "NoSuchCase", "SequenceTaken"),
        "store": ("Store",),
        "projection": ("StepRecord",),
        "backends.urls": ("default_url", "shown"),
    },
)
