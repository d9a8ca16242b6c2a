"""Connections of the server: closed when silent in their headers, too many, or at its end."""

from __future__ import annotations

import asyncio
import socket
from collections import Counter
from collections.abc import Callable
from typing import Any, ClassVar

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["BoundedProtocol", "PageServer"]

HEADER_SECONDS = 15.0
EACH_ADDRESS = 64
"""Connections that one address of the network may have, so that none keeps all others out."""

LOOPBACK = ("127.0.0.1", "::1")


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 whose headers must arrive within some seconds; so many for each address."""

    open_from: ClassVar[Counter[str]] = Counter()
    address: str = ""
    opening: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """A client connected."""
        super().connection_made(transport)
        self.address = (transport.get_extra_info("peername") or ("",))[0]
        self.open_from[self.address] += 1
        if self.open_from[self.address] > EACH_ADDRESS and self.address not in LOOPBACK:
            transport.close()
            return
        self._expect_headers()

    def data_received(self, data: bytes) -> None:
        """A client sent something."""
        before = self.cycle
        super().data_received(data)
        if self.cycle is not before:
            self._headers_came()
        elif (self.cycle is None or self.cycle.response_complete) and self.opening is None:
            self._expect_headers()

    def connection_lost(self, exc: Exception | None) -> None:
        """A client went away."""
        self._headers_came()
        self.open_from[self.address] -= 1
        if not self.open_from[self.address]:
            del self.open_from[self.address]
        super().connection_lost(exc)

    def _expect_headers(self) -> None:
        self.opening = self.loop.call_later(HEADER_SECONDS, self._too_late)

    def _headers_came(self) -> None:
        if self.opening is not None:
            self.opening.cancel()
            self.opening = None

    def _too_late(self) -> None:
        self.opening = None
        if not self.transport.is_closing():
            self.transport.close()


class PageServer(uvicorn.Server):
    """A server that lets go of the pages that listen for changes before it waits for their end."""

    def __init__(self, config: uvicorn.Config, ending: Callable[[], None]) -> None:
        super().__init__(config)
        self.ending = ending

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End what would hold the server up, then stop."""
        self.ending()
        await super().shutdown(sockets)
