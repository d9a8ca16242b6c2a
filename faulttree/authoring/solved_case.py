"""A solved case, ready for its write-up: answers, ending, and the current tree."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faulttree.authoring.files import TreeFile
from faulttree.authoring.replay import RecordedAnswers, answers_of, minutes_of, walk_again
from faulttree.cases.closing import Closing, refuse_unfit
from faulttree.cases.historical_tree import tree_of
from faulttree.errors import RecordError
from faulttree.tree import Library, Tree
from faulttree.walk.events import Confirmed, Event
from faulttree.walk.fold import fold
from faulttree.walk.history import counted
from faulttree.walk.renames import now_called
from faulttree.walk.state import State

if TYPE_CHECKING:
    from faulttree.cases import Case, Store


KNOWN = ("fixed", "found")


@dataclass(frozen=True)
class Solved:
    """One case with the file of its tree.

    Attributes:
        closing: how the case is to be closed first; None if it is already closed.
        fault: the cause as the case names it; the tree may not have it.
        fixed: whether a repair was confirmed.
        day: the day it was closed, as YYYY-MM-DD.
    """

    case: Case
    events: tuple[Event, ...]
    then: State
    file: TreeFile
    fault: str
    fixed: bool
    seen: str
    day: str
    closing: Closing | None = None

    @property
    def now(self) -> Tree:
        """The current tree."""
        return self.file.tree

    @property
    def path(self) -> Path:
        """The file of the tree."""
        return self.file.path

    @cached_property
    def answers(self) -> RecordedAnswers:
        """The answers of the case during the search, under the current names."""
        return answers_of(self.then, self.events).called(lambda name: now_called(self.now, name))

    @cached_property
    def again(self) -> State:
        """The state that its answers lead to on the current tree."""
        return walk_again(self.now, self.answers)

    @cached_property
    def minutes(self) -> float:
        """Minutes of its search, by the figures of the tree at that time."""
        return minutes_of(self.then)

    def evidence(self) -> dict[str, Any]:
        """The evidence for the fault: confirmed only if a repair held, else reported."""
        unit = self.case.tag or self.case.serial
        called = unit if unit.startswith("tag ") else f"unit {unit}"
        source = f"case {self.case.number}{f', {called}' if unit else ''}"
        said = {
            "kind": "confirmed" if self.fixed else "reported",
            "source": source if self.fixed else f"{source}: found, not repaired",
            "date": self.day,
            "reason": self.seen,
        }
        return {key: value for key, value in said.items() if value}


def solved_case(
    store: Store, library: Library, words: str, *, fault: str = "", seen: str = "", day: str = ""
) -> Solved:
    """Find a case and prepare its write-up.

    Args:
        store: the record.
        library: holds its tree.
        words: number, id, tag or words of the case.
        fault: the cause, if the case does not name it.
        seen: what confirmed the repair, if the case does not have it.
        day: today, for a case that the write-up closes.

    Raises:
        RecordError: there is no such case, or its cause is missing.
        TreeError: its tree is missing or has errors.
    """
    case = store.find(words)
    events = store.events(case.id)
    file = TreeFile.of(library, case.tree)
    closing = None
    if case.result not in KNOWN:
        closing = _closing(case, fault, seen)
        # Raised here, because later the tree would already be written.
        refuse_unfit(store, case, closing)
    then = fold(tree_of(store, case.tree_hash) or file.tree, events)
    return Solved(
        case=case,
        events=events,
        then=then,
        file=file,
        fault=now_called(file.tree, fault or case.fault),
        fixed=case.result == "fixed" or (closing is not None and closing.result == "fixed"),
        seen=seen or _seen(events),
        day=(case.closed or day)[:10] if closing is None else day,
        closing=closing,
    )


def _closing(case: Case, fault: str, seen: str) -> Closing:
    if not fault:
        stands = f"closed as {case.result}" if case.state == "closed" else "still open"
        raise RecordError(
            f"case {case.number} is {stands}, and its cause is missing",
            remedy="Give --fault ID, and --seen TEXT for what confirmed the repair.",
        )
    result = "fixed" if seen else "found"
    return Closing(result, fault, became=case.became or "waiting", seen=seen)


def _seen(events: tuple[Event, ...]) -> str:
    """What confirmed the last repair, as text."""
    held = [event for event in counted(events) if isinstance(event, Confirmed)]
    if not held:
        return ""
    last = held[-1]
    if last.seen:
        return last.seen
    reading: Mapping[str, Any] = last.reading or {}
    text = str(reading.get("text") or "")
    return f"{last.step}: {f'{text}, ' if text else ''}{last.outcome}" if last.step else ""
