"""Every command and example in the docs is run, and every command is in the docs."""

from __future__ import annotations

import doctest
import fnmatch
import re
import shlex
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from faulttree import cli as commands
from faulttree.tree import Library
from tests import generated

ROOT = Path(__file__).parent.parent
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])
FENCE = re.compile(r"^```(\w+)([^\n]*)\n(.*?)^```", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Example:
    """A console session of a page: its commands, with the output the page shows."""

    page: Path
    line: int
    steps: tuple[tuple[str, str], ...]


def sessions(page: Path) -> Iterator[Example]:
    """The ``console`` blocks of a page; ``$`` begins a command."""
    text = page.read_text()
    for block in FENCE.finditer(text):
        kind, info, body = block.groups()
        if kind != "console" or "not-run" in info:
            continue
        steps = []
        for part in re.split(r"^\$ ", body, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            steps.append((command, output))
        yield Example(page, text[: block.start()].count("\n") + 1, tuple(steps))


EXAMPLES = [example for page in PAGES for example in sessions(page)]


def files_of(page: Path) -> Iterator[tuple[str, str]]:
    """Files a page has its reader write: a fence with ``file=NAME`` behind its language."""
    for block in FENCE.finditer(page.read_text()):
        named = re.search(r"file=(\S+)", block.group(2))
        if named:
            yield named.group(1), block.group(3)


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder as a reader has it: the library that ships, an empty record."""
    for folder in ("trees", "shared"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAULTTREE_RECORD", str(tmp_path / "record.db"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("FAULTTREE_LIBRARY", raising=False)
    return tmp_path


def test_the_names_that_ship_are_listed_for_whoever_writes_a_tree() -> None:
    library = Library(ROOT)
    procedures = (path.stem for path in (ROOT / "shared" / "procedures").glob("*.yaml"))
    shipped = {*library.cautions, *library.instruments, *procedures}
    page = (ROOT / "docs" / "writing-a-tree.md").read_text()
    listed = page[page.index("The shipped names") : page.index("Their meanings are")]
    assert set(re.findall(r"`([a-z0-9-]+)`", listed)) == shipped


def test_the_screen_in_the_readme_is_the_program_s_own(desk: Path) -> None:
    unit = ["--serial", "tag 14", "--model", "two-channel", "--complaint", "no output"]
    looked = "sound\nsound\nbelow\nlinear\nagree\n"
    tested = "I\nready\n\n0.12 ohm\nearth-tester\n500-volt\n\n20 Mohm\ninsulation-tester\n26 ohm\n"
    powered = "\nsettles\nall-right\n0 V\n\nintact\n26 ohm\n\n800 ohm\n24 V\n\n\n21.4 V\n"
    esr = "\n0.2 V\n4700 uF\n50 V\n1.3 ohm at 120 Hz\nesr-meter\nyes\n"
    typed = f"\n{looked}{tested}{powered}{esr}"
    answer = CliRunner().invoke(
        _Program(), ["diagnose", "bench-supply/no-output", *unit], input=typed
    )
    blocks = FENCE.findall((ROOT / "README.md").read_text())
    screen = next(body for kind, _, body in blocks if kind == "text")
    assert screen in answer.output


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_examples_run_and_print_what_the_page_shows(page: Path, desk: Path) -> None:
    for name, body in files_of(page):
        path = desk / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(body)
    for example in EXAMPLES:
        if example.page == page:
            for command, expected in example.steps:
                play(command, expected, f"{page.name}:{example.line}: $ {command}")


def test_the_python_examples_give_what_the_page_shows(desk: Path) -> None:
    flags = doctest.ELLIPSIS | doctest.IGNORE_EXCEPTION_DETAIL
    page = str(ROOT / "docs" / "python.md")
    failed, tried = doctest.testfile(page, module_relative=False, optionflags=flags)
    assert tried
    assert not failed


def play(command: str, expected: str, place: str) -> None:
    """Run one command; a line ``...`` in the page stands for any lines."""
    wanted, _, status = command.partition("# exit ")
    words = shlex.split(wanted, comments=True)
    if words[0] != "faulttree":
        assert words[0] in (
            "make",
            "git",
            "pip",
            "pipx",
            "cd",
            "python",
            "python3",
            ".venv/bin/pip",
        ), place
        return
    answer = CliRunner().invoke(_Program(), words[1:])
    assert answer.exit_code == int(status or 0), f"{place}\n{answer.output}"
    if expected.strip():
        pattern = re.sub(r"(?m)^\.\.\.\n", "\0", expected.rstrip("\n") + "\n")
        parts = [re.escape(part) for part in pattern.split("\0")]
        assert re.fullmatch(r"(?:.*\n)*?".join(parts), answer.stdout.rstrip("\n") + "\n"), (
            f"{place} printed\n{answer.output}"
        )


class _Program(click.Command):
    """``faulttree`` as a click command, through the very entry point of the program."""

    def __init__(self) -> None:
        super().__init__("faulttree")

    def main(self, args: object = None, **_: object) -> None:  # type: ignore[override]
        assert isinstance(args, list)
        raise SystemExit(commands.run(args))


def every_command(
    group: click.Group, *names: str
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield (*names, name), command
        if isinstance(command, click.Group):
            yield from every_command(command, *names, name)


ALL = list(every_command(commands.cli))


@pytest.mark.parametrize(("names", "command"), ALL, ids=[" ".join(names) for names, _ in ALL])
def test_every_command_has_help_with_an_example(
    names: tuple[str, ...], command: click.Command
) -> None:
    assert command.help, names
    epilog = command.epilog or ""
    assert f"faulttree {' '.join(names)}" in epilog, f"{names} shows no example"
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{names} {parameter.name}"


@pytest.mark.parametrize(("names", "command"), ALL, ids=[" ".join(names) for names, _ in ALL])
def test_every_command_is_in_the_docs(names: tuple[str, ...], command: click.Command) -> None:
    text = "\n".join(page.read_text() for page in PAGES)
    assert f"faulttree {' '.join(names)}" in text


@pytest.mark.parametrize("name", generated.PAGES)
def test_generated_pages_are_what_the_program_gives(name: str) -> None:
    assert (ROOT / "docs" / name).read_text() == generated.PAGES[name](), "run `make docs`"


def test_links_between_pages_lead_somewhere() -> None:
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", page.read_text()):
            if not fnmatch.fnmatch(target, "http*://*"):
                assert (page.parent / target).exists(), f"{page.name} links to {target}"
