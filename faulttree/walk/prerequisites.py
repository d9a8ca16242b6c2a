"""What a walk must pass before a step, as far as the paths of its tree say.

The checks before power are left out: they are asked by the round, not by the path to a step.
"""

from __future__ import annotations

from faulttree.tree.graph import graph_of
from faulttree.tree.model import Tree

__all__ = ["guards_before", "preparations_before"]


def preparations_before(tree: Tree, step: str) -> tuple[str, ...]:
    """The unpowered ``do`` steps on every path to a step, first to last.

    Example:
        >>> preparations_before(tree, "esr")  # doctest: +SKIP
        ('discharge',)
    """
    return _asked(tree, graph_of(tree).preparations_before(step))


def guards_before(tree: Tree, step: str) -> tuple[str, ...]:
    """The steps on every path to a step that may find the unit unsafe, first to last.

    Example:
        >>> guards_before(tree, "open-lid")  # doctest: +SKIP
        ('look.lead',)
    """
    return _asked(tree, graph_of(tree).guards_before(step))


def _asked(tree: Tree, names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name for name in names if tree.steps[name].role == "finding")
