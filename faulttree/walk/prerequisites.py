"""What lies on the tree's way to a step."""

from __future__ import annotations

from functools import lru_cache

from faulttree.tree.model import Tree
from faulttree.tree.safety import always_before, is_guard

__all__ = ["ByHash", "deeds_before", "guards_before"]


class ByHash:
    """A tree that can be a cache's key: two of one hash are the same text."""

    __slots__ = ("tree",)

    def __init__(self, tree: Tree) -> None:
        self.tree = tree

    def __hash__(self) -> int:
        return hash(self.tree.hash)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ByHash) and self.tree.hash == other.tree.hash


def deeds_before(tree: Tree, step: str) -> tuple[str, ...]:
    """The ``do`` steps that every way from the start to ``step`` comes by, first to last.

    Whoever goes to a step directly must not miss them: to leave one out could hurt.
    """
    return _all_deeds(ByHash(tree)).get(step, ())


def guards_before(tree: Tree, step: str) -> tuple[str, ...]:
    """The steps on every way from the start to ``step`` that may find the unit unsafe.

    Nobody is advised to go round them.
    """
    return _all_guards(ByHash(tree)).get(step, ())


@lru_cache(maxsize=16)
def _all_deeds(key: ByHash) -> dict[str, tuple[str, ...]]:
    return always_before(key.tree, lambda step: step.kind == "do" and not step.live)


@lru_cache(maxsize=16)
def _all_guards(key: ByHash) -> dict[str, tuple[str, ...]]:
    return always_before(key.tree, lambda step: is_guard(key.tree, step))
