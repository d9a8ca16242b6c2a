"""Photos of a case: taken with the camera of a device or chosen there, shown, downloaded.

A picture comes as the body of a form and never by a path. What is given out is what the record
made of it; its name and type are the server's own.
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from faulttree.cases.photos.case_photos import shown, standing
from faulttree.cases.photos.picture import PhotoError, ending, media_type, picture, thumbnail
from faulttree.page.answers import desk_of, for_paired, for_paired_or_401, page, to
from faulttree.page.case_routes import key_of
from faulttree.page.workers import BusyError

if TYPE_CHECKING:
    from starlette.requests import Request

    from faulttree.page.answers import Visitor
    from faulttree.page.desk import Desk
    from faulttree.page.sitting import Room

__all__ = ["ROUTES"]

FORM = "multipart/form-data"
FILES = ("camera", "file")
"""Fields of the form: a photo taken now, or a picture that the device has."""

MOST_FIELDS = 10
LONGEST_WORDS = 2000
MOST_UPLOADS = 6
"""Photos that may arrive at once: each can need some hundred megabytes until it is kept."""


@for_paired
async def show(request: Request, who: Visitor) -> Response:
    """The photos of a case, and the form for a new one."""
    return await photo_page(request, who)


async def photo_page(
    request: Request, who: Visitor, *, refused: PhotoError | None = None, words: str = ""
) -> Response:
    """The same, with why a photo was not taken."""
    desk, case = desk_of(request), request.path_params["case"]

    def work(room: Room) -> tuple[Any, list[Any]]:
        row, position = room.position(case)
        return row, standing(position.events)

    row, photos = await desk.workers.of_case(case).do(work)
    return page(
        request,
        "photos",
        who,
        status=422 if refused else 200,
        case=row,
        photos=photos,
        refused=refused,
        words=words,
        key=secrets.token_hex(12),
    )


@for_paired_or_401
async def upload(request: Request, who: Visitor) -> Response:
    """Keep a photo that was sent; the same one sent again is kept once."""
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
        raise HTTPException(415, "Send a form with a photo.")
    desk, case = desk_of(request), request.path_params["case"]
    if desk.uploads >= MOST_UPLOADS:
        raise BusyError
    desk.uploads += 1
    try:
        return await taken(request, who, desk, case)
    finally:
        desk.uploads -= 1


async def taken(request: Request, who: Visitor, desk: Desk, case: str) -> Response:
    """Keep the photo of a form, and go on to the case; or tell why it is not taken."""
    async with request.form(max_files=len(FILES), max_fields=MOST_FIELDS) as form:
        fields = {name: value for name, value in form.items() if isinstance(value, str)}
        data = await sent(form)
    if not desk.access.form_fits(who.token, fields.get("csrf", "")):
        raise HTTPException(403, "This form is not of this device. Load the page again.")
    key, words = key_of(fields), fields.get("words", "").strip()[:LONGEST_WORDS]
    try:
        # Decoding takes long, so it is done beside the threads that answers wait for.
        whole = desk.settings.keep_originals
        photo = await desk.workers.slow.do(lambda room: picture(data, keep_original=whole))
        await desk.workers.of_case(case).do(
            lambda room: room.photo(case, photo, words, key, who.device)
        )
    except PhotoError as error:
        return await photo_page(request, who, refused=error, words=words)
    return to(f"/case/{case}")


async def sent(form: FormData) -> bytes:
    """The bytes of the file in a form; empty where none was chosen."""
    for name in FILES:
        file = form.get(name)
        if isinstance(file, UploadFile) and (data := await file.read()):
            return data
    return b""


@for_paired
async def download(request: Request, who: Visitor) -> Response:
    """A photo as a file to be saved."""
    return await given(request, small=False)


@for_paired
async def small(request: Request, who: Visitor) -> Response:
    """A photo for the list of photos."""
    return await given(request, small=True)


async def given(request: Request, *, small: bool) -> Response:
    """A photo of a case, as an attachment under a name of the server."""
    desk, case, name = desk_of(request), request.path_params["case"], request.path_params["name"]

    def work(room: Room) -> bytes:
        data = shown(room.store, room.position(case)[1].events, name)
        return thumbnail(data) if small else data

    try:
        data = await desk.workers.slow.do(work)
    except PhotoError as error:
        raise HTTPException(404, error.message) from None
    file = f"photo-{name[:12]}{ending(data)}"
    headers = {"content-disposition": f'attachment; filename="{file}"'}
    return Response(data, media_type=media_type(data), headers=headers)


ROUTES = [
    Route("/case/{case}/photo", show),
    Route("/case/{case}/photo", upload, methods=["POST"]),
    Route("/case/{case}/photo/{name}", download),
    Route("/case/{case}/photo/{name}/small", small),
]
