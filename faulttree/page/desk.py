"""A server at work: its threads, who may use it, and who looks at which case."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from faulttree.page.sitting import Room
from faulttree.page.workers import Workers

if TYPE_CHECKING:
    from faulttree.page.access import Access
    from faulttree.page.settings import Settings

__all__ = ["Desk"]

LOOK_SECONDS = 0.4
REMEMBERED = 256


@dataclass
class Desk:
    """A server at work: its settings, who may use it, its threads, and who looks at which case."""

    settings: Settings
    access: Access
    workers: Workers[Room] = field(init=False)
    lengths: dict[str, int] = field(default_factory=dict)
    """Case → how many events it had when somebody was told last."""
    watched: dict[str, list[asyncio.Event]] = field(default_factory=dict)
    loop: asyncio.AbstractEventLoop | None = None
    ended: bool = False
    """The server is about to stop: no stream goes on."""
    styles: dict[str, tuple[str, bytes]] = field(default_factory=dict)
    """Name → type and content of parts of pages that were taken out of them."""
    streams: dict[str, int] = field(default_factory=dict)
    """Address → how many pages there listen for changes."""
    uploads: int = 0
    """Photos that arrive now."""
    looked: dict[str, tuple[float, int]] = field(default_factory=dict)
    """Case → when its length was read last, and the length."""

    def __post_init__(self) -> None:
        self.workers = Workers(self.settings.open_store, lambda store: Room(store, self))

    def end(self) -> None:
        """The server stops: whoever looks at a case is let go."""
        self.ended = True
        for events in self.watched.values():
            for event in events:
                event.set()

    def changed(self, case: str, length: int) -> None:
        """A case has so many events now; whoever looks at it is told. Any thread may call it."""
        if self.loop is not None and not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self.note_length, case, length)

    def note_length(self, case: str, length: int) -> None:
        """The same, in the thread of the server."""
        if case in self.watched and self.lengths.get(case) != length:
            self.lengths[case] = length
            for event in self.watched[case]:
                event.set()

    async def length_of(self, case: str) -> int:
        """How many events a case has; read once for all who look at it at the same time."""
        now = time.monotonic()
        at, length = self.looked.get(case, (0.0, -1))
        if length < self.lengths.get(case, -1):
            length, at = self.lengths[case], now
        elif now - at > LOOK_SECONDS:
            worker = self.workers.of_case(case)
            length, at = await worker.do(lambda room: room.store.case(case).events), now
        self.looked[case] = (at, length)
        while len(self.looked) > REMEMBERED:
            self.looked.pop(next(iter(self.looked)))
        return length

    def ring_at(self, seconds: float, what: str) -> None:
        """Ring in the terminal when a wait is over. Any thread may call it."""
        if self.loop is not None and not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self.loop.call_later, seconds, self.settings.ring, what)
