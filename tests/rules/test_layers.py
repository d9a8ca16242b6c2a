"""Libraries on top of each other: what is taken from which, and what check says of it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from faulttree.authoring.cause import Cause
from faulttree.authoring.operations.suspects import Statement, add_suspect
from faulttree.cli import run
from faulttree.errors import TreeError
from faulttree.rules import check_paths
from faulttree.tree import Library, find_library, shipped_library
from faulttree.tree.edit import write_all
from faulttree.tree.layers import replacements
from tests.authoring.samples import TREE

Said = pytest.CaptureFixture[str]

CAUTION = "mains: {signal: CAUTION, text: Pull the plug., covers: [voltage]}\n"


def library(root: Path, tree: str = "", **files: str) -> Path:
    """A library folder with perhaps one tree, and other files by name without ending."""
    (root / "shared").mkdir(parents=True)
    if tree:
        path = root / "trees" / "lamp" / "dark.yaml"
        path.parent.mkdir(parents=True)
        path.write_text(tree)
    for name, text in files.items():
        place = "shared" if name in ("cautions", "families", "instruments") else "."
        (root / place / f"{name}.yaml").write_text(text)
    return root


def test_a_whole_item_is_taken_from_the_topmost_library_that_has_it(tmp_path: Path) -> None:
    own = library(tmp_path / "own", TREE.replace("title: ", "title: Own ", 1))
    shop = library(tmp_path / "shop", TREE, cautions=CAUTION)
    found = find_library([str(own), str(shop)], {}, Path("/"))
    assert found.load("lamp/dark").title.startswith("Own ")
    assert found.cautions["mains"]["text"] == "Pull the plug."
    assert "bench-supply/no-output" in found.trees()
    assert found.layer_of("bench-supply/no-output").is_shipped
    assert [layer.root for layer in found.layers][:2] == [own, shop]
    assert found.own_trees() == ("lamp/dark",)


def test_the_order_is_options_environment_nearest_bench_file_shipped(tmp_path: Path) -> None:
    a, b, c, d, e = (library(tmp_path / name, TREE) for name in "abcde")
    (a / "bench.yaml").write_text("title: Bench\nlibrary: [../e]\n")
    environ = {"FAULTTREE_LIBRARY": os.pathsep.join([str(b), str(c)])}
    roots = [layer.root.resolve() for layer in find_library(str(a), environ, d / "trees").layers]
    assert roots == [a, b, c, d, e, shipped_library().root.resolve()]
    again = find_library([str(a), str(a)], {"FAULTTREE_LIBRARY": str(a)}, a)
    assert [layer.root.name for layer in again.layers][:2] == ["a", "e"]


def test_a_library_that_is_none_is_named(tmp_path: Path) -> None:
    own = library(tmp_path / "own", TREE, bench="library: ../nowhere\n")
    with pytest.raises(TreeError, match="no such library folder") as told:
        find_library(str(own), {}, tmp_path)
    assert "nowhere" in str(told.value)


def test_what_library_yaml_says_is_read_and_shown(
    tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("FAULTTREE_LIBRARY", raising=False)
    own = library(tmp_path / "own", TREE, library="title: Tool library\ninvented: true\n")
    assert not [f for f in check_paths([], Library(own)).findings if "library.yaml" in f.path]
    assert run(["find", "lamp", "dark", "--library", str(own)]) == 0
    assert "lamp/dark  [Tool library (invented data)]" in capsys.readouterr().out
    assert run(["find", "lamp", "dark", "--library", str(own), "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["matches"][0]
    assert first["library"] == "Tool library"
    (own / "library.yaml").write_text("title: Tool library\ncolour: red\n")
    with pytest.raises(TreeError, match="colour"):
        _ = Library(own).about
    assert any(f.path.endswith("library.yaml") for f in check_paths([], Library(own)).findings)


def test_a_weaker_caution_on_top_is_a_warning(tmp_path: Path) -> None:
    own = Library(library(tmp_path / "own", TREE, cautions=CAUTION))
    (finding,) = [f for f in check_paths([], own).findings if f.rule == "weaker-caution"]
    assert (finding.level, finding.line) == ("warning", 1)
    strong = CAUTION.replace("CAUTION", "DANGER")
    (own.root / "shared" / "cautions.yaml").write_text(strong)
    found = check_paths([], Library(own.root)).findings
    assert not [f for f in found if f.rule == "weaker-caution"]


def test_replaced_procedures_and_cautions_are_named(tmp_path: Path) -> None:
    shipped = shipped_library()
    tree = shipped.load("bench-supply/no-output")
    name = next(iter(tree.bundle["procedures"]))
    own = library(tmp_path / "own", cautions=CAUTION)
    (own / "shared" / "procedures").mkdir()
    text = (shipped.root / "shared" / "procedures" / f"{name}.yaml").read_text()
    copy = own / "shared" / "procedures" / f"{name}.yaml"
    copy.write_text(text)
    assert [one.kind for one in replacements(Library(own), tree)] == ["caution"]
    copy.write_text(text.replace("title: ", "title: Own ", 1))
    lines = [str(one) for one in replacements(Library(own), tree)]
    assert f"The procedure {name} of own replaces that of shipped" in lines
    assert "The caution mains of own replaces that of shipped, with a weaker signal word" in lines
    assert replacements(shipped, tree) == ()


def test_a_tree_beneath_is_edited_as_a_copy_and_check_tells_when_it_changes(
    tmp_path: Path,
) -> None:
    own = library(tmp_path / "own")
    shop = library(tmp_path / "shop", TREE)
    both = find_library([str(own), str(shop)], {}, Path("/"))
    said = Statement("a visitor", "2026-01-05")
    made = add_suspect(both, "lamp/dark", Cause(title="Nail in the lead"), said)
    write_all(made.changes)
    assert (shop / "trees" / "lamp" / "dark.yaml").read_text() == TREE
    both = find_library([str(own), str(shop)], {}, Path("/"))
    assert both.layer_of("lamp/dark").root == own
    assert "nail-in-lead" in both.load("lamp/dark").faults
    assert f"based_on: {Library(shop).load('lamp/dark').hash}" in made.changes[0].text
    assert not [f for f in check_paths([], both).findings if f.rule == "base-changed"]
    (shop / "trees" / "lamp" / "dark.yaml").write_text(TREE.replace("title: ", "title: New ", 1))
    both = find_library([str(own), str(shop)], {}, Path("/"))
    (finding,) = [f for f in check_paths([], both).findings if f.rule == "base-changed"]
    assert finding.level == "warning"
    assert Library(shop).load("lamp/dark").hash in finding.remedy
