"""Opening a record, with what was lost or could not be sent brought back."""

from __future__ import annotations

from pathlib import Path

from faulttree.cases.alone import AloneStore
from faulttree.cases.engines import connect
from faulttree.cases.outbox import Outbox
from faulttree.cases.problems import CutOff
from faulttree.cases.second_copy import SecondCopy
from faulttree.cases.store import Store
from faulttree.cases.urls import sqlite_path
from faulttree.errors import RecordError

__all__ = ["open_store"]


def open_store(
    url: str | None,
    *,
    read_only: bool = False,
    folder: Path | str | None = None,
    alone: bool = False,
) -> Store:
    """Open a record; a missing one is made, or reads as empty where only read.

    Args:
        url: ``sqlite:///file``, a plain path, or ``postgresql://…``; None for a record in
            memory that ends with the store.
        read_only: never write, not even a missing file.
        folder: where answers are kept while a server is away; without it they are refused.
        alone: begin on this bench alone where a server that it has reached before is away:
            cases can be opened, and those begun so gone on with; the next store that reaches
            the server sends them. :attr:`Store.away` says so.

    Raises:
        RecordError: it cannot be opened, or a newer program wrote it.
    """
    try:
        engine = connect(url, read_only=read_only)
    except CutOff as problem:
        if url is None or folder is None or read_only or not alone:
            raise
        if not Outbox(Path(folder), url, "").reached_before:
            raise
        return AloneStore(url, Path(folder), problem)
    store = Store(url, engine, read_only=read_only)
    path = sqlite_path(url) if url is not None else None
    try:
        if path is not None and path.exists():
            store.second_copy = SecondCopy(path, store.record_id)
            lost = store.lost()
            if lost and read_only:
                store.brought_back = brought_back_to(str(path))
            elif lost:
                store.bring_back(lost)
        elif url is not None and folder is not None and not read_only:
            store.outbox = Outbox(Path(folder), url, store.writer)
            store.outbox.note_reached()
            store.send_left_behind()
    except BaseException:
        store.close()
        raise
    return store


def brought_back_to(path: str) -> tuple[str, ...]:
    """Open for writing just to bring back what was lost, where that may be done."""
    try:
        with open_store(path) as store:
            return store.brought_back
    except RecordError:
        return ()
