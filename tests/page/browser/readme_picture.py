"""The picture of the page in the README: ``python -m tests.page.browser.readme_picture``."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from faulttree.reading import Bench
from faulttree.tree import Library
from faulttree.walk import events as ev
from tests.page.browser.chromium import found
from tests.page.browser.hands import hands
from tests.page.live import NOW, live
from tests.session.samples import Driver

ROOT = Path(__file__).parent.parent.parent.parent
PICTURE = ROOT / "docs" / "pictures" / "page.png"
WIDTH, HEIGHT = 820, 1000
TREE = "soldering-station/does-not-heat"
LINES = ("sound", "sound", "sound", "below", "5.2 kohm", "as-marked", "2.1 ohm", "I", "0.1 ohm")
"""The beginning of a search on a tree of the demo; cautions and actions are answered between."""


def taken(chromium: Browser, folder: Path) -> bytes:
    """A screenshot of a reading that was judged, and of the step after it."""
    library = Library(ROOT / "demo")
    tree = library.examine(TREE).tree
    assert tree is not None
    unit = {"serial": "tag 41", "model": "60 W station"}
    first = ev.Opened(at=NOW, tree=tree.id, tree_hash=tree.hash, unit=unit, complaint="lamp dark")
    typed, lines = Driver(tree, events=[first], bench=Bench()), list(LINES)
    while len(lines) > 1:
        prompt = typed.prompt
        silent = prompt.kind == "cautions" or (prompt.step and prompt.step.kind == "do")
        typed.type("" if silent else lines.pop(0))
    with live(folder, bench=Bench(), library=library) as server:
        case = server.store.open_case(typed.events, tree_text=tree.text)
        with hands(chromium, server.url, WIDTH) as seen:
            seen.load(f"/case/{case}")
            while seen.page.locator("#text").count() == 0:
                seen.answer("")
            seen.answer(lines[0])
            seen.page.locator("body").click(position={"x": 2, "y": 2})
            seen.page.wait_for_load_state("networkidle")
            clip = {"x": 0, "y": 0, "width": WIDTH, "height": HEIGHT}
            return seen.page.screenshot(clip=clip)  # type: ignore[arg-type]


def main() -> None:
    with sync_playwright() as driver, tempfile.TemporaryDirectory() as folder:
        chromium = driver.chromium.launch(executable_path=str(found()), args=["--no-sandbox"])
        content = taken(chromium, Path(folder))
        chromium.close()
        PICTURE.parent.mkdir(exist_ok=True)
        raw = Path(folder) / "raw.png"
        raw.write_bytes(content)
        small = Image.open(raw).convert("RGB").quantize(160, dither=Image.Dither.NONE)
        small.save(PICTURE, optimize=True)


if __name__ == "__main__":
    main()
