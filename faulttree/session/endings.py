"""Replies at the end of a walk: open suspects, how it ended, where the unit goes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.errors import WalkError
from faulttree.session.choices import chosen
from faulttree.session.jumps import head_for
from faulttree.session.model import (
    Accepted,
    Ask,
    Carry,
    Message,
    Position,
    Prompt,
    Refused,
    Reply,
    Result,
)
from faulttree.session.prompts import (
    UNFIT_RESULTS,
    WITHIN,
    ending_prompt,
    modules_prompt,
    open_suspects,
    owed_prompt,
    place_prompt,
    prompt_of,
    suspects_prompt,
    text_prompt,
)
from faulttree.walk import events as ev
from faulttree.walk.fitness import check_again

if TYPE_CHECKING:
    from faulttree.session.model import Context

__all__ = [
    "decline",
    "ended",
    "fit_again",
    "give_up",
    "kept_modules",
    "make_checks",
    "other_tree",
    "pick_suspect",
    "placed",
]


def give_up(position: Position, context: Context) -> Result:
    """Stop without a repair: past the open suspects, or at once where the fault is known."""
    if position.state.phase == "found":
        return Ask(ending_prompt(position))
    prompt = suspects_prompt(position)
    return Ask(prompt) if prompt is not None else Accepted(_stopped(position, context))


def _stopped(position: Position, context: Context) -> tuple[ev.Event, ...]:
    """That the walk was given up here, where it has not ended by itself."""
    state = position.state
    if state.end is not None:
        return ()
    step = state.ask.id if state.ask else ""
    return (ev.Stopped(at=context.now, reason="given up", step=step),)


def pick_suspect(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """An open suspect is tested after all, or the search ends."""
    first = next((one.id for one in prompt.choices if one.id != "stop"), "")
    wanted = chosen(prompt, given, default=first)
    if wanted == "stop":
        question = "Why leave them untested?"
        return Ask(prompt_of(position, "declined", question, actions=WITHIN))
    suspect = next(one for one in open_suspects(position.state) if one.fault == wanted)
    title = position.tree.faults[wanted].title
    told = Message(f"For '{title}': {', then '.join(suspect.tests)}.")
    result = head_for(position, context, suspect.tests[0], "suspect")
    if isinstance(result, Accepted):
        return Accepted(result.events, (told, *result.messages))
    return result


def decline(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """Why open suspects are left untested."""
    open_ = tuple(
        {"fault": one.fault, "probability": one.probability}
        for one in open_suspects(position.state)
    )
    declined = ev.Declined(at=context.now, suspects=open_, reason=given.text.strip())
    return Accepted((declined, *_stopped(position, context)))


def other_tree(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """At a stop that belongs to another complaint: whether the unit goes on there."""
    yes = chosen(prompt, given)
    if yes == "no":
        return Ask(suspects_prompt(position) or ending_prompt(position))
    see = prompt.id.subject
    closed = ev.Closed(
        at=context.now, result="referred", became="waiting", note=f"goes on with {see}"
    )
    return Accepted((closed,), onward=see)


def ended(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """How it ended."""
    result = chosen(prompt, given)
    return Ask(owed_prompt(position, result) or place_prompt(position, result))


def make_checks(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """The safety checks that the unit owes: made now, or the unit stays here."""
    yes = chosen(prompt, given)
    if yes == "no":
        return Ask(place_prompt(position, prompt.id.subject))
    checking = check_again(position.state, at=context.now)
    assert checking is not None
    return Accepted((checking,))


def fit_again(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """A closing check was failed: repair further, make it again, or close without "fixed"."""
    state = position.state
    repair = state.cured or state.confirming
    assert repair is not None
    wanted = chosen(prompt, given)
    if wanted == "test-again":
        again = check_again(state, at=context.now)
        assert again is not None
        return Accepted((again,))
    if wanted == "repair":
        carry = Carry("repaired", {"fault": (repair.fault,)})
        return Ask(text_prompt(position, "What was repaired?", carry))
    return Ask(ending_prompt(position, choices=UNFIT_RESULTS))


def placed(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """Where the unit goes."""
    assert prompt.carry is not None
    became = chosen(prompt, given)
    carry = Carry("close", {**prompt.carry.values, "became": (became,)})
    if became == "kept-for-parts":
        return Ask(modules_prompt(position, carry))
    return _closed(position, context, carry, ())


def kept_modules(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """Which modules are kept: by name or number; any words where the tree names none."""
    assert prompt.carry is not None
    parts = [part.strip() for part in given.text.split(",") if part.strip()]
    named = [prompt.choice(part) or part for part in parts]
    unknown = [name for name in named if prompt.choices and name not in position.tree.modules]
    if not named or unknown:
        remedy = "Name them by number or name, with commas between: 1, 3."
        return Refused(WalkError("that is no list of modules", remedy=remedy))
    return _closed(position, context, prompt.carry, tuple(dict.fromkeys(named)))


def _closed(position: Position, context: Context, carry: Carry, kept: tuple[str, ...]) -> Accepted:
    result = carry.one("result")
    return Accepted(
        (
            ev.Closed(
                at=context.now,
                result=result,
                fault=_fault_of(position, result),
                became=carry.one("became"),
                kept=kept,
                note=carry.one("note"),
            ),
        )
    )


def _fault_of(position: Position, result: str) -> str:
    """The fault that a result names: the one cured, else the one found."""
    state = position.state
    if result not in ("fixed", "found"):
        return ""
    repair = state.cured or state.confirming
    if repair is not None:
        return repair.fault
    return state.end.id if state.end is not None and state.end.kind == "fault" else ""
