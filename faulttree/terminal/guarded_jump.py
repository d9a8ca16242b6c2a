"""Going to a step directly, past none of the looks at safety on the tree's way to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from faulttree.walk import events as ev
from faulttree.walk.history import is_still
from faulttree.walk.legacy import jump_purpose
from faulttree.walk.prerequisites import guards_before
from faulttree.walk.renames import now_called

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faulttree.terminal.open_case import BenchSession
    from faulttree.walk.events import Cause
    from faulttree.walk.state import State

__all__ = ["by_hand", "go_on_to", "guarded", "head_for", "jump_text"]

TEXTS: Mapping[str, str] = {
    "guard": "it may find the unit unsafe, before {then}",
    "most-to-learn": "most still to be learned here",
    "skipped-before": "skipped before",
}
"""Cause of a jump that the program makes → why, in words."""


def jump_text(jump: ev.Jumped) -> str:
    """Why the program goes to a step, in words."""
    cause, then = jump_purpose(jump)
    return TEXTS[cause].format(then=then) if cause in TEXTS else jump.reason or cause


def by_hand(event: ev.Event) -> bool:
    """Whether an event is a jump that somebody asked for, or the one to a guard before it."""
    return isinstance(event, ev.Jumped) and jump_purpose(event).cause in ("asked", "guard")


def guarded(state: State, jump: ev.Jumped) -> ev.Jumped:
    """The jump, or one to the first guard on every way to its step that was not asked yet.

    A guard is a step that may find the unit unsafe. One that was skipped is not asked again.
    """
    due = (guard for guard in _missing(state, jump.step) if guard not in state.skipped)
    guard = next(due, None)
    if guard is None:
        return jump
    return ev.Jumped(at=jump.at, step=guard, cause="guard", then=jump.step)


def head_for(sitting: BenchSession, step: str, cause: Cause) -> bool:
    """Go to a step, or first to what guards it; False where nobody goes.

    Round a guard that was skipped only when the technician says so; the case keeps that.
    """
    state = sitting.state
    wanted = ev.Jumped(at=sitting.now, step=step, cause=cause)
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
    step = now_called(state.tree, _wanted(sitting.journal.events))
    if step not in state.tree.steps or state.phase not in ("finding", "confirming", "closing"):
        return False
    return head_for(sitting, step, "guard-passed")


def _wanted(events: Sequence[ev.Event]) -> str:
    """The step behind the guard that was answered just now, where there is one."""
    moving = [event for event in events if not is_still(event)]
    last = moving[-1] if moving else None
    if not isinstance(last, ev.Answered) or last.outcome == "undecided":
        return ""
    jump = next((event for event in reversed(moving) if not isinstance(event, ev.Answered)), None)
    if not isinstance(jump, ev.Jumped) or jump.step != last.step:
        return ""
    return jump_purpose(jump).then


def _missing(state: State, step: str) -> list[str]:
    """The guards on every way to a step that have not let this walk pass."""
    passed = {visit.step for visit in state.visits if visit.outcome != "undecided"}
    return [guard for guard in guards_before(state.tree, step) if guard not in passed]
