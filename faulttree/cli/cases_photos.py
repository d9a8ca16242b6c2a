"""``faulttree cases photos``: the photos of a case as files, and how many a case may have."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from faulttree.cli.cases_common import common
from faulttree.cli.options import say, say_json
from faulttree.cli.places import RecordOptions
from faulttree.texts import counted

if TYPE_CHECKING:
    from faulttree.cases import Case, Store


@click.command(
    "photos",
    short_help="Write the photos of a case to files.",
    epilog="Example: faulttree cases photos 14 -o case-14",
)
@click.argument("case", required=False)
@click.option("-o", "--output", type=click.Path(file_okay=False), help="Folder to write to.")
@click.option("--originals", is_flag=True, help="Write the files that the camera made, too.")
@click.option(
    "--per-case", metavar="MB", type=click.IntRange(0), help="Photos that a case may have, in MB."
)
@common
def photos(
    case: str | None,
    output: str | None,
    originals: bool,
    per_case: int | None,
    options: RecordOptions,
) -> int:
    """List the photos of CASE, or write them to files.

    --per-case sets how many MB of photos one case may have, for every bench of this record.
    Exits 1 when a picture is not in the record.
    """
    from faulttree.cases.photos.case_photos import megabytes_of, set_megabytes

    if case is None and (output or originals or per_case is None):
        raise click.UsageError("name a case, or set --per-case")
    found: list[dict[str, Any]] = []
    with options.store(read_only=per_case is None) as store:
        if per_case is not None:
            store.write(lambda connection: set_megabytes(connection, per_case))
        most = store.read(megabytes_of)
        if case is not None:
            found = listed(store, store.find(case), Path(output) if output else None, originals)
    if options.as_json:
        say_json({"per_case": most, "photos": found})
    else:
        for photo in found:
            size = f"{photo['width']} × {photo['height']}" if photo["kept"] else "not here"
            say(
                "  ".join(filter(None, (photo["sha256"][:12], size, photo["words"], photo["file"])))
            )
        many = counted(len(found), "photo") if found else "No photo"
        say(f"{many}. A case may have {most} MB of photos.", to_people=True)
    return 0 if all(photo["kept"] for photo in found) else 1


def listed(store: Store, case: Case, folder: Path | None, originals: bool) -> list[dict[str, Any]]:
    """The photos of a case as plain data; written to files where a folder is named."""
    from faulttree.cases.photos.case_photos import standing

    found = []
    for number, photo in enumerate(standing(store.events(case.id)), 1):
        data = store.photo(photo.sha256)
        original = store.photo(photo.original, original=True) if originals else None
        name = f"case-{case.number}-photo-{number}"
        written = write(folder, name, data) if folder and data is not None else ""
        if folder and original is not None:
            write(folder, f"{name}-original", original)
        kept = {name: value for name, value in photo.to_dict().items() if name != "kind"}
        found.append({"words": "", **kept, "kept": data is not None, "file": written})
    return found


def write(folder: Path, name: str, data: bytes) -> str:
    """Write a picture to a new file of that name; gives the path.

    Raises:
        RecordError: there is a file of that name, or it cannot be written.
    """
    from faulttree.cases.photos.picture import ending
    from faulttree.errors import RecordError

    path = folder / f"{name}{ending(data)}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with os.fdopen(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
            file.write(data)
    except OSError as error:
        raise RecordError(
            f"the photo cannot be written: {error.strerror}",
            path=path,
            remedy="Name an empty folder that may be written in.",
        ) from None
    return str(path)
