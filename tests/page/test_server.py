"""The server on a real socket: odd requests, slow clients, many devices, being killed."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random

import httpx
import pytest

from faulttree.cases import open_store
from faulttree.page import answers, connections, guard
from faulttree.walk import events as ev
from tests.page.live import NOW, Live, live
from tests.page.support import Forms
from tests.session.samples import lamp


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with pytest.MonkeyPatch.context() as quick:
        quick.setattr(connections, "HEADER_SECONDS", 0.3)
        quick.setattr(guard, "BODY_SECONDS", 0.3)
        with live(tmp_path_factory.mktemp("live")) as server:
            yield server


def opened(here: Live) -> str:
    tree = lamp()
    first = ev.Opened(at=NOW, tree=tree.id, tree_hash=tree.hash)
    return here.store.open_case([first], tree_text=tree.text)


def raw(here: Live, request: str) -> bytes:
    """What the server answers to these very bytes until it closes or falls silent."""
    with socket.create_connection(("127.0.0.1", here.port), timeout=5) as wire:
        wire.sendall(request.encode("latin-1"))
        got = b""
        with contextlib.suppress(TimeoutError, ConnectionResetError):
            while part := wire.recv(65536):
                got += part
        return got


def status(answer: bytes) -> int:
    return int(answer.split()[1])


# RFC 9112, sections 3.2 and 6.3, tells how hosts, targets and lengths are read.
@pytest.mark.parametrize(
    ("request_text", "wanted"),
    [
        ("GET / HTTP/1.1\r\nHost: evil\r\nConnection: close\r\n\r\n", (421,)),
        ("GET / HTTP/1.1\r\nHost: HOST\r\nHost: evil\r\nConnection: close\r\n\r\n", (400, 421)),
        ("GET / HTTP/1.1\r\nConnection: close\r\n\r\n", (400, 421)),
        ("GET / HTTP/1.0\r\n\r\n", (421,)),
        ("GET http://evil/ HTTP/1.1\r\nHost: HOST\r\nConnection: close\r\n\r\n", (400,)),
        ("POST /pair HTTP/1.1\r\nHost: HOST\r\nContent-Length: 3\r\n"
         "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET / HTTP/1.1\r\n\r\n", (400,)),
        ("POST /pair HTTP/1.1\r\nHost: HOST\r\nContent-Length: 3\r\nContent-Length: 4\r\n\r\n",
         (400,)),
        ("GET / HTTP/1.1\r\nHost: HOST\r\nCookie: " + "a" * 40_000 + "\r\n\r\n", (400, 431)),
        ("TRACE / HTTP/1.1\r\nHost: HOST\r\nConnection: close\r\n\r\n", (405,)),
    ],
)  # fmt: skip
def test_an_odd_request_gets_no_page(
    here: Live, request_text: str, wanted: tuple[int, ...]
) -> None:
    answer = raw(here, request_text.replace("HOST", f"127.0.0.1:{here.port}"))
    assert status(answer) in wanted
    assert b"<main" not in answer
    assert answer.count(b"HTTP/1.1 2") == 0


def test_a_client_that_never_ends_its_headers_is_closed(here: Live) -> None:
    with socket.create_connection(("127.0.0.1", here.port), timeout=20) as wire:
        wire.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert wire.recv(10) == b""


def test_one_address_cannot_keep_all_others_out(here: Live) -> None:
    away = ("127.0.0.2", 0)  # Not the address of the server itself, as seen from it.
    with contextlib.ExitStack() as held:
        for _ in range(connections.EACH_ADDRESS + 8):
            wire = socket.create_connection(("127.0.0.1", here.port), 20, source_address=away)
            held.enter_context(wire)
        assert wire.recv(10) == b""
        ask = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{here.port}\r\nConnection: close\r\n\r\n"
        assert status(raw(here, ask)) == 200


def test_a_body_that_drips_is_ended(here: Live, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "FORM_SECONDS", 0.2)
    host = f"127.0.0.1:{here.port}"
    case = opened(here)
    head = f"POST /case/{case}/reply HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
    kind = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 60000\r\n\r\n"
    with socket.create_connection(("127.0.0.1", here.port), timeout=20) as wire:
        wire.sendall((head + kind + "a").encode())
        assert status(wire.recv(1000)) == 408


def test_the_head_of_a_stream_is_no_stream(here: Live) -> None:
    case = opened(here)
    for _ in range(12):
        host = f"127.0.0.1:{here.port}"
        ask = f"HEAD /case/{case}/live HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
        assert status(raw(here, ask)) == 200


def test_a_client_that_never_ends_its_body_is_closed(here: Live) -> None:
    host = f"127.0.0.1:{here.port}"
    head = (
        f"POST /pair HTTP/1.1\r\nHost: {host}\r\nOrigin: {here.url}\r\nContent-Length: 99\r\n\r\n"
    )
    assert status(raw(here, f"{head}code=")) == 408


def test_two_devices_see_each_other(here: Live) -> None:
    case = opened(here)
    with (
        httpx.Client(base_url=here.url, timeout=20) as one,
        one.stream("GET", f"/case/{case}/live?seen=1") as stream,
    ):
        lines = stream.iter_lines()
        assert next(lines) == "retry: 2000"
        # As the terminal writes: another program, another store.
        here.store.append(case, 1, ev.Noted(at=NOW, text="from the terminal"))
        told = next(line for line in lines if line.startswith("data:"))
        assert told == "data: 2"


def test_a_stream_ends_when_its_device_is_forgotten(
    here: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = opened(here)
    monkeypatch.setattr(answers, "is_local", lambda request: False)
    with httpx.Client(base_url=here.url, timeout=20) as tablet:
        code = here.access.new_code()
        given = {"code": code, "name": "tablet", "person": ""}
        tablet.post("/pair", data=given, headers={"origin": here.url})
        with tablet.stream("GET", f"/case/{case}/live?seen=1") as stream:
            lines = stream.iter_lines()
            assert next(lines) == "retry: 2000"
            (name,) = here.access.devices
            assert here.access.revoke(name)
            # A stream that goes on says ": still here" in the end.
            assert not any(line.startswith(":") for line in lines)
        assert tablet.get(f"/case/{case}/live").status_code == 401


def test_a_server_that_stops_ends_the_streams_of_open_pages_in_order(tmp_path: Path) -> None:
    with live(tmp_path) as server:
        case = opened(server)
        client = httpx.Client(base_url=server.url, timeout=20)
        stream = client.send(client.build_request("GET", f"/case/{case}/live?seen=1"), stream=True)
        lines = stream.iter_lines()
        assert next(lines) == "retry: 2000"
    # A stream that was cut off would raise here: its last part is missing.
    assert not any(line.startswith("event") for line in lines)
    client.close()


def reply(client: httpx.Client, url: str, path: str, **fields: str) -> httpx.Response:
    form = next(one for one in Forms(client.get(path).text).forms if "key" in one.fields)
    given = {**form.fields, "action": "answer", **fields}
    return client.post(form.to, data=given, headers={"origin": url}, follow_redirects=True)


def test_fifty_devices_at_once_lose_and_double_nothing(here: Live) -> None:
    cases = [opened(here) for _ in range(50)]

    def device(case: str) -> int:
        with httpx.Client(base_url=here.url, timeout=60) as client:
            path = f"/case/{case}"
            forms = Forms(client.get(path).text).forms
            given = {**forms[0].fields, "action": "answer", "text": ""}
            sent = {"data": given, "headers": {"origin": here.url}, "follow_redirects": True}
            answers = [client.post(forms[0].to, **sent) for _ in range(2)]  # type: ignore[arg-type]
            return answers[-1].status_code

    with ThreadPoolExecutor(50) as devices:
        assert set(devices.map(device, cases)) == {200}
    kinds = [[event.kind for event in here.store.events(case)] for case in cases]
    assert kinds == [["opened", "caution-read"]] * 50


def test_devices_that_answer_one_step_at_once_write_it_once(here: Live) -> None:
    case = opened(here)
    with httpx.Client(base_url=here.url, timeout=60) as client:
        reply(client, here.url, f"/case/{case}")

    def device(choice: str) -> int:
        with httpx.Client(base_url=here.url, timeout=60) as client:
            forms = Forms(client.get(f"/case/{case}").text).forms
            form = next(one for one in forms if ("choice", choice) in one.buttons)
            ready.wait()
            given = {**form.fields, "choice": choice}
            return client.post(
                form.to, data=given, headers={"origin": here.url}, follow_redirects=True
            ).status_code

    ready = threading.Barrier(4)
    with ThreadPoolExecutor(4) as devices:
        codes = sorted(devices.map(device, ["yes", "no", "yes", "yes"]))
    assert codes == [200, 409, 409, 409]
    assert [event.kind for event in here.store.events(case)].count("answered") == 1


def test_the_list_offers_complaints_that_were_not_reproduced(here: Live) -> None:
    answer = httpx.get(here.url, params={"result": "not-reproduced"}, timeout=60)
    assert "<option selected>not-reproduced</option>" in answer.text


# The program itself ---------------------------------------------------------------------


@contextlib.contextmanager
def started(folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """``faulttree page`` as a program, once it listens; killed at the end."""
    command = [sys.executable, "-m", "faulttree", "page", "--no-browser", "--port", "0"]
    environ = {**os.environ, "XDG_DATA_HOME": str(folder), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [*command, "--record", str(folder / "record.db"), *options],
        env=environ, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    ) as program:  # fmt: skip
        assert program.stdout is not None
        line = program.stdout.readline()
        found = re.search(r"https?://127\.0\.0\.1:\d+", line)
        assert found, line
        try:
            yield program, found[0]
        finally:
            program.kill()


def wait_for(url: str, **more: object) -> None:
    while True:
        with contextlib.suppress(httpx.TransportError):
            httpx.get(url, **more)  # type: ignore[arg-type]
            return
        time.sleep(0.02)


def listens_on(pid: int) -> set[str]:
    """Addresses that a process listens on (Linux, proc(5): /proc/net/tcp, state 0A)."""
    held = Path(f"/proc/{pid}/fd").iterdir()
    mine = {str(path.readlink()) for path in held if path.is_symlink()}
    found = set()
    for line in Path(f"/proc/{pid}/net/tcp").read_text().splitlines()[1:]:
        parts = line.split()
        if parts[3] == "0A" and f"socket:[{parts[9]}]" in mine:
            raw_address = bytes.fromhex(parts[1].partition(":")[0])
            found.add(socket.inet_ntoa(raw_address[::-1]))
    return found


def test_the_program_listens_on_this_machine_alone(tmp_path: Path) -> None:
    with started(tmp_path) as (program, url):
        wait_for(url)
        assert listens_on(program.pid) == {"127.0.0.1"}
        program.send_signal(signal.SIGINT)
        assert program.wait(60) in (0, 130)


def test_the_program_encrypts_with_a_certificate_of_its_own(tmp_path: Path) -> None:
    with started(tmp_path, "--lan", "127.0.0.2", "--tls") as (program, url):
        assert program.stdout is not None
        told = [program.stdout.readline()]
        while not told[-1].startswith("Code for one device"):
            told.append(program.stdout.readline())
        text = "".join(told)
        assert re.search(r"minutes: \S{4} \S{4}\.", text)
        certificate = tmp_path / "faulttree" / "page-certificate.pem"
        wait_for(url, verify=ssl.create_default_context(cafile=str(certificate)))
        assert listens_on(program.pid) == {"127.0.0.1", "127.0.0.2"}
        shown = ssl.get_server_certificate(("127.0.0.1", int(url.rpartition(":")[2])))
        printed = hashlib.sha256(ssl.PEM_cert_to_DER_cert(shown)).hexdigest()
        assert re.sub("[:\n]", "", text).lower().count(printed) == 1
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            old.maximum_version = ssl.TLSVersion.TLSv1_1
        with pytest.raises(httpx.TransportError):
            httpx.get(url, verify=old)


def killed_walk(folder: Path, random: Random) -> None:
    """A server is killed in the middle of replies; what it acknowledged is there, once."""
    record = str(folder / "record.db")
    with open_store(record) as store:
        tree = lamp()
        first = ev.Opened(at=NOW, tree=tree.id, tree_hash=tree.hash)
        case = store.open_case([first], tree_text=tree.text)
    sent = acknowledged = 0
    with started(folder) as (program, url), contextlib.suppress(httpx.TransportError):
        wait_for(url)
        threading.Timer(random.uniform(0.02, 0.5), program.kill).start()
        with httpx.Client(base_url=url, timeout=20) as client:
            while True:
                sent += 1
                note = {"action": "note", "text": f"note-{sent}"}
                assert reply(client, url, f"/case/{case}", **note).status_code == 200
                acknowledged = sent
    with open_store(record) as store:
        notes = [event.text for event in store.events(case) if isinstance(event, ev.Noted)]
    assert notes == [f"note-{number}" for number in range(1, len(notes) + 1)]
    assert acknowledged <= len(notes) <= sent


def test_a_killed_server_lost_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    killed_walk(tmp_path, Random(1))


@pytest.mark.soak
def test_a_server_killed_500_times(tmp_path: Path) -> None:
    for seed in range(500):
        killed_walk(tmp_path, Random(seed))


def test_devices_are_listed_and_forgotten_at_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from click.testing import CliRunner

    from faulttree.cli.page import command
    from faulttree.page import Access

    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    file = tmp_path / "faulttree" / "page-devices.json"
    access = Access(file, time.time)
    access.pair(access.new_code(), "tablet", "AB")
    name = json.loads(file.read_text())["devices"][0]["id"]
    listed = CliRunner().invoke(command, ["--devices"])
    assert f"{name}  tablet  AB" in listed.output
    forgotten = CliRunner().invoke(command, ["--forget", name], standalone_mode=False)
    assert forgotten.return_value == 0
    again = CliRunner().invoke(command, ["--forget", name], standalone_mode=False)
    assert again.return_value == 1
