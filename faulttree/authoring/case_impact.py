"""Find the recorded cases that end elsewhere after a tree changes, by replaying each one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from faulttree.convert import Plain
from faulttree.walk.fold import fold
from faulttree.walk.state import State

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.tree import Tree


@dataclass(frozen=True, slots=True)
class MovedCase(Plain):
    """A case that ends elsewhere on the new tree."""

    case: str
    number: int
    before: str
    after: str

    def __str__(self) -> str:
        return (
            f"by its answers case {self.number} came to {_words(self.before)}; "
            f"on the changed tree it comes to {_words(self.after)}"
        )


def _words(stand: str) -> str:
    """A position of :func:`stands` as part of a sentence."""
    kind, _, name = stand.partition(" ")
    named = {
        "fault": f"the fault `{name}`",
        "stop": f"the end `{name}`",
        "asked": f"the step `{name}`, which it did not answer",
    }
    return named.get(kind, stand)


def moved_cases(
    store: Store,
    old: Tree,
    new: Tree,
    *,
    but: str = "",
    progress: Callable[[int], None] | None = None,
) -> Iterator[MovedCase]:
    """Replay the cases of a tree on its new text and return those that end elsewhere.

    Args:
        store: the record.
        old, new: the tree before and after.
        but: id of a case to leave out.
        progress: called with the number of cases replayed so far.

    Raises:
        RecordError: the record cannot be read.
    """
    for done, case in enumerate(store.each(tree=old.id), 1):
        if case.id != but:
            events = store.events(case.id)
            before, after = stands(fold(old, events)), stands(fold(new, events))
            if before != after:
                yield MovedCase(case.id, case.number, before, after)
        if progress is not None:
            progress(done)


def stands(state: State) -> str:
    """The position of a walk in words: its end, or the step that is asked next."""
    if state.cured is not None:
        return f"fault {state.cured.fault}"
    if state.end is not None:
        return f"{state.end.kind} {state.end.id or state.end.reason}"
    return f"asked {state.ask.id}" if state.ask is not None else "nothing left to ask"
