"""Objects for scripts and notebooks: an open library and its trees.

They hold no logic of their own: each method calls the function that the command of the same
name calls.

Example:
    >>> import faulttree
    >>> lib = faulttree.open_library()
    >>> tree = lib["bench-supply/no-output"]
    >>> tree.id
    'bench-supply/no-output'
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.errors import TreeError
from faulttree.tree.layers import find_library
from faulttree.tree.library import Library
from faulttree.tree.search import Match, find

if TYPE_CHECKING:
    from faulttree.diagram.palette import ThemeName
    from faulttree.diagram.picture import Picture
    from faulttree.odds.planning.planner import Plan
    from faulttree.rules.report import Report
    from faulttree.tree.model import Tree

__all__ = ["OpenLibrary", "OpenTree", "open_library"]


def open_library(path: str | Path | None = None) -> OpenLibrary:
    """Open a library of trees.

    Args:
        path: its folder; it becomes the topmost of the libraries that
            :func:`faulttree.tree.layers.find_library` finds. None: only these.

    Raises:
        TreeError: the folder is not a library.

    Example:
        >>> open_library()  # doctest: +SKIP
        <library /home/bench/lamps: 30 trees>
    """
    return OpenLibrary(find_library(path, os.environ, Path.cwd()))


class OpenLibrary(Mapping[str, "OpenTree"]):
    """A library as a mapping from the id of a tree to the tree. A tree is read on access.

    Args:
        library: the library that is read.
    """

    def __init__(self, library: Library) -> None:
        self.library = library

    def __getitem__(self, tree_id: str) -> OpenTree:
        """A tree by its id.

        Raises:
            TreeError: there is no such tree (the error names similar ids), or it has errors.
        """
        return OpenTree(self.library.load(tree_id), self.library)

    def __contains__(self, tree_id: object) -> bool:
        return tree_id in self.library.trees()

    def __iter__(self) -> Iterator[str]:
        return iter(self.library.trees())

    def __len__(self) -> int:
        return len(self.library.trees())

    def __repr__(self) -> str:
        return f"<library {self.library.root}: {len(self)} trees>"

    def open_file(self, path: str | Path) -> OpenTree:
        """Open a tree by its file, which may be outside the library.

        Raises:
            TreeError: the file cannot be read, is not a tree, or has errors.
        """
        examined = self.library.examine(Path(path))
        for finding in examined.errors():
            raise finding.error()
        if examined.tree is None:
            remedy = "Name the file of a tree."
            raise TreeError("This file is not a tree.", path=Path(path), remedy=remedy)
        return OpenTree(examined.tree, self.library, Path(path))

    def find(self, words: str, *, limit: int = 10) -> tuple[Match, ...]:
        """Find trees by the words of a complaint, the best match first.

        Args:
            words: such as ``"bench supply dead"``.
            limit: greatest number of matches.

        Example:
            >>> lib.find("supply no output")[0].tree  # doctest: +SKIP
            'bench-supply/no-output'
        """
        return find(words, self.library, limit=limit)

    def check(self) -> Report:
        """Check the whole library with every rule."""
        from faulttree.rules.runner import check

        return check(library=self.library)


@dataclass(frozen=True, repr=False)
class OpenTree:
    """A tree of an open library.

    Attributes:
        tree: the model of the tree, with steps, faults and stops.
        library: the library it was read from, with the shared procedures.
        path: its file, if it was opened by its file.
    """

    tree: Tree
    library: Library
    path: Path | None = None

    @property
    def id(self) -> str:
        """``<family>/<complaint>``."""
        return self.tree.id

    @property
    def title(self) -> str:
        """The title of the tree."""
        return self.tree.title

    def __repr__(self) -> str:
        return f"<tree {self.id}: {len(self.tree.steps)} steps, {len(self.tree.faults)} faults>"

    def check(self) -> Report:
        """Check the tree with every rule.

        Example:
            >>> tree.check().findings  # doctest: +SKIP
            ()
        """
        from faulttree.rules.runner import check

        return check(self.path or self.library.path_of(self.id), library=self.library)

    def plan(self, *, seconds: float | None = None, work: int | None = None) -> Plan:
        """Plan the cheapest order of the tree's tests.

        Args:
            seconds: time limit of the search, 0 or more.
            work: number of turns of the search, 0 or more; the plan is then the same on every
                machine. If neither is given, the limit is 10 seconds.

        Raises:
            TableError: the tests of the tree cannot be ordered.

        Example:
            >>> tree.plan(work=100).expected_minutes  # doctest: +SKIP
            34.5
        """
        from faulttree.odds import table_from_tree
        from faulttree.odds.planning.planner import plan

        return plan(table_from_tree(self.tree), seconds=seconds, work=work)

    def draw(
        self, *, unfold: bool = False, depth: int | None = None, theme: ThemeName = "auto"
    ) -> Picture:
        """Draw the tree; a notebook shows the picture as SVG.

        Args:
            unfold: draw the steps of shared procedures instead of one box for each.
            depth: fold all steps more than this many steps from the start.
            theme: ``auto``, ``light`` or ``dark``.

        Example:
            >>> Path("no-output.svg").write_text(tree.draw().svg())  # doctest: +SKIP
        """
        from faulttree.diagram.picture import picture

        return picture(self.tree, unfold=unfold, depth=depth, theme=theme)
