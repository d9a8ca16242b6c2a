"""The routes beside a case: lists, trees, taking a unit in, the review, devices."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from faulttree.cases import NoSuchCase
from faulttree.cases.case import moment, new_id
from faulttree.cases.closing_result import with_closing
from faulttree.cases.listing import BECAME, HEAD, listed
from faulttree.cases.other_cases import OtherCases
from faulttree.errors import FaulttreeError, RecordError
from faulttree.page.answers import (
    apart,
    desk_of,
    for_paired,
    for_paired_or_401,
    form_of,
    is_local,
    page,
    to,
    visitor,
    with_cookie,
)
from faulttree.page.case_routes import chain_of, chain_text, key_of, link_of
from faulttree.page.sitting import Link, Room, prompt_token, reply_of, stamped
from faulttree.session import (
    Accepted,
    Ask,
    Context,
    Position,
    Prompt,
    Refused,
    begin_intake,
    follow,
    read_intake,
    reply,
)
from faulttree.session.intake import known_models
from faulttree.session.opening import fit_tree, known_of_linked, priors_of
from faulttree.tree.search import find
from faulttree.walk.events import RESULTS

if TYPE_CHECKING:
    from starlette.requests import Request

    from faulttree.page.access import Device
    from faulttree.page.answers import Visitor
    from faulttree.page.desk import Desk
    from faulttree.tree.model import Tree

__all__ = ["ROUTES"]

SHOWN, MOST = 50, 500
FILTERS = ("family", "model", "serial", "module", "tree", "state", "result", "fault", "became",
           "kept", "who", "since", "until")  # fmt: skip
CHOICES = {"state": ("open", "closed"), "result": RESULTS, "became": tuple(BECAME)}
LONGEST_LINE = 300
MATCHES = 12


@for_paired
async def cases(request: Request, who: Visitor) -> Response:
    """The list of cases, newest first, by the filters of ``cases list``."""
    asked = request.query_params
    wanted: dict[str, Any] = {n: asked[n][:LONGEST_LINE] for n in FILTERS if asked.get(n)}
    words = asked.get("words", "")[:LONGEST_LINE]
    if asked.get("came_back"):
        wanted["came_back"] = True
    refuse_times(wanted)
    limit = asked.get("limit", "")[:6]
    shown = min(int(limit), MOST) if limit.isdecimal() and int(limit) > 0 else SHOWN
    oldest = bool(asked.get("oldest_first"))

    def work(room: Room) -> list[tuple[str, str, tuple[str, ...]]]:
        store = room.store
        found = store.list(words=words, limit=shown + 1, oldest_first=oldest, **wanted)
        titles = OtherCases(store).fault_titles(found)
        return [
            (case.id, case.state, listed(case, closing, titles.get(case.id, "")))
            for case, closing in with_closing(store, found)
        ]

    lines = await desk_of(request).workers.lists.do(work)
    values = {name: asked.get(name, "") for name in (*FILTERS, "limit")}
    more = {"oldest_first": oldest, "came_back": bool(asked.get("came_back"))}
    return page(
        request,
        "cases",
        who,
        head=HEAD,
        lines=lines[:shown],
        cut=len(lines) > shown,
        words=words,
        values={**values, **more},
        choices=CHOICES,
        filters=FILTERS,
        filtered=bool(wanted or words),
    )


def refuse_times(wanted: Mapping[str, str]) -> None:
    """Refuse a day that is none.

    Raises:
        HTTPException: it is none.
    """
    for name in ("since", "until"):
        try:
            if name in wanted:
                moment(wanted[name])
        except RecordError:
            raise HTTPException(422, f"{name} is no day. Write it as 2026-01-31.") from None


# -- trees ---------------------------------------------------------------------------------


@for_paired
async def found(request: Request, who: Visitor) -> Response:
    """The trees that fit a complaint, or a unit and its complaint in one line."""
    desk = desk_of(request)
    line = " ".join(request.query_params.get("line", "")[:LONGEST_LINE].split())
    told = read_intake(line) if ":" in line else {}
    said = f"{told.get('model', '')} {told.get('complaint', '')}".strip() or line

    def work(room: Room) -> Any:
        matches = find(said, desk.settings.library, limit=MATCHES if said else 0)
        if not matches and told.get("complaint"):
            matches = find(told["complaint"], desk.settings.library, limit=MATCHES)
        return matches

    matches = await desk.workers.lists.do(work)
    return page(request, "found", who, line=line, matches=matches)


@for_paired
async def library(request: Request, who: Visitor) -> Response:
    """All trees by family."""
    desk = desk_of(request)
    matches = await desk.workers.lists.do(lambda room: find("", desk.settings.library, limit=0))
    families: dict[str, list[Any]] = {}
    for match in matches:
        families.setdefault(match.family, []).append(match)
    return page(request, "library", who, families=families)


def named(request: Request) -> str:
    """The tree that a path names, if the library has it: no file is named by a client.

    Raises:
        HTTPException: the library has no such tree.
    """
    name = f"{request.path_params['family']}/{request.path_params['name']}"
    library = desk_of(request).settings.library
    known = name in library.trees()
    roots = [layer.root.resolve() for layer in library.layers]
    # A link in a library must not show a file from elsewhere.
    if not known or not any(library.path_of(name).resolve().is_relative_to(r) for r in roots):
        raise HTTPException(404, "There is no such tree.")
    return name


def tree_of(desk: Desk, name: str) -> Tree:
    """A tree that may be walked.

    Raises:
        TreeError: it has errors.
    """
    return fit_tree(desk.settings.library, name, desk.settings.even_unchecked)


@for_paired
async def tree_page(request: Request, who: Visitor) -> Response:
    """One tree as a picture."""
    name = named(request)
    return page(
        request,
        "picture",
        who,
        title=name,
        source=f"/tree/{name}/picture.svg",
        back="/library",
        text="Shapes as in ISO 5807. Dashed: leads past what the unit does not have.",
        start=f"/new/{name}",
    )


@for_paired
async def tree_picture(request: Request, who: Visitor) -> Response:
    """That picture."""
    from faulttree.diagram.picture import picture

    desk, name = desk_of(request), named(request)

    def work(room: Room) -> str:
        examined = desk.settings.library.examine(name)
        if examined.tree is None:
            raise HTTPException(404, "This tree could not be built.")
        return picture(examined.tree, paged=False).svg()

    return Response(await desk.workers.slow.do(work), media_type="image/svg+xml")


# -- taking a unit in ------------------------------------------------------------------------


def known_of(room: Room, tree: Tree, device: Device, line: str, linked: str) -> Mapping[str, str]:
    """What is known of the unit before anything is asked."""
    told = {"who": device.person} if device.person else {}
    if linked:
        _, before = room.position(linked)
        return {**known_of_linked(before.state, linked), **told}
    if line and ":" not in line:
        # These words were searched for as a complaint. The unit is asked next.
        return {"complaint": line, **told}
    return {**read_intake(line, known_models(tree)), **told}


def intake(
    room: Room, tree: Tree, device: Device, line: str, linked: str, chain: tuple[Link, ...]
) -> tuple[Ask | Accepted | Refused, Prompt | None, tuple[Link, ...]]:
    """What the replies so far lead to, the prompt before the last one, and those that counted."""
    settings = room.desk.settings
    context = Context(
        now=settings.now(),
        bench=settings.bench,
        lookup=OtherCases(room.store),
        priors=partial(priors_of, tree, room.store),
    )
    known = known_of(room, tree, device, line, linked)
    result: Any = begin_intake(tree, context, known)
    asked: Prompt | None = None
    used: tuple[Link, ...] = ()
    for link in chain:
        if not isinstance(result, Ask):
            break
        asked = result.prompt
        result = reply(Position(tree, asked.id.case, ()), context, asked, reply_of(asked, link))
        if isinstance(result, Accepted) and not result.events:
            return begin_intake(tree, context, known), None, ()
        if isinstance(result, Ask):
            used = (*used, link)
    if isinstance(result, Accepted):
        opened = Position(tree, "draft", tuple(result.events))
        more = follow(opened, context, Accepted())
        result = replace(result, events=(*result.events, *more.events))
    return result, asked, used


@for_paired
async def new(request: Request, who: Visitor) -> Response:
    """The first question about a unit."""
    asked = request.query_params
    line = " ".join(asked.get("line", "")[:LONGEST_LINE].split())
    linked = asked.get("linked", "")[:40]
    return await _intake_page(
        request, who, line, linked, (), new_id(desk_of(request).settings.now())
    )


async def _intake_page(
    request: Request, who: Visitor, line: str, linked: str, chain: tuple[Link, ...], key: str
) -> Response:
    desk, name = desk_of(request), named(request)

    def work(room: Room) -> Any:
        tree = tree_of(desk, name)
        if _is_open(room, key):
            return tree, None, None, ()
        result, asked, used = intake(room, tree, who.device, line, linked, chain)
        if isinstance(result, Accepted) and chain:
            events = stamped(result.events, who.device, key)
            room.store.open_case(events, tree_text=tree.text, case=key)
            return tree, None, None, ()
        return tree, result, asked, used

    tree, result, asked, used = await desk.workers.lists.do(work)
    if result is None:
        return to(f"/case/{key}")
    prompt = result.prompt if isinstance(result, Ask) else asked
    draft = (chain[-1].text or chain[-1].choice) if chain and isinstance(result, Refused) else ""
    return page(
        request,
        "intake",
        who,
        status=422 if isinstance(result, Refused) else 200,
        tree=tree,
        prompt=prompt,
        refused=result.error if isinstance(result, Refused) else None,
        chain=chain_text(used),
        key=key,
        mark=desk.access.form_token(f"case {key}"),
        line=line,
        linked=linked,
        draft=draft,
        token=prompt_token(prompt) if prompt else "",
        ready=isinstance(result, Accepted),
    )


def _is_open(room: Room, key: str) -> bool:
    """Whether the case of this id was opened already."""
    try:
        room.store.case(key)
    except NoSuchCase:
        return False
    return True


@for_paired_or_401
async def taken_in(request: Request, who: Visitor) -> Response:
    """An answer about a unit; the last one opens the case."""
    fields = await form_of(request, who)
    key = key_of(fields)
    if not desk_of(request).access.form_fits(f"case {key}", fields.get("mark", "")):
        raise HTTPException(400, "This form is damaged. Load the page again.")
    link = link_of(fields)
    line, linked = fields.get("line", "")[:LONGEST_LINE], fields.get("linked", "")[:40]
    if link.action == "back":
        return to(f"/new/{named(request)}")
    chain = (*chain_of(fields.get("chain", "")), link)
    return await _intake_page(request, who, line, linked, chain, key)


# -- review ------------------------------------------------------------------------------


@for_paired
async def review(request: Request, who: Visitor) -> Response:
    """The review of the record, as the page that the command writes."""
    from faulttree.figures import review as reviewed
    from faulttree.figures.render.html import page as drawn

    desk = desk_of(request)
    shelf = desk.settings.library

    def work(room: Room) -> str:
        examined = (shelf.examine(name).tree for name in shelf.trees())
        trees = [tree for tree in examined if tree is not None]
        return drawn(reviewed(room.store, trees, library=shelf))

    text = await desk.workers.slow.do(work)
    return Response(apart(desk, text, "/"), media_type="text/html")


# -- devices -----------------------------------------------------------------------------


async def pair_page(request: Request) -> Response:
    """Where a device is paired."""
    return _pair(request)


def _pair(request: Request, error: FaulttreeError | None = None) -> Response:
    desk = desk_of(request)
    fingerprint = desk.settings.fingerprint
    status = 403 if error else 200
    return page(
        request, "pair", visitor(request), status=status, error=error, fingerprint=fingerprint
    )


async def paired(request: Request) -> Response:
    """A code was typed: the token of the new device goes into its cookie, once."""
    from urllib.parse import parse_qs

    desk = desk_of(request)
    body = (await request.body()).decode("utf-8", "replace")
    try:
        fields = {name: values[0] for name, values in parse_qs(body, max_num_fields=9).items()}
    except ValueError:
        raise HTTPException(400, "This form has too many fields.") from None
    try:
        token = desk.access.pair(
            fields.get("code", "")[:40], fields.get("name", ""), fields.get("person", "")
        )
    except FaulttreeError as error:
        return _pair(request, error)
    desk.settings.tell("a device was paired")
    return with_cookie(to("/"), desk, token)


async def devices(request: Request) -> Response:
    """The paired devices; only for whoever sits at the server itself."""
    who = visitor(request)
    if who is None or not is_local(request):
        raise HTTPException(403, "Look at the devices on the computer of the server.")
    known = sorted(desk_of(request).access.devices.values(), key=lambda one: -one.seen)
    return page(request, "devices", who, devices=known, code="", scheme=desk_of(request).settings)


async def devices_changed(request: Request) -> Response:
    """A device is forgotten, or a code is made for another one."""
    who = visitor(request)
    if who is None or not is_local(request):
        raise HTTPException(403, "Change the devices on the computer of the server.")
    desk = desk_of(request)
    fields = await form_of(request, who)
    if fields.get("action") == "new code":
        code = desk.access.new_code()
        known = sorted(desk.access.devices.values(), key=lambda one: -one.seen)
        return page(request, "devices", who, devices=known, code=code, scheme=desk.settings)
    desk.access.revoke(fields.get("device", ""))
    return to("/devices")


async def part(request: Request) -> Response:
    """A style or picture that was taken out of a page."""
    known = desk_of(request).styles.get(request.path_params["name"])
    if known is None or visitor(request) is None:
        raise HTTPException(404, "There is no such page.")
    return Response(known[1], media_type=known[0])


ROUTES = [
    Route("/", cases),
    Route("/find", found),
    Route("/library", library),
    Route("/tree/{family}/{name}", tree_page),
    Route("/tree/{family}/{name}/picture.svg", tree_picture),
    Route("/new/{family}/{name}", new),
    Route("/new/{family}/{name}", taken_in, methods=["POST"]),
    Route("/review", review),
    Route("/pair", pair_page),
    Route("/pair", paired, methods=["POST"]),
    Route("/devices", devices),
    Route("/devices", devices_changed, methods=["POST"]),
    Route("/part/{name}", part),
]
