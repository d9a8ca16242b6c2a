"""The fault table of a tree with its safety checks: no order of tests may leave them out.

Safety checks are steps with an answer that ends the walk as unsafe or for licensed people
only. A first step that reproduces the complaint is kept in the same way: without it, faults
are looked for in units that have none.
"""

from __future__ import annotations

from dataclasses import replace

from faulttree.odds.table import FaultTable, Waits, possible_spoils, put_before
from faulttree.odds.table_from_tree import table_from_tree
from faulttree.tree.graph import graph_of
from faulttree.tree.model import Tree

__all__ = ["guarded", "guarded_table"]


def guarded_table(tree: Tree) -> FaultTable:
    """The tree's fault table, each test behind the safety checks that come before it there.

    Raises:
        TableError: steps that wait for one another.
    """
    return guarded(table_from_tree(tree))


def guarded(table: FaultTable) -> FaultTable:
    """The table with every test and action behind the safety checks of the tree it came from.

    Where every path of the tree to a step passes a safety check, that check becomes one of
    the things that come first (``after``). A check that no step names in its own ``after``
    holds once it is done, also when the unit is powered later: the tree asks it once.
    A table without a tree is given back as it is, and so is one that was guarded before.
    """
    tree = table.source
    if tree is None:
        return table
    graph, waits = graph_of(tree), _waits(table)
    named = {name for names in waits.values() for name in names}
    for name in waits:
        use = tree.uses.get(name)
        for check in graph.checks_before(use.start if use else name):
            if use is None or check not in use.steps:
                put_before(check, name, waits)
    checks = {check for node in graph.reached for check in graph.checks_before(node)}
    lasting = table.lasting | frozenset(checks & set(table.tests) - named)
    return replace(
        table,
        after=tuple(waits[test] for test in table.tests),
        actions={
            name: replace(action, after=waits[name]) for name, action in table.actions.items()
        },
        spoils=possible_spoils(table.spoils, waits),
        lasting=lasting,
    )


def _waits(table: FaultTable) -> Waits:
    waits = dict(zip(table.tests, table.after, strict=True))
    waits.update({name: action.after for name, action in table.actions.items()})
    return waits
