"""The figures as one CSV table: a row for each branch of a step and each fault."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from typing import IO, TYPE_CHECKING, Any

from faulttree.cases.transfer.export import cell

if TYPE_CHECKING:
    from faulttree.figures.results import Review
    from faulttree.figures.statistics import PhaseMinutes, Spread


COLUMNS = (
    *("tree", "row", "step", "outcome", "target", "fault", "count", "of", "share", "low", "high"),
    *("small", "found", "confirmed", "below", "came_back", "repairs_tried", "repairs_held"),
    *("minutes_n", "minutes_median", "minutes_lower_quartile", "minutes_upper_quartile"),
    *("finding_median", "repair_median", "closing_median"),
    *("skipped", "undecided", "gone_back", "given_up"),
)


def to_csv(review: Review, file: IO[str]) -> int:
    """RFC 4180 with a header; gives the number of rows.

    ``row`` says what a row counts: ``branch`` or ``fault``. A text that a spreadsheet would
    take for a formula is given a leading apostrophe.
    """
    writer = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    many = 0
    for row in _rows(review):
        writer.writerow({name: cell(value) for name, value in row.items() if value is not None})
        many += 1
    return many


def _rows(review: Review) -> Iterator[Mapping[str, Any]]:
    for tree in review.trees:
        for step in tree.steps:
            for branch in step.branches:
                yield {
                    "tree": tree.tree.id,
                    "row": "branch",
                    "step": step.step,
                    "outcome": branch.outcome,
                    "target": branch.target,
                    **branch.walked.as_dict(),
                    "found": branch.found,
                    "confirmed": branch.confirmed.count,
                    "below": branch.below,
                    **_minutes(step.minutes),
                    "skipped": step.skipped,
                    "undecided": step.undecided,
                    "gone_back": step.gone_back,
                    "given_up": step.given_up,
                }
        for fault in tree.faults:
            yield {
                "tree": tree.tree.id,
                "row": "fault",
                "fault": fault.fault,
                **fault.confirmed.as_dict(),
                "found": fault.found,
                "confirmed": fault.confirmed.count,
                "below": fault.below,
                "came_back": fault.came_back.count,
                "repairs_tried": fault.held.of,
                "repairs_held": fault.held.count,
                **_minutes(fault.minutes.whole),
                **_phases(fault.minutes),
            }


def _phases(minutes: PhaseMinutes) -> dict[str, float]:
    spreads = {name: getattr(minutes, name) for name in ("finding", "repair", "closing")}
    return {f"{name}_median": one.median for name, one in spreads.items() if one is not None}


def _minutes(spread: Spread | None) -> dict[str, float]:
    if spread is None:
        return {}
    names = ("n", "median", "lower_quartile", "upper_quartile")
    return {f"minutes_{name}": getattr(spread, name) for name in names}
