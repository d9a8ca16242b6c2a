"""What became of remarks in a case."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from faulttree.cases import open_store
from faulttree.cli import cli
from faulttree.tips.remarks import Remark
from faulttree.tips.results import by_author, results_of
from faulttree.tips.sorting import sort_remarks
from faulttree.tips.thesaurus import thesaurus_of
from faulttree.tree import Tree, build, shipped_library
from faulttree.walk.events import Answered, Confirmed, Event, Opened, RepairTried
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
