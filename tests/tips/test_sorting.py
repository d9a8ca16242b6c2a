"""Remarks sorted into tests worth making."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from faulttree.cli import cli
from faulttree.tips.remarks import Remark
from faulttree.tips.sorting import SortedRemarks, sort_remarks
from faulttree.tips.thesaurus import thesaurus_of
from faulttree.tips.voices import MOST, factor, voices
from faulttree.tree import Library, shipped_library

LIBRARY = shipped_library()
TREE = "bench-supply/no-output"


def sort(*said: tuple[str, str], tree: str = TREE) -> SortedRemarks:
    remarks = [Remark(n, text, author) for n, (author, text) in enumerate(said)]
    known = LIBRARY.load(tree) if tree else None
    return sort_remarks(remarks, thesaurus_of(LIBRARY), tree=known)


def test_copies_and_repeats_are_one_voice() -> None:
    copied = [Remark(n, "It is the fuse!", f"person {n}") for n in range(100)]
    assert voices(copied) == 1
    assert voices([Remark(0, "fuse", "a"), Remark(1, "F1", "a"), Remark(2, "relay", "b")]) == 2


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.sampled_from(["designator", "kind"]))
def test_no_number_of_voices_moves_the_odds_beyond_the_bound(
    for_it: int, against: int, exactness: str
) -> None:
    moved = factor(for_it, against, exactness)
    assert 1 / MOST < moved < MOST
    assert (moved > 1) == (for_it > against)


def test_a_hundred_copies_do_not_change_the_order() -> None:
    two = [("a", "I suspect F1."), ("b", "Check the current limit knob.")]
    copies = [(f"c{n}", "I suspect F1.") for n in range(100)]
    once, often = sort(*two), sort(*two, *copies)
    assert [one.suspect for one in once.groups] == [one.suspect for one in often.groups]


def test_one_suspect_in_four_languages_is_one_group() -> None:
    found = sort(
        ("a", "Measure the fuse."), ("b", "Sicherung prüfen."), ("c", "Vérifiez le fusible."),
        ("d", "Revisar el fusible."), ("e", "It is not the fuse."),
    )  # fmt: skip
    (group,) = [one for one in found.groups if one.voices]
    assert group.remarks == (0, 1, 2, 3)
    assert (group.voices, group.against) == (4, 1)


def test_an_unsafe_remark_is_never_made_into_a_test() -> None:
    found = sort(("a", "Bridge the fuse with wire and test it."), tree="")
    assert found.unsafe
    assert all(one.test is None and one.voices == 0 for one in found.groups)


def test_a_suspect_of_the_tree_gets_its_test_with_minutes_and_cautions() -> None:
    found = sort(("a", "The output transistor on the heat sink, the pass transistor, is shorted."))
    group = found.groups[0]
    assert group.fault == "shorted-pass-transistor"
    assert group.test is not None
    tree = LIBRARY.load(TREE)
    step = tree.steps[group.test["step"]]
    assert group.fault in step.targets.values()
    assert "mains" in group.test["cautions"]
    assert group.test["minutes"] >= step.cost


@pytest.mark.parametrize("tree", [TREE, ""])
def test_every_remark_is_somewhere(tree: str) -> None:
    path = Path(__file__).parent / "remarks_tune.jsonl"
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    found = sort(*((one["author"], one["text"]) for one in lines), tree=tree)
    places = [n for one in found.groups for n in one.remarks]
    places += [*found.unsafe, *found.no_test, *found.questions, *found.unplaced]
    assert set(places) == set(range(len(lines)))


def test_the_command_gives_the_same_as_json(tmp_path: Path) -> None:
    file = tmp_path / "said.txt"
    file.write_text("Check F1.\nsame here\nBridge the fuse.\n")
    done = CliRunner().invoke(cli, ["tips", "sort", str(file), "--tree", TREE, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["no_test"] == [1]
    assert told["unsafe"] == [2]
    assert told["groups"][0]["remarks"] == [0, 2]


def test_a_file_that_is_missing_is_named() -> None:
    done = CliRunner().invoke(cli, ["tips", "sort", "no-such-file.txt"])
    assert done.exit_code != 0


def test_remarks_about_a_unit_without_a_tree_become_a_tree_that_check_finds_clean(
    tmp_path: Path,
) -> None:
    said = tmp_path / "said.txt"
    said.write_text(
        "Measure the heater, cold and unplugged.\nLook at the fan, it may be full of dust.\n"
        "Unplug it and measure the thermistor.\nBridge the thermal cut-out.\n"
    )
    (tmp_path / "shop" / "trees").mkdir(parents=True)
    place = ["--library", str(tmp_path / "shop")]
    run = CliRunner().invoke
    made = run(cli, ["tips", "new", str(said), "kiln-controller/stays-cold", "--yes", *place])
    assert made.exit_code == 0, made.output
    file = tmp_path / "shop" / "trees" / "kiln-controller" / "stays-cold.yaml"
    text = file.read_text()
    assert "heater" in text
    assert "Bridge" not in text
    checked = run(cli, ["check", str(file), "--json"])
    assert checked.exit_code == 0, checked.output


def test_a_tree_from_remarks_is_committed_where_that_is_asked_for(tmp_path: Path) -> None:
    shop = tmp_path / "shop"
    (shop / "trees").mkdir(parents=True)
    for words in (("init", "-q"), ("config", "user.name", "Bench"),
                  ("config", "user.email", "b@example.org")):  # fmt: skip
        git(shop, *words)
    said = tmp_path / "said.txt"
    said.write_text("Measure the heater, cold and unplugged.\n")
    start = ["tips", "new", str(said), "--yes", "--json", "--library", str(shop)]
    run = CliRunner().invoke
    plain = run(cli, [*start, "kiln-controller/too-hot"])
    assert plain.exit_code == 0, plain.output
    assert json.loads(plain.stdout)["commit"] is None
    done = run(
        cli, [*start, "kiln-controller/stays-cold", "--symptom", "cold, no glow", "--commit"]
    )
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["commit"]
    assert git(shop, "log", "--format=%s").splitlines() == ["Start kiln-controller/stays-cold"]
    shown = git(shop, "show", "--name-only", "--format=", "HEAD").split()
    assert shown == ["trees/kiln-controller/stays-cold.yaml"]
    symptoms = Library(shop).load("kiln-controller/stays-cold").symptoms
    assert [one.text for one in symptoms] == ["cold", "no glow"]


def git(root: Path, *words: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(root), *words], check=True, capture_output=True, text=True
    )
    return done.stdout


def test_a_suspect_is_kept_in_the_tree_with_its_source(tmp_path: Path) -> None:
    shop = tmp_path / "shop" / "trees" / "bench-supply"
    shop.mkdir(parents=True)
    shop.joinpath("no-output.yaml").write_text(LIBRARY.path_of(TREE).read_text())
    said = tmp_path / "said.csv"
    said.write_text("text,author,date\nCheck the current limit knob,quiet-pine,2026-02-03\n")
    arguments = ["tips", "add", str(said), "1", "--tree", TREE, "--yes"]
    done = CliRunner().invoke(cli, [*arguments, "--library", str(tmp_path / "shop")])
    assert done.exit_code == 0, done.output
    text = shop.joinpath("no-output.yaml").read_text()
    assert "remarks of quiet-pine" in text
    assert "2026-02-03" in text


def test_all_suspects_are_added_and_what_is_left_is_named(tmp_path: Path) -> None:
    shop = tmp_path / "shop" / "trees" / "bench-supply"
    shop.mkdir(parents=True)
    shop.joinpath("no-output.yaml").write_text(LIBRARY.path_of(TREE).read_text())
    said = tmp_path / "said.csv"
    said.write_text(
        "text,author,date\nCheck the current limit knob,quiet-pine,2026-02-03\n"
        "Measure the crystal X4,tall-oak,2026-02-04\nBridge the fuse,low-fern,2026-02-04\n"
        "same here,red-ash,2026-02-05\n"
    )
    arguments = ["tips", "add", str(said), "--all", "--tree", TREE, "--yes", "--json"]
    done = CliRunner().invoke(cli, [*arguments, "--library", str(tmp_path / "shop")])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert all(one["written"] for one in told["added"])
    assert {number for one in told["left"] for number in one["remarks"]} == {2, 3}
    assert all(one["reason"] for one in told["left"])
    text = shop.joinpath("no-output.yaml").read_text()
    assert "remarks of quiet-pine" in text
    assert "remarks of tall-oak" in text
    assert "low-fern" not in text
