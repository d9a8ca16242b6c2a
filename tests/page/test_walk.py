"""A walk by forms alone: the same events as at a terminal, each once, none past its caution."""

from __future__ import annotations

import datetime as dt
import html
import itertools
import json
import queue
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from faulttree.page import workers
from faulttree.reading import Bench
from faulttree.session import read_typed
from faulttree.walk import events as ev
from tests.cases.postgres import shared
from tests.page.support import NOW, Browser, Shop, shop
from tests.session.random_sessions import Session
from tests.session.samples import LAMP, Driver, lamp
from tests.session.test_random_sessions import trees

BENCH = Bench(likely_below=0.0)


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Shop]:
    with shop(tmp_path, bench=BENCH) as made:
        yield made


def at_case(here: Shop) -> Browser:
    return here.browser().get(f"/case/{here.open(lamp())}")


def case_of(page: Browser) -> str:
    return page.path.split("/")[2]


def plain(events: tuple[ev.Event, ...] | list[ev.Event]) -> list[ev.Event]:
    """Events after the opening, without time, device and reply."""
    gone = {"at": "", "device": "", "person": "", "reply": ""}
    more = {"seconds": None}
    return [
        replace(event, **gone, **(more if isinstance(event, ev.Answered) else {}))  # type: ignore[arg-type]
        for event in events[1:]
    ]


def to_the_bulb(page: Browser) -> Browser:
    return page.reply().reply(choice="yes").reply().reply(action="cut").reply().reply()


# The same walk on both faces ------------------------------------------------------------


def test_a_whole_walk_gives_the_events_of_the_same_walk_typed(here: Shop) -> None:
    page = to_the_bulb(at_case(here))
    page.reply("5 Mohm").reply(choice="yes")
    assert "Bulb burnt" in page.said
    page.reply("new bulb").reply("50 ohm").reply(choice="yes")
    assert "Confirmed: Bulb burnt." in page.said
    page.reply(choice="returned")
    assert "fixed, returned" in page.said
    typed = Driver(lamp(), events=[ev.Opened(tree="lamp/dark", tree_hash=lamp().hash)], bench=BENCH)
    typed.type("", "yes", "")
    typed.events.append(ev.Noted(text="the wait of 2 s was cut short", step="unplug"))
    typed.type("", "", "5 Mohm", "yes", "new bulb", "50 ohm", "yes", "returned")
    assert plain(here.events(case_of(page))) == plain(typed.events)


@pytest.fixture
def fast(tmp_path: Path) -> Iterator[Shop]:
    """A server on which every wait is over at once."""
    minutes = itertools.count(1)

    def now() -> str:
        later = dt.datetime(2026, 2, 11, tzinfo=dt.UTC) + dt.timedelta(minutes=90 * next(minutes))
        return later.isoformat(timespec="milliseconds")

    with shop(tmp_path, now=now, stopwatch=lambda: 1e4 * next(minutes)) as made:
        yield made


def same_on_the_page(here: Shop, at: int, seed: int, lines: int) -> None:
    """Lines at random, given to a session and to the page: equal events."""
    tree = trees()[at]
    session = Session(tree, Random(seed))
    opened = replace(session.position.events[0], at=NOW)
    case = here.store.open_case([opened], tree_text=tree.text)
    page = here.browser().get(f"/case/{case}")
    for _ in range(lines):
        if ("action", "go on") in [one for form in page.forms for one in form.buttons]:
            page.reply(action="go on")
        prompt = session.prompt
        if prompt.kind == "done":
            break
        session.move()
        given = read_typed(prompt, session.typed[-1])
        page.reply(given.text, action=given.action)
        if session.open is None:
            page.get(f"/case/{case}")
    if ("action", "go on") in [one for form in page.forms for one in form.buttons]:
        page.reply(action="go on")
    assert plain(here.events(case)) == plain(session.position.events), session.typed


def test_random_sessions_by_http_equal_the_same_as_data(fast: Shop) -> None:
    at = [tree.id for tree in trees()].index("usb-lamp/does-not-light")
    for seed in range(2):
        same_on_the_page(fast, at, seed, 14)


@pytest.mark.soak
@pytest.mark.parametrize("part", range(20))
def test_500_random_sessions(fast: Shop, part: int) -> None:
    for seed in range(25):
        same_on_the_page(fast, (part * 25 + seed) % len(trees()), 7000 + part * 25 + seed, 40)


# Once, or not at all --------------------------------------------------------------------


def test_a_reply_sent_twice_counts_once(here: Shop) -> None:
    page = at_case(here).reply()
    form = page.form("answer", "yes")
    fields = {**form.fields, "choice": "yes"}
    first = here.browser().post(form.to, fields)
    second = here.browser().post(form.to, fields)
    assert first.said == second.said
    assert [event.kind for event in here.events(case_of(first))].count("answered") == 1


def test_the_same_reply_after_a_restart_counts_once(tmp_path: Path) -> None:
    with shop(tmp_path) as here:
        page = at_case(here).reply()
        form = page.form("answer", "yes")
        fields = {**form.fields, "choice": "yes"}
        here.browser().post(form.to, fields)
        cookie = here.client.cookies["faulttree"]
    with shop(tmp_path) as again:
        again.client.cookies["faulttree"] = cookie
        page = again.browser().post(form.to, fields)
        assert page.status == 200
        assert [event.kind for event in again.events(case_of(page))].count("answered") == 1


def test_a_note_sent_twice_is_kept_once(here: Shop) -> None:
    page = at_case(here).reply()
    form = page.form("note")
    for _ in range(2):
        page.post(form.to, {**form.fields, "action": "note", "text": "smells burnt"})
    assert [event.kind for event in here.events(case_of(page))].count("noted") == 1


def test_a_reply_that_comes_too_late_is_a_draft(here: Shop) -> None:
    slow, quick = at_case(here).reply(), here.browser()
    quick.get(slow.path).reply(choice="yes")
    slow.reply(choice="no")
    assert slow.status == 409
    assert "answered: plug, yes (by page)" in slow.said
    assert "What you gave stays here as a draft: no" in slow.said
    assert [e.outcome for e in here.events(case_of(slow)) if isinstance(e, ev.Answered)] == ["yes"]


def test_a_note_of_another_device_makes_no_reading_stale(here: Shop) -> None:
    slow = to_the_bulb(at_case(here))
    here.browser().get(slow.path).reply("smells burnt", action="note")
    slow.reply("50 ohm").reply(choice="yes")
    assert slow.status == 200
    kinds = [event.kind for event in here.events(case_of(slow))]
    assert kinds[-2:] == ["noted", "answered"]


def test_what_the_terminal_answered_is_on_the_page(here: Shop) -> None:
    page = at_case(here).reply()
    case = case_of(page)
    answered = ev.Answered(at=NOW, step="plug", outcome="yes")
    here.store.append(case, len(here.events(case)), answered)
    page.reply(choice="no")
    assert page.status == 409
    assert "Pull the plug" in page.said


# Cautions and waits ---------------------------------------------------------------------


def test_no_answer_passes_a_caution(here: Shop) -> None:
    page = at_case(here)
    form = page.form()
    for text, choice in (("", "yes"), ("yes", ""), ("", "")):
        stale = {**form.fields, "prompt": "0" * 24, "text": text, "choice": choice}
        assert page.post(form.to, stale).status == 409
    assert page.post(form.to, {**form.fields, "text": "no output"}).status == 422
    assert [event.kind for event in here.events(case_of(page))] == ["opened"]


def test_two_taps_on_one_caution_do_not_pass_the_next(here: Shop) -> None:
    page = at_case(here).reply().reply(choice="yes").reply().reply(action="cut")
    assert "DANGER" in page.said
    form = page.form()
    page.post(form.to, {**form.fields, "key": "a" * 24})
    page.post(form.to, {**form.fields, "key": "b" * 24})
    assert page.status == 409
    read = [e.caution for e in here.events(case_of(page)) if isinstance(e, ev.CautionRead)]
    assert read == ["mains", "live"]


def test_nothing_is_answered_while_a_wait_runs(here: Shop) -> None:
    page = at_case(here).reply().reply(choice="yes").reply()
    assert "Wait 2 s" in page.said
    form = page.form("cut")
    page.post(form.to, {**form.fields, "action": "answer", "text": ""})
    assert page.status == 422
    assert here.events(case_of(page))[-1].kind == "answered"
    page.get(f"/case/{case_of(page)}").reply("still warm", action="note")
    assert "Wait 2 s" in page.said


def test_a_wait_is_over_by_the_clock_of_the_server(fast: Shop) -> None:
    page = at_case(fast).reply().reply(choice="yes").reply()
    assert "Wait 2 s" not in page.said
    assert "DANGER" in page.said


# Intake ---------------------------------------------------------------------------------


def test_a_unit_taken_in_by_one_line_opens_one_case(here: Shop) -> None:
    page = here.browser().get("/find", params={"line": "drill tag 4: battery drains"})
    where = re.findall(r'href="(/new/[^"]*)"', page.text)
    assert where
    page.get(html.unescape(where[0]))
    last = page.form(), page.path
    while page.path.startswith("/new/"):
        last = page.form(), page.path
        page.reply()
    case = case_of(page)
    assert here.store.case(case).serial.startswith("tag 4") or here.store.case(case).serial
    form, path = last
    again = here.browser().post(path, {**form.fields, "action": "answer", "text": ""})
    assert again.path == f"/case/{case}"
    assert len(here.store.list()) == 1


def test_a_line_without_a_colon_is_the_complaint_and_the_unit_is_asked(here: Shop) -> None:
    page = here.browser().get("/new/bench-supply/no-output?line=no output after a minute")
    page.reply("tag 14")
    (case,) = here.store.list()
    assert (case.serial, case.complaint) == ("tag 14", "no output after a minute")


def test_a_case_is_not_opened_under_an_id_of_the_client(here: Shop) -> None:
    page = here.browser().get("/new/bench-supply/no-output?line=x tag 1: hums")
    form = page.form()
    page.post(page.path, {**form.fields, "key": "019c4c24-b500-74b0-934b-3f8439517cc4"})
    assert page.status == 400
    assert not here.store.list()


def test_device_and_person_come_from_the_server(tmp_path: Path) -> None:
    with shop(tmp_path, person="AB") as here:
        page = at_case(here)
        form = page.form()
        page.post(form.to, {**form.fields, "device": "x", "person": "y", "who": "z"})
        read = here.events(case_of(page))[1]
        assert (read.device, read.person) == ("page", "AB")


# Other records, and what a client might invent ------------------------------------------------


def test_a_walk_on_a_record_of_a_server(tmp_path: Path) -> None:
    running = shared()
    with shop(tmp_path, url=running.url(running.database())) as here:
        page = to_the_bulb(at_case(here))
        form = page.form()
        for _ in range(2):
            page.post(form.to, {**form.fields, "action": "note", "text": "smells burnt"})
        kinds = [event.kind for event in here.events(case_of(page))]
        assert kinds.count("noted") == 2  # The wait that was cut, and this one.
        assert "Resistance of the bulb" in page.said


@pytest.mark.parametrize(
    "chain",
    [
        [["give up", "", ""], ["answer", "", "stop"], ["answer", "no time", ""]],
        [["answer", "", "yes"]],
        [["answer", "yes", ""], ["answer", "", "returned"]],
        [["repaired", "burnt", ""]],
    ],
)
def test_a_chain_that_a_client_invents_passes_no_prompt(here: Shop, chain: list[list[str]]) -> None:
    page = at_case(here)
    form = page.form()
    for choice in ("returned", "fixed", "yes"):
        invented = {**form.fields, "chain": json.dumps(chain), "choice": choice, "text": "x"}
        page.post(form.to, invented)
        assert page.status in (200, 409, 422)
    kinds = {event.kind for event in here.events(case_of(page))}
    assert not kinds & {"closed", "answered", "repair-tried", "caution-read"}


def test_the_terminal_rings_when_a_wait_is_over(tmp_path: Path) -> None:
    rung: queue.Queue[str] = queue.Queue()
    steps = {**LAMP["steps"], "unplug": {"do": "Pull the plug", "then": "bulb", "wait": "0.05 s"}}
    with shop(tmp_path, ring=rung.put) as here:
        page = here.browser().get(f"/case/{here.open(lamp(steps=steps))}")
        page.reply().reply(choice="yes").reply()
        assert rung.get(timeout=60) == "unplug"


def test_too_much_at_once_is_told_and_may_be_sent_again(
    here: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = at_case(here)
    form = page.form()
    with monkeypatch.context() as full:
        full.setattr(workers, "QUEUE", 0)
        assert page.post(form.to, form.fields).status == 503
        assert "send it again" in page.said
    assert page.post(form.to, {**form.fields, "action": "answer"}).status == 200
