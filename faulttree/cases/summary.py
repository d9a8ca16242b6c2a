"""From the events of a case to what lists and reviews read. Needs no tree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
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

__all__ = ["Summary", "Taken", "summarise", "took"]


@dataclass(frozen=True, slots=True)
class Taken:
    """One step as it was taken (or skipped), whether or not it still counts.

    Attributes:
        sequence: position of its event in the case.
        standing: False once somebody went back over it.
        round: 1 before the first repair, 2 after it, and so on.
        value: the reading in the base unit of ``unit``; None without one or over range.
        minutes: measured or set by hand; None where neither was.
    """

    sequence: int
    step: str
    outcome: str
    at: str
    standing: bool = True
    skipped: bool = False
    round: int = 1
    minutes: float | None = None
    value: float | None = None
    unit: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Summary:
    """The case so far: the plain columns of a list, and its steps."""

    row: Mapping[str, Any] = field(default_factory=dict)
    steps: tuple[Taken, ...] = ()


def summarise(events: Sequence[Event]) -> Summary:
    """What the events of one case amount to, in order.

    An opening later in the case (a copy by mistake) changes nothing.
    """
    row: dict[str, Any] = {}
    steps: list[Taken] = []
    standing: list[int] = []
    turn = 1
    for sequence, event in enumerate(events):
        if isinstance(event, Opened) and not row:
            row = opening(event)
        elif isinstance(event, Answered | Skipped):
            standing.append(len(steps))
            steps.append(took(sequence, event, turn))
        elif isinstance(event, WentBack):
            for _ in range(min(max(event.steps, 0), len(standing))):
                index = standing.pop()
                steps[index] = replace(steps[index], standing=False)
        elif isinstance(event, MinutesSet):
            set_minutes(steps, event)
        elif isinstance(event, RepairTried):
            turn += 1
        ending(row, event)
        row["updated"] = max(row.get("updated", ""), event.at)
    row["events"] = len(events)
    row["minutes"] = sum(taken.minutes or 0.0 for taken in steps)
    answered = [steps[index] for index in standing if not steps[index].skipped]
    row["steps"] = len(answered)
    row["step"] = answered[-1].step if answered else ""
    return Summary(row, tuple(steps))


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


def ending(row: dict[str, Any], event: Event) -> None:
    """How closing and reopening change the columns."""
    if isinstance(event, Closed):
        row |= {
            "state": "closed",
            "closed": event.at,
            "result": event.result,
            "fault": event.fault,
            "became": event.became,
            "kept": tuple(event.kept),
        }
    elif isinstance(event, Reopened):
        # What became of the unit still holds: it stands on the shelf until a new closing.
        row |= {"state": "open", "closed": None, "result": "", "fault": ""}


def took(sequence: int, event: Answered | Skipped, turn: int) -> Taken:
    """One step as its event tells it."""
    if isinstance(event, Skipped):
        return Taken(sequence, event.step, "", event.at, skipped=True, round=turn)
    reading = event.reading or {}
    return Taken(
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


def set_minutes(steps: list[Taken], event: MinutesSet) -> None:
    """Time set by hand goes to the last time the step was taken."""
    for index in reversed(range(len(steps))):
        if steps[index].step == event.step and not steps[index].skipped:
            steps[index] = replace(steps[index], minutes=event.minutes)
            return


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
