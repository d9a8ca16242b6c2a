"""Pairing: codes, tokens, cookies; what an unpaired, idle or lost device can do."""

from __future__ import annotations

import datetime as dt
import ssl
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from faulttree.page.access import CODE_SECONDS, IDLE_SECONDS, Access, AccessError
from faulttree.page.certificate import fingerprint_of, own_certificate
from tests.page.support import Browser, Clock, Shop, shop
from tests.session.samples import lamp

TABLET = ("192.168.1.7", 50000)


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path, client=TABLET) as made:
        yield made


def pair(here: Shop, code: str, **more: str) -> Browser:
    given = {"code": code, "name": "tablet", "person": "AB", **more}
    return here.browser().post("/pair", given)


def test_a_device_that_is_not_paired_sees_nothing(here: Shop) -> None:
    case = here.open(lamp())
    for path in ("/", f"/case/{case}", "/library", "/review", f"/case/{case}/report", "/find"):
        assert here.browser().get(path).path == "/pair"
    assert here.browser().get(f"/case/{case}/live").status == 401
    assert here.browser().get("/devices").status == 403
    fields = {"key": "0" * 24, "csrf": "", "action": "answer"}
    assert here.browser().post(f"/case/{case}/reply", fields).status == 401
    assert len(here.events(case)) == 1


def test_a_paired_device_walks_and_is_named_in_its_events(here: Shop) -> None:
    assert pair(here, here.access.new_code()).path == "/"
    case = here.open(lamp())
    here.browser().get(f"/case/{case}").reply()
    read = here.events(case)[1]
    (device,) = here.access.devices.values()
    assert (read.device, read.person) == (f"tablet ({device.id})", "AB")


def test_a_code_pairs_one_device(here: Shop) -> None:
    code = here.access.new_code()
    assert len(code) >= 8
    pair(here, f" {code[:4].lower()}-{code[4:]} ")
    assert len(here.access.devices) == 1
    assert pair(here, code).status == 403
    assert len(here.access.devices) == 1


def test_a_code_is_good_for_minutes_and_five_tries(here: Shop) -> None:
    code = here.access.new_code()
    here.clock.at += CODE_SECONDS + 1
    assert "no code is open now" in pair(here, code).said
    code = here.access.new_code()
    wrong = [pair(here, "AAAAAAAA").said for _ in range(5)]
    assert "tried too often" in wrong[-1]
    assert pair(here, code).status == 403
    assert not here.access.devices


def test_the_token_is_long_hashed_and_in_a_strict_cookie(here: Shop) -> None:
    code = here.access.new_code()
    answer = here.client.post(
        "/pair", data={"code": code, "name": "t"}, headers={"origin": "http://127.0.0.1:8321"},
        follow_redirects=False,
    )  # fmt: skip
    cookie = answer.headers["set-cookie"]
    token = here.client.cookies["faulttree"]
    assert len(token) * 6 >= 256
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    file = here.access.file
    assert file is not None
    assert token not in file.read_text()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert token not in answer.headers["location"]
    assert all(token not in line and code not in line for line in here.told)


def test_a_lost_device_is_forgotten_at_once_and_after_a_restart(here: Shop) -> None:
    pair(here, here.access.new_code())
    (name,) = here.access.devices
    assert here.browser().get("/").path == "/"
    assert here.access.revoke(name)
    assert here.browser().get("/").path == "/pair"
    assert not Access(here.access.file, here.clock).devices


def test_an_idle_device_must_be_paired_again(here: Shop) -> None:
    pair(here, here.access.new_code())
    here.clock.at += IDLE_SECONDS - 10
    assert here.browser().get("/").path == "/"
    here.clock.at += IDLE_SECONDS - 10
    assert here.browser().get("/").path == "/"
    here.clock.at += IDLE_SECONDS + 10
    assert here.browser().get("/").path == "/pair"


def test_a_device_of_the_network_neither_lists_nor_forgets_devices(here: Shop) -> None:
    pair(here, here.access.new_code())
    page = here.browser().get("/")
    fields = {"csrf": here.access.form_token(here.client.cookies["faulttree"])}
    assert page.post("/devices", {**fields, "action": "new code"}).status == 403
    assert page.get("/devices").status == 403


def test_plain_http_on_the_network_is_told_loudly(here: Shop) -> None:
    assert "Others on this network can read" in here.browser().get("/pair").text


def test_who_sits_at_the_server_makes_codes_and_forgets_devices(tmp_path: Path) -> None:
    with shop(tmp_path) as here:
        page = here.browser().get("/devices")
        form = page.forms[0]
        page.post("/devices", {**form.fields, "action": "new code"})
        code = here.access.code
        assert f"{code[:4]} {code[4:]}" in page.text
        here.access.pair(code, "<b>tablet</b>")
        page.get("/devices")
        assert "<b>" not in page.text
        page.post("/devices", {**page.forms[-1].fields, "action": "revoke"})
        assert not here.access.devices
        assert "Others on this network" not in page.text


def test_under_tls_the_cookie_is_secure_and_of_this_host_alone(tmp_path: Path) -> None:
    with shop(tmp_path, scheme="https", fingerprint="AB:CD") as here:
        answer = here.client.get("/")
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-")
        assert "Secure" in cookie
        assert "AB:CD" in here.client.get("/pair").text
        given = {"csrf": "", "action": "new code"}
        plain = here.client.post(
            "/devices", data=given, headers={"origin": "http://127.0.0.1:8321"}
        )
        assert plain.status_code == 403


def test_a_damaged_list_of_devices_is_told_with_its_place(tmp_path: Path) -> None:
    file = tmp_path / "devices.json"
    file.write_text("{")
    with pytest.raises(AccessError, match="cannot be read"):
        Access(file, Clock())


def test_a_certificate_is_made_once_for_its_names(tmp_path: Path) -> None:
    now = dt.datetime.now(dt.UTC)
    names = frozenset({"127.0.0.1", "bench.local"})
    made = own_certificate(tmp_path / "keys", names, now)
    before = [path.read_bytes() for path in made]
    assert own_certificate(tmp_path / "keys", names, now) == made
    assert [path.read_bytes() for path in made] == before
    assert stat.S_IMODE(made[1].stat().st_mode) == 0o600
    der = ssl.PEM_cert_to_DER_cert(made[0].read_text())
    import hashlib

    # RFC 5280 gives the encoding; the fingerprint is the hash of the DER bytes.
    assert fingerprint_of(made[0]).replace(":", "").lower() == hashlib.sha256(der).hexdigest()
    own_certificate(tmp_path / "keys", names | {"192.168.1.20"}, now)
    assert made[0].read_bytes() != before[0]
    later = now + dt.timedelta(days=364)
    own_certificate(tmp_path / "keys", names, later)
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*made)
