"""``faulttree find`` understands what is said of a unit."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faulttree.cli import run
from faulttree.tree import find_library, shipped_library
from faulttree.tree.search import FIRST_TESTS, find
from tests.support.counts import examples

LIBRARY = shipped_library()


@pytest.mark.parametrize(
    ("said", "tree"),
    [
        ("no output", "bench-supply/no-output"),
        ("no outpt", "bench-supply/no-output"),
        ("bench suply", "bench-supply/no-output"),
        ("Output voltage WANDERS", "bench-supply/output-not-steady"),
        ("speaker hums", "powered-loudspeaker/hums"),
        ("my drill sparks!", "corded-drill/sparks-and-smells"),
        ("battery runs short", "tool-battery/runs-short"),
        ("bridge-and-reservoir", "bench-supply/no-output"),
        ("the computer is dead", "desktop-supply/does-not-start"),
        ("corded-drill/does-not-run", "corded-drill/does-not-run"),
    ],
)
def test_the_tree_that_is_meant_comes_first(said: str, tree: str) -> None:
    assert find(said, LIBRARY)[0].tree == tree


def test_a_model_finds_its_tree(tmp_path: Path) -> None:
    tree = tmp_path / "trees" / "lamp" / "dark.yaml"
    tree.parent.mkdir(parents=True)
    tree.write_text(
        "title: A lamp, dark\nfamily: lamp\nstart: a\n"
        "ratings: {rail: {unit: V, models: {tall-twelve: 12 V}}}\n"
        "steps: {a: {ask: So?, answers: {yes: b, no: b}}}\n"
        "faults: {b: {title: B, remedy: R}}\nstops: {}\n",
        encoding="utf-8",
    )
    library = find_library(str(tmp_path), {}, tmp_path)
    assert [match.tree for match in find("tall-twelve", library)] == ["lamp/dark"]


def test_what_nobody_knows_finds_nothing_and_no_words_find_all() -> None:
    assert find("zzz qqq", LIBRARY) == ()
    assert [match.tree for match in find("  ", LIBRARY, limit=0)] == sorted(LIBRARY.trees())
    assert len(find("does not", LIBRARY, limit=2)) == 2


@settings(max_examples=examples(15))
@given(st.text(max_size=30))
def test_any_words_at_all_may_be_said(said: str) -> None:
    found = find(said, LIBRARY, limit=3)
    assert all(0 <= match.score <= 100 for match in found)
    assert [match.score for match in found] == sorted((m.score for m in found), reverse=True)


def test_the_command_lists_them_and_says_where_there_is_none(
    capsys: pytest.CaptureFixture[str],
) -> None:
    root = str(LIBRARY.root)
    assert run(["find", "no", "output", "--library", root]) == 0
    out, err = capsys.readouterr()
    assert out.splitlines()[0] == "bench-supply/no-output"
    assert err == ""
    assert run(["find", "no", "output", "--json", "--library", root]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["matches"][0]["tree"] == "bench-supply/no-output"
    assert run(["find", "zzz\x1b[31m", "--library", root]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "no tree fits 'zzz<U+001B>[31m'" in err
    assert f"faulttree diagnose {FIRST_TESTS}" in err


@pytest.mark.parametrize("said", ["my kettle leaks", "violin string torn", "no tree fits"])
def test_what_no_tree_fits_is_offered_the_first_tests_of_any_device(
    said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["find", said, "--library", str(LIBRARY.root)]) == 1
    assert f"faulttree diagnose {FIRST_TESTS}" in capsys.readouterr().err
    assert LIBRARY.load(FIRST_TESTS).start == "settings", "what costs nothing comes first"


def test_a_broken_tree_does_not_hide_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "trees" / "lamp"
    folder.mkdir(parents=True)
    (folder / "broken.yaml").write_text("title: [", encoding="utf-8")
    (folder / "odd.yaml").write_text("- 1\n", encoding="utf-8")
    (folder / "dark.yaml").write_text("title: A lamp, dark\nsymptoms: [dark]\n", encoding="utf-8")
    assert run(["find", "lamp dark", "--library", str(tmp_path)]) == 0
    assert "lamp/dark" in capsys.readouterr().out
    assert run(["find", "x", "--library", str(tmp_path / "nowhere")]) == 2


@pytest.mark.parametrize(
    ("said", "tree"),
    [
        ("soldering station cold", "soldering-station/does-not-heat"),
        ("lamp dark", "usb-lamp/does-not-light"),
        ("my vacuum cleaner has no power any more", "shop-vacuum/does-not-run"),
        ("speakers humming", "powered-loudspeaker/hums"),
        ("the pc switches off when I play games", "desktop-supply/shuts-down-under-load"),
        ("garden pump hums but nothing moves", "small-pump/hums-and-does-not-turn"),
        ("extension cord trips the breaker", "extension-reel/fails-safety-test"),
        ("grinder shakes like crazy", "angle-grinder/vibrates"),
    ],
)
def test_the_family_named_and_everyday_phrases_count(said: str, tree: str) -> None:
    assert find(said, LIBRARY)[0].tree == tree


@pytest.mark.parametrize(
    "said",
    ["microwave does not heat", "my washing machine leaks", "television has no picture"],
)
def test_a_strange_kind_of_unit_fits_no_tree(said: str) -> None:
    assert find(said, LIBRARY) == ()
