"""What ``faulttree review`` promises: the same figures in every form, hostile texts as text."""

from __future__ import annotations

import base64
import csv
import difflib
import io
import json
import re
import shutil
import sqlite3
import struct
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from playwright.sync_api import Browser

from faulttree.cases import open_store
from faulttree.cli import cli, run
from faulttree.errors import TreeError
from faulttree.figures import Review, review
from faulttree.figures.proposals.apply import edit_of
from faulttree.figures.proposals.proposal import ReviewProposal
from faulttree.figures.render.html import page
from faulttree.figures.render.text import lines
from faulttree.figures.simulation.simulator import Shop, fill
from faulttree.tree import Library, build, shipped_library
from faulttree.tree.model import Tree

NAMES = ("usb-lamp/flickers", "usb-hub/devices-drop-out")
TREES = [shipped_library().load(name) for name in NAMES]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "record.db"
    with open_store(str(path)) as store:
        fill(store, TREES, Shop(seed=2), cases=160)
    return path


@pytest.fixture(scope="module")
def reviewed(record: Path) -> Review:
    with open_store(str(record), read_only=True) as store:
        return review(store, TREES)


@pytest.fixture(scope="module")
def html(reviewed: Review) -> str:
    return page(reviewed)


def called(record: Path, *arguments: str) -> Result:
    return CliRunner().invoke(cli, ["review", "--record", str(record), *arguments])


# -- the command -------------------------------------------------------------------------------


def test_json_is_one_document_with_numbers_as_they_are(record: Path) -> None:
    answer = called(record, "--json")
    assert answer.exit_code == 0
    document = json.loads(answer.stdout)
    assert [tree["tree"] for tree in document["trees"]] == sorted(NAMES)
    for tree in document["trees"]:
        assert {"tree", "cases", "steps", "faults", "proposals"} <= tree.keys()
        for fault in tree["faults"]:
            if fault["of"]:
                assert fault["share"] == fault["confirmed"] / fault["of"]
                assert fault["low"] <= fault["share"] <= fault["high"]


def test_a_missing_record_reads_as_empty(tmp_path: Path) -> None:
    answer = called(tmp_path / "none.db", "--json")
    assert answer.exit_code == 0
    assert json.loads(answer.stdout)["trees"] == []
    told = called(tmp_path / "none.db")
    assert told.exit_code == 0
    assert told.stdout == ""
    assert "no such case" in told.stderr


def test_filters_narrow_the_record(record: Path) -> None:
    whole = json.loads(called(record, "--json", "--family", "usb-lamp").stdout)
    one = json.loads(called(record, "--json", "--tree", NAMES[0]).stdout)
    assert [tree["tree"] for tree in one["trees"]] == [NAMES[0]]
    assert one["filters"] == {"tree": NAMES[0]}
    lamp = ("--family", "usb-lamp")
    early = json.loads(called(record, "--json", *lamp, "--until", "2024-12-31").stdout)
    late = json.loads(called(record, "--json", *lamp, "--since", "2025-01-01").stdout)
    assert early["cases"] + late["cases"] == whole["cases"]


def test_output_is_told_by_its_ending(record: Path, tmp_path: Path) -> None:
    for name in ("a.html", "a.csv", "a.json"):
        answer = called(record, "--tree", NAMES[0], "-o", str(tmp_path / name))
        assert answer.exit_code == 0, answer.output
        assert answer.stdout == ""
        assert (tmp_path / name).stat().st_size > 1000
    both = called(record, "--tree", NAMES[0], "--html", str(tmp_path / "b.html"), "--json")
    assert json.loads(both.stdout)["cases"] > 0
    assert (tmp_path / "b.html").read_text() == (tmp_path / "a.html").read_text()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["-o", "review.doc"], "does not end like a review"),
        (["-o", "no/such/folder/a.html"], "No such file"),
        (["--since", "last week"], "is no time"),
        (["--tree", "usb-lamp/flikers"], "usb-lamp/flickers"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_message(
    record: Path, arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["review", "--record", str(record), *arguments]) == 2
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told


def test_the_terminal_shows_what_the_document_says(record: Path, reviewed: Review) -> None:
    answer = called(record, "--tree", NAMES[0])
    assert answer.exit_code == 0
    assert "This record is invented." in answer.stdout
    tree = next(one for one in reviewed.trees if one.tree.id == NAMES[0])
    for fault in tree.faults:
        assert fault.fault in answer.stdout
        if fault.confirmed.count:
            shown = f"{fault.confirmed.count} of {fault.confirmed.of}: "
            assert re.search(rf"{fault.fault} +{shown}", answer.stdout)
    for proposal in tree.proposals:
        assert proposal.what.split()[0] in answer.stdout


def test_csv_has_a_row_for_every_branch_and_fault(record: Path, reviewed: Review) -> None:
    from faulttree.figures.render.csv_table import to_csv

    file = io.StringIO(newline="")
    many = to_csv(reviewed, file)
    rows = list(csv.DictReader(io.StringIO(file.getvalue(), newline="")))
    assert len(rows) == many
    branches = sum(len(step.branches) for tree in reviewed.trees for step in tree.steps)
    faults = sum(len(tree.faults) for tree in reviewed.trees)
    assert many == branches + faults
    row = next(row for row in rows if row["row"] == "fault" and int(row["confirmed"]))
    assert float(row["share"]) == int(row["confirmed"]) / int(row["of"])


# -- proposals into the tree -------------------------------------------------------------------


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A library of one's own: the shipped trees and what they share."""
    root = shipped_library().root
    for folder in ("trees", "shared"):
        shutil.copytree(root / folder, tmp_path / "library" / folder)
    return tmp_path / "library"


def proposed(kind: str, change: dict[str, Any]) -> ReviewProposal:
    return ReviewProposal(kind, "", "Do it.", "The record says so.", {}, change)


def test_weights_that_are_applied_are_not_proposed_again(shelf: Path, tmp_path: Path) -> None:
    tree = TREES[0]
    first, *rest = [name for name in tree.faults if name not in tree.loose]
    told = {tree.id: {first: 0.8, **{name: 0.2 / len(rest) for name in rest}}}
    record = tmp_path / "record.db"
    with open_store(str(record)) as store:
        fill(store, [tree], Shop(seed=4, drift=1.0, shares=told), cases=150)
    asked = ("--library", str(shelf), "--tree", tree.id)
    proposals = json.loads(called(record, *asked, "--json").stdout)["trees"][0]["proposals"]
    number = next(at for at, one in enumerate(proposals, 1) if one["kind"] == "weights")
    before = (shelf / "trees" / f"{tree.id}.yaml").read_text()

    shown = called(record, *asked, "--apply", str(number), "--json")
    assert json.loads(shown.stdout)["written"] is False
    assert (shelf / "trees" / f"{tree.id}.yaml").read_text() == before

    done = called(record, *asked, "--apply", str(number), "--yes")
    assert done.exit_code == 0, done.output
    after = (shelf / "trees" / f"{tree.id}.yaml").read_text()
    changed = [
        line
        for line in difflib.unified_diff(before.splitlines(), after.splitlines(), n=0)
        if line[:1] in "+-" and line[:3] not in ("+++", "---")
    ]
    assert changed
    assert all("weight:" in line for line in changed)
    again = json.loads(called(record, *asked, "--json").stdout)["trees"][0]["proposals"]
    named = [one for one in again if one["kind"] == "weights" and first in one["change"]["weights"]]
    assert not named


def test_limits_and_minutes_are_edited_where_they_stand(shelf: Path) -> None:
    library = Library(shelf)
    name = "bench-supply/no-output"
    limits = {"action": "set-limits", "tree": name, "step": "terminals"}
    edited = edit_of(
        library,
        proposed("limits", {**limits, "min": "11.2 V", "max": None, "source": "14 repaired units"}),
        even_so=True,
    ).change
    now = library.examine_text(edited.text, edited.path).tree
    assert now is not None
    # 12 V ± 2 % on the other side, to the last digit.
    assert dict(now.steps["terminals"].limits or {}) == {
        "min": "11.2 V",
        "max": "12.24 V",
        "source": "14 repaired units",
    }
    minutes = {"fuse": 3.5, "close.cover-off": 6.5}
    timed = {"action": "set-minutes", "tree": name, "minutes": minutes}
    edited = edit_of(library, proposed("minutes", timed)).change
    now = library.examine_text(edited.text, edited.path).tree
    assert now is not None
    assert {step: now.steps[step].minutes for step in minutes} == minutes


def slow_looks(folder: Path) -> Path:
    """A record of two trees that use one procedure, whose steps took five times as long."""
    path = folder / "slow.db"
    with open_store(str(path)) as store:
        fill(store, TREES, Shop(seed=5), cases=60)
    with sqlite3.connect(path) as file:
        file.execute("UPDATE steps SET minutes = minutes * 5")
    return path


def test_minutes_of_a_shared_procedure_are_proposed_once_and_applied(
    shelf: Path, tmp_path: Path
) -> None:
    record, asked = slow_looks(tmp_path), ("--library", str(shelf))
    document = json.loads(called(record, *asked, "--json").stdout)
    for tree in TREES:
        told = next(one for one in document["trees"] if one["tree"] == tree.id)["proposals"]
        named = [step for one in told for step in one["change"].get("minutes", ())]
        assert {tree.steps[step].where.document for step in named} <= {"tree"}
    names = [one["change"]["procedure"] for one in document["shared"]]
    assert names
    assert len(names) == len(set(names))

    change = document["shared"][0]["change"]
    done = called(record, *asked, "--apply", "1", "--yes")
    assert done.exit_code == 0, done.output
    found = Library(shelf).procedure(change["procedure"])
    assert found is not None
    steps = found[0].data["steps"]
    assert {name: steps[name]["minutes"] for name in change["minutes"]} == change["minutes"]
    again = json.loads(called(record, *asked, "--json").stdout)["shared"]
    assert change not in [one["change"] for one in again]


def test_a_procedure_of_a_lower_library_is_copied_to_the_topmost(
    shelf: Path, tmp_path: Path
) -> None:
    top = tmp_path / "top"
    (top / "trees").mkdir(parents=True)
    record, asked = slow_looks(tmp_path), ("--library", str(top), "--library", str(shelf))
    before = {path: path.read_bytes() for path in shelf.rglob("*.yaml")}
    done = called(record, *asked, "--apply", "1", "--yes")
    assert done.exit_code == 0, done.output
    assert list(top.glob("shared/procedures/*.yaml"))
    assert {path: path.read_bytes() for path in shelf.rglob("*.yaml")} == before


def test_every_proposal_that_says_so_is_applied(shelf: Path, tmp_path: Path) -> None:
    record, library = slow_looks(tmp_path), Library(shelf)
    with open_store(str(record), read_only=True) as store:
        found = review(store, library)
    made = [one for tree in found.trees for one in tree.proposals] + [*found.shared]
    ready = [one for one in made if not one.by_hand]
    assert len(ready) > 3
    for one in ready:
        assert edit_of(library, one).change.diff()


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("order", {"action": "replace-order"}, "must be applied manually"),
        ("minutes", {"action": "set-minutes", "minutes": {"look.lead": 2}}, "is not in this file"),
        ("minutes", {"action": "set-minutes", "minutes": {"no-such": 2}}, "is not in this file"),
        ("limits", {"action": "set-limits", "step": "fuse", "min": "1 V"}, "is not in this file"),
        ("weights", {"action": "set-weights", "weights": {"no-such": 2}}, "is not in this file"),
    ],
)
def test_what_cannot_be_applied_is_said(
    kind: str, change: dict[str, Any], said: str, shelf: Path
) -> None:
    with pytest.raises(TreeError, match=said) as told:
        edit_of(Library(shelf), proposed(kind, {**change, "tree": "bench-supply/no-output"}))
    assert told.value.remedy


def test_a_proposal_is_applied_to_one_tree_of_ones_own(record: Path) -> None:
    assert run(["review", "--record", str(record), "--apply", "99"]) == 2
    assert run(["review", "--record", str(record), "--tree", NAMES[0], "--apply", "99"]) == 2


# -- the page ----------------------------------------------------------------------------------


class Outline(HTMLParser):
    """What of a page must hold together: ids, links, tables, and what it would fetch."""

    VOID = frozenset({"meta", "br", "img"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.heads: list[dict[str, str | None]] = []
        self.tags: dict[str, int] = {}
        self.without_alt = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags[tag] = self.tags.get(tag, 0) + 1
        if tag not in self.VOID:
            self.open.append(tag)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "a":
            self.links.append(str(given.get("href")))
        if tag == "th":
            self.heads.append(given)
        if tag == "img" and not given.get("alt"):
            self.without_alt += 1
        self.fetched += [str(v) for k, v in attrs if k in ("src", "srcset", "data", "xlink:href")]
        assert not [name for name in given if name.startswith("on")], given

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_fetches_nothing(html: str) -> None:
    outline = Outline(html)
    assert not outline.open
    assert len(set(outline.ids)) == len(outline.ids)
    assert all(link.startswith("#") and link[1:] in outline.ids for link in outline.links)
    assert all(source.startswith("data:") for source in outline.fetched)
    assert "script" not in outline.tags
    assert "default-src 'none'" in html
    assert not re.search(r"url\(|@import|https?://(?!www\.w3\.org/)", html)


def test_the_page_can_be_read_without_eyes_or_mouse(html: str) -> None:
    outline = Outline(html)
    assert outline.tags["main"] == 1
    assert outline.tags["h1"] == 1
    assert outline.tags["table"] == outline.tags["caption"]
    assert all(head.get("scope") in ("col", "row") for head in outline.heads)
    assert not outline.without_alt
    plots = re.findall(r'<svg class="plot".*?</svg>', html, re.DOTALL)
    assert len(plots) >= 4
    for plot in plots:
        drawn = ET.fromstring(plot)
        assert drawn.get("role") == "img"
        assert (drawn.findtext("{http://www.w3.org/2000/svg}title") or "").strip()
        assert (drawn.findtext("{http://www.w3.org/2000/svg}desc") or "").strip()


def test_the_diagrams_on_the_page_are_svg_with_the_counts(html: str, reviewed: Review) -> None:
    drawn = [base64.b64decode(part) for part in re.findall(r"svg\+xml;base64,([^\"]+)", html)]
    assert len(drawn) == len(reviewed.trees)
    for one, tree in zip(drawn, reviewed.trees, strict=True):
        ET.fromstring(one)
        assert f"{tree.cases} cases counted" in one.decode()


def test_page_and_document_say_the_same(html: str, reviewed: Review) -> None:
    for tree in reviewed.trees:
        for fault in tree.faults:
            if fault.confirmed.count:
                assert f"{fault.confirmed.count} of {fault.confirmed.of}:" in html
    assert "This record is invented" in html


EVIL = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "javascript:alert(1)",
    "</style><svg onload=alert(1)>",
    "\x1b[31mred\x1b]0;title\x07",
    "\u202egnorw\u202c",
    "{{7*7}} %s {0} $(id) `id`",
    "=HYPERLINK(1)",
    "x" * 10_000,
)


def evil_tree(tree: Tree, text: str) -> Tree:
    """The tree with a hostile text wherever an author writes words."""
    bundle: dict[str, Any] = json.loads(tree.text)
    data = bundle["tree"]
    data["title"] = text
    for step in data["steps"].values():
        for key in ("ask", "measure", "do", "how"):
            if key in step:
                step[key] = text
    for fault in data["faults"].values():
        fault.update(title=text, part=text, remedy=text)
    return build(bundle, strict=False)


@pytest.mark.parametrize("text", EVIL, ids=range(len(EVIL)))
def test_hostile_texts_come_out_as_text(text: str, tmp_path: Path) -> None:
    tree = evil_tree(TREES[0], text)
    shop = Shop(seed=1, benches={f"{text} (invented)": 1.0})
    with open_store(None) as store:
        fill(store, [tree], shop, cases=25)
        found = review(store, [tree])
    written = page(found)
    outline = Outline(written)
    assert not outline.open
    assert not {"script", "iframe", "object", "link"} & outline.tags.keys()
    assert outline.tags["img"] == 1
    assert all(link.startswith("#") for link in outline.links)
    for drawn in re.findall(r"svg\+xml;base64,([^\"]+)", written):
        ET.fromstring(base64.b64decode(drawn))
    shown = "\n".join(lines(found, 100, full=True))
    for each in (written, shown):
        assert "\x1b" not in each
        assert "\u202e" not in each


def test_the_page_shows_in_a_browser(html: str, chromium: Browser, tmp_path: Path) -> None:
    """A page that failed to draw is one flat colour."""
    place, shot = tmp_path / "review.html", tmp_path / "review.png"
    place.write_text(html)
    seen = chromium.new_page(viewport={"width": 900, "height": 1200})
    seen.goto(place.as_uri())
    seen.screenshot(path=shot)
    seen.close()
    data = shot.read_bytes()
    assert struct.unpack(">II", data[16:24]) == (900, 1200)
    assert len(data) > 40_000
