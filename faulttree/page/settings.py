"""What one server works on, fixed when it starts; nothing of it comes from a client."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.reading import Bench
    from faulttree.tree import Library

__all__ = ["Server", "Settings"]


@dataclass(frozen=True, slots=True)
class Settings:
    """What a server is started with.

    Attributes:
        open_store: opens the record; each thread calls it once.
        library: the trees.
        bench: the instruments here.
        now: the time, UTC, ISO 8601.
        hosts: what the header Host may say: name and port.
        scheme: ``http`` or ``https``.
        person: who works at the server itself.
        local: the device name of a browser on the server itself.
        even_unchecked: walk a tree that has errors.
        keep_originals: also keep the original photo files.
        fingerprint: SHA-256 of the certificate, to be compared at pairing.
        stopwatch: seconds, for the time that a step takes and for the requests a second.
        tell: shows a line in the terminal of the server.
        ring: rings in the terminal of the server.
    """

    open_store: Callable[[], Store]
    library: Library
    bench: Bench | None
    now: Callable[[], str]
    hosts: frozenset[str]
    scheme: str = "http"
    person: str = ""
    local: str = "page"
    even_unchecked: bool = False
    keep_originals: bool = False
    fingerprint: str = ""
    stopwatch: Callable[[], float] = time.monotonic
    tell: Callable[[str], None] = lambda text: None
    ring: Callable[[str], None] = lambda text: None


class Server(Protocol):
    """What a thread that works on cases needs of its server."""

    settings: Settings

    def changed(self, case: str, length: int) -> None:
        """Tell whoever looks at a case that it has so many events now."""

    def ring_at(self, seconds: float, what: str) -> None:
        """Ring in the terminal when a wait is over."""
