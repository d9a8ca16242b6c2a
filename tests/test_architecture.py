"""The house: each floor imports only from floors below it, and keeps its hands off the world."""

from __future__ import annotations

import ast
from collections.abc import Collection, Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "faulttree"
# From the ground up; texts and errors are the ground itself.
FLOORS = (
    "errors",
    "version",
    "convert",
    "lazily",
    "texts",
    "templates",
    "workers",
    "reading",
    "tree",
    "odds",
    "rules",
    "walk",
    "cases",
    "authoring",
    "diagram",
    "figures",
    "terminal",
    "cli",
)
MODULES = sorted(PACKAGE.rglob("*.py"))


def room(path: Path) -> str:
    part = path.relative_to(PACKAGE).parts[0]
    return part.removesuffix(".py")


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_imports_only_from_floors_below(path: Path) -> None:
    own = room(path)
    if own in ("__init__", "__main__"):
        return
    for name in imported(ast.parse(path.read_text())):
        parts = name.split(".")
        if parts[0] == "faulttree" and len(parts) > 1 and parts[1] in FLOORS:
            assert FLOORS.index(parts[1]) <= FLOORS.index(own), f"{own} imports {name}"


def worldly(tree: ast.AST) -> Iterator[str]:
    """Calls that print, prompt, or read the clock or the environment."""
    calls = {"print", "input", "os.getenv", "time.time", "datetime.now", "dt.datetime.now"}
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in calls:
            yield f"{ast.unparse(node.func)} in line {node.lineno}"
        if isinstance(node, ast.Attribute) and ast.unparse(node) in ("os.environ", "sys.stdin"):
            yield f"{ast.unparse(node)} in line {node.lineno}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nothing_below_the_faces_touches_the_world(path: Path) -> None:
    if room(path) not in ("terminal", "cli", "__init__", "__main__"):
        assert not list(worldly(ast.parse(path.read_text())))


def test_every_room_is_a_floor() -> None:
    rooms = {room(path) for path in MODULES} - {"__init__", "__main__"}
    assert rooms <= set(FLOORS)


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def modules_used(path: Path, names: Collection[str]) -> Iterator[str]:
    """Modules that one names, in functions and for types too: whoever reads it must read them."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno} imports by dots; the house names rooms"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                yield inner if inner in names else str(node.module)


def test_no_module_imports_itself_by_a_way_round() -> None:
    names = {module_name(path): path for path in MODULES}
    uses = {
        name: names.keys() & set(modules_used(path, names)) - {name} for name, path in names.items()
    }
    TopologicalSorter(uses).prepare()  # Raises where there is a circle, and names it.


def test_a_way_round_would_be_found(tmp_path: Path) -> None:
    one = tmp_path / "one.py"
    one.write_text(
        "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    from house.two import Word\n"
        "def late():\n    from house import three\n    import house.four\n"
    )
    names = {"house", "house.two", "house.three", "house.four"}
    assert set(modules_used(one, names)) & names == names - {"house"}
