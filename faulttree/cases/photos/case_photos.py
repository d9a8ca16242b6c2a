"""The photos of a case: adding one within the limit of a case, listing, and reading them."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from hashlib import sha256
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from faulttree.cases.errors import CutOff
from faulttree.cases.photos.picture import PhotoError, media_type
from faulttree.cases.tables import keep_setting, setting
from faulttree.walk.events import Event, PhotoAdded
from faulttree.walk.history import history

if TYPE_CHECKING:
    from faulttree.cases.photos.picture import Picture
    from faulttree.cases.store import Store

MEGABYTES = 200
"""Of photos in one case: some hundred of them (common practice, no source)."""


def megabytes_of(connection: Connection) -> int:
    """How many MB of photos one case may have, as this record has it set."""
    found = setting(connection, "photo_megabytes")
    return int(found) if found is not None else MEGABYTES


def set_megabytes(connection: Connection, megabytes: int) -> None:
    """Set it, for every bench of this record. Photos that are kept already stay."""
    keep_setting(connection, "photo_megabytes", str(megabytes))


def added(store: Store, events: Sequence[Event], picture: Picture, words: str = "") -> PhotoAdded:
    """Keep a picture for a case, and give the event that adds it there.

    Args:
        store: the record, open for writing.
        events: all events of the case.
        picture: what is to be kept.
        words: what was said of it.

    Returns:
        the event, without time and step; it is not recorded yet.

    Raises:
        PhotoError: the case has too many photos.
        RecordError: the record cannot be written.
    """
    size = len(picture.data) + len(picture.original)
    taken = {photo.sha256: photo.size or 0 for photo in every(events)}
    try:
        most = store.read(megabytes_of)
    except CutOff:
        most = MEGABYTES
    if picture.sha256 not in taken and sum(taken.values()) + size > most * 1_000_000:
        raise PhotoError(
            f"the photos of this case are more than {most} MB",
            remedy="'faulttree cases photos --per-case MB' allows more.",
        )
    store.keep_photo(picture)
    return PhotoAdded(
        sha256=picture.sha256,
        width=picture.width,
        height=picture.height,
        size=size,
        words=words,
        original=sha256(picture.original).hexdigest() if picture.original else "",
    )


def every(events: Sequence[Event]) -> list[PhotoAdded]:
    """The photos that the record keeps for a case, withdrawn ones too, oldest first."""
    return [event for event in events if isinstance(event, PhotoAdded) and event.kept]


def standing(events: Sequence[Event]) -> list[PhotoAdded]:
    """The photos of a case that were not withdrawn, oldest first."""
    return every([entry.event for entry in history(events).standing])


def shown(store: Store, events: Sequence[Event], name: str) -> bytes:
    """A picture of a case by its hash. Originals are never shown.

    Raises:
        PhotoError: the case has no such photo, or the picture is not in this record.
    """
    if name not in {photo.sha256 for photo in standing(events)}:
        raise PhotoError("the case has no such photo")
    data = store.photo(name)
    if data is None:
        raise PhotoError(
            "the picture is not in this record",
            remedy="Import the case with its photos, or run `faulttree cases verify --repair`.",
        )
    return data


def data_url(data: bytes) -> str:
    """A kept picture as a data URL (RFC 2397)."""
    return f"data:{media_type(data)};base64,{b64encode(data).decode()}"
