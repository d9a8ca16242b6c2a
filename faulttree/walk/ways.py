"""What lies on the tree's way to a step."""

from __future__ import annotations

from functools import lru_cache

from faulttree.tree.model import Tree

__all__ = ["ByHash", "deeds_before"]


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


@lru_cache(maxsize=16)
def _all_deeds(key: ByHash) -> dict[str, tuple[str, ...]]:
    """Step → its deeds, by the meet over all ways into it, until nothing changes.

    The first way found gives the order; the others only strike deeds out.
    """
    tree = key.tree
    known: dict[str, tuple[str, ...]] = {tree.start: ()}
    waiting = [tree.start]
    while waiting:
        step = tree.steps.get(waiting.pop())
        if step is None:
            continue
        deed = (step.id,) if step.kind == "do" and not step.live else ()
        passed = (*(name for name in known[step.id] if name != step.id), *deed)
        for target in step.targets.values():
            if target not in tree.steps:
                continue
            before = known.get(target)
            met = passed if before is None else tuple(name for name in before if name in passed)
            if met != before:
                known[target] = met
                waiting.append(target)
    return {name: tuple(d for d in deeds if d != name) for name, deeds in known.items()}
