"""Who may use the page: devices that were paired by a one-time code, and their tokens.

A device holds a token of 256 random bits in a cookie. The server keeps its SHA-256 alone, so a
copy of the file opens nothing. A code is short because it lives minutes and allows few tries.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from threading import Lock

from faulttree.errors import FaulttreeError
from faulttree.texts import one_line

__all__ = ["Access", "AccessError", "Device"]

LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
"""Of a code: none that is taken for another (I and 1, O and 0)."""

CODE_LENGTH = 8
CODE_SECONDS = 600.0
TRIES = 5
IDLE_SECONDS = 12 * 3600.0
"""A device that was not used for so long must be paired again."""

NOTED_SECONDS = 60.0
"""How often at most the file is written because a device was used."""

LONGEST_NAME = 40
MOST_DEVICES = 200


class AccessError(FaulttreeError):
    """A device may not use the page."""


@dataclass(frozen=True, slots=True)
class Device:
    """A device that may use the page.

    Attributes:
        id: what it is called in the list of devices.
        name: as its user called it.
        person: who works with it; kept in each event that it brings about.
        token: SHA-256 of its token, hexadecimal.
        paired: seconds since 1970.
        seen: when it was used last, seconds since 1970.
    """

    id: str
    name: str
    person: str = ""
    token: str = ""
    paired: float = 0.0
    seen: float = 0.0

    @property
    def label(self) -> str:
        """Its name, with its id: two devices may have one name."""
        return f"{self.name} ({self.id})" if self.id else self.name


class Access:
    """The devices of one server, in a file that only its user reads.

    Args:
        file: where they are kept; None keeps them in memory.
        clock: seconds since 1970.

    Raises:
        AccessError: the file cannot be read.
    """

    def __init__(self, file: Path | None, clock: Callable[[], float]) -> None:
        self.file, self.clock = file, clock
        self.lock = Lock()
        self.devices: dict[str, Device] = {}
        self.secret = secrets.token_bytes(32)
        self.code, self.code_until, self.tries = "", 0.0, 0
        if file is not None and file.exists():
            self._read(file)
        else:
            self._write()

    def _read(self, file: Path) -> None:
        try:
            data = json.loads(file.read_text(encoding="utf-8"))
            self.secret = bytes.fromhex(data["secret"])
            self.devices = {one["id"]: Device(**one) for one in data["devices"]}
        except (OSError, ValueError, KeyError, TypeError):
            raise AccessError(
                "the list of paired devices cannot be read",
                path=file,
                remedy="Remove the file; every device is then paired again.",
            ) from None

    def _write(self) -> None:
        if self.file is None:
            return
        told = {"secret": self.secret.hex(), "devices": [asdict(d) for d in self.devices.values()]}
        self.file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        new = self.file.with_name(f"{self.file.name}.new")
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
            json.dump(told, out)
            out.flush()
            os.fsync(out.fileno())
        new.replace(self.file)

    # Pairing ---------------------------------------------------------------------------

    def new_code(self) -> str:
        """A one-time code for one device; an earlier one that was not used ends."""
        with self.lock:
            self.code = "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))
            self.code_until, self.tries = self.clock() + CODE_SECONDS, 0
            return self.code

    def pair(self, code: str, name: str, person: str = "") -> str:
        """The token of a new device, once; the code is used up.

        Raises:
            AccessError: the code is wrong, old or used, or was tried too often.
        """
        typed = "".join(code.split()).replace("-", "").upper()
        name = one_line(name)[:LONGEST_NAME].strip() or "device"
        with self.lock:
            if not self.code or self.clock() > self.code_until:
                raise AccessError(
                    "no code is open now", remedy="Ask for a new code at the server's terminal."
                )
            if not hmac.compare_digest(typed.encode(), self.code.encode()):
                self.tries += 1
                if self.tries >= TRIES:
                    self.code = ""
                    raise AccessError(
                        "the code was tried too often and is locked",
                        remedy="Ask for a new code at the server's terminal.",
                    )
                raise AccessError(
                    "that is not the code", remedy="Type the code that the terminal shows."
                )
            self.code = ""
            token, now = secrets.token_urlsafe(32), self.clock()
            known = Device(self._free_id(), name, one_line(person)[:LONGEST_NAME].strip())
            known = replace(known, token=_hashed(token), paired=now, seen=now)
            while len(self.devices) >= MOST_DEVICES:
                self.devices.pop(min(self.devices.values(), key=lambda one: one.seen).id)
            self.devices[known.id] = known
            self._write()
            return token

    def _free_id(self) -> str:
        return next(
            one for one in iter(lambda: secrets.token_hex(2), "") if one not in self.devices
        )

    def revoke(self, name: str) -> bool:
        """Forget a device; False where there is none of that id."""
        with self.lock:
            gone = self.devices.pop(name, None)
            if gone is not None:
                self._write()
            return gone is not None

    # Asking ----------------------------------------------------------------------------

    def known(self, token: str) -> Device | None:
        """The device with this token, if it was used lately; None otherwise."""
        hashed, now = _hashed(token), self.clock()
        with self.lock:
            found = next(
                (d for d in self.devices.values() if hmac.compare_digest(d.token, hashed)), None
            )
            if found is None or now - found.seen > IDLE_SECONDS:
                return None
            if now - found.seen > NOTED_SECONDS:
                self.devices[found.id] = replace(found, seen=now)
                self._write()
            return found

    def form_token(self, token: str) -> str:
        """What every form of a device must carry, drawn from its token."""
        return hmac.new(self.secret, token.encode(), hashlib.sha256).hexdigest()

    def form_fits(self, token: str, given: str) -> bool:
        """Whether a form carries the token of this device."""
        return hmac.compare_digest(self.form_token(token).encode(), given.encode(errors="replace"))


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
