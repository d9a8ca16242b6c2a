"""What every request must pass before a page sees it, and the headers of every answer."""

from __future__ import annotations

import asyncio
import time
import traceback
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

if TYPE_CHECKING:
    from faulttree.page.settings import Settings

__all__ = ["BODY_LIMIT", "CSP", "Guard", "body_limit"]

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": CSP,
    "x-content-type-options": "nosniff",
    # With "no-referrer" a browser sends no origin with a form either, and none could be checked.
    "referrer-policy": "same-origin",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), payment=(), usb=()",
}
ENDING = {"connection": "close"}
METHODS = frozenset({"GET", "HEAD", "POST"})
BODY_LIMIT = 64 << 10
PHOTO_LIMIT = 32 << 20
PHOTO_PATH = "/photo"
"""How the path of a request ends that may carry a photo."""

HEADER_LIMIT = 16 << 10
BODY_SECONDS = 20.0
"""Within which the next piece of a body must come."""

FORM_SECONDS, PHOTO_SECONDS = 60.0, 300.0
"""Within which a whole body must come."""

BURST, EACH_SECOND = 300.0, 60.0
REMEMBERED = 512


@dataclass
class Rate:
    """How many requests an address may make: a burst, then so many a second."""

    clock: Callable[[], float] = time.monotonic
    burst: float = BURST
    left: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    def allows(self, address: str) -> bool:
        """Count one request; False where it is one too many."""
        now = self.clock()
        had, at = self.left.pop(address, (self.burst, now))
        room = min(self.burst, had + (now - at) * EACH_SECOND)
        self.left[address] = (room - 1 if room >= 1 else room, now)
        while len(self.left) > REMEMBERED:
            self.left.popitem(last=False)
        return room >= 1


@dataclass
class Guard:
    """An ASGI application around another.

    Refused are: a host that is not this server (421), a method that no page has (405), a request
    from another site (403), a body in pieces without a length, too large or too slow (400, 413,
    408), too many requests (429). Whatever fails inside is answered without its details.
    """

    app: App
    settings: Settings
    ending: Callable[[], None]
    """Called once when the server is about to stop."""
    rate: Rate = field(init=False)

    def __post_init__(self) -> None:
        self.rate = Rate(self.settings.stopwatch)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = False

        async def told(message: MutableMapping[str, Any]) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message = {**message, "headers": with_headers(message.get("headers", ()))}
            await send(message)

        refused = self.refusal(scope)
        if refused is not None:
            await refuse(told, *refused, close=True)
            return
        try:
            await self.app(scope, limited(receive, scope["path"]), told)
        except ClientDisconnect:
            return  # It happens on any wireless network; there is nobody to answer.
        except Exception as error:
            self.settings.tell(f"a request failed: {place_of(error)}")
            if not begun:
                await refuse(told, 500, "Something failed here. What was recorded is kept.")

    def refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and words where a request is refused at once."""
        headers = scope["headers"]
        hosts = [value for name, value in headers if name == b"host"]
        if len(hosts) != 1 or hosts[0].decode("latin-1").lower() not in self.settings.hosts:
            return 421, "This server has another name."
        path = scope["path"]
        if not path.startswith("/") or "\\" in path or any(ord(sign) < 32 for sign in path):
            return 400, "This is no path."
        if scope["method"] not in METHODS:
            return 405, "This method is not used here."
        if sum(len(name) + len(value) for name, value in headers) > HEADER_LIMIT:
            return 431, "The headers are too large."
        if not self.rate.allows((scope.get("client") or ("",))[0]):
            return 429, "Too many requests. Wait a moment, then try again."
        return _unsound_body(scope) or self._foreign(scope)

    def _foreign(self, scope: Scope) -> tuple[int, str] | None:
        """Why a request comes from another site; None where it does not."""
        own = f"{self.settings.scheme}://{one_header(scope, b'host').lower()}"
        origin, site = one_header(scope, b"origin"), one_header(scope, b"sec-fetch-site")
        refused = 403, "This request comes from another site."
        if origin and origin.lower() != own:
            return refused
        if scope["method"] == "POST":
            return None if origin and site in ("", "same-origin") else refused
        opened = one_header(scope, b"sec-fetch-mode") == "navigate"
        opened = opened and one_header(scope, b"sec-fetch-dest") in ("document", "")
        return None if site in ("", "same-origin", "none") or opened else refused


def _unsound_body(scope: Scope) -> tuple[int, str] | None:
    """Why a body cannot be taken, by its headers."""
    names = [name for name, _ in scope["headers"]]
    lengths = [value for name, value in scope["headers"] if name == b"content-length"]
    if b"transfer-encoding" in names:
        return 400, "A body must come with its length."
    if len(lengths) > 1 or any(not value.isdigit() for value in lengths):
        return 400, "The length of the body is not clear."
    if lengths and int(lengths[0]) > body_limit(scope["path"]):
        return 413, "This is too large."
    return None


def body_limit(path: str) -> int:
    """Bytes that a request to this path may carry."""
    return PHOTO_LIMIT if path.endswith(PHOTO_PATH) else BODY_LIMIT


def limited(receive: Receive, path: str) -> Receive:
    """The same messages, as long as they come in time and are not too large.

    Raises:
        HTTPException: they do not, or are (408, 413); the connection ends with the answer.
    """
    limit = body_limit(path)
    end = time.monotonic() + (PHOTO_SECONDS if limit == PHOTO_LIMIT else FORM_SECONDS)
    total = 0
    done = False

    async def received() -> MutableMapping[str, Any]:
        nonlocal total, done
        if done:
            return await receive()
        left = max(0.0, min(BODY_SECONDS, end - time.monotonic()))
        try:
            message = await asyncio.wait_for(receive(), left)
        except TimeoutError:
            raise HTTPException(408, "This took too long to arrive.", ENDING) from None
        if message["type"] == "http.request":
            total += len(message.get("body", b""))
            done = not message.get("more_body", False)
            if total > limit:
                raise HTTPException(413, "This is too large.", ENDING)
        return message

    return received


def one_header(scope: Scope, name: bytes) -> str:
    """The one header of that name; several count as a strange one."""
    found = [value.decode("latin-1") for key, value in scope["headers"] if key == name]
    return found[0] if len(found) == 1 else "," * len(found)


def with_headers(own: Iterable[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """Headers with those that every answer has; a page's own go first."""
    there = list(own)
    names = {name.lower() for name, _ in there}
    more = [(n.encode(), v.encode()) for n, v in HEADERS.items() if n.encode() not in names]
    return there + more


async def refuse(send: Send, status: int, text: str, *, close: bool = False) -> None:
    """A short answer in plain text."""
    body = f"{text}\n".encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
    ]
    if close:
        headers.append((b"connection", b"close"))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def place_of(error: BaseException) -> str:
    """Kind of an error and the line that it came from: no text, which may hold a reading."""
    frames = traceback.extract_tb(error.__traceback__)
    last = frames[-1] if frames else None
    where = f" at {last.filename.rpartition('/')[2]}:{last.lineno}" if last else ""
    return f"{type(error).__name__}{where}"
