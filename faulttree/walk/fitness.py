"""Whether a unit may leave the bench by what its closing checks showed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from faulttree.walk.events import Jumped
from faulttree.walk.unit_state import holds, unknown_in

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
    if failed is None and became == "returned" and state.safety_owed:
        owed = ", ".join(f"'{titled(state, use)}'" for use in state.safety_owed)
        why = f"the unit was opened or powered here and has not passed {owed}"
        return Refused("became", f"{why}: it must not go back")
    if failed is None:
        return None
    kind = "closing check" if failed in state.tree.closing else "safety check"
    why = f"the unit failed the {kind} '{titled(state, failed)}' ({state.failed[failed]})"
    if became == "returned":
        return Refused("became", f"{why} and has not passed it since: it must not go back")
    if result == "fixed":
        return Refused("result", f"{why} and has not passed it since: it is not fixed")
    return None


def titled(state: State, name: str) -> str:
    """What a check is called, for people: a closing use, or the step or use of a proof."""
    use, step = state.tree.uses.get(name), state.tree.steps.get(name)
    if use is not None:
        return use.title or use.procedure
    return step.text if step is not None else name


def check_again(state: State, *, at: str = "") -> Jumped | None:
    """The event that begins the failed check again; None where none failed.

    Where none failed but the unit may not go back without its safety checks, it begins these.
    """
    name = state.unfit
    if name is not None and state.phase not in ("confirming", "closing", "ended"):
        return None
    if name is None and state.phase in ("found", "ended"):
        name = next((use for use in state.safety_owed if not _undecided(state, use)), None)
    if name is None:
        return None
    use = state.tree.uses.get(name)
    step = use.start if use is not None else name
    return Jumped(at=at, step=step, cause="closing")


def _undecided(state: State, use: str) -> bool:
    """Whether nobody could say if the unit needs a closing check."""
    when = state.tree.closing_when.get(use, {})
    unknown = unknown_in(when, state.facts)
    return holds(when, state.facts) is None and all(name in state.facts for name in unknown)
