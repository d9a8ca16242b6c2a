"""Whether a unit may leave the bench by what its closing checks showed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from faulttree.walk.events import Jumped

if TYPE_CHECKING:
    from faulttree.walk.state import State

__all__ = ["Refused", "check_again", "refused", "titled"]


class Refused(NamedTuple):
    """Why a case cannot be closed as asked; ``key`` names what does not fit."""

    key: Literal["result", "became"]
    message: str


def refused(state: State, result: str, became: str) -> Refused | None:
    """What does not fit an ending of this unit; None where the ending is possible.

    A unit that failed a closing check and has not passed it since is neither ``fixed`` nor
    ``returned``.
    """
    failed = state.unfit
    if failed is None:
        return None
    why = f"the unit failed the closing check '{titled(state, failed)}' ({state.failed[failed]})"
    if became == "returned":
        return Refused("became", f"{why} and has not passed it since: it must not go back")
    if result == "fixed":
        return Refused("result", f"{why} and has not passed it since: it is not fixed")
    return None


def titled(state: State, use: str) -> str:
    """What a closing check is called, for people."""
    return state.tree.uses[use].title or state.tree.uses[use].procedure


def check_again(state: State, *, at: str = "") -> Jumped | None:
    """The event that begins the failed closing check again; None where none failed."""
    if state.unfit is None or state.phase not in ("closing", "ended"):
        return None
    start = state.tree.uses[state.unfit].start
    return Jumped(at=at, step=start, cause="closing")
