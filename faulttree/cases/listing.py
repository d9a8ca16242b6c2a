"""How a case stands, in the words of lists."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from faulttree.texts import minutes_text

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.walk.state import ClosingResult

__all__ = ["BECAME", "HEAD", "closing_words", "listed"]

BECAME: Mapping[str, str] = {
    "returned": "returned to its owner",
    "waiting": "waiting",
    "kept-for-parts": "kept for parts",
    "scrapped": "scrapped",
}
"""What may have become of a unit → its words."""

HEAD = ("case", "opened", "unit", "complaint", "stands at", "fault", "measured")
"""What the columns of :func:`listed` hold."""


def listed(case: Case, closing: ClosingResult | None = None, fault: str = "") -> tuple[str, ...]:
    """One line of the list; ``fault`` is the title of what was found."""
    unit = " ".join(filter(None, [case.model or case.family, case.tag or case.serial]))
    came = ", came back" if case.came_back else ""
    stands = f"{case.result}{came}" if case.state == "closed" else f"open at {case.step or 'start'}"
    if case.result == "found":
        stands += ", repair open"
    stands += closing_words(case, closing)
    time = minutes_text(case.minutes) if case.minutes else ""
    said = (unit, case.complaint or case.tree, stands, fault or case.fault, time)
    return (str(case.number), case.opened[:10], *said)


def closing_words(case: Case, closing: ClosingResult | None) -> str:
    """What the list and an answer say of the closing checks; nothing where they passed.

    Checks not made are told only of a unit that is called fixed or was given back.
    """
    if closing == "failed":
        return ", closing check FAILED"
    claimed = case.result == "fixed" or (case.state == "closed" and case.became == "returned")
    return ", closing checks not made" if closing == "not-made" and claimed else ""
