"""Why a step cannot be asked, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faulttree.walk.state import State

__all__ = ["block_text"]


def block_text(state: State) -> str:
    """Why the walk cannot ask its next step, and what to do about it; empty where it can.

    Example:
        >>> block_text(state)  # doctest: +SKIP
        "'rail' gives power. It is not known which checks before power it needs: …"
    """
    block = state.block
    if block is None:
        return ""
    names = ", ".join(f"'{name}'" for name in block.names)
    match block.cause:
        case "skipped":
            return _skipped(state, block.step)
        case "circle":
            return f"'{block.step}' waits for a step that waits for it. Correct the tree."
        case "stopped":
            return f"'{block.step}' must not be done on this unit: see {names}."
        case "not-known":
            first = block.names[0]
            return (
                f"'{block.step}' gives power, and {names} decides which safety checks come before. "
                f"No power until it is known: find out, then 'set {first} VALUE'."
            )
        case "not-dead":
            return (
                f"'{block.step}' touches {names}, which may hold charge, and no step of the tree "
                "proves it dead. The tree needs a step with 'proves_dead'."
            )
        case "cells":
            return (
                f"'{block.step}' loads or charges {names}, and no step of the tree tells the state "
                "of its cells. The tree needs a step with 'cells_known'."
            )
        case "not-closed":
            return f"'{block.step}' needs {names} closed, and no step closes it."


def _skipped(state: State, step: str) -> str:
    known = state.tree.steps.get(step)
    role = known.role if known is not None else "finding"
    if role == "before-power":
        return f"'{step}' was skipped: it is a check before power. No power until it passed."
    if role == "close":
        return f"'{step}' was skipped: the unit is open. No power or safety test until it is shut."
    return f"'{step}' is left for later."
