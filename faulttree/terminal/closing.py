"""How a walk ends: the door before giving up, what it came to, what became of the unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.terminal import screens
from faulttree.terminal.advice_text import MOST, door_view, worth_view
from faulttree.terminal.chooser import choose
from faulttree.terminal.command_words import word_of
from faulttree.terminal.commands import do
from faulttree.terminal.facts import offer_facts
from faulttree.terminal.guarded_jump import head_for
from faulttree.terminal.open_case import Leaving
from faulttree.terminal.repair import try_repair
from faulttree.texts import pick
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk import events as ev
from faulttree.walk.advisor import untested
from faulttree.walk.block_text import block_text
from faulttree.walk.fitness import check_again, refused, titled
from faulttree.walk.unit_state import NOT_KNOWN

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from faulttree.odds import Suspect
    from faulttree.terminal.open_case import BenchSession
    from faulttree.walk.state import State

__all__ = ["end_sitting", "give_up", "repair_unfit"]

BECAME = {
    "returned": "back to its owner or the shelf",
    "waiting": "for a part, a tip or time",
    "kept-for-parts": "its good modules are kept",
    "scrapped": "gone for good",
}
UNSOLVED = {
    "unsolved": "the cause was not found",
    "referred": "somebody else goes on, licensed or better equipped",
    "no-fault-found": "it was tested and works as it should",
    "not-reproduced": "the complaint did not show; it may come back",
}
UNFIT = {
    "repair": "it is repaired further; then the proof and every closing check again",
    "test-again": "the failed check is made again",
    "end": "the case is closed; the unit stays here",
}
UNFIT_RESULTS = {
    "found": "the fault is known and repaired, but the unit fails a closing check",
    "referred": "somebody else goes on, licensed or better equipped",
    "unsolved": "why the closing check fails was not found",
}
FOUND = {"found": "the cause is known and not mended"}


def end_sitting(sitting: BenchSession) -> None:
    """Close a walk that has come to an end, unless something is tested after all."""
    state = sitting.state
    if state.cured is not None:
        _close_fixed(sitting)
        return
    if offer_facts(sitting):
        return
    sitting.console.show(_end_lines(state, sitting.console.width))
    if not _goes_on(sitting):
        _pass_door(sitting)


def _goes_on(sitting: BenchSession) -> bool:
    """At a stop that belongs to another complaint: whether the unit goes on there."""
    end = sitting.state.end
    stop = sitting.state.tree.stops.get(end.id) if end is not None else None
    if stop is None or not stop.see:
        return False
    if not sitting.yes(f"Go on there now, with '{stop.see}', as a linked case?"):
        return False
    sitting.onward = stop.see
    _finish(sitting, "referred", "", "waiting", (), note=f"goes on with {stop.see}")
    return True


def _end_lines(state: State, width: int) -> list[list[tuple[str, str]]]:
    lines = [list(line) for line in screens.heading(state, "end", width)]
    end = state.end
    if end is not None and end.id:
        stop = state.tree.stops[end.id]
        text = f"{stop.title} ({stop.reason})"
        lines += [list(line) for line in screens.labelled("STOP", text, width, style="warning")]
        if stop.see:
            see = f"this is another complaint, '{stop.see}'"
            lines += [list(line) for line in screens.labelled("See", see, width)]
    elif end is None:
        text = block_text(state) or "Nothing that the tree knows is left to ask."
        lines += [list(line) for line in screens.text_lines(text, width, style="warning")]
    return lines


def give_up(sitting: BenchSession) -> None:
    """Stop without a repair: by the door, or at once where the fault is known."""
    if sitting.state.phase == "found":
        _close_unsolved(sitting)
    else:
        _pass_door(sitting)


def _pass_door(sitting: BenchSession) -> None:
    """Show the suspects still open, once; then a test of one, or a result."""
    state = sitting.state
    hard = state.end is not None and state.end.reason in HARD_STOPS
    suspects = () if hard or state.declined else untested(state)
    if suspects:
        sitting.console.show(door_view(state, suspects, sitting.console.width))
        sitting.console.show(worth_view(state, sitting.bench, sitting.console.width))
        picked = _pick(sitting, suspects)
        if picked is not None:
            sitting.say(_way_to(state, picked))
            head_for(sitting, picked.tests[0], "suspect")
            return
        _decline(sitting, suspects)
    _close_unsolved(sitting)


def _way_to(state: State, suspect: Suspect) -> str:
    """Which suspect is tested now, and by which steps."""
    fault = state.tree.faults[suspect.fault]
    return f"For '{fault.title}': {', then '.join(suspect.tests)}."


def _pick(sitting: BenchSession, suspects: Sequence[Suspect]) -> Suspect | None:
    """The suspect that is to be tested after all, or None to leave."""
    numbers = [str(n) for n, one in enumerate(suspects[:MOST], 1) if one.tests]
    first = numbers[0] if numbers else ""
    hint = f"number to test it now (Enter: {first}), 'stop' to stop" if first else "'stop' to stop"

    def paused(typed: str) -> bool:
        word = word_of(typed)
        if word is not None and word.word == "pause":
            raise Leaving
        return False

    chosen = choose(
        sitting.console,
        f"{hint} › ",
        (*numbers, "stop"),
        "Type a number from the list, 'stop', or 'pause' to leave the case open.",
        numbered=False,
        default=first,
        status=sitting.status,
        otherwise=paused,
    )
    return None if chosen in (None, "stop") else suspects[int(str(chosen)) - 1]


def _decline(sitting: BenchSession, suspects: Sequence[Suspect]) -> None:
    reason = sitting.console.ask("Why leave them untested? › ", (), sitting.status)
    open_ = tuple({"fault": one.fault, "probability": one.probability} for one in suspects)
    sitting.journal.add(ev.Declined(at=sitting.now, suspects=open_, reason=reason))


def _close_unsolved(sitting: BenchSession) -> None:
    """Ask what it came to; 'back' takes the walk up again."""
    state = sitting.state
    choices = UNSOLVED
    if state.phase == "found":
        choices = {**FOUND, **UNSOLVED}
    elif state.end is None:
        step = state.ask.id if state.ask else ""
        sitting.journal.add(ev.Stopped(at=sitting.now, reason="given up", step=step))
    result = _choose(sitting, "How did it end", choices)
    if result is not None:
        found = state.end.id if result == "found" and state.end else ""
        _close(sitting, result, found)


def _close_fixed(sitting: BenchSession) -> None:
    state = sitting.state
    assert state.cured is not None
    fault = state.cured.fault
    if state.unfit is not None:
        repair_unfit(sitting, fault)
    elif state.closing_open:
        names = ", ".join(titled(state, use) for use in state.closing_open)
        sitting.say(f"Closing checks not made: {names}. The unit waits.", "warning")
        _finish(sitting, "fixed", fault, "waiting", ())
    else:
        _close(sitting, "fixed", fault)


def repair_unfit(sitting: BenchSession, fault: str) -> None:
    """A safety or closing check failed: repair, make it again, or close without 'fixed'."""
    state = sitting.state
    assert state.unfit is not None
    name = titled(state, state.unfit)
    sitting.say(f"FAILED: {name}. The unit must not go back. The repair stays on record.", "bad")
    chosen = _choose(sitting, "What now", UNFIT)
    if chosen == "test-again":
        again = check_again(state, at=sitting.now)
        assert again is not None
        sitting.journal.add(again)
    elif chosen == "repair":
        what = sitting.console.ask("What was repaired? › ", (), sitting.status)
        word = word_of(what)
        if word is not None and word.word == "pause":
            raise Leaving
        if what and word is None:
            try_repair(sitting, fault, what)
    elif chosen == "end":
        result = _choose(sitting, "How did it end", UNFIT_RESULTS)
        if result is not None:
            _close(sitting, result, fault if result == "found" else "")


def _choose(sitting: BenchSession, question: str, choices: Mapping[str, str]) -> str | None:
    """One of a few words, by number or first letters; None where the walk moved instead."""
    names = list(choices)
    for number, (name, means) in enumerate(choices.items(), 1):
        label = f"{number} {name}: "
        lines = screens.text_lines(f"{label}{means}", sitting.console.width, indent="  ")
        sitting.console.show(lines)

    def moved(typed: str) -> bool:
        word = word_of(typed)
        if word is None or word.word not in ("pause", "back", "note"):
            return False
        return do(sitting, None, word)

    hint = "Type a number or the first letters; 'back' or 'pause' also work."
    return choose(
        sitting.console, f"{question}? › ", names, hint, status=sitting.status, otherwise=moved
    )


def _close(sitting: BenchSession, result: str, fault: str) -> None:
    if _check_safety(sitting):
        return
    state = sitting.state
    places = {name: means for name, means in BECAME.items() if refused(state, result, name) is None}
    became = _choose(sitting, "Where does the unit go now", places)
    if became is None:
        return
    kept: tuple[str, ...] = ()
    if became == "kept-for-parts":
        kept = _kept(sitting)
    _finish(sitting, result, fault, became, kept)


def _check_safety(sitting: BenchSession) -> bool:
    """Offer the safety checks that a unit handled here owes; True where they are made now."""
    state = sitting.state
    if state.unfit is not None or not state.safety_owed:
        return False
    names = ", ".join(titled(state, use) for use in state.safety_owed)
    sitting.say(
        f"The unit was opened or powered here. It may go back only after: {names}.", "warning"
    )
    checking = check_again(state, at=sitting.now)
    if checking is None:
        unknown = ", ".join(name for name, value in state.facts.items() if value == NOT_KNOWN)
        if unknown:
            sitting.say(f"Not known, so no check can be chosen: {unknown}. 'set' tells it.")
        return False
    if not sitting.yes("Make these checks now?"):
        return False
    sitting.journal.add(checking)
    return True


def _kept(sitting: BenchSession) -> tuple[str, ...]:
    """Which modules are kept, by name or number; any words where the tree names none."""
    modules = sitting.journal.tree.modules
    for number, name in enumerate(modules, 1):
        sitting.say(f"  {number} {name}")
    while True:
        text = sitting.console.ask("Which modules are kept? › ", modules, sitting.status)
        parts = [part.strip() for part in text.split(",") if part.strip()]
        named = [pick(part, modules) or part for part in parts]
        unknown = [name for name in named if modules and name not in modules]
        if named and not unknown:
            return tuple(dict.fromkeys(named))
        sitting.say("Name them by number or name, with commas between: 1, 3.")


def _finish(
    sitting: BenchSession,
    result: str,
    fault: str,
    became: str,
    kept: tuple[str, ...],
    note: str = "",
) -> None:
    sitting.journal.add(
        ev.Closed(at=sitting.now, result=result, fault=fault, became=became, kept=kept, note=note)
    )
    state = sitting.state
    spent = screens.minutes_text(state.minutes)
    failed = ", closing check FAILED" if state.unfit is not None else ""
    text = f"{sitting.label} is closed: {result}{failed}, {became}; {spent} by the tree."
    sitting.say(text, "title")
