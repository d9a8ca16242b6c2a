"""Many files through all rules: what paths mean, what is known already, all cores."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from faulttree.errors import FaulttreeError, TreeError
from faulttree.rules.examining import Looked, look_at, of_error
from faulttree.rules.finding import Finding, Report, once
from faulttree.rules.memory import Memory
from faulttree.tree import Library, find_library

__all__ = ["Target", "check", "check_paths", "targets_of"]

STDIN = "-"
SUFFIXES = (".yaml", ".yml", ".csv")
WORTH_A_PROCESS = 200
"""Files below which starting processes takes longer than it saves."""


@dataclass(frozen=True, slots=True)
class Target:
    """One file to look at: its path, or the text that came on standard input.

    ``whole`` is set where the file was met as part of its whole library.
    """

    path: Path | None
    library: Library
    text: str | None = None
    whole: bool = False

    @property
    def name(self) -> str:
        """The file as findings name it."""
        return "<stdin>" if self.path is None else str(self.path)


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
        cache: a folder to keep results in, by content.
        fixed_library: the library was named by the user, so that a file of another one is
            judged by it all the same; else by its own.

    Raises:
        TreeError: where a path or the library cannot be opened.
    """
    targets = list(targets_of(paths, library, stdin=stdin, fixed_library=fixed_library))
    with Memory(cache) as memory:
        return memory.report(targets, lambda: _report(targets, jobs, memory))


def _report(targets: Sequence[Target], jobs: int, memory: Memory) -> Report:
    looked = _look_at_all(targets, jobs, memory)
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


# -- what paths mean -------------------------------------------------------------------


def targets_of(
    paths: Sequence[str | Path],
    library: Library,
    *,
    stdin: Callable[[], bytes] | None = None,
    fixed_library: bool = True,
) -> Iterator[Target]:
    """The files that paths mean, each once.

    Raises:
        TreeError: where a path names nothing.
    """
    seen: set[Path] = set()
    for target in _named(paths, library, stdin, fixed_library):
        if target.path is None or target.path not in seen:
            yield target
        if target.path is not None:
            seen.add(target.path)


def _named(
    paths: Sequence[str | Path],
    library: Library,
    stdin: Callable[[], bytes] | None,
    fixed: bool,
) -> Iterator[Target]:
    if not paths:
        yield from _whole(library)
    for given in paths:
        path = Path(given)
        if str(given) == STDIN and stdin is not None:
            yield Target(None, library, _decoded(stdin()))
        elif _is(path, Path.is_dir):
            yield from _folder(path, library, fixed)
        elif _is(path, Path.exists) or _is(path, Path.is_symlink):
            yield Target(path, library if fixed else _home(path, library))
        else:
            yield Target(_by_id(str(given), library), library)


def _is(path: Path, what: Callable[[Path], bool]) -> bool:
    try:
        return what(path)
    except (OSError, ValueError):
        return False


def _by_id(name: str, library: Library) -> Path:
    if name.count("/") != 1 or name.endswith(SUFFIXES) or name.startswith((".", "/")):
        raise TreeError("There is no such file or folder.", path=name, mend="Look at the spelling.")
    return library.path_of(name)


def _decoded(raw: bytes) -> str:
    from faulttree.tree.source import decode

    try:
        return decode(raw)
    except TreeError as error:
        # The reader finds the same again, at its place, in what is left as it stands.
        if error.line is None:
            raise
        return raw[:1_100_000].decode("utf-8", "surrogateescape")


def _home(path: Path, library: Library) -> Library:
    """The library a file lies in, where that is another than the one in use."""
    absolute = path.absolute()
    for folder in absolute.parents:
        if folder.name in ("trees", "shared") and (folder.parent / folder.name).is_dir():
            if folder.parent.resolve() == library.root.resolve():
                return library
            return _library(folder.parent)
    return library


_LIBRARIES: dict[Path, Library] = {}


def _library(root: Path) -> Library:
    if root not in _LIBRARIES:
        _LIBRARIES[root] = Library(root)
    return _LIBRARIES[root]


def _folder(path: Path, library: Library, fixed: bool) -> Iterator[Target]:
    """A library's own folder, or whatever files of ours lie below a folder."""
    if (path / "trees").is_dir():
        yield from _whole(Library(path))
        return
    for file in sorted(path.rglob("*")):
        hidden = any(part.startswith(".") for part in file.relative_to(path).parts)
        if file.suffix in SUFFIXES and not hidden and (file.is_file() or file.is_symlink()):
            yield Target(file, library if fixed else _home(file, library))


PLACES = ("trees/*/*.yaml", "shared/*.yaml", "shared/procedures/*.yaml", "bench.yaml")
KEBAB = "[a-z0-9]+(?:-[a-z0-9]+)*"
LOOKED_FOR = re.compile(
    rf"trees/{KEBAB}/{KEBAB}\.yaml|shared/procedures/{KEBAB}\.yaml|"
    r"shared/(?:cautions|instruments|families)\.yaml|bench\.yaml",
    re.ASCII,
)
"""Files of a library that commands look for."""


def _whole(library: Library) -> Iterator[Target]:
    """Every file of a library, those that no command looks for included."""
    seen: set[Path] = set()
    for pattern in PLACES:
        for file in sorted(library.root.glob(pattern)):
            if not file.is_dir():
                seen.add(file)
                yield Target(file, library, whole=True)
    for folder in ("trees", "shared"):
        for file in sorted((library.root / folder).rglob("*.y*ml")):
            if file not in seen and file.suffix in SUFFIXES and not file.is_dir():
                yield Target(file, library, whole=True)


def _unseen(target: Target) -> Finding | None:
    """A file of a library that no command looks for, by its place or its name."""
    if target.path is None or not target.whole:
        return None
    if LOOKED_FOR.fullmatch(target.path.relative_to(target.library.root).as_posix()):
        return None
    return Finding(
        "file-not-seen", "warning", "No command looks for a file of this name here.",
        target.name, 1, 1, "Rename or move it, or take it out of the library.",
    )  # fmt: skip


def _outsiders(targets: Iterable[Target]) -> Iterator[Finding]:
    """Links inside a library that lead out of it."""
    for target in targets:
        if target.path is not None and _leads_out(target):
            yield Finding(
                "link-out-of-library",
                "error",
                "The file is a link that leads out of the library.",
                target.name,
                1,
                1,
                "Put the file itself into the library.",
            )


def _leads_out(target: Target) -> bool:
    path, root = target.path, target.library.root
    if path is None or not path.absolute().is_relative_to(root.absolute()):
        return False
    try:
        return not path.resolve(strict=True).is_relative_to(root.resolve())
    except (OSError, RuntimeError):
        return True


# -- looking ---------------------------------------------------------------------------


def look(target: Target) -> Looked:
    """One file, whatever kind it is.

    Raises:
        TreeError: where it cannot be opened.
    """
    from faulttree.rules import other_files

    unseen = _unseen(target)
    if unseen is not None:
        return Looked("other", (unseen,))
    if target.path is not None and _leads_out(target):
        return Looked("other", ())
    text = target.text
    if target.path is not None:
        try:
            text = other_files.text_of(target.path)
        except TreeError as error:
            if error.line is None:
                raise
            return Looked(other_files.kind_of("", target.path), (of_error(error),))
    kind = other_files.kind_of(text or "", target.path)
    if kind not in ("tree", "procedure"):
        return other_files.look_at_other(kind, text or "", target.path, target.name)
    try:
        examined = target.library.examine_text(text or "", target.path)
        found = look_at(examined, target.library)
    except FaulttreeError as error:
        return Looked(kind, (of_error(error),))
    except RecursionError:
        deep = TreeError("The file is nested too deeply to be followed.", path=target.path)
        return Looked(kind, (of_error(deep),))
    return found if target.path is not None else _renamed(found, target.name)


def _renamed(looked: Looked, name: str) -> Looked:
    from dataclasses import replace

    findings = tuple(replace(f, path=f.path or name) for f in looked.findings)
    return Looked(looked.kind, findings, looked.facts)


def _look_at_all(targets: Sequence[Target], jobs: int, memory: Memory) -> list[Looked]:
    known = memory.recall(targets)
    todo = [number for number, one in enumerate(known) if one is None]
    fresh: Mapping[int, Looked]
    if jobs > 1 and len(todo) >= WORTH_A_PROCESS:
        from faulttree.rules.processes import look_in_processes

        fresh = look_in_processes(targets, todo, jobs)
    else:
        fresh = {number: look(targets[number]) for number in todo}
    memory.keep({number: fresh[number] for number in todo})
    return [one if one is not None else fresh[number] for number, one in enumerate(known)]


def _compared(targets: Sequence[Target], looked: Sequence[Looked]) -> Iterator[Finding]:
    """What only comparing the trees of a whole library shows."""
    from faulttree.rules.library import compare

    whole: dict[Path, tuple[Library, list[Mapping[str, Any]]]] = {}
    for target, one in zip(targets, looked, strict=True):
        if target.whole:
            _, facts = whole.setdefault(target.library.root, (target.library, []))
            if one.facts is not None:
                facts.append(one.facts)
    for held, facts in whole.values():
        yield from compare(held, facts)
