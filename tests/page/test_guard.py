"""What a page on a workshop's network must withstand, request by request."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from faulttree.page.guard import BODY_LIMIT, CSP, Rate
from faulttree.tree import Library
from faulttree.walk import events as ev
from tests.page.support import HOST, NOW, ORIGIN, Browser, Shop, shop
from tests.session.samples import lamp

BAD = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; DROP TABLE events; --",
    "{{ 7 * 7 }}",
    "{% include 'x' %}",
    "\u202eevil\u202c\x1b[31m",
    "javascript:alert(1)",
    "</textarea><svg onload=alert(1)>",
)


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    with shop(tmp_path_factory.mktemp("shop")) as made:
        yield made


@pytest.fixture
def page(here: Shop) -> Browser:
    return here.browser().get(f"/case/{here.open(lamp())}")


def fields(page: Browser) -> dict[str, str]:
    return {**page.form().fields, "action": "answer", "text": ""}


def kinds(here: Shop, page: Browser) -> list[str]:
    return [event.kind for event in here.events(page.path.split("/")[2])]


# Hosts, origins, methods ----------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:8321.evil.example", ""]
)
def test_another_host_is_refused(here: Shop, host: str) -> None:
    answer = here.client.get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "Cases" not in answer.text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": f"https://{HOST}"}, 403),
        ({"origin": ORIGIN, "sec-fetch-site": "cross-site"}, 403),
        ({"origin": ORIGIN, "sec-fetch-site": "same-site"}, 403),
        ({"origin": ORIGIN, "sec-fetch-site": "same-origin"}, 200),
    ],
)
def test_a_post_must_come_from_this_server(
    here: Shop, page: Browser, headers: dict[str, str], status: int
) -> None:
    answer = here.client.post(page.form().to, data=fields(page), headers=headers)
    assert answer.status_code == status
    assert kinds(here, page)[1:] == (["caution-read"] if status == 200 else [])


@pytest.mark.parametrize("token", ["", "0" * 64, None])
def test_a_post_must_carry_the_token_of_its_device(
    here: Shop, page: Browser, token: str | None
) -> None:
    given = fields(page)
    if token is None:
        given.pop("csrf")
    else:
        given["csrf"] = token
    page.post(page.form().to, given)
    assert page.status == 403
    assert kinds(here, page) == ["opened"] if page.path.startswith("/case") else True


def test_a_form_of_another_device_is_refused(here: Shop, page: Browser) -> None:
    form, given = page.form(), fields(page)
    here.client.cookies.clear()
    here.browser().get("/")
    assert page.post(form.to, given).status == 403


@pytest.mark.parametrize("path", ["/", "/case/x/live", "/static/page.js"])
def test_another_site_cannot_load_a_page_or_stream(here: Shop, path: str) -> None:
    foreign = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "img"}
    assert here.client.get(path, headers=foreign).status_code == 403
    assert here.client.get(path, headers={"origin": "http://evil.example"}).status_code == 403


@pytest.mark.parametrize("method", ["OPTIONS", "PUT", "DELETE", "PATCH", "TRACE", "CONNECT"])
def test_other_methods_are_refused(here: Shop, method: str) -> None:
    answer = here.client.request(method, "/")
    assert answer.status_code == 405
    assert "access-control-allow-origin" not in answer.headers


def test_get_and_head_change_nothing(here: Shop, page: Browser) -> None:
    to = page.form().to
    for method in ("GET", "HEAD"):
        assert here.client.request(method, to, params=fields(page)).status_code == 405
        assert here.client.request(method, page.path).status_code == 200
    assert kinds(here, page) == ["opened"]


# Headers and contents of answers ---------------------------------------------------------


def test_every_answer_has_the_headers_of_safety(here: Shop, page: Browser) -> None:
    paths = ["/", page.path, "/nothing", "/find?line=x", "/library", "/devices", "/case/none"]
    for path in paths:
        answer = here.client.get(path)
        assert answer.headers["content-security-policy"] == CSP
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"
    refused = here.client.get("/", headers={"host": "evil.example"})
    assert refused.headers["content-security-policy"] == CSP


def test_nothing_is_inline_and_nothing_comes_from_elsewhere(here: Shop, page: Browser) -> None:
    paths = ["/", page.path, "/library", "/review", f"{page.path}/report", f"{page.path}/drawing"]
    for path in paths:
        text = here.client.get(path).text
        assert not re.search(r"\sstyle=|\son[a-z]+=|<style|javascript:", text), path
        assert not re.search(r"<script(?![^>]* src=)", text), path
        assert not re.search(r'(?:src|href|action)="(?!/|#)', text), path


def unit_of(text: str) -> ev.Opened:
    tree = lamp()
    unit = {"serial": text, "model": text}
    return ev.Opened(
        at=NOW, tree=tree.id, tree_hash=tree.hash, unit=unit, complaint=text, owner_words=text
    )


@pytest.mark.parametrize("text", BAD)
def test_no_text_of_a_person_becomes_markup(here: Shop, text: str) -> None:
    case = here.store.open_case([unit_of(text), ev.Noted(at=NOW, text=text)], tree_text=lamp().text)
    page = here.browser().get(f"/case/{case}")
    page.reply().reply(text, action="note").reply(text)
    assert page.status in (200, 422)
    paths = (
        f"/case/{case}", f"/case/{case}/report", f"/case/{case}/drawing", f"/find?line={text}",
        "/", f"/?words={text}&family={text}&since=2026-01-01", f"/new/{text}/x", f"/case/{text}",
    )  # fmt: skip
    for path in paths:
        answer = here.client.get(quote(path, safe="/?&="))
        assert answer.status_code in (200, 400, 404, 422), path
        assert "<script>alert" not in answer.text
        assert not re.search(r"<(?:img|svg)[^>]*\son\w+=", answer.text)
        assert "\x1b" not in answer.text
        assert "\u202e" not in answer.text
        assert ">49<" not in answer.text


def test_texts_of_a_hostile_tree_stay_text(tmp_path: Path) -> None:
    bad = BAD[0]
    tree = lamp(title=f"Lamp {bad}")
    with shop(tmp_path) as here:
        page = here.browser().get(f"/case/{here.open(tree)}").reply()
        picture = here.client.get(f"{page.path}/picture.svg").text
        assert bad not in page.text + picture


# Paths, files and errors ----------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../access.py", "/static/..%2faccess.py", "/static/%2e%2e/access.py",
        "/static/page.css%00.js", "/static/page.html", "/tree/../../etc/passwd",
        "/tree/..%2f..%2fetc/passwd", "/tree/bench-supply/..%2f..%2f..%2fREADME", "/new/%2e%2e/x",
        "/case/..%2f..%2fetc%2fpasswd", "/part/..%2fx", "/tree/C:%5Cx/y",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_library(here: Shop, path: str) -> None:
    answer = here.client.get(path)
    assert answer.status_code in (400, 404)
    assert "root:" not in answer.text


def test_a_link_in_a_library_leads_nowhere_else(tmp_path: Path) -> None:
    (tmp_path / "own" / "trees" / "lamp").mkdir(parents=True)
    (tmp_path / "elsewhere.yaml").write_text("title: hidden words\n")
    (tmp_path / "own" / "trees" / "lamp" / "dark.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    with shop(tmp_path / "shop", library=Library(tmp_path / "own")) as here:
        for path in ("/tree/lamp/dark/picture.svg", "/new/lamp/dark"):
            answer = here.client.get(path)
            assert answer.status_code in (404, 422)
            assert "hidden words" not in answer.text
            assert str(tmp_path) not in answer.text


def test_the_record_and_the_library_come_from_no_client(here: Shop, page: Browser) -> None:
    more = "?record=/tmp/x.db&library=/tmp&url=sqlite:///x"
    assert here.client.get(f"{page.path}{more}").status_code == 200
    page.post(page.form().to, {**fields(page), "record": "/tmp/x.db", "path": "/etc/passwd"})
    assert kinds(here, page) == ["opened", "caution-read"]


def test_a_photo_by_path_is_refused(here: Shop, page: Browser) -> None:
    page.reply()
    before = kinds(here, page)
    page.reply("/etc/passwd", action="photo")
    assert page.status == 422
    assert kinds(here, page) == before
    assert "root:" not in page.text


def test_an_error_tells_no_path_and_no_traceback(tmp_path: Path) -> None:
    with shop(tmp_path) as here:
        page = here.browser().get(f"/case/{here.open(lamp())}")
        form, given = page.form(), fields(page)
        (tmp_path / "record.db").unlink()
        page.post(form.to, given)
        assert page.status == 503
        assert "Not saved" in page.said
        assert str(tmp_path) not in page.text
        assert "Traceback" not in page.text


def test_a_failure_inside_is_told_without_its_text(tmp_path: Path) -> None:
    def failing() -> str:
        raise ValueError("secret 4711")

    with shop(tmp_path, now=failing) as here:
        answer = here.client.get(f"/case/{here.open(lamp())}")
        assert answer.status_code == 500
        assert "4711" not in answer.text
        assert here.told
        assert all("4711" not in line for line in here.told)
        assert "ValueError" in here.told[0]


def test_logs_hold_no_words_tokens_or_readings(
    here: Shop, page: Browser, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.INFO):
        page.reply().reply("smells of lavender", action="note")
    told = " ".join(
        [*here.told, *(one.getMessage() for one in caplog.records if one.name != "httpx")]
    )
    assert "lavender" not in told
    assert here.client.cookies["faulttree"] not in told


# Limits ---------------------------------------------------------------------------------


def test_a_large_body_is_refused_while_it_arrives(here: Shop, page: Browser) -> None:
    to = page.form().to
    large = {**fields(page), "text": "x" * BODY_LIMIT}
    assert page.post(to, large).status == 413
    kind = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    pieces = (b"x" * 4096 for _ in range(40))
    answer = here.client.post(to, content=pieces, headers=kind)
    assert answer.status_code == 400  # In pieces, without a length.


@pytest.mark.parametrize("name", ["since", "until"])
@pytest.mark.parametrize("day", ["tomorrow", "\x00", "9" * 5000, "<b>"])
def test_a_filter_that_makes_no_sense_is_told(here: Shop, name: str, day: str) -> None:
    answer = here.client.get("/", params={name: day})
    assert answer.status_code == 422
    assert "<b>" not in answer.text
    assert here.client.get("/", params={"limit": "9" * 5000}).status_code == 200


@pytest.mark.parametrize(
    ("name", "value", "status"),
    [
        ("content-length", "-1", 400), ("content-length", "1, 1", 400),
        ("transfer-encoding", "chunked", 400), ("cookie", "a=" + "b" * 20_000, 431),
    ],
)  # fmt: skip
def test_strange_headers_are_refused(here: Shop, name: str, value: str, status: int) -> None:
    headers = {"origin": ORIGIN, name: value}
    assert here.client.post("/pair", headers=headers).status_code == status


@pytest.mark.parametrize(
    "bad",
    [
        {"key": ""}, {"key": "x' OR 1=1"}, {"chain": "[["}, {"chain": "[[1,2,3,4]]"},
        {"chain": "[" * 5000},
    ],
)  # fmt: skip
def test_a_damaged_form_changes_nothing(here: Shop, page: Browser, bad: dict[str, str]) -> None:
    case = page.path
    page.post(page.form().to, {**fields(page), **bad})
    assert page.status == 400
    assert kinds(here, Browser(here.client, path=case)) == ["opened"]


def test_other_kinds_of_body_and_too_many_fields_are_refused(here: Shop, page: Browser) -> None:
    to = page.form().to
    given = fields(page)
    many = {**given, **{f"f{number}": "1" for number in range(200)}}
    assert page.post(to, many).status == 400
    json = here.client.post(to, json=given, headers={"origin": ORIGIN})
    assert json.status_code == 415


def test_an_address_may_ask_so_often_and_then_waits() -> None:
    at = [0.0]
    rate = Rate(clock=lambda: at[0])
    assert all(rate.allows("192.168.1.7") for _ in range(300))
    assert not rate.allows("192.168.1.7")
    assert rate.allows("192.168.1.8")
    at[0] = 1.0
    assert rate.allows("192.168.1.7")
