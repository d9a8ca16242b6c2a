"""The objects for a script or a notebook."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

import faulttree
from faulttree.api import OpenLibrary
from faulttree.errors import TreeError
from faulttree.tree import Library
from faulttree.walk.events import Opened
from faulttree.walk.fold import fold

ROOT = Path(__file__).parent.parent


def some_tree(lib: OpenLibrary) -> str:
    return next(iter(lib))


@pytest.mark.parametrize("root", [ROOT, str(ROOT)], ids=["path", "text"])
def test_a_library_is_opened_by_a_path_or_a_text(root: str | Path) -> None:
    lib = faulttree.open_library(root)
    assert tuple(lib) == Library(root).trees()
    assert all(name in lib for name in lib)
    assert len(lib) == len(list(lib))


def test_a_library_is_found_by_the_environment(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAULTTREE_LIBRARY", str(ROOT))
    assert faulttree.open_library().library.root == ROOT


def test_a_tree_that_is_not_there_names_one_that_is_near() -> None:
    lib = faulttree.open_library(ROOT)
    with pytest.raises(TreeError) as told:
        lib[some_tree(lib)[:-1]]
    assert some_tree(lib) in str(told.value)


def test_a_tree_is_opened_by_its_file_too() -> None:
    lib = faulttree.open_library(ROOT)
    name = some_tree(lib)
    by_file = lib.open_file(str(ROOT / "trees" / f"{name}.yaml"))
    assert by_file.tree == lib[name].tree
    assert by_file.check().findings == lib[name].check().findings
    with pytest.raises(TreeError):
        lib.open_file(ROOT / "shared" / "cautions.yaml")


def test_a_notebook_shows_a_tree_as_svg() -> None:
    lib = faulttree.open_library(ROOT)
    shown = lib[some_tree(lib)].draw()._repr_svg_()
    assert ElementTree.fromstring(shown).tag.endswith("svg")


def test_objects_are_shown_in_one_line() -> None:
    lib = faulttree.open_library(ROOT)
    tree = lib[some_tree(lib)]
    state = fold(tree.tree, [Opened(tree=tree.id, tree_hash=tree.tree.hash)])
    for one in (lib, lib.library, tree, tree.tree, tree.draw(), state):
        assert len(repr(one)) < 200
        assert "\n" not in repr(one)
    assert tree.id in repr(tree)
