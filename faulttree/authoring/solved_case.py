"""A case as it is to be written up: what it saw, how it ended, and the tree as it is now."""

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

__all__ = ["Solved", "solved_case"]

KNOWN = ("fixed", "found")


@dataclass(frozen=True)
class Solved:
    """One case with the file of its tree.

    Attributes:
        closing: how the case is to be closed first; None where it is closed already.
        fault: the cause as the case names it; it may be none of the tree's.
        fixed: whether a repair was seen to hold.
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
        """The tree as it is now."""
        return self.file.tree

    @property
    def path(self) -> Path:
        """The file of the tree."""
        return self.file.path

    @cached_property
    def answers(self) -> RecordedAnswers:
        """What the case answered while it looked for the fault, by the names of now."""
        return answers_of(self.then, self.events).called(lambda name: now_called(self.now, name))

    @cached_property
    def again(self) -> State:
        """Where its answers lead on the tree as it is now."""
        return walk_again(self.now, self.answers)

    @cached_property
    def minutes(self) -> float:
        """Minutes of its own search, by the figures of the tree as it was."""
        return minutes_of(self.then)

    def evidence(self) -> dict[str, Any]:
        """What the case says for its fault; only a repair that held confirms it."""
        unit = self.case.tag or self.case.serial
        called = unit if unit.startswith("tag ") else f"unit {unit}"
        source = f"case {self.case.number}{f', {called}' if unit else ''}"
        said = {
            "kind": "confirmed" if self.fixed else "reported",
            "source": source if self.fixed else f"{source}: found, not mended",
            "date": self.day,
            "reason": self.seen,
        }
        return {key: value for key, value in said.items() if value}


def solved_case(
    store: Store, library: Library, words: str, *, fault: str = "", seen: str = "", day: str = ""
) -> Solved:
    """The case that is meant, ready to be written up.

    Args:
        store: the record.
        library: holds its tree.
        words: number, id, tag or words of the case.
        fault: the cause, where the case does not name it yet.
        seen: what showed that the repair held, where the case does not say so yet.
        day: today, for a case that is closed by this.

    Raises:
        RecordError: there is no such case, or nobody has said what was wrong.
        TreeError: its tree is gone or broken.
    """
    case = store.find(words)
    events = store.events(case.id)
    file = TreeFile.of(library, case.tree)
    closing = None
    if case.result not in KNOWN:
        closing = _closing(case, fault, seen)
        # Told now: later the tree would have been written already.
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
            f"case {case.number} is {stands}: nobody has said what was wrong",
            mend="Give --fault ID, and --seen TEXT for what showed that the repair held.",
        )
    result = "fixed" if seen else "found"
    return Closing(result, fault, became=case.became or "waiting", seen=seen)


def _seen(events: tuple[Event, ...]) -> str:
    """What showed that the last repair held, in words."""
    held = [event for event in counted(events) if isinstance(event, Confirmed)]
    if not held:
        return ""
    last = held[-1]
    if last.seen:
        return last.seen
    reading: Mapping[str, Any] = last.reading or {}
    text = str(reading.get("text") or "")
    return f"{last.step}: {f'{text}, ' if text else ''}{last.outcome}" if last.step else ""
