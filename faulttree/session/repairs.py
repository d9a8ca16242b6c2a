"""Replies about a repair and its proof."""

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
from faulttree.session.prompts import WITHIN, YES_NO, prompt_of, text_prompt
from faulttree.walk import events as ev
from faulttree.walk.repair import conclude_by_sight, faults_to_repair, next_proof

if TYPE_CHECKING:
    from faulttree.session.model import Context

__all__ = ["begin_repair", "proved", "repaired", "seen", "tried"]

NOT_YET = frozenset({"n", "no", "not yet", "later", "y", "yes", "nothing"})
"""What does not say what was repaired, however it was meant."""


def repaired(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """What was done about the fault that was found."""
    what = given.text.strip()
    if not what or what.casefold() in NOT_YET:
        remedy = "Repair it, then say in a few words what was done; 'pause' leaves."
        return Refused(WalkError("that does not say what was done", remedy=remedy))
    return tried(position, context, prompt.id.subject, what)


def begin_repair(position: Position, context: Context, name: str) -> Result:
    """A repair of any fault of the tree, also one that the walk has not come to."""
    state = position.state
    known = faults_to_repair(state)
    likely = state.reached.fault if state.reached is not None else ""
    fault = name or (state.end.id if state.end and state.end.kind == "fault" else likely)
    if fault not in known:
        remedy = f"Known: {', '.join(known)}."
        return Refused(WalkError("name the fault: repaired FAULT", remedy=remedy))
    return Ask(text_prompt(position, "What was done?", Carry("repaired", {"fault": (fault,)})))


def tried(position: Position, context: Context, fault: str, what: str) -> Accepted:
    """Record a repair, and say what will prove it."""
    tree = position.tree
    known = tree.faults.get(fault)
    told: tuple[Message, ...] = ()
    if known is not None and known.confirms:
        proof = known.confirms[0].step
        text = tree.steps[proof].text if proof in tree.steps else f"procedure {proof}"
        end = "" if text.endswith((".", "?", "!")) else "."
        told = (Message(f"Now the proof: {text}{end}", "title"),)
    repair = ev.RepairTried(at=context.now, fault=fault, what=what)
    state = position.state
    if state.phase == "likely" and state.reached is not None and state.reached.fault == fault:
        return Accepted((ev.LikelyAccepted(at=context.now, fault=fault), repair), told)
    return Accepted((repair,), told)


def proved(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """A proof that was skipped, or a fault without a step that proves it."""
    yes = chosen(prompt, given)
    if prompt.id.part == "skipped":
        return _skipped_proof(position, context, prompt, yes == "yes")
    held = "yes" if yes == "yes" else "no"
    return Ask(_seen_prompt(position, Carry("seen", {"held": (held,)})))


def _skipped_proof(position: Position, context: Context, prompt: Prompt, now: bool) -> Result:
    if now:
        proof = next_proof(position.state)
        use = position.tree.uses.get(proof)
        return head_for(position, context, use.start if use else proof, "proof")
    text = "Does the complaint still show?"
    carry = Carry("still", {})
    prompt = prompt_of(
        position, "seen", text, subject="still", choices=YES_NO, carry=carry, actions=WITHIN
    )
    return Ask(prompt)


def _seen_prompt(position: Position, carry: Carry) -> Prompt:
    return prompt_of(
        position,
        "seen",
        "What did you see?",
        subject=carry.action,
        part=carry.one("held"),
        carry=carry,
        actions=WITHIN,
    )


def seen(position: Position, context: Context, prompt: Prompt, given: Reply) -> Result:
    """What was seen of a repair that no step proves."""
    assert prompt.carry is not None
    text = given.text.strip()
    if prompt.carry.action == "still":
        if chosen(prompt, given) == "no":
            return Accepted(leave=True)
        return Ask(_seen_prompt(position, Carry("seen", {"held": ("no",)})))
    if not text:
        return Refused(WalkError("nothing was said", remedy="Say in a few words what you saw."))
    held = prompt.carry.one("held") == "yes"
    conclusion = conclude_by_sight(position.state, text, held=held, at=context.now)
    fault = position.tree.faults.get(conclusion.fault)
    title = fault.title if fault else conclusion.fault
    if held:
        told = [Message(f"Confirmed: {title}.", "good")]
        if position.tree.closing:
            told.append(Message("Before the unit goes back:", "title"))
    else:
        told = [Message(f"Still faulty after the repair of '{title}'. Looking further.", "bad")]
    return Accepted((conclusion,), tuple(told))
