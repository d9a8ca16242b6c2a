"""Waits that a step asks for: what is left of one, and what is kept where it was cut short."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from faulttree.session.model import Position, Wait
from faulttree.texts import spell
from faulttree.walk import events as ev
from faulttree.walk.history import is_still

if TYPE_CHECKING:
    from faulttree.tree.model import Tree

__all__ = ["cut_short", "wait_left"]

CUT = "was cut short"


def wait_left(position: Position, now: str) -> Wait | None:
    """What is left of the wait after an action; None where none runs or it was cut short.

    Args:
        position: the case as far as it has come.
        now: the time, UTC, ISO 8601.
    """
    moving = (at for at, event in enumerate(position.events) if not is_still(event))
    last = max(moving, default=-1)
    done = position.events[last] if last >= 0 else None
    step = position.tree.steps.get(done.step) if isinstance(done, ev.Answered) else None
    if done is None or step is None or step.kind != "do" or not step.wait:
        return None
    since = position.events[last + 1 :]
    if any(isinstance(e, ev.Noted) and e.step == step.id and e.text.endswith(CUT) for e in since):
        return None
    try:
        gone = datetime.fromisoformat(now) - datetime.fromisoformat(done.at)
    except (ValueError, TypeError):
        return None
    left = step.wait - gone.total_seconds()
    return Wait(step.id, left) if 0 < left <= step.wait else None


def cut_short(tree: Tree, wait: Wait, now: str) -> ev.Noted:
    """The remark that a wait was ended early: a soak of a minute is none."""
    whole = tree.steps[wait.step].wait or wait.seconds
    return ev.Noted(at=now, text=f"the wait of {spell(whole)} {CUT}", step=wait.step)
