"""A plain install works at once: the wheel carries the library that ships."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel's contents, unpacked as an installer would."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = folder.glob("*.whl")
    target = folder / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(target)
    return target


def run(installed: Path, cwd: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    # -P keeps the project's own folder out: only what the wheel carries is found first.
    environ = {**os.environ, "PYTHONPATH": str(installed), "FAULTTREE_LIBRARY": ""}
    return subprocess.run(
        [sys.executable, "-P", "-m", "faulttree", *arguments],
        cwd=cwd,
        env=environ,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_wheel_carries_trees_shared_and_schemas(installed: Path) -> None:
    shipped = installed / "faulttree" / "_shipped"
    for folder in ("trees", "shared", "schemas", "demo"):
        own = {p.relative_to(ROOT) for p in (ROOT / folder).rglob("*") if p.is_file()}
        carried = {p.relative_to(shipped) for p in (shipped / folder).rglob("*") if p.is_file()}
        assert own
        assert carried == own
    assert (installed / "faulttree" / "py.typed").is_file()


def test_the_wheel_carries_every_template(installed: Path) -> None:
    own = {p.relative_to(ROOT) for p in (ROOT / "faulttree").rglob("*.jinja")}
    assert own
    assert {p.relative_to(installed) for p in installed.rglob("*.jinja")} == own


def test_an_installed_faulttree_finds_the_shipped_library(installed: Path, tmp_path: Path) -> None:
    answer = run(installed, tmp_path, "find", "supply", "no", "output")
    assert answer.returncode == 0, answer.stderr
    assert "bench-supply/no-output" in answer.stdout


def test_constraints_hold_names_and_versions_only() -> None:
    lines = (ROOT / "constraints.txt").read_text().split()
    assert lines
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", line) for line in lines)


def test_every_dependency_is_pinned() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(item for extra in extras for item in extra)]
    names = {re.split(r"[\[<>=]", item)[0].casefold().replace("_", "-") for item in wanted}
    pinned = {
        line.split("==")[0].casefold().replace("_", "-")
        for line in (ROOT / "constraints.txt").read_text().split()
    }
    assert names - {"faulttree"} <= pinned


def test_public_names_are_functions_of_the_library_with_words_of_their_own() -> None:
    import faulttree

    for name in faulttree.__all__:
        assert getattr(faulttree, name).__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = faulttree.nonsense  # type: ignore[attr-defined]


def test_check_finds_the_library_of_a_file_by_itself() -> None:
    import faulttree

    tree = ROOT / "trees" / "desktop-supply" / "does-not-start.yaml"
    assert not faulttree.check(tree).fails("warning")
    assert faulttree.check(str(tree)).trees == 1
