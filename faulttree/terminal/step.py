"""One step put to the technician: cautions first, then the question, until there is an answer."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError
from faulttree.reading.units import unit_text
from faulttree.reading.verdict_text import said_once
from faulttree.terminal import screens
from faulttree.terminal.command_table import obey
from faulttree.terminal.command_words import word_of
from faulttree.terminal.console import spell
from faulttree.walk import events as ev
from faulttree.walk.advisor import cleared
from faulttree.walk.answer import (
    DoubtError,
    ParsedReading,
    TypedAnswer,
    answer,
    limits_of,
    match_outcome,
    parse_reading,
)

if TYPE_CHECKING:
    from faulttree.terminal.open_case import BenchSession
    from faulttree.tree.model import Step
    from faulttree.walk.state import State

__all__ = ["put", "wait"]


def put(sitting: BenchSession, step: Step) -> None:
    """Put a step: cautions first, then the question, until something is recorded."""
    if sitting.shown != sitting.place(step):
        sitting.began = sitting.stopwatch()
    if not _cautioned(sitting, step):
        return
    state = sitting.state
    sitting.show_step(step)
    if step.wait and step.kind != "do":
        wait(sitting, step, step.wait)
    moves = sitting.moves()
    while sitting.moves() == moves:
        text = sitting.prompt(_prompt_text(state, step), screens.choices_of(step))
        if not text and step.kind != "do":
            sitting.say(_wanted(step))
            continue
        taken_as_answer = match_outcome(step, text) is not None
        word = None if taken_as_answer else word_of(text)
        try:
            if word is not None:
                obey(sitting, step, word)
            else:
                _take(sitting, step, text)
        except FaulttreeError as error:
            sitting.complain(error)


def _wanted(step: Step) -> str:
    """What an empty line should have been."""
    if step.kind == "measure":
        return "Type the reading as the meter shows it, like 150u or 12.5 V; '?' tells what else."
    return "Type the answer, its first letters or its number; '?' tells what else."


def _cautioned(sitting: BenchSession, step: Step) -> bool:
    """Have the cautions read that were not yet; False when something else was asked for."""
    state = sitting.state
    unread = [name for name in state.cautions_at(step) if name not in state.cautions_read]
    for name in unread:
        known = state.tree.known_cautions.get(name)
        sitting.console.show(
            [[("", "")], *screens.caution_view(known, name, sitting.console.width)]
        )
        while True:
            text = sitting.prompt("Read and kept to? Enter says yes › ", ("yes",))
            if text.casefold() in ("", "y", "yes", "read", "ok"):
                break
            word = word_of(text)
            if word is None:
                sitting.say("Press Enter once you have read it; 'pause' leaves.")
            elif obey(sitting, step, word):
                return False
        sitting.journal.add(ev.CautionRead(at=sitting.now, caution=name, step=step.id))
    return True


def _prompt_text(state: State, step: Step) -> str:
    if step.kind == "do":
        starts = f" and starts the {spell(step.wait)}" if step.wait else ""
        return f"done? Enter says so{starts} › "
    if step.kind == "ask":
        return f"{' / '.join(screens.choices_of(step))} › "
    limits = limits_of(state, step)
    unit = step.unit
    if limits is not None:
        unit = unit_text(limits.unit, limits.kind) if limits.kind else limits.place
    return f"reading in {unit} › " if unit else "reading › "


def _take(sitting: BenchSession, step: Step, text: str) -> None:
    """Take an answer or readings; ask what has to be asked before it counts."""
    named = match_outcome(step, text, loose=step.kind != "measure")
    if named is not None:
        _record(sitting, step, TypedAnswer(outcome=named))
        return
    readings = tuple(part.strip() for part in text.split(";") if part.strip())
    entry = TypedAnswer(typed=readings, instrument=sitting.meter)
    parsed = None
    if step.kind == "measure":
        # Parsed first, so that a slip is told before anything is asked.
        parsed = parse_reading(sitting.state, step, entry, bench=sitting.bench)
        if step.in_circuit is not None:
            entry = replace(entry, in_circuit=_in_circuit(sitting, step))
    try:
        _record(sitting, step, entry, parsed)
    except DoubtError as doubt:
        if sitting.yes(f"{doubt.question} Is '{text}' right as typed?"):
            _record(sitting, step, replace(entry, sure=True), parsed)


def _in_circuit(sitting: BenchSession, step: Step) -> bool:
    """Whether the part was still in circuit: some readings mean nothing there."""
    if step.in_circuit == "never":
        return not sitting.yes("Is the part isolated (one lead lifted, or out)?")
    return sitting.yes("Was it measured in circuit?")


def _record(
    sitting: BenchSession, step: Step, entry: TypedAnswer, parsed: ParsedReading | None = None
) -> None:
    """Judge the entry, show the verdict, keep it; an in-circuit doubt may be measured again."""
    event = answer(sitting.state, step, entry, at=sitting.now, bench=sitting.bench, parsed=parsed)
    if isinstance(event, ev.Answered):
        event = _timed(event, sitting.stopwatch() - sitting.began)
        _show_verdict(sitting, event)
        open_ = event.outcome == "undecided" and "undecided" not in step.targets
        if open_ and event.reading and _measure_again(sitting, step, event):
            return
    sitting.answer(event)
    if isinstance(event, ev.Answered):
        _tell_cleared(sitting)
    if step.wait and step.kind == "do" and isinstance(event, ev.Answered):
        wait(sitting, step, step.wait)


def _show_verdict(sitting: BenchSession, event: ev.Answered) -> None:
    """Show what a reading came to; what holds for all of them alike only the first time."""
    width = sitting.console.width
    sitting.console.show(
        screens.verdict_view(event.verdict, event.outcome, width, told=sitting.told)
    )
    sitting.told.update(said_once(event.verdict))


def _tell_cleared(sitting: BenchSession) -> None:
    """Who named a suspect is owed an answer: say where it was cleared."""
    faults = sitting.state.tree.faults
    for name in cleared(sitting.state):
        who = next((one.source for one in faults[name].evidence if one.source), "hearsay")
        text = f"Cleared: {faults[name].title} ({who})."
        lines = screens.text_lines(text, sitting.console.width, style="good", indent="  ")
        sitting.console.show(lines)


def _timed(event: ev.Answered, seconds: float) -> ev.Answered:
    return replace(event, seconds=round(seconds, 1)) if seconds >= 1 else event


def _measure_again(sitting: BenchSession, step: Step, event: ev.Answered) -> bool:
    """An undecided reading is kept as a remark when the step is to be taken again at once."""
    if not sitting.yes("Undecided. Measure again now?"):
        return False
    assert event.reading is not None
    where = " in circuit" if event.in_circuit else ""
    text = f"read {event.reading['text']}{where}: undecided, measured again"
    sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step.id))
    return True


def wait(sitting: BenchSession, step: Step, seconds: float) -> None:
    """Let a time pass. Where it was cut short, the case says so: a soak of a minute is none."""
    if not sitting.console.pause(seconds, step.id):
        text = f"the wait of {spell(step.wait or seconds)} was cut short"
        sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step.id))
