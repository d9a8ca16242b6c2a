"""Which events count after going back, withdrawals and corrections. Defined here only.

Events are never removed. ``WentBack`` takes back the last answers and skips of its round,
``Withdrawn`` one event by its sequence, and ``Corrected`` puts another outcome in the place of
the one recorded. The walk, the lists, the report, the review and the write-up all read this.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from faulttree.walk import events as ev

__all__ = ["Change", "Entry", "History", "counted", "history", "is_still"]

REPAIRS = (ev.RepairTried, ev.Confirmed, ev.NotConfirmed)
BARRIERS = (*REPAIRS, ev.Opened, ev.Closed, ev.Reopened)
"""Nobody goes back over these: they have happened to the unit."""

MOVES = (ev.Answered, ev.Skipped)
FOLLOWS_MOVES = (
    *(*MOVES, ev.Jumped, ev.Stopped, ev.Reached, ev.LikelyAccepted, ev.Checked),
    *(ev.WaitStarted, ev.WaitEnded),
)
"""What is taken back with the answers before it."""

FIXED = (ev.Opened, ev.Closed, ev.Reopened, ev.WentBack, ev.Corrected, ev.Withdrawn)
"""What cannot be withdrawn."""

ON_THE_UNIT = (ev.Answered, *REPAIRS)
"""What may have voided what was made safe, so that it stays known when it is withdrawn."""

STILL = (
    *(ev.Noted, ev.PhotoAdded, ev.CautionRead, ev.MinutesSet, ev.RemarkKept),
    *(ev.WaitStarted, ev.WaitEnded, ev.Checked, ev.Reached),
)


def is_still(event: ev.Event) -> bool:
    """Whether an event leaves the walk where it stands.

    Example:
        >>> is_still(ev.Noted(text="smells burnt")), is_still(ev.Skipped(step="fuse"))
        (True, False)
    """
    return isinstance(event, STILL) or told_by_answer(event)


def told_by_answer(event: ev.Event) -> bool:
    """Whether an event is the fact that the answer before it told."""
    return isinstance(event, ev.FactGiven) and event.source == ev.BY_ANSWER


@dataclass(frozen=True, slots=True)
class Entry:
    """One event at its place.

    Attributes:
        sequence: its position in the record.
        event: as it counts now, corrections included.
        undone: how it was taken back, where only what it did to the unit still counts.
    """

    sequence: int
    event: ev.Event
    undone: Literal["", "went-back", "withdrawn"] = ""


@dataclass(frozen=True, slots=True)
class Change:
    """What one event changed about earlier ones: sequences taken back, entries corrected.

    ``opened`` is the opening where what it tells of the unit was put right.
    """

    taken_back: tuple[int, ...] = ()
    corrected: tuple[Entry, ...] = ()
    opened: ev.Opened | None = None


@dataclass(slots=True)
class History:
    """The events that count, in order. It grows event by event.

    A ``Corrected`` or ``Withdrawn`` stands among them only where the walk has gone on since
    and has to find its place again.

    Attributes:
        entries: those that count, and withdrawn ones that happened to the unit.
        withdrawn: answers taken back, and answers as they were before a correction.
        length: how many events were counted in.
    """

    entries: list[Entry] = field(default_factory=list)
    withdrawn: list[ev.Answered] = field(default_factory=list)
    length: int = 0

    @property
    def standing(self) -> list[Entry]:
        """The events that count, without those withdrawn."""
        return [entry for entry in self.entries if not entry.undone]

    def copy(self) -> History:
        """One that can grow without changing this one."""
        return History(self.entries.copy(), self.withdrawn.copy(), self.length)

    def add(self, event: ev.Event) -> Change:
        """Count one more event in; tells what it changed about earlier ones.

        An event that names a target which does not count, or cannot be changed, does nothing.
        """
        entry = Entry(self.length, event)
        self.length += 1
        if isinstance(event, ev.WentBack):
            return self._go_back(event.steps)
        if isinstance(event, ev.Withdrawn):
            return self._withdraw(entry, event.target)
        if isinstance(event, ev.Corrected):
            values = {name: getattr(event, name) for name in ("outcome", "reading", "verdict")}
            change = self._correct([{"target": event.target, **values}, *event.decided])
            if any(one.sequence == event.target for one in change.corrected):
                self._place_again(entry, event.target)
            return change
        self.entries.append(entry)
        if not isinstance(event, ev.FactGiven):
            return Change()
        opened = self._tell_unit(event) if event.name in ev.INTAKE else None
        return replace(self._correct(event.decided), opened=opened)

    def _tell_unit(self, fact: ev.FactGiven) -> ev.Opened | None:
        """Put what was told when the unit was taken in right; both stay in the record."""
        first = self.entries[0]
        if not isinstance(first.event, ev.Opened):
            return None
        key = ev.INTAKE[fact.name]
        changed: dict[str, Any] = {key: fact.value}
        if key in ("model", "serial"):
            changed = {"unit": {**first.event.unit, key: fact.value}}
        opened = replace(first.event, **changed)
        self.entries[0] = replace(first, event=opened)
        return opened

    def _go_back(self, steps: int) -> Change:
        """Take back the last answers and skips, and what they led to, up to a barrier."""
        at, left = len(self.entries), steps
        cut = at
        while left > 0 and at > 0 and not isinstance(self.entries[at - 1].event, BARRIERS):
            at -= 1
            if isinstance(self.entries[at].event, MOVES) and not self.entries[at].undone:
                cut, left = at, left - 1
        after, self.entries[cut:] = self.entries[cut:], []
        # Whoever goes back has taken the walk up again: a stop at the very end is lifted.
        while self.entries and isinstance(self.entries[-1].event, ev.Stopped | ev.Declined):
            self.entries.pop()
        taken_back: list[int] = []
        for one in after:
            follows = isinstance(one.event, FOLLOWS_MOVES) or told_by_answer(one.event)
            if one.undone or not follows:
                self.entries.append(one)
                continue
            taken_back.append(one.sequence)
            if isinstance(one.event, ev.Answered):
                self.withdrawn.append(one.event)
                self.entries.append(replace(one, undone="went-back"))
        return Change(taken_back=tuple(taken_back))

    def _withdraw(self, entry: Entry, target: int) -> Change:
        at = self._position(target)
        if at is None or isinstance(self.entries[at].event, FIXED):
            return Change()
        wanted = [at]
        if isinstance(self.entries[at].event, ev.RepairTried):
            # What was concluded of a repair goes with it.
            for later in range(at + 1, len(self.entries)):
                if isinstance(self.entries[later].event, ev.RepairTried):
                    break
                if isinstance(self.entries[later].event, REPAIRS):
                    wanted.append(later)
        taken_back = [one for one in (self.entries[at] for at in wanted) if not one.undone]
        self.withdrawn += [one.event for one in taken_back if isinstance(one.event, ev.Answered)]
        if isinstance(self.entries[at].event, (*MOVES, *REPAIRS)):
            self._place_again(entry, target)
        if isinstance(self.entries[at].event, ev.Answered):
            self._forget_fact(at)
            self._forget_standing(at)
        for at in reversed(wanted):
            if isinstance(self.entries[at].event, ON_THE_UNIT):
                self.entries[at] = replace(self.entries[at], undone="withdrawn")
            else:
                del self.entries[at]
        return Change(taken_back=tuple(one.sequence for one in taken_back))

    def _correct(self, wanted: Iterable[Mapping[str, Any]]) -> Change:
        """Put outcomes, readings and verdicts in the place of those recorded."""
        corrected: list[Entry] = []
        for one in wanted:
            at = self._position(one.get("target")) if isinstance(one, Mapping) else None
            event = None if at is None else self.entries[at].event
            if at is None or not isinstance(event, ev.Answered):
                continue
            values = {name: one[name] for name in ("outcome", "reading", "verdict") if name in one}
            self.withdrawn.append(event)
            self.entries[at] = replace(self.entries[at], event=replace(event, **values))
            corrected.append(self.entries[at])
            self._forget_fact(at)
            self._forget_standing(at)
        return Change(corrected=tuple(corrected))

    def _forget_fact(self, answer: int) -> None:
        """Drop the fact that an answer told: what stands there now tells it."""
        for at in range(answer + 1, len(self.entries)):
            if told_by_answer(self.entries[at].event):
                del self.entries[at]
            elif not isinstance(self.entries[at].event, MOVES):
                continue
            return

    def _forget_standing(self, answer: int) -> None:
        """Drop how sure a fault was after an answer, up to its repair: it rested on that answer."""
        at = answer + 1
        while at < len(self.entries) and not isinstance(self.entries[at].event, REPAIRS):
            if isinstance(self.entries[at].event, ev.Reached | ev.LikelyAccepted):
                del self.entries[at]
            else:
                at += 1

    def _position(self, sequence: object) -> int | None:
        """Where the event of a sequence stands among those that count."""
        if not isinstance(sequence, int):
            return None
        at = bisect_left(self.entries, sequence, key=lambda entry: entry.sequence)
        found = at < len(self.entries) and self.entries[at].sequence == sequence
        return at if found and not self.entries[at].undone else None

    def _place_again(self, entry: Entry, target: int) -> None:
        """Let the walk find its place again where it went on after the target in its round."""
        later = [one for one in self.entries if one.sequence > target and not one.undone]
        if any(isinstance(one.event, MOVES) for one in later) and not any(
            isinstance(one.event, REPAIRS) for one in later
        ):
            self.entries.append(entry)


def history(events: Iterable[ev.Event]) -> History:
    """What counts of the events of a case, oldest first. Never raises for what a record holds.

    Example:
        >>> first, second = ev.Answered(step="fuse", outcome="blown"), ev.WentBack()
        >>> found = history([first, second])
        >>> found.standing, found.withdrawn == [first]
        ([], True)
    """
    found = History()
    for event in events:
        found.add(event)
    return found


def counted(events: Iterable[ev.Event]) -> list[ev.Event]:
    """The events that count, corrected where somebody corrected them, oldest first."""
    return [entry.event for entry in history(events).standing]
