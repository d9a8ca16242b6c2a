"""Many files through all rules: what is known already, and all cores for the rest."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faulttree.rules.report import CheckedFile, Report, once
from faulttree.rules.targets import Target, leads_out, targets_of
from faulttree.tree import Finding, Library, Where, find_library

if TYPE_CHECKING:
    from faulttree.rules.result_cache import ResultCache

WORTH_A_PROCESS = 200
"""Files below which starting processes takes longer than it saves."""


def check(*paths: str | Path, library: Library | None = None, jobs: int = 1) -> Report:
    """What ``faulttree check PATH…`` finds.

    Args:
        paths: files, folders or ids of trees; none: the whole library.
        library: which trees and shared things are meant. Default: the nearest one above
            the first path, or the one that ships.
        jobs: how many processes to use at most.

    Raises:
        TreeError: where a path or the library cannot be opened.
    """
    if library is None:
        library = find_library(None, {}, Path(paths[0]).resolve() if paths else Path("/"))
    return check_paths(paths, library, jobs=jobs, fixed_library=False)


def check_paths(
    paths: Sequence[str | Path],
    library: Library,
    *,
    stdin: Callable[[], bytes] | None = None,
    jobs: int = 1,
    cache: Path | None = None,
    fixed_library: bool = True,
) -> Report:
    """Everything that could mislead in files, folders, trees by id, or a whole library.

    Args:
        paths: files, folders, ``-`` for standard input, ids of trees. None: the library.
        library: which trees and shared things are meant.
        stdin: gives what came on standard input.
        jobs: how many processes to use at most.
        cache: a folder to keep results in, by content; not for one file that is named.
        fixed_library: the library was named by the user, so that a file of another one is
            judged by it all the same; else by its own.

    Raises:
        TreeError: where a path or the library cannot be opened.
    """
    targets = list(targets_of(paths, library, stdin=stdin, fixed_library=fixed_library))
    if cache is None or (paths and len(targets) == 1):  # One file named was just changed.
        return _report(targets, _look_at_all(targets, jobs))
    from faulttree.rules.result_cache import ResultCache

    with ResultCache(cache) as memory:
        return memory.report(targets, lambda: _report(targets, _look_at_all(targets, jobs, memory)))


def _report(targets: Sequence[Target], looked: Sequence[CheckedFile]) -> Report:
    findings = [finding for one in looked for finding in one.findings]
    findings += _outsiders(targets)
    findings += _compared(targets, looked)
    kinds = [one.kind for one in looked]
    return Report(
        once(findings),
        trees=kinds.count("tree"),
        procedures=kinds.count("procedure"),
        tables=kinds.count("table"),
        others=len([kind for kind in kinds if kind not in ("tree", "procedure", "table")]),
    )


def _outsiders(targets: Iterable[Target]) -> Iterator[Finding]:
    """Links inside a library that lead out of it."""
    for target in targets:
        if target.path is not None and leads_out(target):
            yield Finding(
                Where("", ()),
                "The file is a link that leads out of the library.",
                "Put the file itself into the library.",
                rule="link-out-of-library",
                path=target.name,
                line=1,
                column=1,
            )


def _look_at_all(
    targets: Sequence[Target], jobs: int, memory: ResultCache | None = None
) -> list[CheckedFile]:
    known = memory.recall(targets) if memory else [None] * len(targets)
    todo = [number for number, one in enumerate(known) if one is None]
    fresh: Mapping[int, CheckedFile] = {}
    if jobs > 1 and len(todo) >= WORTH_A_PROCESS:
        from faulttree.rules.parallel import look_in_processes

        fresh = look_in_processes(targets, todo, jobs)
    elif todo:
        from faulttree.rules.check_file import check_target

        fresh = {number: check_target(targets[number]) for number in todo}
    if memory:
        memory.keep({number: fresh[number] for number in todo})
    return [one if one is not None else fresh[number] for number, one in enumerate(known)]


def _compared(targets: Sequence[Target], looked: Sequence[CheckedFile]) -> Iterator[Finding]:
    """What only comparing the trees of a whole library shows."""
    from faulttree.rules.checks.library import compare

    whole: dict[Path, tuple[Library, list[Mapping[str, Any]]]] = {}
    for target, one in zip(targets, looked, strict=True):
        if target.whole:
            _, facts = whole.setdefault(target.library.root, (target.library, []))
            if one.facts is not None:
                facts.append(one.facts)
    for held, facts in whole.values():
        yield from compare(held, facts)
