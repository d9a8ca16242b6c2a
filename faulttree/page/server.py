"""The server: routes behind a guard, and the sockets it listens on."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from faulttree.errors import FaulttreeError
from faulttree.page import case_routes, list_routes, photos
from faulttree.page.answers import problem
from faulttree.page.desk import Desk
from faulttree.page.guard import Guard
from faulttree.page.workers import BusyError

if TYPE_CHECKING:
    from starlette.requests import Request

    from faulttree.page.access import Access
    from faulttree.page.settings import Settings

__all__ = ["application", "listening", "serve"]

STATIC = Path(__file__).parent / "static"
KINDS = {".css": "text/css", ".js": "text/javascript"}
KEEP = "max-age=600"
CONNECTIONS = 400


def application(settings: Settings, access: Access) -> Guard:
    """The server as an ASGI application.

    Args:
        settings: what it works on.
        access: who may use it.
    """
    desk = Desk(settings, access)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        desk.loop = asyncio.get_running_loop()
        yield
        await asyncio.to_thread(desk.workers.close)

    routes = [
        *list_routes.ROUTES,
        *case_routes.ROUTES,
        *photos.ROUTES,
        Route("/static/{name}", static),
        Route("/favicon.ico", no_icon),
    ]
    shown: dict[Any, Any] = dict.fromkeys((HTTPException, FaulttreeError, BusyError), told)
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=shown)
    app.router.redirect_slashes = False
    app.state.desk = desk
    return Guard(app, settings, desk.end)


async def told(request: Request, error: Exception) -> Response:
    """An error as a page."""
    return problem(request, error)


async def static(request: Request) -> Response:
    """Style and script: the two files of this package, by their exact names."""
    names = {path.name: path for path in STATIC.iterdir() if path.suffix in KINDS}
    path = names.get(request.path_params["name"])
    if path is None:
        raise HTTPException(404, "There is no such file.")
    content = await asyncio.to_thread(path.read_bytes)
    return Response(content, media_type=KINDS[path.suffix], headers={"cache-control": KEEP})


async def no_icon(request: Request) -> Response:
    """Browsers ask for a picture of the site; there is none."""
    return Response(status_code=204, headers={"cache-control": KEEP})


def listening(address: str, port: int) -> socket.socket:
    """A socket that listens on one address.

    Raises:
        FaulttreeError: it cannot be had.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((address, port))
    except OSError as error:
        made.close()
        raise FaulttreeError(
            f"cannot listen on {address}, port {port}: {error.strerror}",
            remedy="Take another with --port, or end the program that uses it.",
        ) from None
    return made


def serve(
    app: Guard, sockets: Sequence[socket.socket], *, certificate: tuple[Path, Path] | None = None
) -> None:
    """Serve until the program is interrupted; what was begun is finished.

    Args:
        app: :func:`application`.
        sockets: from :func:`listening`.
        certificate: files of certificate and key, for TLS 1.2 or later.
    """
    import ssl

    import uvicorn

    from faulttree.page.connections import BoundedProtocol, PageServer

    config = uvicorn.Config(
        app,
        http=BoundedProtocol,
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=True,
        proxy_headers=False,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=3,
        limit_concurrency=CONNECTIONS,
        h11_max_incomplete_event_size=16 << 10,
        ssl_certfile=certificate[0] if certificate else None,
        ssl_keyfile=certificate[1] if certificate else None,
        lifespan="on",
    )
    if certificate is not None:
        config.load()
        assert config.ssl is not None
        config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2
    PageServer(config, app.ending).run(sockets=list(sockets))
