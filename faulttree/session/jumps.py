"""Going to a step directly, past none of the safety checks on the tree's paths to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from faulttree.session.choices import chosen
from faulttree.session.model import Accepted, Ask, Carry, Message, Position, Prompt, Result
from faulttree.session.prompts import confirm_prompt
from faulttree.walk import events as ev
from faulttree.walk.history import is_still
from faulttree.walk.legacy import jump_purpose
from faulttree.walk.prerequisites import guards_before
from faulttree.walk.renames import now_called

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faulttree.session.model import Context, Reply
    from faulttree.walk.events import Cause
    from faulttree.walk.state import State

__all__ = ["asked_jump", "guard_passed", "guarded", "head_for", "jump_past", "jump_text"]

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


def asked_jump(event: ev.Event) -> bool:
    """Whether an event is a jump that somebody asked for, or the one to a guard before it."""
    return isinstance(event, ev.Jumped) and jump_purpose(event).cause in ("asked", "guard")


def guarded(state: State, jump: ev.Jumped) -> ev.Jumped:
    """The jump, or one to the first guard on every path to its step that was not asked yet.

    A guard is a step that may find the unit unsafe. One that was skipped is not asked again.
    """
    due = (guard for guard in _missing(state, jump.step) if guard not in state.skipped)
    guard = next(due, None)
    if guard is None:
        return jump
    return ev.Jumped(at=jump.at, step=guard, cause="guard", then=jump.step)


def head_for(position: Position, context: Context, step: str, cause: Cause) -> Accepted | Ask:
    """Go to a step, or first to what guards it.

    Past a guard that was skipped only when the technician says so; the case keeps that.
    """
    state = position.state
    wanted = ev.Jumped(at=context.now, step=step, cause=cause)
    jump = guarded(state, wanted)
    if jump is not wanted:
        told = f"First '{jump.step}': it may find the unit unsafe. Then '{step}'."
        return Accepted((jump,), (Message(told, "warning"),))
    if missing := _missing(state, step):
        named = " and ".join(f"'{guard}'" for guard in missing)
        told = f"Skipped, and it may find the unit unsafe: {named}."
        carry = Carry("go", {"step": (step,), "cause": (cause,), "past": (named,)})
        text = f"Go to '{step}' all the same?"
        return Ask(confirm_prompt(position, "unsafe-jump", text, carry, Message(told, "warning")))
    return Accepted((jump,))


def jump_past(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """The technician goes past a skipped check, or does not."""
    assert prompt.carry is not None
    yes = chosen(prompt, given)
    if yes == "no":
        return Accepted()
    step, past = prompt.carry.one("step"), prompt.carry.one("past")
    text = f"gone to '{step}' past {past}, skipped, which may find the unit unsafe"
    cause: Cause = prompt.carry.one("cause")  # type: ignore[assignment]
    return Accepted(
        (
            ev.Noted(at=context.now, text=text, step=step),
            ev.Jumped(at=context.now, step=step, cause=cause),
        )
    )


def guard_passed(position: Position, context: Context) -> Accepted | None:
    """On to the step that a guard was put before, once that has let the walk pass.

    Not past another guard that was skipped: who still wants to go there asks for it again.
    """
    state = position.state
    step = now_called(state.tree, _behind(position.events))
    if step not in state.tree.steps or state.phase not in ("finding", "confirming", "closing"):
        return None
    going = head_for(position, context, step, "guard-passed")
    return going if isinstance(going, Accepted) else None


def _behind(events: Sequence[ev.Event]) -> str:
    """The step behind the guard that was answered just now, where there is one."""
    moving = [event for event in events if not is_still(event)]
    last = moving[-1] if moving else None
    if not isinstance(last, ev.Answered) or last.outcome == "undecided":
        return ""
    # What the unit is may have been asked in between.
    passed_by = (ev.Answered, ev.FactGiven)
    jump = next((event for event in reversed(moving) if not isinstance(event, passed_by)), None)
    if not isinstance(jump, ev.Jumped) or jump.step != last.step:
        return ""
    return jump_purpose(jump).then


def _missing(state: State, step: str) -> list[str]:
    """The guards on every path to a step that have not let this walk pass."""
    passed = {visit.step for visit in state.visits if visit.outcome != "undecided"}
    return [guard for guard in guards_before(state.tree, step) if guard not in passed]
