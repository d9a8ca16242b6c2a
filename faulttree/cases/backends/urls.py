"""Which record is meant: a URL, a plain path, or the one in the user's data folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote, unquote

from faulttree.errors import RecordError

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
            remedy="Write sqlite:///path/to/file, a plain path, or postgresql+psycopg://server/name.",
        )
    if not rest.startswith("/") or rest[1:] in {"", ":memory:"}:
        raise RecordError(
            f"the record {url!r} names no file",
            remedy="Write sqlite:///name for a file here, sqlite:////full/path for any other.",
        )
    return Path(unquote(rest[1:].split("?")[0])).expanduser()


@dataclass(frozen=True, slots=True)
class ServerUrl:
    """A server's URL in parts: all that may hold a password stands alone.

    ``userinfo`` reaches to the last ``@``, so that no sign of a password that was not encoded
    is taken for the server's name.
    """

    scheme: str
    user: str
    password: str | None
    place: str
    query: str
    plain: bool
    """Whether every driver understands it as written."""

    def text(self, password: str) -> str:
        """The URL with this in the place of ``:password``; without a query that has secrets."""
        secret = any(map(is_secret, self.query.split("&")))
        query = f"?{self.query}" if self.query and not secret else ""
        user = f"{self.user}{password if self.password is not None else ''}"
        return f"{self.scheme}://{user}{'@' if user else ''}{self.place}{query}"


SECRETS = frozenset({"password", "sslpassword"})


def is_secret(pair: str) -> bool:
    """Whether ``key=value`` of a query tells a secret."""
    return unquote(pair.partition("=")[0]).casefold() in SECRETS


def parts_of(url: str) -> ServerUrl:
    """The parts of a server's URL."""
    scheme, _, rest = url.partition("://")
    head, _, query = rest.partition("?")
    before, at, after = head.rpartition("@")
    if "@" in query and ":" in head and not at:
        # The question mark is a sign of the password.
        before, at, after = rest.rpartition("@")
        after, _, query = after.partition("?")
    user, colon, password = before.partition(":")
    plain = not at or not set(password) & set("@/?#")
    return ServerUrl(scheme, user, password if colon else None, after, query, plain)


def server_url(url: str) -> str:
    """The URL with the driver this program brings, its password encoded.

    Raises:
        RecordError: a password cannot be told from the rest of the URL.
    """
    parts = parts_of(url)
    scheme = "postgresql+psycopg" if parts.scheme in POSTGRES else parts.scheme
    if not parts.plain and "@" in parts.place.partition("/")[2]:
        raise RecordError(
            f"the URL of the record {shown(url)} can be understood in several ways",
            remedy="Write %40 for @, %2F for /, %3F for ? and %23 for # in the password.",
        )
    secret = "" if parts.password is None else f":{quote(unquote(parts.password), safe='')}"
    user = f"{parts.user}{secret}"
    query = f"?{parts.query}" if parts.query else ""
    return f"{scheme}://{user}{'@' if user else ''}{parts.place}{query}"


def shown(url: str) -> str:
    """The record as it may be printed: a file's path, or the server's URL without password."""
    path = sqlite_path(url)
    return str(path) if path is not None else parts_of(url).text(":***")


def to_type_again(url: str) -> str:
    """The record as it may be put into a command to copy: a server's URL without its password.

    Others on the computer can read what a command was started with.
    """
    return url if is_sqlite(url) else parts_of(url).text("")


def has_secret(url: str) -> bool:
    """Whether a record's URL holds a password."""
    if is_sqlite(url):
        return False
    parts = parts_of(url)
    return bool(parts.password) or any(map(is_secret, parts.query.split("&")))


def without_secret(text: str, url: str) -> str:
    """A driver's message with the password of the URL struck out."""
    parts = parts_of(url)
    secrets = {parts.password or "", unquote(parts.password or "")}
    secrets |= {pair.partition("=")[2] for pair in parts.query.split("&") if is_secret(pair)}
    secrets |= {quote(secret, safe="") for secret in secrets}
    for secret in sorted(filter(None, secrets), key=len, reverse=True):
        text = text.replace(secret, "***")
    return text
