"""The cases of units that a module is built into.

A unit that names its modules is known by them. Most name none: those count where the tree they
were walked on knows a fault of the module, and how many they are is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Connection, and_, func, or_, select

from faulttree.cases.filters import conditions
from faulttree.cases.historical_tree import tree_of
from faulttree.cases.tables import CASES

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.tree.model import Tree

__all__ = ["Condition", "built_in", "unsaid"]

Condition = ColumnElement[bool]

UNNAMED = CASES.c.modules == ""


def built_in(store: Store, module: str, trees: Iterable[Tree]) -> Condition:
    """Cases whose unit holds the module, or names none and was walked on a tree that knows it.

    Args:
        store: the record; trees that the library has no more are known from it.
        module: the module's name.
        trees: those of the library.

    Raises:
        RecordError: the record cannot be read.
    """
    known = sorted(tree.id for tree in _all(store, trees) if _knows(tree, module))
    named = CASES.c.modules.contains(f",{module},", autoescape=True)
    return or_(named, and_(UNNAMED, CASES.c.tree.in_(known)))


def unsaid(store: Store, where: Condition, filters: dict[str, Any]) -> int:
    """How many of these cases are of units that do not name their modules.

    Raises:
        RecordError: a filter that is not known, or the record cannot be read.
    """

    def work(connection: Connection) -> int:
        asked = select(func.count()).select_from(CASES)
        asked = asked.where(UNNAMED, where, *conditions(connection, filters))
        return int(connection.execute(asked).scalar_one())

    return store.read(work)


def _all(store: Store, trees: Iterable[Tree]) -> Iterator[Tree]:
    """The trees of the library, and the last text of those that only the record has."""
    here = set()
    for tree in trees:
        here.add(tree.id)
        yield tree

    def work(connection: Connection) -> list[tuple[str, str]]:
        last = func.max(CASES.c.opened)
        asked = select(CASES.c.tree, CASES.c.tree_hash).group_by(CASES.c.tree, CASES.c.tree_hash)
        return [(name, text) for name, text in connection.execute(asked.order_by(last.desc()))]

    for name, text in store.read(work):
        old = None if name in here else tree_of(store, text)
        if old is not None:
            here.add(name)
            yield old


def _knows(tree: Tree, module: str) -> bool:
    return module in tree.modules or any(fault.module == module for fault in tree.faults.values())
