"""The shopping list: which parts the open cases need."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from faulttree.cases.historical_tree import state_of
from faulttree.convert import Plain

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.cases.store import Store


@dataclass(frozen=True, slots=True)
class PartWanted(Plain):
    """One part, for one fault of one case. ``cost`` is the tree's figure for the part."""

    part: str
    fault: str
    title: str
    remedy: str
    cost: float | None
    case: str
    number: int
    unit: str


def shopping_list(store: Store) -> tuple[PartWanted, ...]:
    """Parts of faults found and not yet repaired, in cases that are open or wait; by part."""
    waiting = store.list(state="closed", became="waiting")
    wanted = [
        part for case in (*store.list(state="open"), *waiting) for part in needed(store, case)
    ]
    return tuple(sorted(wanted, key=lambda part: (part.part, part.number)))


def needed(store: Store, case: Case) -> Iterator[PartWanted]:
    """What one case needs: the part of the fault it came to, unless a repair held."""
    state = state_of(store, case)
    if state is None:
        return
    found = [case.fault] if case.fault else []
    if not found and state.end is not None and state.end.kind == "fault":
        found = [state.end.id]
    repaired = {repair.fault for repair in state.repairs}
    for name in found:
        fault = state.tree.faults.get(name)
        if fault is None or name in repaired:
            continue
        yield PartWanted(
            fault.part or fault.title,
            name,
            fault.title,
            fault.remedy,
            fault.part_cost,
            case.id,
            case.number,
            " ".join(filter(None, [case.model or case.family, case.tag or case.serial])),
        )
