"""Every screen in a real browser: accessible, within its width, free of errors."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser

from faulttree.reading import Bench
from faulttree.walk import events as ev
from tests.page.browser import readme_picture
from tests.page.browser.hands import Hands, hands
from tests.page.live import NOW, Live, live
from tests.session.samples import lamp

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
SIZES = [(360, False), (1400, True)]
OTHERS = [(360, True), (820, False), (820, True), (1400, False)]


def seconds_that_pass() -> Callable[[], str]:
    """A clock that is some seconds later at each look."""
    count = itertools.count()
    begin = dt.datetime(2026, 2, 11, 10, tzinfo=dt.UTC)
    return lambda: (begin + dt.timedelta(milliseconds=next(count))).isoformat()


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Live]:
    bench = Bench(likely_below=0.0)
    with live(tmp_path, bench=bench, now=seconds_that_pass(), fingerprint="AB:CD:EF") as made:
        yield made


def opened(server: Live) -> str:
    tree = lamp()
    unit = {"serial": "tag 3", "model": "desk lamp"}
    first = ev.Opened(at=NOW, tree=tree.id, tree_hash=tree.hash, unit=unit, complaint="dark")
    return server.store.open_case([first], tree_text=tree.text)


def clean(seen: Hands, name: str) -> None:
    """No violation of WCAG 2.2 AA that axe-core finds, no sideways scrolling, no errors."""
    report = Axe().run(seen.page, options=RULES)
    broken = [
        f"{one['id']}: {[node['html'][:150] for node in one['nodes'][:3]]}"
        for one in report.response["violations"]
    ]
    assert broken == [], name
    wide = seen.page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0, f"{name} is {wide} px too wide"
    assert seen.told == [], name


def tour(seen: Hands, server: Live) -> None:
    """Every kind of screen once."""
    for path in ("/", "/find?line=hums", "/library", "/devices", "/pair"):
        seen.load(path)
        clean(seen, path)
    case = opened(server)
    seen.load(f"/case/{case}")
    clean(seen, "caution")
    seen.answer("")
    clean(seen, "question")
    seen.tap('button[value="why"]')
    clean(seen, "why")
    # A link is followed: without waiting for the whole page its buttons may not be there yet.
    with seen.page.expect_navigation():
        seen.page.keyboard.press("Escape")
    assert seen.page.locator("#view").count() == 0
    seen.answer("yes")
    clean(seen, "action")
    seen.answer("")
    clean(seen, "wait")
    seen.tap('button[value="cut"]')
    clean(seen, "danger")
    seen.answer("")
    seen.answer("")
    clean(seen, "reading")
    seen.answer("5 V")
    assert seen.page.locator('[role="alert"]').count() == 1
    clean(seen, "refused")
    seen.answer("5 Mohm")
    clean(seen, "in circuit")
    seen.answer("yes")
    assert "HIGH" in seen.said
    clean(seen, "verdict and fault")
    seen.answer("new bulb")
    seen.answer("50 ohm")
    seen.answer("yes")
    clean(seen, "place")
    seen.answer("kept-for-parts")
    clean(seen, "modules")
    seen.page.check('input[value="holder"]')
    seen.tap(".answer button.main")
    clean(seen, "closed")
    for path in (
        "/",
        f"/case/{case}/report",
        f"/case/{case}/drawing",
        f"/case/{case}/photo",
        "/nothing",
        "/review",
    ):
        seen.load(path)
        seen.told[:] = [line for line in seen.told if "404" not in line]
        clean(seen, path)


@pytest.mark.parametrize(("width", "dark"), SIZES)
def test_every_screen_is_accessible(
    chromium: Browser, server: Live, width: int, dark: bool
) -> None:
    with hands(chromium, server.url, width, dark=dark) as seen:
        seen.told = Told422()
        tour(seen, server)


@pytest.mark.soak
@pytest.mark.parametrize(("width", "dark"), OTHERS)
def test_every_screen_is_accessible_in_the_other_colours(
    chromium: Browser, server: Live, width: int, dark: bool
) -> None:
    with hands(chromium, server.url, width, dark=dark) as seen:
        seen.told = Told422()
        tour(seen, server)


class Told422(list[str]):
    """The console, without the line by which Chromium reports a status that is meant."""

    def append(self, line: str) -> None:
        if "status of 422" not in line and "status of 409" not in line:
            super().append(line)


def test_the_picture_in_the_readme_can_be_taken_again(chromium: Browser, tmp_path: Path) -> None:
    content = BytesIO(readme_picture.taken(chromium, tmp_path))
    with Image.open(content) as new, Image.open(readme_picture.PICTURE) as shown:
        assert new.size == shown.size
    assert readme_picture.PICTURE.stat().st_size < 150_000
    assert "docs/pictures/page.png" in (readme_picture.ROOT / "README.md").read_text()
