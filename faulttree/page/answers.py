"""Pages, redirections and forms: what the routes have in common."""

from __future__ import annotations

import re
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import wraps
from hashlib import sha256
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from faulttree.cases import AmbiguousCase, NoSuchCase, SequenceTaken
from faulttree.errors import FaulttreeError, RecordError
from faulttree.page.access import AccessError, Device
from faulttree.page.workers import BusyError
from faulttree.templates import render
from faulttree.version import __version__

if TYPE_CHECKING:
    from faulttree.page.desk import Desk

__all__ = [
    "Visitor",
    "apart",
    "for_paired",
    "for_paired_or_401",
    "form_of",
    "page",
    "problem",
    "to",
    "visitor",
]

COOKIE = "faulttree"
LOOPBACK = ("127.0.0.1", "::1")
FORM = "application/x-www-form-urlencoded"
MOST_FIELDS = 60
PARTS_KEPT = 64


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks: the device, its token, and whether it sits at the server itself."""

    device: Device
    token: str
    local: bool
    new: bool = False


def desk_of(request: Request) -> Desk:
    """The server's desk."""
    desk: Desk = request.app.state.desk
    return desk


def cookie_name(desk: Desk) -> str:
    """The name of the cookie; under TLS browsers refuse it for any other host or path."""
    return f"__Host-{COOKIE}" if desk.settings.scheme == "https" else COOKIE


def is_local(request: Request) -> bool:
    """Whether a request comes from this machine itself."""
    return request.client is not None and request.client.host in LOOPBACK


def visitor(request: Request) -> Visitor | None:
    """Who asks; None where a device is not paired, or was idle for too long."""
    desk = desk_of(request)
    token = request.cookies.get(cookie_name(desk), "")[:200]
    known = desk.access.known(token) if token else None
    if known is not None:
        return Visitor(known, token, is_local(request))
    if not is_local(request):
        return None
    own = Device("", desk.settings.local, desk.settings.person)
    if re.fullmatch(r"[\w-]{43}", token):
        return Visitor(own, token, True)
    return Visitor(own, secrets.token_urlsafe(32), True, new=True)


Route = Callable[[Request, Visitor], Awaitable[Response]]
Open = Callable[[Request], Awaitable[Response]]


def for_paired(route: Route) -> Open:
    """A page for paired devices: any other is led to the pairing."""
    return _for_paired(route, lambda: to("/pair"))


def for_paired_or_401(route: Route) -> Open:
    """The same for a reply or a stream: any other device is refused with status 401."""
    refusal = "Pair this device again.\n"
    return _for_paired(route, lambda: Response(refusal, 401, media_type="text/plain"))


def _for_paired(route: Route, refused: Callable[[], Response]) -> Open:
    @wraps(route)
    async def guarded(request: Request) -> Response:
        who = visitor(request)
        return refused() if who is None else await route(request, who)

    return guarded


def with_cookie(response: Response, desk: Desk, token: str) -> Response:
    """The answer with the token of a device."""
    response.set_cookie(
        cookie_name(desk),
        token,
        max_age=400 * 86400,
        path="/",
        secure=desk.settings.scheme == "https",
        httponly=True,
        samesite="strict",
    )
    return response


def page(
    request: Request, name: str, who: Visitor | None, *, status: int = 200, **values: Any
) -> Response:
    """A page from a template of this package."""
    desk = desk_of(request)
    common = {
        "csrf": desk.access.form_token(who.token) if who else "",
        "who": who,
        "version": __version__,
        "plain": desk.settings.scheme == "http" and not is_local(request),
        "invented": desk.settings.library.about.invented,
        "path": request.url.path,
    }
    text = render(f"page/{name}.html.jinja", **{**common, **values})
    response = HTMLResponse(text, status)
    return with_cookie(response, desk, who.token) if who and who.new else response


def to(path: str) -> Response:
    """On to another page, by GET."""
    return RedirectResponse(path, 303)


async def form_of(request: Request, who: Visitor) -> dict[str, str]:
    """The fields of a form that this server made for this device; a repeated one is joined.

    Raises:
        HTTPException: it is no form, too long, or made for somebody else.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != FORM:
        raise HTTPException(415, "Send a form.")
    body = (await request.body()).decode("utf-8", "replace")
    try:
        pairs = parse_qsl(body, keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError:
        raise HTTPException(400, "This form has too many fields.") from None
    fields: dict[str, str] = {}
    for name, value in pairs:
        fields[name] = f"{fields[name]}, {value}" if name in fields else value
    if not desk_of(request).access.form_fits(who.token, fields.get("csrf", "")):
        raise HTTPException(403, "This form is not of this device. Load the page again.")
    return fields


def problem(request: Request, error: Exception) -> Response:
    """An error as a page: what is wrong and what to do, without a path of this machine."""
    status, text, remedy = explained(error)
    if isinstance(error, RecordError) and status == 503:
        desk_of(request).settings.tell(str(error))
    who = visitor(request)
    answer = page(request, "problem", who, status=status, text=text, remedy=remedy)
    if isinstance(error, HTTPException):
        answer.headers.update(error.headers or {})
    return answer


def explained(error: Exception) -> tuple[int, str, str]:
    """Status, what is wrong, and what to do."""
    if isinstance(error, BusyError):
        return 503, "Too much waits for the record.", "Wait a moment, then send it again."
    if isinstance(error, NoSuchCase | AmbiguousCase):
        return 404, "There is no such case.", "The list shows the cases there are."
    if isinstance(error, SequenceTaken):
        return 409, "Another device answered first.", "Load the page again."
    if isinstance(error, RecordError):
        remedy = "Not saved. Look at the terminal of the server, then send it again."
        return 503, "The record cannot be used now.", remedy
    if isinstance(error, AccessError):
        return 403, error.message, error.remedy or ""
    if isinstance(error, HTTPException):
        return error.status_code, str(error.detail), "Go back, or begin at the list of cases."
    assert isinstance(error, FaulttreeError)
    return 422, error.message, error.remedy or ""


STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)
BODY = re.compile(r'<body>\s*(?:<a class="skip".*?</a>)?', re.DOTALL)
META = re.compile(r"<meta http-equiv=[^>]*>")
PICTURE = re.compile(r'src="data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)"')


def apart(desk: Desk, html: str, back: str) -> str:
    """A page made for a file, with its style and pictures as parts that the server gives.

    So it needs nothing inline, as the security policy of the server demands. A link leads back.
    """
    from base64 import b64decode

    html = META.sub("", html)
    css = "\n".join(STYLE.findall(html))
    link = f'<link rel="stylesheet" href="/part/{kept(desk, "text/css", css.encode())}">'
    html = STYLE.sub("", html).replace("</head>", f"{link}</head>", 1)
    nav = f'<nav aria-label="Pages"><a href="{back}">Back</a></nav>'
    if "<main" not in html:
        html = html.replace("<body>", "<body><main>", 1).replace("</body>", "</main></body>", 1)
    # A link past what is the same on every page stays the first.
    html = BODY.sub(lambda found: f"{found[0]}{nav}", html, count=1)
    return PICTURE.sub(
        lambda found: f'src="/part/{kept(desk, "image/svg+xml", b64decode(found[1]))}"', html
    )


def kept(desk: Desk, kind: str, content: bytes) -> str:
    """Keep a part of a page; gives its name."""
    name = sha256(content).hexdigest()[:32]
    parts = desk.styles
    parts.pop(name, None)
    parts[name] = (kind, content)
    while len(parts) > PARTS_KEPT:
        parts.pop(next(iter(parts)))
    return name
