"""Whether every photo that a case names is in the record, whole."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from hashlib import sha256
from pathlib import Path

from sqlalchemy import Connection, delete, select

from faulttree.cases.event_rows import add_photos
from faulttree.cases.journal.file import JournalPhoto, journal_path, photos
from faulttree.cases.schema import has_photos
from faulttree.cases.store import Store
from faulttree.cases.tables import PHOTOS


def whole_and_damaged(store: Store) -> tuple[dict[str, bool], set[str]]:
    """What the table of photos holds, read one picture at a time.

    Returns:
        hash → whether it is an original, of those that are whole; and the hashes of those whose
        bytes are not what the hash says.
    """

    def names(connection: Connection) -> list[tuple[str, bool]]:
        if not has_photos(connection):
            return []
        wanted = select(PHOTOS.c.sha256, PHOTOS.c.original)
        return [(row.sha256, row.original) for row in connection.execute(wanted)]

    whole, damaged = {}, set()
    for name, original in store.read(names):
        if sha256(store.photo(name, original=original) or b"").hexdigest() == name:
            whole[name] = original
        else:
            damaged.add(name)
    return whole, damaged


def put_back(store: Store, path: Path | None, wrong: set[str]) -> Iterator[str]:
    """Put back what the journal has of these; gives the hashes."""
    if path is None or not wrong:
        return
    for photo in photos(journal_path(path)):
        if photo.sha256 in wrong:
            store.write(partial(put_again, photo))
            yield photo.sha256


def put_again(photo: JournalPhoto, connection: Connection) -> None:
    """A photo in the place of a damaged one."""
    connection.execute(delete(PHOTOS).where(PHOTOS.c.sha256 == photo.sha256))
    add_photos(connection, [photo])
