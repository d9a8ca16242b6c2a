"""The three phases of a case: to find the fault, to repair and prove it, to close the case."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, and_, case, func

from faulttree.cases.tables import STEPS

if TYPE_CHECKING:
    from faulttree.cases.projection import StepRecord

CLOSING = "closing."
"""The ids of closing checks begin so, in every version: the word is reserved. The table of steps
has no column for the role of a step."""


@dataclass(frozen=True, slots=True)
class Phases:
    """Minutes of a case by phase, answers that were taken back included.

    Attributes:
        finding: before the first repair.
        repair: after it: the safety checks and the proof, and any further search for the fault.
        closing: in closing checks.
    """

    finding: float = 0.0
    repair: float = 0.0
    closing: float = 0.0


def phases_of(steps: Iterable[StepRecord]) -> Phases:
    """The minutes of the steps of one case, by phase."""
    minutes = {"finding": 0.0, "repair": 0.0, "closing": 0.0}
    for taken in steps:
        phase = "repair" if taken.round else "finding"
        if taken.step.startswith(CLOSING):
            phase = "closing"
        minutes[phase] += taken.minutes or 0.0
    return Phases(**minutes)


def phase_columns() -> list[ColumnElement[float]]:
    """The same as columns of a query that groups the table of steps by case."""
    closing, repaired = STEPS.c.step.startswith(CLOSING), STEPS.c.round > 0
    parts = {
        "finding": and_(~closing, ~repaired),
        "repair": and_(~closing, repaired),
        "closing": closing,
    }
    return [
        func.coalesce(func.sum(case((part, STEPS.c.minutes), else_=0.0)), 0.0).label(name)
        for name, part in parts.items()
    ]
