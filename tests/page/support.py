"""A page under test: a server in this process, and a browser without JavaScript."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from faulttree.cases import Store, open_store
from faulttree.page import Access, Settings, application
from faulttree.reading import Bench
from faulttree.tree import Library, Tree, shipped_library
from faulttree.walk import events as ev

HOST = "127.0.0.1:8321"
ORIGIN = f"http://{HOST}"
NOW = "2026-02-11T10:00:00.000Z"


@dataclass
class Clock:
    """Seconds that pass only when a test says so."""

    at: float = 1_770_000_000.0

    def __call__(self) -> float:
        return self.at


@dataclass
class Form:
    """A form of a page: where it goes, its hidden fields, its buttons, its free fields."""

    to: str
    fields: dict[str, str] = field(default_factory=dict)
    buttons: list[tuple[str, str]] = field(default_factory=list)
    free: set[str] = field(default_factory=set)


class Forms(HTMLParser):
    """The forms of a page, as a browser without JavaScript sees them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.within = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.within = told.get("method") == "post"
            if self.within:
                self.forms.append(Form(told["action"]))
        if not self.within:
            return
        if tag == "input" and told.get("type") == "hidden":
            self.forms[-1].fields[told["name"]] = told["value"]
        elif tag in ("input", "textarea", "select") and told.get("name"):
            self.forms[-1].free.add(told["name"])
        elif tag == "button" and told.get("name"):
            self.forms[-1].buttons.append((told["name"], told.get("value", "")))

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.within = False


@dataclass
class Browser:
    """A device: it loads pages and posts forms."""

    client: TestClient
    text: str = ""
    status: int = 0
    path: str = "/"

    def _took(self, answer: Any) -> Browser:
        self.text, self.status = answer.text, answer.status_code
        self.path = answer.url.path
        return self

    def get(self, path: str, **more: Any) -> Browser:
        return self._took(self.client.get(path, **more))

    @property
    def forms(self) -> list[Form]:
        return Forms(self.text).forms

    @property
    def said(self) -> str:
        """The words of the page."""
        body = self.text.partition("<main")[2]
        return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())

    def form(self, action: str = "answer", choice: str = "") -> Form:
        """The form that takes this reply."""
        for form in self.forms:
            named = form.fields.get("action", "")
            if choice and ("choice", choice) in form.buttons and action == "answer":
                return form
            if ("action", action) in form.buttons or named == action:
                return form
        return next(form for form in self.forms if "key" in form.fields)

    def post(self, path: str, fields: Mapping[str, str], **more: Any) -> Browser:
        headers = {"origin": ORIGIN, **more}
        return self._took(self.client.post(path, data=dict(fields), headers=headers))

    def reply(self, text: str = "", *, action: str = "answer", choice: str = "") -> Browser:
        """Fill in the form that is open and send it."""
        form = self.form(action, choice)
        fields = {**form.fields, "action": action, "text": text, "choice": choice}
        return self.post(form.to, fields)


@dataclass
class Shop:
    """A server with its record."""

    client: TestClient
    store: Store
    access: Access
    clock: Clock
    told: list[str]

    def browser(self) -> Browser:
        return Browser(self.client)

    def open(self, tree: Tree, **unit: str) -> str:
        """A case that is open, as the terminal would have opened it."""
        opened = ev.Opened(
            at=NOW, tree=tree.id, tree_hash=tree.hash, unit={"serial": "tag 3", **unit}
        )
        return self.store.open_case([opened], tree_text=tree.text)

    def events(self, case: str) -> tuple[ev.Event, ...]:
        return self.store.events(case)


@contextmanager
def shop(
    folder: Path,
    *,
    client: tuple[str, int] = ("127.0.0.1", 50000),
    library: Library | None = None,
    bench: Bench | None = None,
    url: str = "",
    **more: Any,
) -> Iterator[Shop]:
    """A server on a record in this folder."""
    url = url or str(folder / "record.db")
    told: list[str] = []
    clock = Clock()
    settings = Settings(
        open_store=lambda: open_store(url),
        library=library or shipped_library(),
        bench=bench,
        hosts=frozenset({HOST, "192.168.1.20:8321"}),
        tell=told.append,
        **{"now": lambda: NOW, **more},
    )
    access = Access(folder / "devices.json", clock)
    app = application(settings, access)
    base = f"{settings.scheme}://{HOST}"
    with (
        open_store(url) as store,
        TestClient(app, base_url=base, client=client) as browser,
    ):
        yield Shop(browser, store, access, clock, told)
