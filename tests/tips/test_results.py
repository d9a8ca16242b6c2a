"""What became of remarks in a case."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from faulttree.cases import open_store
from faulttree.cases.free_words import blanked
from faulttree.cases.rows import as_json
from faulttree.cases.transfer.export import Leave, without
from faulttree.cli import cli
from faulttree.tips.keeping import remarks_kept
from faulttree.tips.remarks import Remark
from faulttree.tips.results import by_author, results_of
from faulttree.tips.sorting import sort_remarks
from faulttree.tips.thesaurus import thesaurus_of
from faulttree.tree import Tree, build, shipped_library
from faulttree.walk.events import (
    Answered,
    Confirmed,
    Event,
    Opened,
    RemarkKept,
    RepairTried,
    from_dict,
)
from faulttree.walk.fold import fold

SAID = (
    ("ann", "It is the relay, clean its contacts."),
    ("bob", "Measure the fuse."),
    ("bob", "Bridge the fuse."),
    ("cat", "The transformer, I say."),
    ("dan", "same here"),
)


@pytest.fixture(scope="module")
def tree() -> Tree:
    proof = {"confirm": {"step": "relay", "gives": "clicks"}}
    return build({
        "id": "lamp/dark",
        "tree": {
            "title": "Lamp, dark",
            "family": "lamp",
            "start": "fuse",
            "steps": {
                "fuse": {"ask": "Is the fuse whole?",
                         "answers": {"whole": "relay", "blown": "blown-fuse"}},
                "relay": {"ask": "Does the relay click?",
                          "answers": {"clicks": "end", "stuck": "stuck-relay"}},
            },
            "faults": {
                "blown-fuse": {"title": "Fuse blown", "remedy": "Replace it.", **proof},
                "stuck-relay": {"title": "Relay stuck", "remedy": "Replace it.", **proof},
            },
            "stops": {"end": {"title": "Beyond this tree", "reason": "out-of-scope"}},
        },
    })  # fmt: skip


def events(tree: Tree, *, cured: bool) -> list[Event]:
    at = "2026-02-03T10:00:00.000Z"
    unit = {"family": "lamp", "serial": "tag 77"}
    told: list[Event] = [
        Opened(at=at, tree=tree.id, tree_hash=tree.hash, unit=unit, owner_words="my aunt's"),
        Answered(at=at, step="fuse", outcome="whole"),
    ]
    if cured:
        told += [
            Answered(at=at, step="relay", outcome="stuck"),
            RepairTried(at=at, fault="stuck-relay"),
            Confirmed(at=at, fault="stuck-relay", step="relay", outcome="clicks"),
        ]
    return told


@pytest.mark.parametrize("cured", [True, False])
def test_only_a_proved_repair_makes_a_remark_right(tree: Tree, cured: bool) -> None:
    remarks = [Remark(n, text, author) for n, (author, text) in enumerate(SAID)]
    state = fold(tree, events(tree, cured=cured))
    found = sort_remarks(remarks, thesaurus_of(shipped_library()), tree=tree, state=state)
    told = results_of(found, state)
    first = "right" if cured else "not-tested"
    assert [one.result for one in told] == [first, "wrong", "unsafe", "not-tested", "no-test"]
    assert told[1].decided == "Is the fuse whole?: whole."


def test_the_command_sends_back_no_owner_data_and_no_names_on_request(
    tree: Tree, tmp_path: Path
) -> None:
    record = str(tmp_path / "cases.db")
    with open_store(record) as store:
        store.open_case(events(tree, cured=True), tree_text=tree.text)
    said = tmp_path / "said.jsonl"
    lines = [json.dumps({"text": text, "author": author}) for author, text in SAID]
    said.write_text("\n".join(lines))
    arguments = ["tips", "result", str(said), "--case", "1", "--record", record]
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 0, done.output
    assert "To ann" in done.stdout
    assert "right" in done.stdout
    assert "aunt" not in done.stdout
    assert "tag 77" not in done.stdout
    plain = CliRunner().invoke(cli, [*arguments, "--without-names", "--json"])
    assert plain.exit_code == 0, plain.output
    assert not [name for name in ("ann", "bob", "cat", "dan") if f'"{name}"' in plain.stdout]
    assert [one["author"] for one in json.loads(plain.stdout)["authors"]] == [
        f"person {n}" for n in range(1, 5)
    ]
    assert by_author(()) == {"authors": []}


def shop(tree: Tree, tmp_path: Path) -> tuple[str, Path]:
    record = str(tmp_path / "cases.db")
    with open_store(record) as store:
        store.open_case(events(tree, cured=True), tree_text=tree.text)
    said = tmp_path / "said.jsonl"
    lines = [json.dumps({"text": text, "author": author}) for author, text in SAID]
    said.write_text("\n".join(lines))
    return record, said


def run(*arguments: str) -> str:
    done = CliRunner().invoke(cli, ["tips", *arguments])
    assert done.exit_code == 0, done.output
    return done.stdout


def test_remarks_kept_with_a_case_give_the_same_results_without_the_file(
    tree: Tree, tmp_path: Path
) -> None:
    record, said = shop(tree, tmp_path)
    here = ("--case", "1", "--record", record)
    from_file = run("result", str(said), *here)
    kept = json.loads(run("keep", str(said), *here, "--json"))["kept"]
    assert [one["decision"] for one in kept] == ["attached", "attached", "left", "left", "left"]
    assert [one.get("fault") for one in kept[:2]] == ["stuck-relay", "blown-fuse"]
    assert all(one["reason"] for one in kept[2:])
    assert run("result", *here) == from_file
    assert run("keep", str(said), *here).startswith("0 of 5 remarks kept")


def test_a_remark_marked_as_contradicted_is_told_with_the_reason(
    tree: Tree, tmp_path: Path
) -> None:
    record, said = shop(tree, tmp_path)
    here = ("--case", "1", "--record", record)
    groups = json.loads(run("sort", str(said), *here[:2], *here[2:], "--json"))["groups"]
    place = next(n for n, one in enumerate(groups, 1) if 3 in one["remarks"])
    run("keep", str(said), *here)
    run("keep", str(said), *here, "--contradict", str(place), "both windings read 58 ohm")
    assert "not so. both windings read 58 ohm" in run("result", *here)
    wrong = ["tips", "keep", str(said), *here, "--leave", "99"]
    assert CliRunner().invoke(cli, wrong).exit_code == 2


def test_an_export_without_names_has_no_authors_or_words_of_remarks() -> None:
    event = RemarkKept(text="ask Jo, it is the fuse", author="Jo", decision="attached", fault="f")
    left = without(event.to_dict(), Leave(names=True), "")
    assert left == {"kind": "remark-kept", "decision": "attached", "fault": "f"}
    assert remarks_kept([from_dict(left)]) == ()
    blank = json.loads(blanked(as_json(event.to_dict())))
    assert from_dict(blank) == RemarkKept(decision="attached", fault="f")


def test_the_public_page_holds_nothing_of_owner_unit_or_authors(tree: Tree, tmp_path: Path) -> None:
    record, said = shop(tree, tmp_path)
    lines = [{"text": "My aunt's has tag 77, clean <b>the relay</b>.", "author": "eve"}]
    said.write_text("\n".join([said.read_text(), *map(json.dumps, lines)]))
    here = ("--case", "1", "--record", record)
    run("keep", str(said), *here)
    page = run("result", *here, "--page")
    for private in ("aunt", "77", "ann", "bob", "eve", "<b>", "Bridge"):
        assert private not in page
    assert "Relay stuck. The repair held." in page
    assert "right" in page
    assert "Do not try this." in page
