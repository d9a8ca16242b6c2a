"""No test depends on how fast the machine is: none reads a clock or waits a short time only."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
CLOCKS = {
    name + end
    for name in ("monotonic", "perf_counter", "process_time", "thread_time", "time")
    for end in ("", "_ns")
}
READ = {f"time.{name}" for name in CLOCKS}
SHORTEST = 60.0
"""Seconds: a shorter limit on a wait can be over on a busy machine before the work is done."""


def dependent(tree: ast.AST) -> Iterator[str]:
    """What in a test module depends on how fast the machine is."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            names = {alias.name for alias in node.names} & CLOCKS
            yield from (f"line {node.lineno} imports the clock {name}" for name in names)
        if isinstance(node, ast.Attribute) and ast.unparse(node) in READ:
            yield f"line {node.lineno} reads {ast.unparse(node)}"
        if isinstance(node, ast.Call):
            yield from _short(node)


def _short(call: ast.Call) -> Iterator[str]:
    limits = [word.value for word in call.keywords if word.arg == "timeout"]
    if isinstance(call.func, ast.Attribute) and call.func.attr in ("wait", "join", "timeout"):
        limits += call.args
    for limit in limits:
        value = limit.value if isinstance(limit, ast.Constant) else None
        if isinstance(value, int | float) and value < SHORTEST:
            yield f"line {call.lineno} waits {value} s only"
    if any(word.arg == "deadline" for word in call.keywords):
        yield f"line {call.lineno} sets a deadline; tests/conftest.py does it for all"


@pytest.mark.parametrize("path", sorted(HERE.glob("*.py")), ids=lambda path: path.stem)
def test_no_test_depends_on_the_speed_of_the_machine(path: Path) -> None:
    if path.name == "conftest.py":
        return
    assert not list(dependent(ast.parse(path.read_text(encoding="utf-8"))))


@pytest.mark.parametrize(
    "text",
    [
        "import time\nbegun = time.perf_counter()\nassert time.perf_counter() - begun < 2",
        "from time import monotonic\nassert monotonic() < 5",
        "import time\nassert time.process_time() < 2",
        "process.communicate(timeout=30)",
        "process.wait(10)",
        "settings(deadline=200)",
    ],
)
def test_what_depends_on_the_speed_of_the_machine_is_seen(text: str) -> None:
    assert list(dependent(ast.parse(text)))


@pytest.mark.parametrize(
    "text",
    ["process.wait(HANG)", "process.communicate(timeout=300)", "', '.join(words)", "time.sleep(1)"],
)
def test_what_only_ends_a_hang_is_let_pass(text: str) -> None:
    assert not list(dependent(ast.parse(text)))
