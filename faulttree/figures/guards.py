"""The safety checks that a tree begins with, put before an order of its other tests."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faulttree.tree.ids import free_id
from faulttree.tree.safety import is_check

if TYPE_CHECKING:
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step, Tree

__all__ = ["first_guards", "with_guards_first", "without"]


def first_guards(tree: Tree, table: FaultTable) -> tuple[str, ...]:
    """The guards that come before everything else and tell no fault from another.

    They are asked once, as in the tree, and need not be part of what is put in order.

    Args:
        table: as :func:`faulttree.odds.guarded_table` gives it.
    """
    plain = [
        name
        for at, name in enumerate(table.tests)
        if is_check(tree, tree.steps[name]) and len({row[at] for row in table.entries} - {()}) < 2
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
