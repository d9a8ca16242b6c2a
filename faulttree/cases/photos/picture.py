"""A picture as the record keeps it: read with limits, scaled, encoded again without metadata."""

from __future__ import annotations

import os
import stat
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import IO, TYPE_CHECKING

from faulttree.errors import RecordError

if TYPE_CHECKING:
    from PIL.Image import Image

LONGEST_SIDE = 2560
"""Pixels of a kept picture on its longer side."""

MOST_BYTES = 50_000_000
"""Of a file that is taken; common practice, no source."""

MOST_PIXELS = 50_000_000
"""Of a picture that is decoded: at 6 bytes each about 300 MB of memory at most."""

QUALITY = 85
"""Of a kept JPEG; common practice, no source."""

FEW_COLOURS = 256
"""A picture of so few colours is a drawing or a screen; PNG keeps it sharp, and often smaller."""

TAKEN = ("JPEG", "PNG", "WEBP", "BMP")
KEPT = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png"}
"""How the bytes of a kept picture begin (ISO/IEC 10918-1, ISO/IEC 15948) → its media type."""

PLAIN = {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi"}
"""What Pillow tells of a picture that it wrote without metadata."""

PIECE = 1 << 16
REMEDY = "Give the file of a photo: JPEG, PNG, WebP or BMP."
ONE_AT_A_TIME = threading.Lock()
"""Several large pictures decoded at once could use up the memory of a small computer."""


class PhotoError(RecordError):
    """A file is not taken as a photo, or a case has no such photo; the record is as it was."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture ready to be kept.

    Attributes:
        data: the bytes of the JPEG or PNG file.
        width: pixels.
        height: pixels.
        original: the bytes it was made from, where they are to be kept too.
    """

    data: bytes
    width: int
    height: int
    original: bytes = b""

    @property
    def sha256(self) -> str:
        """The content hash it is kept by: SHA-256 of ``data``, hexadecimal."""
        return sha256(self.data).hexdigest()

    @property
    def media_type(self) -> str:
        """``image/jpeg`` or ``image/png``."""
        return media_type(self.data)


def picture_file(path: Path, *, keep_original: bool = False) -> Picture:
    """The picture in a file, as the record keeps it.

    Args:
        path: a regular file; a pipe, a device or a folder is refused.
        keep_original: keep the bytes of the file as well.

    Raises:
        PhotoError: the file is missing, too large, or no picture that is taken.
    """
    try:
        # A pipe without a writer must not block the program.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | BINARY)
        try:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise PhotoError("this is not a file", path=path, remedy=REMEDY)
            with open(handle, "rb", closefd=False) as file:
                data = read_limited(file)
        finally:
            os.close(handle)
        return picture(data, keep_original=keep_original)
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise PhotoError(f"the photo cannot be read: {said}", path=path, remedy=REMEDY) from None
    except PhotoError as error:
        raise PhotoError(error.message, path=path, remedy=error.remedy) from None


BINARY = getattr(os, "O_BINARY", 0)


def read_limited(file: IO[bytes], most: int = MOST_BYTES) -> bytes:
    """All bytes of a file, read in pieces, so that no more than the limit is ever held.

    Raises:
        PhotoError: there are more than ``most``.
        OSError: the file cannot be read.
    """
    pieces, size = [], 0
    while piece := file.read(PIECE):
        size += len(piece)
        if size > most:
            raise too_large(most)
        pieces.append(piece)
    return b"".join(pieces)


def too_large(most: int = MOST_BYTES) -> PhotoError:
    """The error for a file of too many bytes."""
    return PhotoError(
        f"the photo is too large: more than {most // 1_000_000} MB",
        remedy="Take it again with a lower resolution.",
    )


def picture(data: bytes, *, keep_original: bool = False) -> Picture:
    """The picture in the bytes of a file, as the record keeps it.

    The type is found by content. The picture is turned upright, scaled down to at most
    :data:`LONGEST_SIDE`, and encoded again as JPEG, or as PNG where it has few colours and PNG
    is not larger. Nothing else of the file is kept: no place, no camera, no comment, no colour
    profile. The same bytes give the same picture.

    Args:
        data: the whole file.
        keep_original: keep the bytes of the file as well.

    Raises:
        PhotoError: it is empty, no picture that is taken, damaged, or has too many pixels.

    Example:
        >>> from PIL import Image
        >>> file = BytesIO()
        >>> Image.new("RGB", (5120, 100)).save(file, "BMP")
        >>> small = picture(file.getvalue())
        >>> (small.width, small.height, small.media_type)
        (2560, 50, 'image/png')
    """
    with alone():
        clean = without_metadata(decoded(data))
        small = encoded(clean)
    return Picture(small, *clean.size, data if keep_original else b"")


@contextmanager
def alone() -> Iterator[None]:
    """Decode one picture at a time; what a decoder warns of does not matter for the pixels."""
    with ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def opened(data: bytes, kinds: tuple[str, ...] = TAKEN) -> Image:
    """A picture of which only the beginning was read.

    Raises:
        PhotoError: it is empty or no picture of these kinds.
    """
    from PIL import Image, UnidentifiedImageError

    if not data:
        raise PhotoError("the photo is empty", remedy=REMEDY)
    try:
        return Image.open(BytesIO(data), formats=kinds)
    except UnidentifiedImageError:
        raise PhotoError("this is not a picture of a kind that is taken", remedy=REMEDY) from None
    except Image.DecompressionBombError:
        raise too_many_pixels() from None
    except Exception:  # decoders of damaged files raise errors of every kind
        raise PhotoError("the picture is damaged", remedy=REMEDY) from None


def decoded(data: bytes, longest: int = LONGEST_SIDE) -> Image:
    """The pixels of a picture, upright and scaled down to this many on the longer side.

    Raises:
        PhotoError: it is no picture that is taken, damaged, or has too many pixels.
    """
    from PIL import ImageOps

    image = opened(data)
    if image.width * image.height > MOST_PIXELS:
        raise too_many_pixels()
    try:
        # A large JPEG is decoded at a half, a quarter or an eighth of its size at once.
        image.draft(None, (longest, longest))
        image.load()
        if max(image.size) > longest:
            image = scalable(image)
            image.thumbnail((longest, longest))
    except Exception:
        raise PhotoError(
            "the picture is damaged or not complete", remedy="Copy it from the camera again."
        ) from None
    try:
        return ImageOps.exif_transpose(image)
    except Exception:  # which side is up is not worth losing a picture for
        return image


def too_many_pixels() -> PhotoError:
    """The error for a picture that would take too much memory."""
    return PhotoError(
        f"the picture has too many pixels: more than {MOST_PIXELS // 1_000_000} million",
        remedy="Take it again with a lower resolution.",
    )


def scalable(image: Image) -> Image:
    """The same picture in a mode in which pixels can be averaged; its metadata stay for now."""
    if image.mode not in ("P", "1"):
        return image
    more = image.convert("RGBA" if "transparency" in image.info else "RGB")
    more.info = image.info
    return more


def without_metadata(image: Image) -> Image:
    """A new picture with the same pixels and nothing else; what is transparent becomes white."""
    from PIL import Image

    if image.mode.startswith("I"):
        # 16 bits of grey, as from an instrument's camera; kept are the upper 8.
        image = image.convert("I").point(lambda value: value / 256).convert("L")
    if image.mode == "1":
        image = image.convert("L")
    see_through = "A" in image.getbands() or "transparency" in image.info
    clean = Image.new("L" if image.mode == "L" and not see_through else "RGB", image.size, "white")
    if see_through:
        layer = image.convert("RGBA")
        clean.paste(layer, mask=layer.getchannel("A"))
    else:
        clean.paste(image.convert(clean.mode))
    return clean


def encoded(image: Image) -> bytes:
    """The bytes of a JPEG, or of a PNG where few colours make it the better one."""
    file = BytesIO()
    image.save(file, "JPEG", quality=QUALITY, optimize=True)
    if image.getcolors(FEW_COLOURS) is None:
        return file.getvalue()
    drawing = BytesIO()
    image.save(drawing, "PNG", optimize=True)
    return min(drawing.getvalue(), file.getvalue(), key=len)


def media_type(data: bytes) -> str:
    """The media type of a kept picture by its first bytes; empty where it is none."""
    return next((kind for begin, kind in KEPT.items() if data.startswith(begin)), "")


def ending(data: bytes) -> str:
    """How the name of a file with these bytes ends; empty for a kind that is not kept."""
    return {"image/jpeg": ".jpg", "image/png": ".png"}.get(media_type(data), "")


def checked(data: bytes) -> bytes:
    """Bytes from another record, if they are a picture as a record keeps it.

    Raises:
        PhotoError: they are not: another kind of file, too large, or with metadata.
    """
    with alone():
        image = opened(data, ("JPEG", "PNG"))
    if not media_type(data) or len(data) > MOST_BYTES or max(image.size) > LONGEST_SIDE:
        raise PhotoError("the photo is not of the size and kind that a record keeps")
    if image.info.keys() - PLAIN:
        raise PhotoError("the photo holds more than a picture, such as the place of its camera")
    return data


def thumbnail(data: bytes, longest: int = 320) -> bytes:
    """A small JPEG of a kept picture, for a list.

    Args:
        data: the kept picture.
        longest: pixels on the longer side.

    Raises:
        PhotoError: the picture is damaged.
    """
    with alone():
        file = BytesIO()
        decoded(data, longest).save(file, "JPEG", quality=QUALITY)
    return file.getvalue()
