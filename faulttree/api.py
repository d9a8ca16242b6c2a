"""The objects for a script or a notebook: an open library, and a tree of it.

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
        path: its folder, laid over the libraries that
            :func:`faulttree.tree.layers.find_library` finds. None: only these.

    Raises:
        TreeError: the folder is no library.

    Example:
        >>> open_library()  # doctest: +SKIP
        <library /home/bench/lamps: 30 trees>
    """
    return OpenLibrary(find_library(path, os.environ, Path.cwd()))


class OpenLibrary(Mapping[str, "OpenTree"]):
    """A library as a mapping: the id of a tree → the tree. A tree is read when it is asked for.

    Args:
        library: the library that is read.
    """

    def __init__(self, library: Library) -> None:
        self.library = library

    def __getitem__(self, tree_id: str) -> OpenTree:
        """A tree by its id.

        Raises:
            TreeError: there is no such tree (ids that are near are named), or it has errors.
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
        """A tree by its file, which may lie outside the library.

        Raises:
            TreeError: the file cannot be read, is no tree, or has errors.
        """
        examined = self.library.examine(Path(path))
        for finding in examined.errors():
            raise finding.error()
        if examined.tree is None:
            mend = "Name the file of a tree."
            raise TreeError("This file is no tree.", path=Path(path), mend=mend)
        return OpenTree(examined.tree, self.library, Path(path))

    def find(self, words: str, *, limit: int = 10) -> tuple[Match, ...]:
        """Trees that fit what an owner says, the best first.

        Args:
            words: such as ``"bench supply dead"``.
            limit: how many at most.

        Example:
            >>> lib.find("supply no output")[0].tree  # doctest: +SKIP
            'bench-supply/no-output'
        """
        return find(words, self.library, limit=limit)

    def check(self) -> Report:
        """What the rules find in the whole library."""
        from faulttree.rules.runner import check

        return check(library=self.library)


@dataclass(frozen=True, repr=False)
class OpenTree:
    """A tree of an open library.

    Attributes:
        tree: the model of the tree, with steps, faults and stops.
        library: where it was read, which gives the shared procedures and names.
        path: its file, where it was opened by that.
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
        """What the tree is about, in words."""
        return self.tree.title

    def __repr__(self) -> str:
        return f"<tree {self.id}: {len(self.tree.steps)} steps, {len(self.tree.faults)} faults>"

    def check(self) -> Report:
        """What the rules find in the tree.

        Example:
            >>> tree.check().findings  # doctest: +SKIP
            ()
        """
        from faulttree.rules.runner import check

        return check(self.path or self.library.path_of(self.id), library=self.library)

    def plan(self, *, seconds: float | None = None, work: int | None = None) -> Plan:
        """The cheapest order of the tree's tests that can be found.

        Args:
            seconds: how long to look for something better, 0 or more.
            work: how many turns of the search, 0 or more; the plan is then the same on every
                machine. 10 seconds where neither is given.

        Raises:
            TableError: the tree's tests cannot be put in an order.

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
        """A picture of the tree; a notebook shows it as SVG.

        Args:
            unfold: draw the steps of shared procedures instead of one box for each.
            depth: fold what lies more than this many steps from the start.
            theme: ``auto``, ``light`` or ``dark``.

        Example:
            >>> Path("no-output.svg").write_text(tree.draw().svg())  # doctest: +SKIP
        """
        from faulttree.diagram.picture import picture

        return picture(self.tree, unfold=unfold, depth=depth, theme=theme)
