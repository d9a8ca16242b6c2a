"""A page on a real socket, in a thread of the test."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from faulttree.cases import Store, open_store
from faulttree.page import Access, Settings, application
from faulttree.page.connections import BoundedProtocol, PageServer
from faulttree.page.server import listening
from faulttree.tree import shipped_library

NOW = "2026-02-11T10:00:00.000Z"


@dataclass
class Live:
    """A server on a port of this machine."""

    port: int
    store: Store
    access: Access

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@contextmanager
def live(folder: Path, **more: Any) -> Iterator[Live]:
    """A server on a record in this folder, until the block ends."""
    path = str(folder / "record.db")
    made = listening("127.0.0.1", 0)
    port = made.getsockname()[1]
    values = {"bench": None, "now": lambda: NOW, "library": None, **more}
    values["library"] = values["library"] or shipped_library()
    hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})
    settings = Settings(open_store=lambda: open_store(path), hosts=hosts, **values)
    access = Access(folder / "devices.json", time.time)
    app = application(settings, access)
    config = uvicorn.Config(
        app, http=BoundedProtocol, log_config=None, ws="none",
        timeout_graceful_shutdown=1, h11_max_incomplete_event_size=16 << 10,
    )  # fmt: skip
    server = PageServer(config, app.ending)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [made]})
    with open_store(path) as store:
        thread.start()
        while not server.started:
            time.sleep(0.01)
        try:
            yield Live(port, store, access)
        finally:
            server.should_exit = True
            thread.join()
            made.close()
