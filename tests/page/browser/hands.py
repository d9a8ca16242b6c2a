"""Somebody at a screen: loads pages, taps, types, waits for the answer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from playwright.sync_api import Browser, BrowserContext, Page

WAIT_MS = 60_000


@dataclass
class Hands:
    """A browser window of one size, and what its console told."""

    context: BrowserContext
    page: Page
    url: str
    told: list[str] = field(default_factory=list)

    def load(self, path: str) -> Page:
        self.page.goto(f"{self.url}{path}")
        return self.page

    def settled(self) -> None:
        """Wait until nothing is on its way."""
        self.page.wait_for_selector("html:not([aria-busy])")
        self.page.wait_for_selector("main")

    def tap(self, selector: str) -> None:
        """Tap once, and wait for the answer."""
        self.page.locator(selector).first.click()
        self.settled()

    def answer(self, text: str) -> None:
        """Give an answer: its button, else the field, else the one large button."""
        button = self.page.locator(f'button[name="choice"][value="{text}"]')
        if text and button.count():
            button.first.click()
        else:
            if text:
                self.page.fill("#text", text)
            self.page.locator(".answer button.main").click()
        self.settled()

    def note(self, text: str) -> None:
        """Write a remark."""
        self.page.keyboard.press("n")
        self.page.fill("#text-note", text)
        self.page.keyboard.press("Enter")
        self.settled()

    @property
    def said(self) -> str:
        return self.page.inner_text("main")

    @property
    def asked(self) -> str:
        return self.page.inner_text("h1")


@contextmanager
def hands(
    chromium: Browser, url: str, width: int, *, dark: bool = False, touch: bool = True
) -> Iterator[Hands]:
    """A window of this width on a server; nothing may be said in its console."""
    context = chromium.new_context(
        viewport={"width": width, "height": 1180 if width < 1000 else 900},
        color_scheme="dark" if dark else "light",
        has_touch=touch,
        reduced_motion="reduce",
    )
    context.set_default_timeout(WAIT_MS)
    page = context.new_page()
    made = Hands(context, page, url)
    page.on("console", lambda message: made.told.append(message.text))
    page.on("pageerror", lambda error: made.told.append(str(error)))
    try:
        yield made
    finally:
        context.close()
