"""The house: each floor imports only from floors below it, and keeps its hands off the world."""

from __future__ import annotations

import ast
import builtins
from collections.abc import Collection, Iterator, Mapping
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
    "tips",
    "api",
    "session",
    "terminal",
    "page",
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


TOUCHES = (
    "builtins.print", "builtins.input", "builtins.breakpoint",
    "sys.stdin", "sys.stdout", "sys.stderr", "sys.argv", "sys.exit",
    "os.environ", "os.environb", "os.getenv", "os.getenvb", "os.putenv", "os.getlogin",
    "os.system", "os.popen", "os.fork", "os.execv", "os.spawnv", "os.posix_spawn", "os.kill",
    "os.get_terminal_size", "shutil.get_terminal_size", "shutil.which",
    "datetime.datetime.now", "datetime.datetime.utcnow", "datetime.datetime.today",
    "datetime.date.today",
    "time", "subprocess", "multiprocessing", "signal", "getpass", "locale", "click", "rich.console",
    "concurrent.futures.ProcessPoolExecutor", "concurrent.futures.process.ProcessPoolExecutor",
)  # fmt: skip
"""What the faces alone may use: screen, keyboard, clock, environment, other processes."""

ALLOWED = {
    "api.py": {"os.environ": "opens the library that a command would open"},
    "texts.py": {"rich.console": "draws a table of a given width into a string"},
    "workers.py": {
        "concurrent.futures.ProcessPoolExecutor": "the one place that starts worker processes",
        "multiprocessing": "the same",
        "signal": "an interruption is for the process that waits",
    },
    "cases/transfer/parallel_reading.py": {
        "concurrent.futures.ProcessPoolExecutor": "the type of the pool it is given",
    },
    "cases/backends/engines.py": {"time.sleep": "waits for a lock of another program"},
    "cases/backends/file_lock.py": {"time.sleep": "waits for a lock of another program"},
    "diagram/layout.py": {"shutil.which": "lays out with the installed Graphviz, if there is one"},
    "odds/planning/planner.py": {
        "time.monotonic": "the clock of a limit in seconds; a caller may give another",
    },
}
"""Module → what it uses of these all the same, and why."""


def resolved(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and full name of each name used, whatever it was imported as."""
    names = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                first = alias.name.partition(".")[0]
                names[alias.asname or first] = alias.name if alias.asname else first
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                names[alias.asname or alias.name] = f"{node.module}.{alias.name}"
                yield node.lineno, f"{node.module}.{alias.name}"
    own = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)
           and isinstance(node.ctx, ast.Store)}  # fmt: skip
    own |= {node.arg for node in ast.walk(tree) if isinstance(node, ast.arg)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id in names.keys() | set(dir(builtins)) - own:
            yield node.lineno, names.get(node.id, f"builtins.{node.id}")
        elif isinstance(node, ast.Attribute):
            yield node.lineno, full_name(node, names)
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "getattr":
            held, wanted = node.args[:2]
            if isinstance(wanted, ast.Constant):
                yield node.lineno, f"{full_name(held, names)}.{wanted.value}"


def full_name(node: ast.expr, names: Mapping[str, str]) -> str:
    """The name of an attribute from its module on; empty where it hangs on a value."""
    if isinstance(node, ast.Attribute):
        held = full_name(node.value, names)
        return held and f"{held}.{node.attr}"
    return names.get(node.id, "") if isinstance(node, ast.Name) else ""


def touched(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and name of what a module uses of the screen, clock, environment and processes."""
    for line, name in resolved(tree):
        for one in TOUCHES:
            if (name == one and "." in one) or name.startswith(f"{one}."):
                yield line, name


def module_id(path: Path) -> str:
    return str(path.relative_to(PACKAGE))


@pytest.mark.parametrize("path", MODULES, ids=module_id)
def test_nothing_below_the_faces_touches_the_world(path: Path) -> None:
    if room(path) in ("terminal", "page", "cli", "__main__"):
        return
    allowed = ALLOWED.get(module_id(path), {})
    found = list(touched(ast.parse(path.read_text())))
    assert [
        f"line {line}: {name}" for line, name in found
        if not any(name == one or name.startswith(f"{one}.") for one in allowed)
    ] == []  # fmt: skip
    # What is no longer used is no longer allowed.
    assert [
        one for one in allowed
        if not any(name == one or name.startswith(f"{one}.") for _, name in found)
    ] == []  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "print('x')",
        "say = print",
        "import time as t\nt.monotonic()",
        "from time import time as now\nnow()",
        "import datetime as dt\ndt.datetime.now(dt.UTC)",
        "from datetime import datetime\nclock = datetime.now",
        "from datetime import date as day\nday.today()",
        "from os import environ as e\ne['HOME']",
        "import os\nos.environ.get('HOME')",
        "import os\ngetattr(os, 'getenv')('HOME')",
        "import subprocess as s\ns.run(['ls'])",
        "def late():\n    from subprocess import run\n    run(['ls'])",
        "from shutil import which",
        "import sys\nsys.stdout.write('x')",
        "from multiprocessing import Pool",
    ],
)
def test_a_touch_of_the_world_would_be_found(text: str) -> None:
    assert list(touched(ast.parse(text)))


@pytest.mark.parametrize(
    "text",
    [
        "def said(print):\n    return print",
        "time = row.time\ntime.replace('T', ' ')",
        "import datetime as dt\ndt.datetime.fromisoformat(text)",
        "import os\nos.fsync(file)",
        "self.print()",
    ],
)
def test_a_name_that_only_looks_alike_is_none(text: str) -> None:
    assert not list(touched(ast.parse(text)))


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
