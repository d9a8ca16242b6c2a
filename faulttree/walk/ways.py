"""What lies on the tree's way to a step."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from faulttree.tree.model import Step, Tree
from faulttree.walk.state import HARD_STOPS

__all__ = ["ByHash", "deeds_before", "guards_before", "is_guard"]


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


def is_guard(tree: Tree, step: Step) -> bool:
    """Whether an answer can end the walk as unsafe, or as work for licensed people only."""
    targets = step.targets.values()
    return any(tree.stops[to].reason in HARD_STOPS for to in targets if to in tree.stops)


@lru_cache(maxsize=16)
def _all_deeds(key: ByHash) -> dict[str, tuple[str, ...]]:
    return _on_every_way(key.tree, lambda step: step.kind == "do" and not step.live)


@lru_cache(maxsize=16)
def _all_guards(key: ByHash) -> dict[str, tuple[str, ...]]:
    return _on_every_way(key.tree, lambda step: is_guard(key.tree, step))


def _on_every_way(tree: Tree, wanted: Callable[[Step], bool]) -> dict[str, tuple[str, ...]]:
    """Step → what is wanted before it, by the meet over all ways into it, until nothing changes.

    The first way found gives the order; the others only strike steps out.
    """
    known: dict[str, tuple[str, ...]] = {tree.start: ()}
    waiting = [tree.start]
    while waiting:
        step = tree.steps.get(waiting.pop())
        if step is None:
            continue
        own = (step.id,) if wanted(step) else ()
        passed = (*(name for name in known[step.id] if name != step.id), *own)
        for target in step.targets.values():
            if target not in tree.steps:
                continue
            before = known.get(target)
            met = passed if before is None else tuple(name for name in before if name in passed)
            if met != before:
                known[target] = met
                waiting.append(target)
    return {name: tuple(one for one in found if one != name) for name, found in known.items()}
