"""The checks before a unit goes back: which it needs, which it passed, and the next one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.walk.folding.progress import Goal
from faulttree.walk.unit_state import holds, unknown_in

if TYPE_CHECKING:
    from faulttree.walk.folding.progress import Progress, SearchPlace

__all__ = [
    "back_to_search",
    "closing_fact",
    "leave_closing",
    "next_closing",
    "take_in_again",
    "test_again",
    "void_safety_checks",
]


def take_in_again(progress: Progress) -> None:
    """A repaired unit is back: to the closing checks that it owes, else a new round."""
    owed = [
        use
        for use in closing_uses(progress)
        if progress.closing.get(use) != progress.passing_exit(use)
    ]
    if owed:
        progress.phase = "closing"
        for use in owed:
            progress.closing.pop(use, None)
        next_closing(progress)
        return
    progress.new_round()
    progress.phase = "finding"
    progress.goals = [Goal(progress.tree.start)]


def test_again(progress: Progress, node: str, stand: SearchPlace) -> bool:
    """Whether ``node`` begins a closing procedure that is made now, or made again.

    That is one that the unit failed; and before a unit goes back without a repair, its
    safety checks.
    """
    use = next((use for use in progress.tree.closing if progress.entry(use) == node), None)
    if use is None:
        return False
    after_repair = progress.phase in ("closing", "ended")
    safety = progress.tree.uses[use].checks == "safety" and progress.closing.get(use) is None
    if not (after_repair and use in progress.failed) and not safety:
        return False
    if progress.phase == "confirming":
        return False
    if not after_repair:
        progress.before_closing = stand
    progress.closing.pop(use, None)
    for name in progress.tree.uses[use].steps:
        progress.skips.pop(name, None)
        progress.set_aside.discard(name)
    progress.phase = "closing"
    next_closing(progress)
    return True


def back_to_search(progress: Progress) -> None:
    """Back to where the search stood before its closing checks."""
    assert progress.before_closing is not None
    progress.phase, progress.goals = (
        progress.before_closing.phase,
        list(progress.before_closing.goals),
    )
    progress.given_up, progress.before_closing = progress.before_closing.given_up, None


def closing_uses(progress: Progress) -> list[str]:
    """The closing procedures that this unit needs, those not decided included."""
    listed = [
        use
        for use in progress.tree.closing
        if holds(progress.tree.closing_when.get(use, {}), progress.unit.facts) is not False
    ]
    if progress.before_closing is None:
        return listed
    return [use for use in listed if progress.tree.uses[use].checks == "safety"]


def void_safety_checks(progress: Progress) -> None:
    """The unit was opened or powered again: its safety is checked again before it goes."""
    for use in progress.tree.closing:
        if progress.tree.uses[use].checks == "safety":
            progress.closing.pop(use, None)


def leave_closing(progress: Progress, use: str, exit_: str) -> None:
    progress.closing[use] = exit_
    if exit_ == progress.passing_exit(use):
        progress.failed.pop(use, None)
    else:
        progress.failed[use] = exit_
    progress.goals = []
    next_closing(progress)


def next_closing(progress: Progress) -> None:
    """The next closing procedure, unless one was failed: then the unit must not go."""
    for use in closing_uses(progress):
        if progress.closing.get(use) is None:
            when = progress.tree.closing_when.get(use, {})
            if any(
                name not in progress.unit.facts for name in unknown_in(when, progress.unit.facts)
            ):
                return  # The property is asked first.
            if holds(when, progress.unit.facts):
                progress.goals = [Goal(progress.tree.uses[use].start)]
                return
        elif progress.closing[use] != progress.passing_exit(use):
            break
    if progress.phase != "closing":
        return
    if progress.before_closing is not None:
        back_to_search(progress)
    else:
        progress.phase = "ended"


def closing_fact(progress: Progress) -> str:
    """The property that decides which closing procedure comes next, where it must be asked."""
    if progress.phase != "closing" or progress.goals:
        return ""
    whens = (progress.tree.closing_when.get(use, {}) for use in closing_uses(progress))
    asked = (name for when in whens for name in unknown_in(when, progress.unit.facts))
    return next((name for name in asked if name not in progress.unit.facts), "")
