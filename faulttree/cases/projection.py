"""From the events of a case to what lists and reviews read. Needs no tree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from faulttree.walk.events import (
    Answered,
    Closed,
    Event,
    MinutesSet,
    Opened,
    Reopened,
    RepairTried,
    Skipped,
    WentBack,
)
from faulttree.walk.history import Change, History

TOLD = ("model", "serial", "tag", "unit", "complaint", "owner_words")
"""Columns that can be put right after the case was opened."""


@dataclass(frozen=True, slots=True)
class StepRecord:
    """One step as it was taken (or skipped), whether or not it still counts.

    Attributes:
        sequence: position of its event in the case.
        standing: False once somebody went back over it.
        round: how many repairs had been tried before it.
        value: the reading in the base unit of ``unit``; None without one or over range.
        minutes: measured or set by hand; None where neither was.
    """

    sequence: int
    step: str
    outcome: str
    at: str
    standing: bool = True
    skipped: bool = False
    round: int = 0
    minutes: float | None = None
    value: float | None = None
    unit: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class SummaryChange:
    """What one event changes: columns, steps that are new, earlier steps that are not as before."""

    row: Mapping[str, Any]
    new: tuple[StepRecord, ...] = ()
    altered: tuple[StepRecord, ...] = ()


class CaseProjection:
    """A summary that grows event by event, as a case does."""

    def __init__(self, events: Iterable[Event] = ()) -> None:
        self.row: dict[str, Any] = {}
        self.steps: list[StepRecord] = []
        self.places: dict[int, int] = {}
        self.repairs: set[int] = set()
        self.history = History()
        moved = False
        for event in events:
            row, altered = self.count(event)
            self.row |= row
            moved = moved or altered is not None
        if moved:
            # Where the steps stand is told once, not after each: a case may have very many.
            self.row |= self.progress()

    def add(self, event: Event) -> SummaryChange:
        """Count one more event in; tells what it changed.

        A second opening (a copy by mistake) changes nothing.
        """
        before = len(self.steps)
        row, altered = self.count(event)
        if altered is not None:
            row |= self.progress()
        self.row |= row
        changed = tuple(self.steps[at] for at in altered or ())
        return SummaryChange(row, tuple(self.steps[before:]), changed)

    def count(self, event: Event) -> tuple[dict[str, Any], tuple[int, ...] | None]:
        """Columns an event changes, and earlier steps it alters; None where it moves no step."""
        row: dict[str, Any] = {}
        sequence = self.history.length
        change = self.history.add(event)
        changed = self.alter(change)
        altered = changed or None
        if isinstance(event, Answered | Skipped):
            self.places[sequence] = len(self.steps)
            self.steps.append(took(sequence, event, len(self.repairs)))
            altered = ()
        elif isinstance(event, RepairTried):
            self.repairs.add(sequence)
        elif isinstance(event, Closed | Reopened):
            row = ending(event)
        elif isinstance(event, Opened) and not self.row:
            row, altered = opening(event), ()
        elif isinstance(event, WentBack):
            altered = changed
        elif isinstance(event, MinutesSet):
            altered = self.set_minutes(event)
        if change.opened is not None:
            told = opening(change.opened)
            row |= {name: told[name] for name in TOLD if told[name] != self.row.get(name)}
        row["events"] = self.history.length
        row["updated"] = max(self.row.get("updated", ""), event.at)
        return row, altered

    def alter(self, change: Change) -> tuple[int, ...]:
        """Earlier steps that were taken back or corrected; gives where they are."""
        altered: list[int] = []
        for sequence in change.taken_back:
            if sequence in self.repairs:
                self.repairs.discard(sequence)
                altered += self.one_round_less(sequence)
            elif (at := self.places.get(sequence)) is not None:
                self.steps[at] = replace(self.steps[at], standing=False)
                altered.append(at)
        for entry in change.corrected:
            at = self.places[entry.sequence]
            assert isinstance(entry.event, Answered)
            right, old = took(entry.sequence, entry.event, 0), self.steps[at]
            self.steps[at] = replace(right, round=old.round, minutes=old.minutes)
            altered.append(at)
        return tuple(dict.fromkeys(altered))

    def one_round_less(self, repair: int) -> list[int]:
        """The steps after a repair that was withdrawn belong to the round before it."""
        later = [place for sequence, place in self.places.items() if sequence > repair]
        for at in later:
            self.steps[at] = replace(self.steps[at], round=self.steps[at].round - 1)
        return later

    def set_minutes(self, event: MinutesSet) -> tuple[int, ...]:
        """Time set by hand goes to the last time the step was taken."""
        for index in reversed(range(len(self.steps))):
            if self.steps[index].step == event.step and not self.steps[index].skipped:
                self.steps[index] = replace(self.steps[index], minutes=event.minutes)
                return (index,)
        return ()

    def progress(self) -> dict[str, Any]:
        """The columns that a step changes."""
        answered = [taken for taken in self.steps if taken.standing and not taken.skipped]
        return {
            "minutes": sum(taken.minutes or 0.0 for taken in self.steps),
            "steps": len(answered),
            "step": answered[-1].step if answered else "",
        }


def opening(event: Opened) -> dict[str, Any]:
    """The columns that stand from the beginning."""
    unit = event.unit
    return {
        "tree": event.tree,
        "tree_hash": event.tree_hash,
        "family": word(unit.get("family")) or event.tree.partition("/")[0],
        "model": word(unit.get("model")),
        "serial": word(unit.get("serial")),
        "tag": word(unit.get("tag")),
        "modules": listed(unit.get("modules")),
        "unit": dict(unit),
        "complaint": event.complaint,
        "owner_words": event.owner_words,
        "who": event.who,
        "linked": event.linked,
        "scripted": event.scripted,
        "opened": event.at,
        "updated": event.at,
        "state": "open",
        "closed": None,
        "result": "",
        "fault": "",
        "became": "",
        "kept": (),
    }


def ending(event: Event) -> dict[str, Any]:
    """The columns that closing and reopening change."""
    if isinstance(event, Closed):
        return {
            "state": "closed",
            "closed": event.at,
            "result": event.result,
            "fault": event.fault,
            "became": event.became,
            "kept": tuple(event.kept),
        }
    if isinstance(event, Reopened):
        # What became of the unit still holds: it stands on the shelf until a new closing.
        return {"state": "open", "closed": None, "result": "", "fault": ""}
    return {}


def took(sequence: int, event: Answered | Skipped, turn: int) -> StepRecord:
    """One step as its event tells it."""
    if isinstance(event, Skipped):
        return StepRecord(sequence, event.step, "", event.at, skipped=True, round=turn)
    reading = event.reading or {}
    return StepRecord(
        sequence,
        event.step,
        event.outcome,
        event.at,
        round=turn,
        minutes=None if event.seconds is None else event.seconds / 60,
        value=number(reading.get("value")),
        unit=word(reading.get("unit")),
        instrument=event.instrument,
    )


def number(value: object) -> float | None:
    """A reading's value as a float; None where it has none."""
    try:
        return None if value is None else float(str(value))
    except ValueError:
        return None


def word(value: object) -> str:
    """A scalar of the unit as a word."""
    return "" if value is None else str(value)


def listed(value: object) -> tuple[str, ...]:
    """One module or a list of them."""
    if isinstance(value, str):
        return (value,)
    return tuple(str(item) for item in value) if isinstance(value, Sequence) else ()
