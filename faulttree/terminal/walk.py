"""A walk at the bench: step after step, the repair and its proof, until the case is closed."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.terminal import screens
from faulttree.terminal.closing import end_sitting, repair_unfit
from faulttree.terminal.command_table import obey
from faulttree.terminal.command_words import word_of
from faulttree.terminal.facts import answer_known, give_fact, show_property
from faulttree.terminal.guarded_jump import go_on_to, guarded, jump_text
from faulttree.terminal.repair import prove, try_repair
from faulttree.terminal.step import put, wait
from faulttree.walk import events as ev
from faulttree.walk.advisor import choose
from faulttree.walk.block_text import block_text
from faulttree.walk.history import is_still
from faulttree.walk.repair import failed_safety
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from faulttree.terminal.open_case import BenchSession
    from faulttree.tree.model import Property
    from faulttree.walk.state import State

__all__ = ["sit"]

NOT_YET = frozenset({"n", "no", "not yet", "later", "y", "yes", "nothing"})
"""What is no account of a repair, however it was meant."""


def sit(sitting: BenchSession) -> State:
    """Walk until the case is closed, the technician pauses or nothing is left to do.

    Raises:
        Leaving: the technician pauses; everything said so far is kept.
        AwayError: the input ended or was interrupted; likewise.
        FaulttreeError: nothing more can be kept.
    """
    from faulttree.cases import SequenceTaken

    _wait_out(sitting)
    while sitting.state.phase != "closed":
        try:
            _go_on(sitting)
        except SequenceTaken as taken:
            sitting.complain(taken)
    return sitting.state


def _wait_out(sitting: BenchSession) -> None:
    """What is left of the wait after a deed, where the walk was paused in the middle of it."""
    last = next((e for e in reversed(sitting.journal.events) if not is_still(e)), None)
    if not isinstance(last, ev.Answered):
        return
    step = sitting.journal.tree.steps.get(last.step)
    if step is None or step.kind != "do" or not step.wait:
        return
    try:
        gone = datetime.fromisoformat(sitting.now) - datetime.fromisoformat(last.at)
    except (ValueError, TypeError):
        return
    if 0 <= gone.total_seconds() < step.wait:
        wait(sitting, step, step.wait - gone.total_seconds())


def _go_on(sitting: BenchSession) -> None:
    """One thing after another: a step, a repair, the way round a skip, the end."""
    if go_on_to(sitting):
        return
    state = sitting.state
    if state.needs_fact is not None:
        _ask_fact(sitting, state.needs_fact)
    elif answer_known(sitting):
        return
    elif state.ask is not None:
        put(sitting, state.ask)
    elif state.phase in ("found", "confirming"):
        _mend(sitting)
    elif (jump := choose(state, at=sitting.now)) is not None:
        jump = guarded(state, jump)
        sitting.journal.add(jump)
        _explain_jump(sitting, state, jump)
    else:
        end_sitting(sitting)


def _ask_fact(sitting: BenchSession, known: Property) -> None:
    """Ask what the unit is, before the first step that depends on it."""
    show_property(sitting, known)
    moves = sitting.moves()
    while sitting.moves() == moves:
        text = sitting.prompt(f"{known.id} › ", (*known.values, NOT_KNOWN))
        word = word_of(text)
        try:
            if word is not None and word.word not in known.values:
                obey(sitting, None, word)
            elif text:
                give_fact(sitting, known.id, text)
        except FaulttreeError as error:
            sitting.complain(error)


def _explain_jump(sitting: BenchSession, state: State, jump: ev.Jumped) -> None:
    barred = f"{block_text(state)} " if state.block else ""
    if state.end is not None:
        barred = "Something was skipped on the way here, so this is not the end yet. "
    sitting.say(f"{barred}On to '{jump.step}': {jump_text(jump)}.", "warning")


def _mend(sitting: BenchSession) -> None:
    """From the fault to the proof that the repair held."""
    state = sitting.state
    if state.confirming is not None:
        if failed_safety(state) is not None:
            repair_unfit(sitting, state.confirming.fault)
        else:
            prove(sitting)
        return
    assert state.end is not None
    fault = state.tree.faults[state.end.id]
    sitting.console.show(screens.fault_view(state, fault, sitting.console.width))
    while sitting.state.phase == "found":
        text = sitting.prompt("Mended? Say what was done; 'pause' leaves it for later › ")
        word = word_of(text)
        try:
            if word is not None:
                if obey(sitting, None, word):
                    return
            elif text.casefold() in NOT_YET:
                sitting.say("Mend it, then say in a few words what was done; 'pause' leaves.")
            elif text:
                try_repair(sitting, fault.id, text)
        except FaulttreeError as error:
            sitting.complain(error)
