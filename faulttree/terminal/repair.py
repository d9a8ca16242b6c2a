"""A repair and its proof: what was done, and what was seen of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.terminal import screens
from faulttree.terminal.facts import offer_facts
from faulttree.terminal.open_case import Leaving
from faulttree.walk import events as ev
from faulttree.walk.block_text import block_text
from faulttree.walk.repair import conclude, conclude_by_sight, faults_to_repair, next_proof

if TYPE_CHECKING:
    from faulttree.terminal.open_case import BenchSession

__all__ = ["begin_repair", "prove", "try_repair"]


def begin_repair(sitting: BenchSession, name: str) -> None:
    """Record a repair of any fault of the tree, also one the walk has not come to."""
    state = sitting.state
    known = faults_to_repair(state)
    fault = name or (state.end.id if state.end and state.end.kind == "fault" else "")
    if fault not in known:
        sitting.say(f"✗ name the fault: repaired FAULT. Known: {', '.join(known)}.", "bad")
        return
    what = sitting.console.ask("What was done? › ", (), sitting.status)
    try_repair(sitting, fault, what)


def try_repair(sitting: BenchSession, fault: str, what: str) -> None:
    """Record a repair, and say what will prove it."""
    sitting.journal.add(ev.RepairTried(at=sitting.now, fault=fault, what=what))
    tree = sitting.journal.tree
    known = tree.faults.get(fault)
    if known is not None and known.confirm is not None:
        proof = known.confirm.step
        text = tree.steps[proof].text if proof in tree.steps else f"procedure {proof}"
        sitting.say(f"Now the proof: {text}.", "title")


def prove(sitting: BenchSession) -> None:
    """The confirming step has spoken, or there is none, or it was skipped: conclude."""
    state = sitting.state
    conclusion = conclude(state, at=sitting.now)
    if conclusion is None and offer_facts(sitting):
        return
    if conclusion is None:
        conclusion = _by_sight(sitting)
    if conclusion is None:
        return
    sitting.journal.add(conclusion)
    fault = state.tree.faults.get(conclusion.fault)
    title = fault.title if fault else conclusion.fault
    if isinstance(conclusion, ev.Confirmed):
        sitting.say(f"Confirmed: {title}.", "good")
        if sitting.state.closing_open:
            sitting.say("Before the unit goes back:", "title")
    else:
        sitting.say(
            f"Not confirmed: '{title}' is mended or was never it, and something else is wrong "
            "too. It is set aside, what was seen is kept, and the walk goes on.",
            "bad",
        )
        sitting.console.show(screens.open_view(sitting.state, sitting.console.width))


def _by_sight(sitting: BenchSession) -> ev.Confirmed | ev.NotConfirmed | None:
    """What the technician says of the repair; None where the proof is taken after all."""
    state = sitting.state
    repair = state.confirming
    assert repair is not None
    fault = state.tree.faults.get(repair.fault)
    if fault is not None and fault.confirms:
        proof = next_proof(state)
        if state.block is not None:
            sitting.say(block_text(state), "warning")
        sitting.say(
            f"The step that proves it, '{proof}', was not taken. Without it the case cannot be "
            "called fixed.",
            "warning",
        )
        if sitting.yes("Take it now?"):
            use = state.tree.uses.get(proof)
            step = use.start if use else proof
            sitting.journal.add(ev.Jumped(at=sitting.now, step=step, cause="proof"))
            return None
        if not sitting.yes("Does the complaint still show?"):
            raise Leaving
        held = False
    else:
        held = sitting.yes("Does the unit work again, tried as its owner uses it?")
    while True:
        seen = sitting.console.ask("What did you see? › ", (), sitting.status)
        if seen:
            return conclude_by_sight(state, seen, held=held, at=sitting.now)
