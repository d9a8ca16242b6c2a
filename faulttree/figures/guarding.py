"""Questions that guard a danger: no order of tests may go round them.

A guard is a step with an answer that ends the walk as unsafe or for licensed people only.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import networkx as nx

from faulttree.odds import table_from_tree
from faulttree.tree.ids import free_id
from faulttree.walk.state import HARD_STOPS

if TYPE_CHECKING:
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step, Tree

__all__ = ["first_guards", "guarded_table", "guards", "with_guards_first", "without"]


def guarded_table(tree: Tree) -> FaultTable:
    """The tree's fault table, each test behind the questions that guard it in the tree.

    Where every way to a test comes by a question whose answer can end the walk as unsafe or
    for licensed people only, no other order may go round that question.

    Raises:
        TableError: steps that wait for one another.
    """
    table = table_from_tree(tree)
    known = {*table.tests, *table.deeds}
    graph = nx.DiGraph((a, b) for a, _, b in tree.edges())
    if tree.start not in graph:
        return table
    above = nx.immediate_dominators(graph, tree.start)
    guarding = {name for name in table.tests if guards(tree, name)}
    after = []
    for at, test in enumerate(table.tests):
        before = [name for name in _chain(above, test) if name in guarding and name in known]
        after.append(tuple(dict.fromkeys([*reversed(before), *table.after[at]])))
    return replace(table, after=tuple(after))


def _chain(above: Mapping[str, str | None], name: str) -> Iterator[str]:
    """What every way to a step comes by, the nearest first."""
    while name in above and above[name] not in (None, name):
        name = str(above[name])
        yield name


def guards(tree: Tree, name: str) -> bool:
    """Whether an answer to a step can end the walk as unsafe or for licensed people only."""
    targets = tree.steps[name].targets.values()
    return any(tree.stops[to].reason in HARD_STOPS for to in targets if to in tree.stops)


def first_guards(tree: Tree, table: FaultTable) -> tuple[str, ...]:
    """The guards that come before everything else and tell no fault from another.

    They are asked once, as in the tree, and need not be part of what is put in order.

    Args:
        table: as :func:`guarded_table` gives it.
    """
    plain = [
        name
        for at, name in enumerate(table.tests)
        if guards(tree, name) and len({row[at] for row in table.entries} - {()}) < 2
    ]
    found: list[str] = []
    name = tree.start
    # The tree's own beginning, as long as it is guards one behind the other.
    while name in plain and name not in found:
        found.append(name)
        on = {to for to in tree.steps[name].targets.values() if to not in tree.stops}
        if len(on) != 1:
            break
        name = on.pop()
    return tuple(found)


def without(table: FaultTable, tests: Sequence[str]) -> FaultTable:
    """The table without some of its tests, which nothing waits for any more."""
    left = [at for at, name in enumerate(table.tests) if name not in tests]

    def kept(column: Sequence[Any]) -> tuple[Any, ...]:
        return tuple(column[at] for at in left) if column else ()

    def waits(names: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in names if name not in tests)

    return replace(
        table,
        tests=kept(table.tests),
        minutes=kept(table.minutes),
        outcomes=kept(table.outcomes),
        entries=tuple(kept(row) for row in table.entries),
        access=kept(table.access),
        after=tuple(waits(names) for names in kept(table.after)),
        deeds={name: replace(deed, after=waits(deed.after)) for name, deed in table.deeds.items()},
        kinds=kept(table.kinds),
        gear=kept(table.gear),
    )


def with_guards_first(tree: Tree, document: Mapping[str, Any], names: Sequence[str]) -> Any:
    """A tree document that begins with these guards, then goes on as it did."""
    made = copy.deepcopy(dict(document))
    following: str = made["start"]
    steps: dict[str, Any] = {}
    for name in reversed(names):
        own = free_id(name.replace(".", "-"), {*made["steps"], *steps, *made["faults"]})
        steps[own] = _asked(tree, tree.steps[name], following)
        following = own
    written = tree.bundle["tree"]["stops"]
    met = {to for name in names for to in tree.steps[name].targets.values()}
    stops = {name: stop for name, stop in written.items() if name in met or name in made["stops"]}
    return made | {
        "start": following,
        "steps": dict(reversed(steps.items())) | made["steps"],
        "stops": {**stops, **made["stops"]},
    }


def _asked(tree: Tree, step: Step, following: str) -> dict[str, Any]:
    targets = {
        outcome: to if to in tree.stops else following for outcome, to in step.targets.items()
    }
    said = {
        "measure" if step.kind == "measure" else "ask": step.text,
        "how": step.how,
        "needs": list(step.needs),
        "minutes": step.minutes,
        "cautions": list(step.cautions),
        "access": list(step.access),
        "live": step.live or None,
        "limits": copy.deepcopy(step.limits),
        "unit": step.unit if step.limits is None else None,
        "results" if step.kind == "measure" else "answers": targets,
    }
    return {key: value for key, value in said.items() if value not in (None, "", [])}
