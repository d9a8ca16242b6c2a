"""What the page costs beside the same replies without it.

``python -m benchmarks.bench_page [--cases N]``

1. The time of the server for one answer, beside the same ``reply`` and its write in process, in
   turn, on a record of N cases. Counted for the server are the guard, the form, the reply, the
   write and the redirection; the page that follows is told apart.
2. Fifty devices that answer at once, each twice: none lost, none doubled.
3. Bytes and requests of the first page.
"""

from __future__ import annotations

import argparse
import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from benchmarks.bench_record import AT, fill
from faulttree.cases import Store, open_store
from faulttree.page import Access, Settings, application
from faulttree.session import Context, Position, Prompt, Reply, next_prompt, reply
from faulttree.tree import Tree, shipped_library
from faulttree.walk.events import Event, Opened

HOST = b"127.0.0.1:8321"
TREE = "usb-lamp/does-not-light"
WALKS, STEPS, DEVICES = 20, 6, 50
ALLOWED, ALLOWED_BYTES, ALLOWED_REQUESTS = 3.0, 100_000, 3


class Hidden(HTMLParser):
    """The hidden fields of the first form of a page that has a reply's id, and its choices."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "input" and told.get("type") == "hidden" and told["name"] != "action":
            self.fields.setdefault(told["name"], told["value"])


@dataclass
class Device:
    """A client without a network: it calls the application itself."""

    app: Any
    headers: dict[bytes, bytes] = field(default_factory=dict)

    async def ask(
        self, method: str, path: str, fields: Mapping[str, str] | None = None
    ) -> tuple[int, dict[bytes, bytes], bytes, float]:
        """One request: status, headers, body, seconds."""
        body = urlencode(fields or {}).encode()
        headers = [(b"host", HOST), *self.headers.items()]
        if fields is not None:
            headers += [
                (b"origin", b"http://" + HOST),
                (b"content-type", b"application/x-www-form-urlencoded"),
                (b"content-length", str(len(body)).encode()),
            ]
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": path, "raw_path": path.encode(), "query_string": b"",
            "headers": headers, "client": ("127.0.0.1", id(self) % 60_000), "server": None,
            "root_path": "",
        }  # fmt: skip
        got: list[Any] = []

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: dict[str, Any]) -> None:
            got.append(message)

        begin = time.perf_counter()
        await self.app(scope, receive, send)
        spent = time.perf_counter() - begin
        told = dict(got[0]["headers"])
        if b"set-cookie" in told:
            self.headers[b"cookie"] = told[b"set-cookie"].partition(b";")[0]
        return got[0]["status"], told, b"".join(one.get("body", b"") for one in got), spent


def choice_of(prompt: Prompt) -> str:
    """What is answered: the first choice, or the outcome that a good unit gives."""
    if prompt.choices:
        return prompt.choices[0].id
    step = prompt.step
    if prompt.kind == "cautions" or step is None or step.kind == "do":
        return ""
    return step.normal_outcome or next(iter(step.targets))


def opened(store: Store, tree: Tree) -> str:
    first = Opened(at=AT, tree=tree.id, tree_hash=tree.hash, unit={"serial": "tag 9"})
    return store.open_case([first], tree_text=tree.text)


@dataclass
class Alone:
    """The same walk in process, with the position kept from reply to reply."""

    store: Store
    position: Position
    context: Context

    def answer(self) -> float:
        prompt = next_prompt(self.position, self.context)
        given = Reply(prompt.id, text=choice_of(prompt), carry=prompt.carry)
        begin = time.perf_counter()
        result = reply(self.position, self.context, prompt, given)
        events: tuple[Event, ...] = getattr(result, "events", ())
        self.store.append(self.position.case, len(self.position.events), *events)
        self.position = self.position.after(*events)
        return time.perf_counter() - begin


async def one_answer(app: Any, store: Store, tree: Tree) -> None:
    """The server beside the same reply in process, in turn."""
    device, page, post, ours = Device(app), [], [], []
    for _ in range(WALKS):
        case = opened(store, tree)
        other = opened(store, tree)
        alone = Alone(store, Position(tree, other, store.events(other)), Context(now=AT))
        _, _, text, _ = await device.ask("GET", f"/case/{case}")
        for _ in range(STEPS):
            prompt = next_prompt(alone.position, alone.context)
            fields = {**Hidden(text.decode()).fields, "action": "answer", "text": choice_of(prompt)}
            status, _, _, spent = await device.ask("POST", f"/case/{case}/reply", fields)
            assert status == 303, status
            post.append(spent)
            ours.append(alone.answer())
            _, _, text, spent = await device.ask("GET", f"/case/{case}")
            page.append(spent)
    server, process, shown = (1e3 * statistics.median(one) for one in (post, ours, page))
    print(
        f"one answer: {server:.1f} ms of the server, {process:.1f} ms in process; "
        f"ratio {server / process:.2f}, allowed {ALLOWED}; the page after it {shown:.1f} ms, "
        f"ratio of both {(server + shown) / process:.2f}"
    )


async def all_at_once(app: Any, store: Store, tree: Tree) -> None:
    """Fifty devices, each with a case of its own, each sending its answer twice."""
    cases = [opened(store, tree) for _ in range(DEVICES)]

    async def device(case: str) -> list[int]:
        one = Device(app)
        _, _, text, _ = await one.ask("GET", f"/case/{case}")
        fields = {**Hidden(text.decode()).fields, "action": "note", "text": "at once"}
        sent = [one.ask("POST", f"/case/{case}/reply", fields) for _ in range(2)]
        return [answer[0] for answer in await asyncio.gather(*sent)]

    begin = time.perf_counter()
    answers = await asyncio.gather(*(device(case) for case in cases))
    spent = time.perf_counter() - begin
    kept = [sum(event.kind == "noted" for event in store.events(case)) for case in cases]
    lost, doubled = kept.count(0), sum(many > 1 for many in kept)
    wrong = sum(status != 303 for both in answers for status in both)
    print(
        f"{DEVICES} devices at once, each answer twice: {spent:.2f} s, {lost} lost, "
        f"{doubled} doubled, {wrong} refused"
    )


async def first_page(app: Any) -> None:
    """The list of cases with its style and script."""
    device = Device(app)
    total, paths = 0, ["/", "/static/page.css", "/static/page.js"]
    for path in paths:
        total += len((await device.ask("GET", path))[2])
    print(
        f"first page: {total:,} bytes in {len(paths)} requests, allowed {ALLOWED_BYTES:,} "
        f"in {ALLOWED_REQUESTS}"
    )


async def measured(folder: Path, cases: int) -> None:
    path = str(folder / "large.sqlite")
    fill(folder / "large.sqlite", cases)
    library = shipped_library()
    tree = library.examine(TREE).tree
    assert tree is not None
    settings = Settings(
        open_store=lambda: open_store(path), library=library, bench=None, now=lambda: AT,
        hosts=frozenset({HOST.decode()}), stopwatch=lambda: 0.0,
    )  # fmt: skip
    app = application(settings, Access(None, time.time))
    app.rate.burst = 1e9
    with open_store(path) as store:
        await one_answer(app, store, tree)
        await all_at_once(app, store, tree)
    await first_page(app)


def main() -> None:
    parser = argparse.ArgumentParser(prog="bench_page")
    parser.add_argument("--cases", type=int, default=100_000)
    told = parser.parse_args(sys.argv[1:])
    with tempfile.TemporaryDirectory(dir=".") as folder:
        asyncio.run(measured(Path(folder), told.cases))


if __name__ == "__main__":
    main()
