"""Layers of libraries: the libraries that a command uses, one on top of another.

A tree, procedure, caution or other shared item is taken completely from the topmost library
that has it; nothing is merged.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from faulttree.tree.document import read_document
from faulttree.tree.library import Library, shipped_library
from faulttree.tree.model import Tree

VARIABLE = "FAULTTREE_LIBRARY"
SIGNALS = ("CAUTION", "WARNING", "DANGER")
"""Signal words from the weakest to the strongest (ISO 3864-2)."""


def find_library(
    explicit: str | Path | Sequence[str | Path] | None, environ: Mapping[str, str], cwd: Path
) -> Library:
    """Find the library that a command uses, with the lower libraries.

    From the top: the folders named, those in ``FAULTTREE_LIBRARY``, the nearest folder above
    that holds ``trees/``, the one that ``bench.yaml`` of the topmost of these names
    (``library``), and the library that ships. A folder counts once, at its highest place.

    Args:
        explicit: a folder or several, the topmost first.
        environ: the environment; ``FAULTTREE_LIBRARY`` is a list of folders, separated as in
            ``PATH``.
        cwd: the working directory; relative folders start here.

    Raises:
        TreeError: a named folder is not a library.

    Example:
        >>> find_library(None, {}, Path("/")).is_shipped
        True
    """
    shipped = shipped_library()
    roots: dict[Path, Path] = {}
    for root in named_roots(explicit, environ, cwd):
        if _real(root) != _real(shipped.root):
            roots.setdefault(_real(root), root)
    below: Library | None = None
    for root in reversed(roots.values()):
        below = Library(root, beneath=below)
    return below or shipped


def _real(root: Path) -> Path:
    try:
        return root.resolve()
    except (OSError, ValueError, RuntimeError):
        return root  # `Library` refuses it, naming the folder.


def named_roots(
    explicit: str | Path | Sequence[str | Path] | None, environ: Mapping[str, str], cwd: Path
) -> Iterator[Path]:
    """The folders of the libraries above the shipped one, the topmost first."""
    given = [explicit] if isinstance(explicit, str | Path) else list(explicit or ())
    listed = [one for one in environ.get(VARIABLE, "").split(os.pathsep) if one]
    roots = [cwd / one for one in (*given, *listed)]
    nearest = next((one for one in (cwd, *cwd.parents) if (one / "trees").is_dir()), None)
    if nearest is not None:
        roots.append(nearest)
    yield from roots
    files = (root / "bench.yaml" for root in roots)
    for named in map(_in_bench, files):
        if named is not None:
            yield from named
            return


def _in_bench(path: Path) -> list[Path] | None:
    """The libraries that a ``bench.yaml`` names, from its own folder; None without the file."""
    try:
        if not path.is_file():
            return None
    except (OSError, ValueError):
        return None  # `Library` refuses the folder, naming it.
    data = read_document(path).data
    named = data.get("library") if isinstance(data, Mapping) else None
    listed = [named] if isinstance(named, str) else named if isinstance(named, list) else []
    return [path.parent / Path(str(one)).expanduser() for one in listed]


def own_root(
    explicit: str | Path | Sequence[str | Path] | None, environ: Mapping[str, str], cwd: Path
) -> Path:
    """The folder for new trees: the topmost named or nearest library, else ``cwd``."""
    return next(named_roots(explicit, environ, cwd), cwd)


@dataclass(frozen=True, slots=True)
class Replacement:
    """A procedure or caution of one library that replaces that of a lower one.

    Attributes:
        kind: ``procedure`` or ``caution``.
        name: its name.
        over: the title of the library whose item is replaced.
        by: the title of the library it is taken from.
        weaker: for a caution, whether its signal word is weaker than the one replaced.
    """

    kind: str
    name: str
    over: str
    by: str
    weaker: bool = False

    def __str__(self) -> str:
        text = f"The {self.kind} {self.name} of {self.by} replaces that of {self.over}"
        return f"{text}, with a weaker signal word" if self.weaker else text


def replacements(library: Library, tree: Tree) -> tuple[Replacement, ...]:
    """Find the procedures and cautions of a tree that replace those of lower libraries.

    Raises:
        TreeError: a file of the libraries has errors.
    """
    found: list[Replacement] = []
    for name in tree.bundle.get("procedures") or {}:
        found += _replaced(library, "procedure", name, lambda layer, n: layer.own_procedure(n))
    for name in tree.bundle.get("cautions") or {}:
        found += _replaced(library, "caution", name, lambda layer, n: layer.own_caution(n))
    return tuple(found)


def _replaced(library: Library, kind: str, name: str, get: Any) -> Iterator[Replacement]:
    """The replacement, if the topmost of several items differs from the next one."""
    held = [(layer, item) for layer in library.layers if (item := get(layer, name)) is not None]
    for (top, item), (below, other) in list(pairwise(held))[:1]:
        if item != other:
            weaker = kind == "caution" and _strength(item) < _strength(other)
            yield Replacement(kind, name, str(below.about), str(top.about), weaker)


def weaker_cautions(library: Library) -> Iterator[tuple[str, int, str, str]]:
    """Cautions of a library with a weaker signal word than in a lower library.

    Yields:
        Name, line and text of the line in ``shared/cautions.yaml``, title of that library.
    """
    table = library.own_table("cautions")
    if table is None or not isinstance(table.data, Mapping) or library.beneath is None:
        return
    for name, caution in table.data.items():
        for layer in library.beneath.layers:
            other = layer.own_caution(name)
            if other is not None and _strength(caution) < _strength(other):
                line, _ = table.place((name,), of_key=True)
                yield name, line, table.lines[line - 1][:240], str(layer.about)
                break


def _strength(caution: Any) -> int:
    word = caution.get("signal") if isinstance(caution, Mapping) else None
    return SIGNALS.index(word) if word in SIGNALS else -1
