"""A database that is gone or empty, made again from the journal beside it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, select, update

from faulttree.cases.journal.backup import sound_cases
from faulttree.cases.journal.file import JournalEntry, JournalTree, entries, first_record
from faulttree.cases.tables import CASES, RECORD
from faulttree.cases.transfer.merge import Merged, merge

if TYPE_CHECKING:
    from faulttree.cases.store import Store


def is_gone(store: Store, journal: Path) -> bool:
    """Whether the database holds nothing, and the journal beside it the cases of another one."""
    if not journal.is_file() or first_record(journal) == store.record_id or store.count():
        return False
    return any(isinstance(line.holds, JournalEntry) for line in entries(journal))


def rebuild(store: Store, journal: Path) -> str:
    """Bring every case of the journal into the empty database; gives what to tell of it.

    The database gets the id that the journal names, so that both belong together again. All is
    one transaction: of several programs that find the database gone, one does it.

    Raises:
        RecordError: it cannot be written.
    """
    items = [line.holds for line in entries(journal) if line.holds is not None]
    cases, cut = sound_cases(items)
    texts = [item for item in items if isinstance(item, JournalTree)]
    whose = first_record(journal)

    def work(connection: Connection) -> Merged | None:
        if connection.execute(select(CASES.c.number).limit(1)).first() is not None:
            return None
        if whose:
            named = update(RECORD).where(RECORD.c.key == "id").values(value=whose)
            connection.execute(named)
        return merge(connection, [*texts, *cases], numbers=True)

    done = store.write(work)
    if done is None:
        return ""
    said = (
        f"the database {Path(journal.name.removesuffix('.events.jsonl'))} was missing or empty: "
        f"{done.cases} cases with {done.events} events were made again from its journal"
    )
    left = [*cut, *done.conflicts]
    return f"{said}; not all of it could be read: {left[0]}" if left else said
