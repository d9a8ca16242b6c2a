"""How long the check takes, against parsing alone and against the general tools.

``python -m benchmarks.bench_check [--trees N] [--peers N] [--warm N] [--full]`` writes trees of
1,000 lines into a temporary library and times, in one run:

- cold, on one core, against `yaml.compose` with PyYAML's C loader on the same files;
- cold, as programs, against `check-jsonschema` and `yamllint` on the same files;
- warm: an unchanged library, answered from what was kept.

``--full`` takes 1,000 trees cold, 100 for the other tools and 10,000 warm. The default stays
near a minute.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from functools import partial
from pathlib import Path

import yaml

from benchmarks.bench_loader import library, seconds
from faulttree.rules import check_paths
from faulttree.rules.check_file import check_target
from faulttree.rules.targets import Target

TREES, PEERS, WARM = 60, 40, 300
ROUNDS = 3
AT_MOST = 4.0
AT_LEAST = 10.0
WARM_SECONDS = 2.0


def against_parsing(folder: Path, trees: int) -> tuple[float, float]:
    """Seconds of parsing alone and of the check for all trees; the median of the rounds."""
    shelf = library(folder, trees)
    files = shelf.tree_files()
    check_target(Target(files[0], shelf))

    def parse(file: Path) -> None:
        yaml.compose(file.read_text(encoding="utf-8"), Loader=yaml.CLoader)

    rounds = []
    for _ in range(ROUNDS):
        parsed = checked = 0.0
        # Each file both ways in turn, so that a busy moment of the machine hits both.
        for file in files:
            parsed += seconds(partial(parse, file))
            checked += seconds(partial(check_target, Target(file, shelf)))
        rounds.append((parsed, checked))
    return sorted(rounds, key=lambda pair: pair[1] / pair[0])[ROUNDS // 2]


def program(*arguments: str, environment: dict[str, str] | None = None) -> tuple[float, float]:
    """Wall and processor seconds of one program; its findings are its own affair."""
    before = os.times()
    wall = seconds(
        lambda: subprocess.run(
            arguments, capture_output=True, check=False, env={**os.environ, **(environment or {})}
        )
    )
    after = os.times()
    used = after.children_user + after.children_system
    return wall, used - before.children_user - before.children_system


def against_tools(folder: Path, trees: int) -> tuple[float, float] | None:
    """Processor seconds of the check and of both tools together, each as a program.

    Not wall time: on a busy machine that would say who was lucky.
    """
    beside = Path(sys.executable).parent
    schema_tool, lint_tool = beside / "check-jsonschema", beside / "yamllint"
    if not (schema_tool.exists() and lint_tool.exists()):
        return None
    shelf = library(folder, trees)
    files = [str(file) for file in shelf.tree_files()]
    schema = Path(__file__).parent.parent / "schemas" / "tree.schema.json"
    cache = {"XDG_CACHE_HOME": str(folder / "cache")}
    _, ours = program(
        sys.executable, "-m", "faulttree", "check", "--no-cache", "--jobs", "1",
        "--library", str(folder), *files, environment=cache,
    )  # fmt: skip
    _, theirs = program(str(schema_tool), "--schemafile", str(schema), *files, environment=cache)
    _, lint = program(str(lint_tool), *files)
    return ours, theirs + lint


ACCEPTED = "accepted:\n" + "".join(
    f"  - {{rule: {rule}, reason: written for timing}}\n"
    for rule in ("reported-only", "confirm-shows-nothing", "far-end", "mains-without-closing")
)


def warm(folder: Path, trees: int) -> tuple[float, float, float]:
    """Seconds of the first check of a library, all cores; wall and processor seconds of the
    next one as a program, the best of some.

    The trees accept most of what is found in them, as those of a library in use do: half a
    million findings would time how fast they are printed.
    """
    shelf = library(folder, trees)
    for file in shelf.tree_files():
        file.write_text(file.read_text(encoding="utf-8") + ACCEPTED, encoding="utf-8")
    (folder / "shared").mkdir()
    families = folder / "shared" / "families.yaml"
    families.write_text("work-lamp: {title: Work lamp, mains: true}\n", encoding="utf-8")
    cache = {"XDG_CACHE_HOME": str(folder / "cache")}
    first = seconds(
        lambda: check_paths(
            [], shelf, jobs=os.cpu_count() or 1, cache=folder / "cache" / "faulttree"
        )
    )
    command = (sys.executable, "-m", "faulttree", "check", "--library", str(folder), "--json")
    program(*command, environment=cache)
    again = [program(*command, environment=cache) for _ in range(ROUNDS)]
    return (first, *min(again))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trees", type=int, default=TREES, help="trees for the cold check")
    parser.add_argument("--peers", type=int, default=PEERS, help="trees for the other tools")
    parser.add_argument("--warm", type=int, default=WARM, help="trees for the warm check")
    parser.add_argument("--full", action="store_true", help="1,000 trees cold, 10,000 warm")
    chosen = parser.parse_args()
    trees, kept = (1_000, 10_000) if chosen.full else (chosen.trees, chosen.warm)
    peers = 100 if chosen.full else chosen.peers

    with tempfile.TemporaryDirectory() as folder:
        parsed, checked = against_parsing(Path(folder), trees)
    print(
        f"cold, one core, {trees} trees of 1,000 lines: parsing alone {parsed:.2f} s, "
        f"check {checked:.2f} s: {checked / parsed:.2f} times (at most {AT_MOST:g})"
    )
    with tempfile.TemporaryDirectory() as folder:
        both = against_tools(Path(folder), peers)
    if both is None:
        print("check-jsonschema and yamllint are not installed: pip install 'faulttree[peers]'")
    else:
        ours, theirs = both
        print(
            f"as programs, {peers} trees: check {ours:.2f} s, check-jsonschema and "
            f"yamllint {theirs:.2f} s of processor: {theirs / ours:.1f} times faster "
            f"(at least {AT_LEAST:g})"
        )
    with tempfile.TemporaryDirectory() as folder:
        first, again, used = warm(Path(folder), kept)
    print(
        f"{kept} trees: first check on all cores {first:.1f} s, unchanged {again:.2f} s, "
        f"of it {used:.2f} s of processor (10,000 in at most {WARM_SECONDS:g} s)"
    )


if __name__ == "__main__":
    main()
