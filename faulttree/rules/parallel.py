"""Looking at many files on all cores."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

from faulttree.errors import TreeError
from faulttree.rules.check_file import check_target
from faulttree.rules.report import CheckedFile
from faulttree.rules.targets import Target
from faulttree.tree import Library
from faulttree.workers import workers

CHUNK = 16

_LIBRARIES: dict[Path, Library] = {}


def look_in_processes(
    targets: Sequence[Target], numbers: Sequence[int], jobs: int
) -> Mapping[int, CheckedFile]:
    """Look at some targets, by number, in up to ``jobs`` processes.

    Raises:
        TreeError: where one cannot be opened.
    """
    here = [n for n in numbers if targets[n].path is None]
    away = [n for n in numbers if targets[n].path is not None]
    pieces = [away[at : at + CHUNK] for at in range(0, len(away), CHUNK)]
    found: dict[int, CheckedFile] = {}
    with workers(min(jobs, len(pieces)) or 1, check_target.__module__) as pool:
        waiting = []
        for piece in pieces:
            files = [(t.path, t.library.root, t.whole) for t in (targets[n] for n in piece)]
            waiting.append((piece, pool.submit(_piece, files)))
        for piece, done in waiting:
            try:
                looked = done.result()
            except BrokenProcessPool:
                raise TreeError(
                    "A process that looked at files was ended from outside.",
                    remedy="Run it again with --jobs 1.",
                ) from None
            found.update(zip(piece, looked, strict=True))
    return {**found, **{n: check_target(targets[n]) for n in here}}


def _piece(files: Sequence[tuple[Path | None, Path, bool]]) -> list[CheckedFile]:
    looked = []
    for path, root, whole in files:
        library = _LIBRARIES.setdefault(root, Library(root))
        looked.append(check_target(Target(path, library, whole=whole)))
    return looked
