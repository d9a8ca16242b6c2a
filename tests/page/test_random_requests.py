"""Requests that no page of the server makes: none fails inside, none tells of the machine."""

from __future__ import annotations

from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.page.support import ORIGIN, Shop, shop
from tests.session.samples import lamp

ODD = (
    *("", "a", "\x00", "9" * 5000, "²", "-1", "1e999", "nan", "null", "{}", "[]", "[" * 5000),
    *('[["answer", "x", ""]]', '[{"a": 1}]', '[[["answer"], "x", ""]]', "<script>", "\u202e"),
    *("../../etc/passwd", "12.5", "OL", "back", "yes", "skip", "x" * 4000, "\n\r\n", "2026-01-31"),
)
NAMES = (
    *("csrf", "key", "prompt", "seen", "chain", "action", "text", "choice", "line", "words"),
    *("limit", "since", "until", "state", "code", "name", "person", "forget", "camera", "linked"),
)
BODIES = (b"a&" * 100, b"a=1&" * 9, b"%" * 50, b"\xff" * 10, b";" * 20)
PATHS = (
    *("/", "/find", "/library", "/review", "/devices", "/pair", "/part/x", "/static/x", "/case/x"),
    *("/new/usb-lamp/flickers", "/new/x/y", "/tree/usb-lamp/flickers", "CASE", "CASE/reply"),
    *("CASE/photo", "CASE/photo/x", "CASE/photo/x/small", "CASE/report", "CASE/drawing"),
    *("CASE/picture.svg", "CASE/advice"),
)


def one_request(here: Shop, case: str, chance: Random) -> Any:
    path = chance.choice(PATHS).replace("CASE", f"/case/{case}")
    odd = {n: chance.choice(ODD) for n in chance.sample(NAMES, chance.randint(0, 8))}
    if chance.random() < 0.4:
        return here.client.get(path, params=odd)
    forms = here.browser().get(f"/case/{case}").forms
    good = dict(chance.choice(forms).fields) if forms and chance.random() < 0.6 else {}
    fields = {**odd, **good, chance.choice(NAMES): chance.choice(ODD)}
    head = {"origin": ORIGIN}
    kind = chance.random()
    if kind < 0.3:
        files = {chance.choice(NAMES): (chance.choice(ODD)[:30], chance.choice(ODD).encode())}
        return here.client.post(path, data=fields, files=files, headers=head)
    if kind < 0.4:
        head["content-type"] = "application/x-www-form-urlencoded"
        return here.client.post(path, content=chance.choice(BODIES), headers=head)
    return here.client.post(path, data=fields, headers=head)


def ask(folder: Path, seed: int, times: int) -> None:
    with shop(folder) as here:
        case, chance = here.open(lamp()), Random(seed)
        for _ in range(times):
            here.client.app.rate.left.clear()  # type: ignore[attr-defined]
            answer = one_request(here, case, chance)
            assert (answer.status_code in (500, 503), here.told) == (False, [])
            for trace in ("Traceback", str(folder), str(Path(__file__).parents[2])):
                assert trace not in answer.text


def test_random_requests_cause_no_failure(tmp_path: Path) -> None:
    ask(tmp_path, 1, 60)


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(2, 7))
def test_3000_random_requests(seed: int, tmp_path: Path) -> None:
    ask(tmp_path, seed, 600)


def test_odd_tokens_and_too_many_fields_are_refused(tmp_path: Path) -> None:
    with shop(tmp_path) as here:
        head = {"origin": ORIGIN}
        many = {str(number): "x" for number in range(20)}
        assert here.client.post("/pair", data=many, headers=head).status_code == 400
        assert here.client.post("/devices", data={"csrf": "²"}, headers=head).status_code == 403
