"""The files that paths mean: one file, a folder, a tree by its id, a whole library."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from faulttree.errors import TreeError
from faulttree.tree import Library

STDIN = "-"
SUFFIXES = (".yaml", ".yml", ".csv")


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
        raise TreeError(
            "There is no such file or folder.", path=name, remedy="Look at the spelling."
        )
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


KEBAB = "[a-z0-9]+(?:-[a-z0-9]+)*"
LOOKED_FOR = re.compile(
    rf"trees/{KEBAB}/{KEBAB}\.yaml|shared/procedures/{KEBAB}\.yaml|"
    r"shared/(?:cautions|instruments|families|properties|thesaurus|words)\.yaml|(?:bench|library)\.yaml",
    re.ASCII,
)
"""Files of a library that commands look for."""


def _whole(library: Library) -> Iterator[Target]:
    """Every file of a library, those that no command looks for included."""
    root = str(library.root)
    places = [
        *(f"{root}/trees/{family}" for family in _names(f"{root}/trees", folders=True)),
        f"{root}/shared",
        f"{root}/shared/procedures",
    ]
    looked_for = [f"{place}/{name}" for place in places for name in _names(place, ".yaml")]
    known = ("bench.yaml", "library.yaml")
    looked_for += [f"{root}/{name}" for name in _names(root, ".yaml") if name in known]
    for file in looked_for:
        yield Target(Path(file), library, whole=True)
    seen = set(looked_for)
    for folder in ("trees", "shared"):
        found = (
            f"{place}/{name}"
            for place, _, names in os.walk(f"{root}/{folder}")
            for name in names
            if name.endswith((".yaml", ".yml"))
        )
        for other in sorted(Path(file) for file in found if file not in seen):
            yield Target(other, library, whole=True)


def _names(folder: str, ending: str = "", *, folders: bool = False) -> list[str]:
    """Sorted names of the files, or of the folders, of one folder; none where there is no such.

    Not by :meth:`Path.glob`, which takes longer over 10,000 files than all else.
    """
    try:
        with os.scandir(folder) as entries:
            return sorted(
                entry.name
                for entry in entries
                if entry.name.endswith(ending) and entry.is_dir() == folders
            )
    except OSError:
        return []


def leads_out(target: Target) -> bool:
    """Whether a file inside its library is a link that leads out of it."""
    path, root = target.path, target.library.root
    if path is None or not path.absolute().is_relative_to(root.absolute()):
        return False
    try:
        return not path.resolve(strict=True).is_relative_to(root.resolve())
    except (OSError, RuntimeError):
        return True
