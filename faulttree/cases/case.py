"""One case as the record lists it, and how its id is made."""

from __future__ import annotations

import datetime as dt
import secrets
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from faulttree.convert import Plain
from faulttree.errors import RecordError

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def moment(at: str) -> dt.datetime:
    """A time of an event, ISO 8601; without an offset it is UTC.

    Raises:
        RecordError: it is no time.
    """
    try:
        time = dt.datetime.fromisoformat(at)
    except ValueError:
        raise RecordError(
            f"{at!r} is no time", remedy="Write ISO 8601, as in 2026-02-11T09:30:00Z."
        ) from None
    return time if time.tzinfo else time.replace(tzinfo=dt.UTC)


def new_id(at: str) -> str:
    """A UUID of version 7 (RFC 9562, 5.7) for a case opened at this time.

    48 bits of milliseconds since 1970 come first, so ids sort by time; the rest is random.
    """
    milliseconds = (moment(at) - EPOCH) // dt.timedelta(milliseconds=1) & (1 << 48) - 1
    value = milliseconds << 80 | 0x7 << 76 | secrets.randbits(12) << 64
    return str(uuid.UUID(int=value | 0b10 << 62 | secrets.randbits(62)))


@dataclass(frozen=True, slots=True)
class Case(Plain):
    """What a list shows of a case: drawn from its events, never the only copy of anything.

    Attributes:
        id: its UUID, the same in every record it is brought into.
        number: its number in this record, for people.
        unit: the unit as told at the opening, as plain data.
        state: ``open`` or ``closed``.
        closed: when it was last closed; None while open.
        minutes: measured or set by hand, over all steps answered.
        steps: how many answers stand.
        events: how many events there are; the next one has this sequence.
        step: the last step with an answer that stands.
        came_back: id of the later case that shows that the repair did not last.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"id": "case"}

    id: str
    number: int
    tree: str
    tree_hash: str
    family: str
    model: str
    serial: str
    tag: str
    modules: tuple[str, ...]
    complaint: str
    owner_words: str
    who: str
    opened: str
    updated: str
    state: str
    closed: str | None
    result: str
    fault: str
    became: str
    kept: tuple[str, ...]
    minutes: float
    steps: int
    events: int
    step: str
    linked: str
    scripted: bool
    unit: Mapping[str, Any] = field(default_factory=dict, hash=False)
    came_back: str = ""

    @property
    def title(self) -> str:
        """Unit and complaint in a few words."""
        unit = self.model or self.family
        name = self.tag or self.serial
        words = f"{unit} ({name})" if name else unit
        return f"{words}, {self.complaint or self.tree}"
