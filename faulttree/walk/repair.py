"""After a repair: what the confirming step showed, and whether the fault is cured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.walk.events import Confirmed, NotConfirmed

if TYPE_CHECKING:
    from faulttree.walk.events import Answered
    from faulttree.walk.state import State

__all__ = [
    "conclude",
    "conclude_by_sight",
    "failed_safety",
    "faults_to_repair",
    "gives",
    "next_proof",
]


def conclude(state: State, *, at: str = "") -> Confirmed | NotConfirmed | None:
    """What the conditions of the proof say of the repair; None while they say nothing yet.

    They are looked at in order, and the first one that fails ends it. Where a safety condition
    fails, the repair is not refuted: nothing is concluded, and the unit is unfit.
    """
    repair = state.confirming
    fault = state.tree.faults.get(repair.fault) if repair else None
    if repair is None or fault is None or not fault.confirms:
        return None
    outcome, failed = "", False
    for one in fault.confirms:
        outcome = state.outcome(one.step) or "undecided"
        failed = not gives(outcome, one.gives)
        if outcome == "undecided" or (failed and one.safety):
            return None
        if failed:
            break
    last = _last_of(state, one.step)
    kind = NotConfirmed if failed else Confirmed
    return kind(
        at=at,
        fault=repair.fault,
        step=one.step,
        outcome=outcome,
        reading=last.reading if last else None,
        verdict=last.verdict if last else None,
    )


def next_proof(state: State) -> str:
    """The condition of the proof that comes next, by its step or use; empty where none is open."""
    repair = state.confirming
    fault = state.tree.faults.get(repair.fault) if repair else None
    steps = [one.step for one in fault.confirms] if fault else []
    open_ = (step for step in steps if state.outcome(step) in (None, "undecided"))
    return next(open_, steps[0] if steps else "")


def failed_safety(state: State) -> str | None:
    """The safety condition by which the proof of the open repair ended; None where none failed."""
    repair = state.confirming
    fault = state.tree.faults.get(repair.fault) if repair else None
    for one in fault.confirms if fault else ():
        outcome = state.outcome(one.step) or "undecided"
        if outcome == "undecided" or not gives(outcome, one.gives):
            return one.step if one.safety and outcome != "undecided" else None
    return None


def _last_of(state: State, name: str) -> Answered | None:
    """The answer by which a step, or the exit of a use, was last given in this round."""
    for visit in reversed(state.visits):
        step = state.tree.steps.get(visit.step)
        exits = step.leaves.get(visit.outcome, ()) if step else ()
        if visit.round == state.round and (visit.step == name or name in dict(exits)):
            return visit.event
    return None


def gives(outcome: str, wanted: str) -> bool:
    """Whether an outcome is the one that is wanted; ``outside`` means low or high.

    Example:
        >>> gives("high", "outside")
        True
    """
    return outcome == wanted or (wanted == "outside" and outcome in ("low", "high"))


def conclude_by_sight(
    state: State, seen: str, *, held: bool, at: str = ""
) -> Confirmed | NotConfirmed:
    """For a fault without a confirming step: the technician says what was seen.

    Raises:
        WalkError: no repair is open, nothing was said, or the fault has a step to confirm by.
    """
    repair = state.confirming
    if repair is None:
        raise WalkError("no repair is open", remedy="Say first what was repaired.")
    fault = state.tree.faults.get(repair.fault)
    if held and fault is not None and fault.confirm is not None:
        raise WalkError(
            f"the repair of '{repair.fault}' is confirmed by step '{fault.confirm.step}'",
            remedy=f"Take that step again: it must give '{fault.confirm.gives}'.",
        )
    if not seen.strip():
        raise WalkError("nothing was said to be seen", remedy="Say what shows that it works again.")
    kind = Confirmed if held else NotConfirmed
    return kind(at=at, fault=repair.fault, seen=seen.strip())


def faults_to_repair(state: State) -> tuple[str, ...]:
    """The faults a repair may be recorded for: the one found first, then the others."""
    found = [state.end.id] if state.end and state.end.kind == "fault" else []
    rest = [name for name in state.tree.faults if name not in found]
    return (*found, *rest)
