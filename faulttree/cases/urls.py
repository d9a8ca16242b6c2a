"""Which record is meant: a URL, a plain path, or the one in the user's data folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from urllib.parse import unquote, urlsplit, urlunsplit

from faulttree.errors import RecordError

__all__ = ["data_folder", "default_url", "is_sqlite", "shown", "sqlite_path", "without_secret"]

SQLITE = "sqlite:///"
POSTGRES = ("postgresql", "postgres")


def data_folder(environ: Mapping[str, str]) -> Path:
    """The folder of this user's own data: record, and answers waiting for a server."""
    if home := environ.get("XDG_DATA_HOME"):
        return Path(home) / "faulttree"
    import platformdirs

    return Path(platformdirs.user_data_path("faulttree", appauthor=False))


def default_url(environ: Mapping[str, str]) -> str:
    """The record used when none is named: ``$FAULTTREE_RECORD``, else a file of the user's."""
    named = environ.get("FAULTTREE_RECORD")
    return named or SQLITE + str(data_folder(environ) / "record.sqlite")


def is_sqlite(url: str) -> bool:
    """Whether a URL or path means an SQLite file."""
    return sqlite_path(url) is not None


def sqlite_path(url: str) -> Path | None:
    """The file a URL means; None for a server.

    A plain path is taken as a file, so that ``--record shop.sqlite`` does what it says.

    Raises:
        RecordError: a scheme that no store serves.
    """
    scheme, colon, rest = url.partition("://")
    if not colon:
        return Path(url).expanduser()
    if scheme.split("+")[0] in POSTGRES:
        return None
    if scheme.split("+")[0] != "sqlite":
        raise RecordError(
            f"no store serves a record of the kind {scheme!r}",
            mend="Write sqlite:///path/to/file, a plain path, or postgresql+psycopg://server/name.",
        )
    if not rest.startswith("/") or not rest[1:]:
        raise RecordError(
            f"the record {url!r} names no file",
            mend="Write sqlite:///name for a file here, sqlite:////full/path for any other.",
        )
    return Path(unquote(rest[1:].split("?")[0])).expanduser()


def server_url(url: str) -> str:
    """The URL with the driver this program brings."""
    scheme, _, rest = url.partition("://")
    return f"postgresql+psycopg://{rest}" if scheme in POSTGRES else url


def shown(url: str) -> str:
    """The record as it may be printed: a file's path, or the server's URL without password."""
    path = sqlite_path(url)
    if path is not None:
        return str(path)
    parts = urlsplit(url)
    user, at, host = parts.netloc.rpartition("@")
    name, colon, _ = user.partition(":")
    query = "" if "password" in parts.query.casefold() else parts.query
    netloc = f"{name}{':***' if colon else ''}{at}{host}"
    return urlunsplit((parts.scheme, netloc, parts.path, query, ""))


def without_secret(text: str, url: str) -> str:
    """A driver's message with the password of the URL struck out."""
    parts = urlsplit(url)
    secrets = {parts.password or "", unquote(parts.password or "")}
    secrets |= {
        value
        for pair in parts.query.split("&")
        for key, _, value in [pair.partition("=")]
        if key.casefold() in {"password", "sslpassword", "passfile"}
    }
    for secret in sorted(filter(None, secrets), key=len, reverse=True):
        text = text.replace(secret, "***")
    return text
