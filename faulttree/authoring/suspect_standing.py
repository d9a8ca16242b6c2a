"""The status of suspects: count in the record which were tested, found or cleared."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from faulttree.convert import Plain
from faulttree.tree import Tree
from faulttree.walk.advisor import table_for
from faulttree.walk.events import Closed, Confirmed, Event, NotConfirmed
from faulttree.walk.fold import fold
from faulttree.walk.history import counted
from faulttree.walk.renames import follow
from faulttree.walk.state import State

if TYPE_CHECKING:
    from faulttree.cases import Store


@dataclass(frozen=True)
class SuspectStanding(Plain):
    """One suspect, and its counts in the record.

    Attributes:
        loose: no step leads to it.
        evidence: the evidence for and against it in the tree.
        tested: cases that took a test of its own: one that leads to it, or is among its signs.
        found: cases in which it was the fault.
        cleared: cases in which a test showed that it was not.
        contradicted: reasons against it: from the tree, and from repairs that did not cure.
    """

    COMPUTED = ("standing",)

    tree: str
    fault: str
    title: str
    module: str | None
    loose: bool
    evidence: tuple[Mapping[str, str], ...]
    tested: int
    found: int
    cleared: int
    contradicted: tuple[str, ...]

    @property
    def standing(self) -> str:
        """The status as one or two words."""
        if self.found or any(one["kind"] == "confirmed" for one in self.evidence):
            return "confirmed"
        if self.contradicted:
            return "contradicted"
        if self.cleared:
            return "cleared so far"
        return "tested" if self.tested else "untested"


def list_suspects(
    store: Store,
    trees: Sequence[Tree],
    *,
    module: str = "",
    everything: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[SuspectStanding, ...]:
    """List the suspects of trees, each with its status.

    A suspect is a fault that somebody reported or contradicted, or that no step leads to.

    Args:
        store: the record.
        trees: the current trees.
        module: only faults of this module.
        everything: every fault, including documented and confirmed ones.
        progress: called with the number of trees done, and of all.

    Raises:
        RecordError: the record cannot be read.
    """
    found: list[SuspectStanding] = []
    for done, tree in enumerate(trees, 1):
        wanted = [
            name
            for name, fault in tree.faults.items()
            if (not module or fault.module == module) and (everything or _suspected(tree, name))
        ]
        if wanted:
            found += _standings(store, tree, wanted)
        if progress is not None:
            progress(done, len(trees))
    return tuple(found)


def _suspected(tree: Tree, fault: str) -> bool:
    kinds = {evidence.kind for evidence in tree.faults[fault].evidence}
    return fault in tree.loose or bool(kinds & {"reported", "contradicted"})


@dataclass
class _Count:
    tested: int = 0
    found: int = 0
    cleared: int = 0
    reasons: list[str] = field(default_factory=list)


def _standings(store: Store, tree: Tree, wanted: Sequence[str]) -> Iterator[SuspectStanding]:
    counts = {name: _Count() for name in wanted}
    for case in store.each(tree=tree.id):
        events = tuple(follow(tree, store.events(case.id)))
        state = fold(tree, events)
        for name, count in counts.items():
            _count(state, events, name, count, case.number)
    for name, count in counts.items():
        fault = tree.faults[name]
        evidence = tuple(_plain(one) for one in fault.evidence)
        told = [one["reason"] for one in evidence
                if one["kind"] == "contradicted" and "reason" in one]  # fmt: skip
        yield SuspectStanding(
            tree.id,
            name,
            fault.title,
            fault.module,
            name in tree.loose,
            evidence,
            count.tested,
            count.found,
            count.cleared,
            (*told, *count.reasons),
        )


def _plain(evidence: Any) -> dict[str, str]:
    said = {key: getattr(evidence, key) for key in ("kind", "source", "date", "reason")}
    return {key: value for key, value in said.items() if value}


def _count(state: State, events: Sequence[Event], fault: str, count: _Count, number: int) -> None:
    """Add one case to the counts of a suspect."""
    from faulttree.odds import Observation, against, tests_of

    events = counted(events)
    found = any(isinstance(event, Confirmed | Closed) and event.fault == fault for event in events)
    told = [visit for visit in state.path if visit.outcome != "undecided"]
    own = tests_of(state.tree, fault)
    tested = any(visit.step in own for visit in told)
    seen = [Observation(visit.step, visit.outcome) for visit in told]
    cleared = against(table_for(state), fault, seen) is not None
    for event in events:
        if isinstance(event, NotConfirmed) and event.fault == fault:
            tested = True
            said = event.seen or f"{event.step} still gave {event.outcome}"
            count.reasons.append(f"case {number}: its repair did not cure ({said})")
    count.found += found
    count.tested += tested or found
    count.cleared += cleared and not found
