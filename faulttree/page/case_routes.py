"""The routes of one case: its prompt, a posted reply, what other devices do, its report."""

from __future__ import annotations

import asyncio
import json
import re
import secrets
from collections.abc import AsyncIterator, Mapping
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from faulttree.cases.other_cases import OtherCases
from faulttree.page.answers import (
    apart,
    desk_of,
    for_paired,
    for_paired_or_401,
    form_of,
    page,
    to,
    visitor,
)
from faulttree.page.cards import card, faster, for_page
from faulttree.page.sitting import Link, Posted, Recorded, Room, Screen, prompt_token

if TYPE_CHECKING:
    from starlette.requests import Request

    from faulttree.page.answers import Visitor
    from faulttree.page.desk import Desk

__all__ = ["ROUTES", "chain_of", "chain_text", "key_of"]

KEY = re.compile(r"[0-9a-f-]{16,40}")
LONGEST = 4000
"""Characters of words in a form; a reply of the session has its own limit."""

STREAMS, STREAMS_EACH = 200, 8
STREAM_SECONDS = 1800.0
LOOK_SECONDS = 0.5
"""How often the record is asked whether a terminal went on with a case that is looked at."""

BEATS = 20
"""A stream that was silent for so many looks says that it is alive."""


def chain_of(text: str) -> tuple[Link, ...]:
    """The replies that a form carries.

    Raises:
        HTTPException: they are not what this server wrote.
    """
    try:
        links = [Link(*(str(part)[:LONGEST] for part in one)) for one in json.loads(text or "[]")]
    except (ValueError, TypeError, RecursionError):
        raise HTTPException(400, "This form is damaged. Load the page again.") from None
    return tuple(links[:20])


def chain_text(chain: tuple[Link, ...]) -> str:
    """The same, as a form carries it."""
    return json.dumps([[one.action, one.text, one.choice] for one in chain], ensure_ascii=False)


def key_of(fields: Mapping[str, str]) -> str:
    """The id of a reply.

    Raises:
        HTTPException: there is none.
    """
    key = fields.get("key", "")
    if not KEY.fullmatch(key):
        raise HTTPException(400, "This form is damaged. Load the page again.")
    return key


def link_of(fields: Mapping[str, str]) -> Link:
    """The reply that a form gives."""
    action = fields.get("action", "answer")[:40]
    text, choice = fields.get("text", "")[:LONGEST], fields.get("choice", "")[:LONGEST]
    if action == "set" and choice:
        return Link(action, f"{choice} {text}".strip())
    if action != "answer" and choice:
        return Link(action, choice)
    return Link(action, text, choice)


@for_paired
async def show(request: Request, who: Visitor) -> Response:
    """A case: what is asked now."""
    desk, case = desk_of(request), request.path_params["case"]

    def work(room: Room) -> tuple[Screen, object]:
        screen = room.screen(case, who.device)
        return screen, card(screen, desk.settings.bench, OtherCases(room.store))

    screen, drawn = await desk.workers.of_case(case).do(work)
    return case_page(request, who, screen, drawn)


def case_page(request: Request, who: Visitor, screen: Screen, drawn: object) -> Response:
    """The page of a case."""
    prompt = screen.prompt
    return page(
        request,
        "case",
        who,
        status=screen.status,
        screen=screen,
        case=screen.case,
        tree=screen.position.tree,
        card=drawn,
        key=secrets.token_hex(12),
        prompt=prompt_token(prompt) if prompt else "",
        chain=chain_text(screen.chain),
        seen=len(screen.position.events),
        remedy=for_page((screen.refused.remedy if screen.refused else "") or ""),
    )


@for_paired_or_401
async def answer(request: Request, who: Visitor) -> Response:
    """A posted reply: to the page of the case once it is recorded."""
    fields = await form_of(request, who)
    desk, case = desk_of(request), request.path_params["case"]
    seen = fields.get("seen", "0")
    posted = Posted(
        key_of(fields),
        fields.get("prompt", ""),
        int(seen) if seen.isdecimal() and len(seen) < 9 else 0,
        chain_of(fields.get("chain", "")),
        link_of(fields),
    )

    def work(room: Room) -> tuple[Screen, object] | Recorded:
        result = room.answer(case, posted, who.device)
        if isinstance(result, Recorded):
            return result
        return result, card(result, desk.settings.bench, OtherCases(room.store))

    done = await desk.workers.of_case(case).do(work)
    if not isinstance(done, Recorded):
        return case_page(request, who, *done)
    if done.onward:
        return to(f"/new/{done.onward}?linked={case}")
    return to("/" if done.leave else f"/case/{case}")


@for_paired_or_401
async def live(request: Request, who: Visitor) -> Response:
    """A stream that tells when the case has other events than the page that listens shows."""
    desk, case = desk_of(request), request.path_params["case"]
    seen = request.query_params.get("seen", "0")
    begin = int(seen) if seen.isdecimal() and len(seen) < 9 else 0
    await desk.workers.of_case(case).do(lambda room: room.store.case(case))
    address = request.client.host if request.client else ""
    if sum(desk.streams.values()) >= STREAMS or desk.streams.get(address, 0) >= STREAMS_EACH:
        raise HTTPException(429, "Too many pages look at cases.")
    if request.method == "HEAD":
        return Response(media_type="text/event-stream")
    stream = changes(request, desk, case, begin)
    return StreamingResponse(counted_stream(desk, address, stream), media_type="text/event-stream")


async def counted_stream(
    desk: Desk, address: str, stream: AsyncIterator[str]
) -> AsyncIterator[str]:
    """The stream, counted for its address as long as it runs."""
    desk.streams[address] = desk.streams.get(address, 0) + 1
    try:
        async for part in stream:
            yield part
    finally:
        desk.streams[address] -= 1


async def changes(request: Request, desk: Desk, case: str, seen: int) -> AsyncIterator[str]:
    """Each new length of a case, as server-sent events."""
    changed = asyncio.Event()
    desk.watched.setdefault(case, []).append(changed)
    end = asyncio.get_running_loop().time() + STREAM_SECONDS
    silent = 0
    try:
        yield "retry: 2000\n\n"
        clock = asyncio.get_running_loop().time
        while clock() < end and not desk.ended and visitor(request) is not None:
            length = await desk.length_of(case)
            if length != seen:
                seen, silent = length, 0
                yield f"event: length\ndata: {length}\n\n"
            elif silent >= BEATS:
                silent = 0
                yield ": still here\n\n"
            silent += 1
            changed.clear()
            try:
                await asyncio.wait_for(changed.wait(), LOOK_SECONDS)
            except TimeoutError:
                continue
    finally:
        desk.watched[case].remove(changed)
        if not desk.watched[case]:
            desk.watched.pop(case)


@for_paired
async def advice(request: Request, who: Visitor) -> Response:
    """Whether another test would be faster; asked for after the step is shown."""
    desk, case = desk_of(request), request.path_params["case"]

    def work(room: Room) -> object:
        return faster(room.screen(case, who.device), desk.settings.bench)

    rows = await desk.workers.slow.do(work)
    return page(request, "advice", who, rows=rows, back=f"/case/{case}")


@for_paired
async def report(request: Request, who: Visitor) -> Response:
    """The report of a case, to be read and printed."""
    from faulttree.cases.historical_tree import tree_of
    from faulttree.cases.report.document import report as document
    from faulttree.cases.report.render import FORMS

    desk, case = desk_of(request), request.path_params["case"]
    bench = desk.settings.bench

    def work(room: Room) -> tuple[str, str]:
        row = room.store.case(case)
        tree = tree_of(room.store, row.tree_hash)
        told = document(row, room.store.events(case), tree, shop=bench.shop if bench else None)
        for photo in told["photos"]:
            if "width" in photo:
                photo["picture"] = f"/case/{case}/photo/{photo['sha256']}"
        return row.id, str(FORMS["html"](told, 80))

    row, text = await desk.workers.slow.do(work)
    return Response(apart(desk, text, f"/case/{row}"), media_type="text/html")


@for_paired
async def picture(request: Request, who: Visitor) -> Response:
    """The tree of a case with the way taken, as a picture."""
    from faulttree.diagram.picture import picture as draw

    desk, case = desk_of(request), request.path_params["case"]

    def work(room: Room) -> str:
        row, position = room.position(case)
        name = f"case {row.number}, {row.title}"
        return draw(position.tree, case=position.state, note=name, paged=False).svg()

    text = await desk.workers.slow.do(work)
    return Response(text, media_type="image/svg+xml")


@for_paired
async def drawing(request: Request, who: Visitor) -> Response:
    """The page around that picture."""
    desk, case = desk_of(request), request.path_params["case"]
    row = await desk.workers.lists.do(lambda room: room.store.case(case))
    return page(
        request,
        "picture",
        who,
        title=f"Case {row.number}: way through the tree",
        source=f"/case/{case}/picture.svg?events={row.events}",
        back=f"/case/{case}",
        text=row.title,
    )


ROUTES = [
    Route("/case/{case}", show),
    Route("/case/{case}/reply", answer, methods=["POST"]),
    Route("/case/{case}/live", live),
    Route("/case/{case}/advice", advice),
    Route("/case/{case}/report", report),
    Route("/case/{case}/drawing", drawing),
    Route("/case/{case}/picture.svg", picture),
]
