"""What the script adds in a real browser: keys, timer, lost connection, two devices, drafts."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Browser

from faulttree.reading import Bench
from faulttree.session import Prompt, read_typed
from faulttree.terminal.open_case import EventWriter, Leaving, OpenCase
from faulttree.terminal.walk import sit
from faulttree.tree import Library, Tree
from faulttree.walk import events as ev
from tests.page.browser.hands import Hands, hands
from tests.page.live import NOW, Live, live
from tests.session.samples import Driver, lamp
from tests.terminal.samples import Typist

ROOT = Path(__file__).parent.parent.parent.parent
BENCH = Bench(likely_below=0.0)


def hours_that_pass() -> Callable[[], str]:
    """A clock that is an hour later at each look: every wait is over."""
    count = itertools.count()
    begin = dt.datetime(2026, 2, 11, 10, tzinfo=dt.UTC)
    return lambda: (begin + dt.timedelta(hours=next(count))).isoformat()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Live]:
    with live(tmp_path, bench=BENCH) as made:
        yield made


def opened(server: Live, tree: Tree) -> str:
    first = ev.Opened(at=NOW, tree=tree.id, tree_hash=tree.hash, unit={"serial": "tag 3"})
    return server.store.open_case([first], tree_text=tree.text)


def plain(events: Any) -> list[dict[str, Any]]:
    """Events after the opening, without time and device."""
    gone = ("at", "device", "person", "reply", "seconds", "priors")
    return [{k: v for k, v in event.to_dict().items() if k not in gone} for event in events[1:]]


def test_keys_alone_walk_a_case(chromium: Browser, server: Live) -> None:
    with hands(chromium, server.url, 1400, touch=False) as seen:
        seen.load(f"/case/{opened(server, lamp())}")
        for key in ("Enter", "1", "Enter"):
            seen.page.keyboard.press(key)
            seen.settled()
        assert "Wait 2 s" in seen.asked
        seen.tap('button[value="cut"]')
        seen.page.keyboard.press("Enter")
        seen.settled()
        seen.page.keyboard.press("Enter")
        seen.settled()
        assert seen.asked == "Resistance of the bulb"
        seen.page.keyboard.press("w")
        seen.settled()
        assert seen.page.locator("#view").count() == 1
        with seen.page.expect_navigation():
            seen.page.keyboard.press("Escape")
        assert seen.page.locator("#view").count() == 0
        seen.page.keyboard.press("Enter")  # Nothing is typed yet: to the field.
        seen.page.keyboard.type("5M")
        seen.page.keyboard.press("Enter")
        seen.settled()
        seen.page.keyboard.press("1")
        seen.page.wait_for_selector("text=Bulb burnt")
        assert "HIGH" in seen.said


def test_the_pad_writes_prefixes_and_several_readings(chromium: Browser, server: Live) -> None:
    with hands(chromium, server.url, 360) as seen:
        case = opened(server, lamp())
        for event in (
            ev.CautionRead(at=NOW, caution="mains", step="plug"),
            ev.Answered(at=NOW, step="plug", outcome="yes"),
            ev.Answered(at="2026-02-11T09:00:00Z", step="unplug", outcome="done"),
            ev.CautionRead(at=NOW, caution="live", step="bulb"),
            ev.CautionRead(at=NOW, caution="hot", step="bulb"),
        ):
            server.store.append(case, len(server.store.events(case)), event)
        seen.load(f"/case/{case}")
        assert seen.page.get_attribute("#text", "inputmode") == "decimal"
        seen.page.fill("#text", "4")
        for put in ("k", "; "):
            seen.page.click(f'[data-put="{put}"]')
        seen.page.locator("#text").press_sequentially("5")
        seen.page.click('[data-put="k"]')
        assert seen.page.input_value("#text") == "4k; 5k"


def test_the_timer_ends_by_itself(chromium: Browser, tmp_path: Path) -> None:
    times = iter(["00"])

    def now() -> str:
        return f"2026-02-11T10:00:{next(times, '59')}+00:00"

    with live(tmp_path, bench=BENCH, now=now) as server, hands(chromium, server.url, 360) as seen:
        case = opened(server, lamp())
        server.store.append(case, 1, ev.CautionRead(at=NOW, caution="mains", step="plug"),
                            ev.Answered(at=NOW, step="plug", outcome="yes"),
                            ev.Answered(at="2026-02-11T10:00:00+00:00", step="unplug",
                                        outcome="done"))  # fmt: skip
        seen.load(f"/case/{case}")
        assert "Wait 2 s" in seen.asked
        seen.page.wait_for_selector("text=It can kill.")


def test_an_answer_given_without_a_connection_is_sent_later(
    chromium: Browser, server: Live
) -> None:
    with hands(chromium, server.url, 820) as seen:
        case = opened(server, lamp())
        seen.load(f"/case/{case}")
        seen.answer("")
        seen.context.set_offline(True)
        seen.answer("yes")
        assert "Not sent yet, kept on this device: yes" in seen.page.inner_text("#sent")
        assert len(server.store.events(case)) == 2
        seen.context.set_offline(False)
        seen.page.wait_for_selector("text=Pull the plug")
        seen.page.wait_for_selector("#sent:empty", state="attached")
        kinds = [event.kind for event in server.store.events(case)]
        assert kinds == ["opened", "caution-read", "answered"]
        assert seen.page.evaluate("localStorage.getItem('faulttree-unsent')") == "[]"


def test_an_answer_sent_too_late_becomes_a_draft(chromium: Browser, server: Live) -> None:
    with hands(chromium, server.url, 820) as seen, hands(chromium, server.url, 360) as other:
        case = opened(server, lamp())
        for one in (seen, other):
            one.load(f"/case/{case}")
        seen.answer("")
        other.page.wait_for_selector("text=Is it plugged in?")  # Without a tap there.
        seen.context.set_offline(True)
        seen.answer("no")
        other.answer("yes")
        seen.context.set_offline(False)
        seen.page.wait_for_selector("text=Not recorded: the case went on meanwhile")
        assert seen.page.inner_text("#draft") == "no"
        answers = [e for e in server.store.events(case) if isinstance(e, ev.Answered)]
        assert [one.outcome for one in answers] == ["yes"]


def test_what_is_typed_stays_when_another_device_goes_on(chromium: Browser, server: Live) -> None:
    with hands(chromium, server.url, 820) as seen:
        case = opened(server, lamp())
        server.store.append(case, 1, ev.CautionRead(at=NOW, caution="mains", step="plug"),
                            ev.Answered(at=NOW, step="plug", outcome="no"))  # fmt: skip
        seen.load(f"/case/{case}")
        seen.page.fill("#text", "plugged it in")
        # As a terminal writes, in another program.
        server.store.append(case, 3, ev.Noted(at=NOW, text="from the terminal"))
        seen.page.wait_for_selector("text=Another device went on with this case.")
        assert seen.page.input_value("#text") == "plugged it in"
        seen.answer("plugged it in")
        assert isinstance(server.store.events(case)[-1], ev.RepairTried)


def test_a_double_tap_records_one_answer(chromium: Browser, server: Live) -> None:
    with hands(chromium, server.url, 360) as seen:
        case = opened(server, lamp())
        seen.load(f"/case/{case}")
        seen.answer("")
        seen.page.dblclick('button[name="choice"][value="yes"]')
        seen.page.wait_for_selector("text=Pull the plug")
        seen.settled()
        kinds = [event.kind for event in server.store.events(case)]
        assert kinds == ["opened", "caution-read", "answered"]


def test_the_page_works_without_its_script(chromium: Browser, server: Live) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    case = opened(server, lamp())
    page.goto(f"{server.url}/case/{case}")
    page.click(".answer button.main")
    page.click('button[name="choice"][value="yes"]')
    page.click(".answer button.main")
    page.click('button[value="cut"]')
    assert "It can kill." in page.inner_text("main")
    assert [e.kind for e in server.store.events(case)][-1] == "noted"
    context.close()


def test_the_first_page_is_small(chromium: Browser, server: Live) -> None:
    with hands(chromium, server.url, 360) as seen:
        sizes: dict[str, int] = {}
        seen.page.on("response", lambda one: sizes.update({one.url: len(one.body())}))
        seen.load("/")
        seen.page.wait_for_load_state("networkidle")
        assert len(sizes) <= 3, sizes
        assert sum(sizes.values()) <= 100_000, sizes


# A case on three screens ----------------------------------------------------------------

LINES = (
    *("sound", "sound", "sound", "below", "5,2 kohm", "as-marked", "2.1 ohm", "I", "0.1 ohm"),
    *("0.1 ohm", "58 ohm", "note 58 ohm: the transformer is good", "5.1 kohm"),
    *("new fuse holder fitted, its wires crimped", "2.2 ohm"),
)
"""A search on a tree of the demo, and a repair with the first reading after it."""


def played(tree: Tree, first: ev.Opened) -> tuple[Driver, list[tuple[Prompt, str]]]:
    """The whole walk as data: each prompt with the line that answers it."""
    typed = Driver(tree, events=[first], bench=BENCH)
    lines, steps = list(LINES), []
    for _ in range(120):
        prompt = typed.prompt
        if prompt.kind == "done":
            break
        line = line_for(prompt, lines)
        steps.append((prompt, line))
        typed.type(line)
    assert typed.prompt.kind == "done", typed.prompt
    return typed, steps


def line_for(prompt: Prompt, lines: list[str]) -> str:
    """What answers a prompt: the next line, or what a good unit gives once there is none."""
    ids = [one.id for one in prompt.choices]
    if prompt.kind == "cautions" or (prompt.step is not None and prompt.step.kind == "do"):
        return ""
    if ids == ["yes", "no"]:
        return "yes"
    if prompt.kind == "fact" and prompt.carry is not None:
        return ids[0]
    if prompt.kind == "place":
        return "returned"
    if lines:
        return lines.pop(0)
    assert prompt.step is not None, prompt
    return prompt.step.normal_outcome or next(iter(prompt.step.targets))


def give(seen: Hands, prompt: Prompt, line: str) -> None:
    given = read_typed(prompt, line)
    if given.action == "note":
        seen.note(given.text)
    else:
        seen.answer(line)


def at_the_terminal(server: Live, case: str, tree: Tree, lines: list[str]) -> None:
    """The beginning of a walk, typed at a terminal on the same record."""
    console = Typist(*lines, "pause")
    events = list(server.store.events(case))
    journal = EventWriter(tree, case, events, server.store, hours_that_pass())
    with pytest.raises(Leaving):
        sit(OpenCase(journal, console, bench=BENCH))
    assert not console.typed


def picture(folder: Path) -> Path:
    """A photo as a camera makes it."""
    file = folder / "holder.jpg"
    content = BytesIO()
    Image.new("RGB", (640, 480), "orange").save(content, "JPEG")
    file.write_bytes(content.getvalue())
    return file


def test_a_case_begun_at_a_terminal_goes_on_at_a_tablet_and_ends_at_a_phone(
    chromium: Browser, tmp_path: Path
) -> None:
    library = Library(ROOT / "demo")
    tree = library.examine("soldering-station/does-not-heat").tree
    assert tree is not None
    unit = {"serial": "tag 41", "model": "60 W station"}
    first = ev.Opened(at=NOW, tree=tree.id, tree_hash=tree.hash, unit=unit, complaint="lamp dark")
    typed, steps = played(tree, first)
    times = {"now": hours_that_pass(), "stopwatch": itertools.count(0, 9999).__next__}
    tablet_at, cut_at, phone_at = len(steps) // 4, len(steps) // 3, len(steps) // 2
    with live(tmp_path, bench=BENCH, library=library, **times) as server:
        case = server.store.open_case([first], tree_text=tree.text)
        at_the_terminal(server, case, tree, [line for _, line in steps[:tablet_at]])
        with hands(chromium, server.url, 820) as tablet:
            tablet.load(f"/case/{case}")
            assert "invented data" in tablet.said
            for prompt, line in steps[tablet_at:cut_at]:
                give(tablet, prompt, line)
            tablet.load(f"/case/{case}/photo")
            tablet.page.set_input_files("#camera", picture(tmp_path))
            tablet.page.fill("#words", "burnt holder")
            tablet.page.click("main form button.main")
            tablet.page.wait_for_url(f"**/case/{case}")
            before = len(server.store.events(case))
            tablet.context.set_offline(True)
            tablet.answer(steps[cut_at][1])
            assert "Not sent yet" in tablet.page.inner_text("#sent")
            tablet.context.set_offline(False)
            tablet.page.wait_for_selector(f'#case:not([data-seen="{before}"])')
            for prompt, line in steps[cut_at + 1 : phone_at]:
                give(tablet, prompt, line)
        with hands(chromium, server.url, 360) as phone:
            phone.load(f"/case/{case}")
            for prompt, line in steps[phone_at:]:
                give(phone, prompt, line)
            assert "The case is closed." in phone.asked
        kept = server.store.events(case)
    photos = [event for event in kept if isinstance(event, ev.PhotoAdded)]
    at = steps[cut_at][0].step
    assert [one.step for one in photos] == [at.id if at is not None else ""]
    walked = [event for event in kept if not isinstance(event, ev.PhotoAdded)]
    assert plain(walked) == plain([replace(event) for event in typed.events])
    assert isinstance(kept[-1], ev.Closed)
    assert kept[-1].result == "fixed"
