"""Going to a step directly, past none of the looks at safety on the tree's way to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.terminal.open_case import is_still
from faulttree.walk import events as ev
from faulttree.walk.prerequisites import guards_before

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faulttree.terminal.open_case import BenchSession
    from faulttree.walk.state import State

__all__ = ["BY_HAND", "by_hand", "go_on_to", "guarded", "head_for"]

BY_HAND = "chosen at the bench"
"""The reason of a jump that the technician asked for."""

FIRST = "it may find the unit unsafe, before "
"""How the reason begins of a jump to a guard, put before the step that was asked for.

That step stands behind it, so that a walk taken up again from the record still goes there.
"""

PASSED = "asked for, and what comes first has let it pass"
"""The reason of the jump after that one."""


def by_hand(event: ev.Event) -> bool:
    """Whether an event is a jump that somebody asked for, or the one to a guard before it."""
    return isinstance(event, ev.Jumped) and (
        event.reason == BY_HAND or event.reason.startswith(FIRST)
    )


def guarded(state: State, jump: ev.Jumped) -> ev.Jumped:
    """The jump, or one to the first guard on every way to its step that was not asked yet.

    A guard is a step that may find the unit unsafe. One that was skipped is not asked again.
    """
    due = (guard for guard in _missing(state, jump.step) if guard not in state.skipped)
    guard = next(due, None)
    if guard is None:
        return jump
    return ev.Jumped(at=jump.at, step=guard, reason=f"{FIRST}{jump.step}")


def head_for(sitting: BenchSession, step: str, reason: str) -> bool:
    """Go to a step, or first to what guards it; False where nobody goes.

    Round a guard that was skipped only when the technician says so; the case keeps that.
    """
    state = sitting.state
    wanted = ev.Jumped(at=sitting.now, step=step, reason=reason)
    jump = guarded(state, wanted)
    if jump is not wanted:
        sitting.say(f"First '{jump.step}': it may find the unit unsafe. Then '{step}'.", "warning")
    elif missing := _missing(state, step):
        named = " and ".join(f"'{guard}'" for guard in missing)
        sitting.say(f"Skipped, and it may find the unit unsafe: {named}.", "warning")
        if not sitting.yes(f"Go to '{step}' all the same?"):
            return False
        text = f"gone to '{step}' past {named}, skipped, which may find the unit unsafe"
        sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step))
    sitting.journal.add(jump)
    return True


def go_on_to(sitting: BenchSession) -> bool:
    """Go on to the step that a guard was put before, once that has let the walk pass."""
    state = sitting.state
    step = _wanted(sitting.journal.events)
    if step not in state.tree.steps or state.phase not in ("finding", "confirming", "closing"):
        return False
    return head_for(sitting, step, PASSED)


def _wanted(events: Sequence[ev.Event]) -> str:
    """The step behind the guard that was answered just now, where there is one."""
    moving = [event for event in events if not is_still(event)]
    last = moving[-1] if moving else None
    if not isinstance(last, ev.Answered) or last.outcome == "undecided":
        return ""
    jump = next((event for event in reversed(moving) if not isinstance(event, ev.Answered)), None)
    if not isinstance(jump, ev.Jumped) or jump.step != last.step:
        return ""
    return jump.reason.removeprefix(FIRST) if jump.reason.startswith(FIRST) else ""


def _missing(state: State, step: str) -> list[str]:
    """The guards on every way to a step that have not let this walk pass."""
    passed = {visit.step for visit in state.visits if visit.outcome != "undecided"}
    return [guard for guard in guards_before(state.tree, step) if guard not in passed]
