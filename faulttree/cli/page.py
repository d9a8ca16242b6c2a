"""``faulttree page``: the walk in a browser, on this machine or on the workshop's network."""

from __future__ import annotations

import datetime as dt
import os
import socket
import sys
import threading
import webbrowser
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from faulttree.cli.options import library_option, now, record_option, say
from faulttree.cli.places import beside, open_library, open_record, read_bench_file
from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.page import Access
    from faulttree.reading import Bench
    from faulttree.tree import Library

PORT = 8321
LOOPBACK = "127.0.0.1"
LOCAL_NAMES = (LOOPBACK, "localhost")


@click.command(epilog="Example: faulttree page\n\nExample: faulttree page --lan 192.168.1.20 --tls")
@click.option(
    "--lan",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[ADDRESS]",
    help="Serve paired devices on the network of this address too. [default: the machine's own]",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=PORT,
    show_default=True,
    help="Port to listen on; 0 takes a free one.",
)
@click.option("--tls", is_flag=True, help="Encrypt, with a certificate made here.")
@click.option("--certificate", metavar="FILE", help="Certificate for TLS, PEM.")
@click.option("--key", metavar="FILE", help="Its private key, PEM.")
@click.option("--name", "names", multiple=True, help="Another host name of this server.")
@click.option("--who", default="", help="Who works at this machine: bench or initials.")
@click.option("--bench", metavar="FILE", help="The instruments here. [default: bench.yaml]")
@click.option("--devices", is_flag=True, help="List the paired devices, and end.")
@click.option("--forget", metavar="ID", help="Forget a paired device, and end.")
@click.option(
    "--keep-originals",
    is_flag=True,
    help="Also keep the original photo files. They can contain the place.",
)
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@click.option("--even-unchecked", is_flag=True, help="Walk trees that have errors.")
@record_option
@library_option
def command(
    lan: str | None,
    port: int,
    tls: bool,
    certificate: str | None,
    key: str | None,
    names: tuple[str, ...],
    who: str,
    bench: str | None,
    devices: bool,
    forget: str | None,
    keep_originals: bool,
    no_browser: bool,
    even_unchecked: bool,
    record: str | None,
    library: tuple[str, ...],
) -> int:
    """Serve cases, walks and trees to a browser: same prompts, same record as 'diagnose'.

    Only this machine can reach it, unless --lan names a network; each device there is paired by a
    one-time code that this terminal shows. Ctrl-C ends it; every answer is recorded.
    """
    access = _access()
    if devices:
        return _listed(access)
    if forget is not None:
        return _forgotten(access, forget)
    found = open_library(library)
    gear = read_bench_file(bench, found)
    in_bench = beside(Path(bench), gear.record) if bench and gear else None
    opened = partial(_store, record, library, in_bench)
    opened().close()  # What is wrong with the record is said before a browser opens.
    address = None if lan is None else lan or _own_address()
    place = Place(address, port, tls or bool(certificate), names)
    at = _certificate(place, certificate, key)
    work = Work(access, found, gear, opened, who, even_unchecked, keep_originals)
    _serve(place, at, work, browse=not no_browser)
    return 0


@dataclass(frozen=True, slots=True)
class Place:
    """Where the server listens."""

    lan: str | None
    port: int
    tls: bool
    names: tuple[str, ...]

    @property
    def scheme(self) -> str:
        """Of its addresses."""
        return "https" if self.tls else "http"

    @property
    def hosts(self) -> tuple[str, ...]:
        """What it may be called, without the port."""
        return (*LOCAL_NAMES, *([self.lan] if self.lan else []), *self.names)


@dataclass(frozen=True, slots=True)
class Work:
    """What the server works on."""

    access: Access
    library: Library
    gear: Bench | None
    opened: partial[Store]
    who: str
    even_unchecked: bool
    keep_originals: bool


def _store(record: str | None, library: tuple[str, ...], in_bench: str | None) -> Store:
    """The record, for one thread; an answer is never held up by waiting for a server."""
    store = open_record(record, library=library, in_bench=in_bench)
    store.wait = None
    return store


def _access() -> Access:
    import time

    from faulttree.cases.backends.urls import data_folder
    from faulttree.page import Access

    return Access(data_folder(os.environ) / "page-devices.json", time.time)


def _listed(access: Access) -> int:
    if not access.devices:
        say("No device is paired.", to_people=True)
    for one in access.devices.values():
        seen = dt.datetime.fromtimestamp(one.seen, dt.UTC).isoformat(timespec="minutes")
        say("  ".join(filter(None, [one.id, one.name, one.person, f"last used {seen}"])))
    return 0


def _forgotten(access: Access, name: str) -> int:
    if access.revoke(name):
        say(f"The device {name} must be paired again.", to_people=True)
        return 0
    say(f"There is no paired device {name}; --devices lists them.", to_people=True)
    return 1


def _own_address() -> str:
    """The address of this machine on its network; nothing is sent to find it out.

    Raises:
        FaulttreeError: it has none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # Set aside for documentation by RFC 5737.
            address = str(asked.getsockname()[0])
        except OSError:
            address = LOOPBACK
    if address.startswith("127."):
        raise FaulttreeError(
            "this machine has no address on a network", remedy="Name it: --lan 192.168.1.20."
        )
    return address


def _certificate(
    place: Place, certificate: str | None, key: str | None
) -> tuple[Path, Path] | None:
    if not place.tls:
        return None
    if certificate:
        return Path(certificate), Path(key or certificate)
    from faulttree.cases.backends.urls import data_folder
    from faulttree.page.certificate import own_certificate

    return own_certificate(data_folder(os.environ), frozenset(place.hosts), dt.datetime.now(dt.UTC))


def _serve(
    place: Place, certificate: tuple[Path, Path] | None, work: Work, *, browse: bool
) -> None:
    from faulttree.page import Settings, application, serve
    from faulttree.page.certificate import fingerprint_of
    from faulttree.page.server import listening

    sockets = [listening(LOOPBACK, place.port)]
    port = sockets[0].getsockname()[1]
    if place.lan is not None:
        sockets.append(listening(place.lan, port))
    settings = Settings(
        open_store=work.opened,
        library=work.library,
        bench=work.gear,
        now=now,
        hosts=frozenset(_with_port(name, port, place.scheme) for name in place.hosts),
        scheme=place.scheme,
        person=work.who,
        even_unchecked=work.even_unchecked,
        keep_originals=work.keep_originals,
        fingerprint=fingerprint_of(certificate[0]) if certificate else "",
        tell=lambda text: say(f"faulttree: {text}", to_people=True),
        ring=_ring,
    )
    here = f"{place.scheme}://{LOOPBACK}:{port}/"
    say(f"Cases are at {here}. Ctrl-C ends the server.")
    if place.lan is not None:
        _tell_network(place, port, settings.fingerprint, work.access)
    if browse:
        webbrowser.open(here)
    serve(application(settings, work.access), sockets, certificate=certificate)


def _with_port(name: str, port: int, scheme: str) -> str:
    """What the header Host says: the usual port of the scheme is left out."""
    shown = f"[{name}]" if ":" in name else name
    return (
        shown.lower() if port == (443 if scheme == "https" else 80) else f"{shown}:{port}".lower()
    )


def _ring(what: str) -> None:
    click.echo("\a", nl=False, err=True)
    say(f"The wait of '{what}' is over.", to_people=True)


def _tell_network(place: Place, port: int, fingerprint: str, access: Access) -> None:
    """How a device is paired, and what the network can see."""
    import segno

    address = f"{place.scheme}://{_with_port(str(place.lan), port, place.scheme)}/pair"
    say(f"Devices on the network open {address}")
    segno.make(address).terminal(out=sys.stdout, compact=True)
    if fingerprint:
        say(f"Fingerprint of the certificate (SHA-256): {fingerprint}")
    else:
        warning = "NOT ENCRYPTED: others on this network can read what is shown and sent. "
        say(warning + "--tls encrypts it.", to_people=True)
    _tell_code(access)
    if sys.stdin.isatty():
        threading.Thread(target=_codes, args=(access,), daemon=True).start()


def _tell_code(access: Access) -> None:
    code = access.new_code()
    text = f"Code for one device, good for ten minutes: {code[:4]} {code[4:]}"
    say(f"{text}. Enter shows another.")


def _codes(access: Access) -> None:
    """A new code at each Enter, as long as somebody sits here."""
    for _ in sys.stdin:
        _tell_code(access)
