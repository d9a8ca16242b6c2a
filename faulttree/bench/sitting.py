"""A sitting: a technician, a console and one open case, step after step."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from faulttree.bench import views
from faulttree.bench.words import WORDS, Typed, word_of
from faulttree.errors import FaulttreeError
from faulttree.walk import events as ev
from faulttree.walk.answer import DoubtError, Entry, answer, limits_of, match_outcome
from faulttree.walk.choose import choose
from faulttree.walk.fold import fold

if TYPE_CHECKING:
    from faulttree.bench.console import Console
    from faulttree.reading import Bench
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State

__all__ = ["Journal", "Leaving", "Sitting", "sit"]


BY_HAND = "chosen at the bench"
"""The reason of a jump that the technician asked for."""


class Keeper(Protocol):
    """What keeps events durably: the record, or a list in a test."""

    def append(self, case: str, sequence: int, event: ev.Event) -> None:
        """Keep an event; once it returns, the event is safe."""


class Leaving(Exception):  # noqa: N818 - it is no error: the technician pauses
    """The technician pauses; the case stays open."""


@dataclass
class Journal:
    """One case being written: each event is safe before the next question is shown."""

    tree: Tree
    case: str
    events: list[ev.Event]
    keeper: Keeper
    clock: Callable[[], str]
    state: State = field(init=False)

    def __post_init__(self) -> None:
        self.state = fold(self.tree, self.events)

    def add(self, event: ev.Event) -> State:
        """Keep the event, then fold it.

        Raises:
            SequenceTaken: another terminal went on with the case. Its events are taken in,
                so that the walk goes on from where it stands; this event is not kept.
            RecordError: it could not be kept.
        """
        from faulttree.cases import SequenceTaken

        try:
            self.keeper.append(self.case, len(self.events), event)
        except SequenceTaken as taken:
            self.events += taken.happened
            self.state = fold(self.tree, self.events)
            raise
        self.events.append(event)
        self.state = fold(self.tree, self.events)
        return self.state


@dataclass
class Sitting:
    """What a sitting has at hand besides the case.

    Attributes:
        meter: id of the instrument in use.
        label: what the case is called here.
        onward: the tree on which the unit goes on, once this case has ended at such a stop.
    """

    journal: Journal
    console: Console
    bench: Bench | None = None
    stopwatch: Callable[[], float] = lambda: 0.0
    photo_hash: Callable[[Path], str] | None = None
    meter: str = ""
    label: str = ""
    onward: str = ""
    shown: str = ""
    began: float = 0.0

    @property
    def state(self) -> State:
        """Where the walk stands."""
        return self.journal.state

    @property
    def now(self) -> str:
        """The time, UTC, ISO 8601."""
        return self.journal.clock()

    def say(self, text: str, style: str = "") -> None:
        """Say a sentence or two."""
        self.console.show(views.text_lines(text, self.console.width, style=style))

    def status(self) -> str:
        """One line below the prompt: case, place, minutes, how to get help."""
        state = self.state
        place = state.ask.id if state.ask else state.phase
        spent = views.minutes_text(state.minutes)
        return f" {self.label} · {place} · {spent} · ? helps"

    def prompt(self, text: str, choices: Sequence[str] = ()) -> str:
        """Ask; the words that work anywhere complete too."""
        return self.console.ask(text, [*choices, *WORDS], self.status)


def sit(sitting: Sitting) -> State:
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
            complain(sitting, taken)
    return sitting.state


def _wait_out(sitting: Sitting) -> None:
    """What is left of the wait after a deed, where the walk was paused in the middle of it."""
    from datetime import datetime

    last = next((e for e in reversed(sitting.journal.events) if not _still(e)), None)
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
        _wait(sitting, step, step.wait - gone.total_seconds())


def _wait(sitting: Sitting, step: Step, seconds: float) -> None:
    """Let a time pass. Where it was cut short, the case says so: a soak of a minute is none."""
    from faulttree.bench.console import spell

    if not sitting.console.pause(seconds, step.id):
        text = f"the wait of {spell(step.wait or seconds)} was cut short"
        sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step.id))


def _go_on(sitting: Sitting) -> None:
    """One thing after another: a step, a repair, the way round a skip, the end."""
    from faulttree.bench.ending import end_sitting, mend

    state = sitting.state
    if state.ask is not None:
        _put(sitting, state.ask)
    elif state.phase in ("found", "confirming"):
        mend(sitting)
    elif (jump := choose(state, at=sitting.now)) is not None:
        sitting.journal.add(jump)
        _explain_jump(sitting, state, jump)
    else:
        end_sitting(sitting)


def _explain_jump(sitting: Sitting, state: State, jump: ev.Jumped) -> None:
    barred = f"'{state.blocked}' is left for later. " if state.blocked else ""
    if state.end is not None:
        barred = "Something was skipped on the way here, so this is not the end yet. "
    sitting.say(f"{barred}On to '{jump.step}': {jump.reason}.", "warning")


def _put(sitting: Sitting, step: Step) -> None:
    """Put a step: cautions first, then the question, until something is recorded."""
    state = sitting.state
    if sitting.shown != f"{step.id} {len(sitting.journal.events)}":
        sitting.began = sitting.stopwatch()
    if not _cautioned(sitting, step):
        return
    state = sitting.state
    show_step(sitting, step)
    if step.wait and step.kind != "do":
        _wait(sitting, step, step.wait)
    moves = _moves(sitting)
    while _moves(sitting) == moves:
        text = sitting.prompt(_prompt_text(state, step), views.choices_of(step))
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
            complain(sitting, error)


def _wanted(step: Step) -> str:
    """What an empty line should have been."""
    if step.kind == "measure":
        return "Type the reading as the meter shows it, like 20u or 12.5 V; '?' tells what else."
    return "Type the answer, its first letters or its number; '?' tells what else."


def _still(event: ev.Event) -> bool:
    """Whether an event leaves the walk where it stands."""
    return isinstance(event, ev.Noted | ev.PhotoAdded | ev.CautionRead | ev.MinutesSet)


def _moves(sitting: Sitting) -> int:
    """How many events have moved the walk: remarks and photos do not."""
    return sum(not _still(event) for event in sitting.journal.events)


def complain(sitting: Sitting, error: FaulttreeError) -> None:
    """Say what does not fit, and what would."""
    width = sitting.console.width
    sitting.say(f"✗ {error.message}", "bad")
    if error.mend:
        sitting.console.show(views.text_lines(error.mend, width, indent="  "))


def show_step(sitting: Sitting, step: Step, *, full: bool = False) -> None:
    """Show a step, with a word on what would be better where there is one."""
    from faulttree.bench.thinking import remark

    width = sitting.console.width
    sitting.console.show(
        views.step_view(sitting.state, step, width, meter=sitting.meter, full=full)
    )
    sitting.console.show(remark(sitting.state, sitting.bench, sitting.meter, width))
    sitting.shown = f"{step.id} {len(sitting.journal.events)}"


def _cautioned(sitting: Sitting, step: Step) -> bool:
    """Have the cautions read that were not yet; False when something else was asked for."""
    state = sitting.state
    unread = [name for name in state.cautions_at(step) if name not in state.cautions_read]
    for name in unread:
        known = state.tree.known_cautions.get(name)
        sitting.console.show([[("", "")], *views.caution_view(known, name, sitting.console.width)])
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
        from faulttree.bench.console import spell

        starts = f" and starts the {spell(step.wait)}" if step.wait else ""
        return f"done? Enter says so{starts} › "
    if step.kind == "ask":
        return f"{' / '.join(step.targets)} › "
    limits = limits_of(state, step)
    unit = limits.place if limits is not None else step.unit
    return f"reading in {unit} › " if unit else "reading › "


def _take(sitting: Sitting, step: Step, text: str) -> None:
    """Take an answer or readings; ask what has to be asked before it counts."""
    named = match_outcome(step, text, loose=step.kind != "measure")
    if named is not None:
        _record(sitting, step, Entry(outcome=named))
        return
    readings = tuple(part.strip() for part in text.split(";") if part.strip())
    entry = Entry(typed=readings, instrument=sitting.meter)
    if step.kind == "measure" and step.in_circuit is not None:
        # What was typed is read first, so that a slip is told before anything is asked.
        answer(sitting.state, step, _sure(entry), bench=sitting.bench)
        entry = _with(entry, in_circuit=_in_circuit(sitting, step))
    try:
        _record(sitting, step, entry)
    except DoubtError as doubt:
        if yes(sitting, f"{doubt.question} Is '{text}' right as typed?"):
            _record(sitting, step, _sure(entry))


def _with(entry: Entry, **changes: Any) -> Entry:
    from dataclasses import replace

    return replace(entry, **changes)


def _sure(entry: Entry) -> Entry:
    return _with(entry, sure=True)


def _in_circuit(sitting: Sitting, step: Step) -> bool:
    """Whether the part was still in circuit: some readings mean nothing there."""
    if step.in_circuit == "never":
        return not yes(sitting, "Is the part isolated (one lead lifted, or out)?")
    return yes(sitting, "Was it measured in circuit?")


def yes(sitting: Sitting, question: str) -> bool:
    """A yes or no.

    Raises:
        Leaving: the technician pauses instead.
    """
    while True:
        text = sitting.console.ask(f"{question} yes / no › ", ("yes", "no"), sitting.status)
        said = text.casefold()
        if said in ("y", "yes"):
            return True
        if said in ("n", "no"):
            return False
        if said == "pause":
            raise Leaving
        sitting.say("Answer yes or no; 'pause' leaves.")


def _record(sitting: Sitting, step: Step, entry: Entry) -> None:
    """Judge the entry, show the verdict, keep it; an in-circuit doubt may be measured again."""
    event = answer(sitting.state, step, entry, at=sitting.now, bench=sitting.bench)
    if isinstance(event, ev.Answered):
        event = _timed(event, sitting.stopwatch() - sitting.began)
        sitting.console.show(
            views.verdict_view(event.verdict, event.outcome, sitting.console.width)
        )
        open_ = event.outcome == "undecided" and "undecided" not in step.targets
        if open_ and event.reading and _measure_again(sitting, step, event):
            return
    sitting.journal.add(event)
    if isinstance(event, ev.Answered):
        _tell_cleared(sitting)
    if step.wait and step.kind == "do" and isinstance(event, ev.Answered):
        _wait(sitting, step, step.wait)


def _tell_cleared(sitting: Sitting) -> None:
    """Who named a suspect is owed an answer: say where it was cleared."""
    from faulttree.walk.choose import cleared

    faults = sitting.state.tree.faults
    for name in cleared(sitting.state):
        who = next((one.source for one in faults[name].evidence if one.source), "hearsay")
        sitting.say(f"  Cleared: {faults[name].title} ({who}).", "good")


def _timed(event: ev.Answered, seconds: float) -> ev.Answered:
    from dataclasses import replace

    return replace(event, seconds=round(seconds, 1)) if seconds >= 1 else event


def _measure_again(sitting: Sitting, step: Step, event: ev.Answered) -> bool:
    """An undecided reading is kept as a remark when the step is to be taken again at once."""
    if not yes(sitting, "Undecided. Measure again now?"):
        return False
    assert event.reading is not None
    where = " in circuit" if event.in_circuit else ""
    text = f"read {event.reading['text']}{where}: undecided, measured again"
    sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step.id))
    return True


# -- words ------------------------------------------------------------------------------------


def obey(sitting: Sitting, step: Step | None, typed: Typed) -> bool:
    """Do what a word asks; True where the walk moved by it."""
    moves = _moves(sitting)
    _DEEDS[typed.word](sitting, step, typed.rest)
    return _moves(sitting) != moves


def _help(sitting: Sitting, step: Step | None, rest: str) -> None:
    width = sitting.console.width
    if step is not None and step.kind == "measure":
        sitting.say("Type the reading as the meter shows it: 20u, 4k7, 12.5 V, OL.")
        sitting.say("Several readings of the same thing: 21.4 V; 21.6 V")
    elif step is not None and step.kind == "ask":
        sitting.say("Type the answer, its first letters or its number.")
    for word, does in WORDS.items():
        sitting.console.show(views.labelled(word, does, width))


def _how(sitting: Sitting, step: Step | None, rest: str) -> None:
    if step is not None:
        show_step(sitting, step, full=True)


def _back(sitting: Sitting, step: Step | None, rest: str) -> None:
    steps = int(rest) if rest.isdecimal() and int(rest) > 0 else 1
    events, state = sitting.journal.events, sitting.state
    last = next((at for at in reversed(range(len(events))) if not _still(events[at])), 0)
    event = events[last]
    if isinstance(event, ev.Stopped):
        sitting.journal.add(ev.WentBack(at=sitting.now, steps=0))
        sitting.say("Taken up again.")
        return
    if isinstance(event, ev.Jumped) and event.reason == BY_HAND:
        before = fold(sitting.journal.tree, events[:last])
        if before.ask is not None:
            why = "back from another step"
            sitting.journal.add(ev.Jumped(at=sitting.now, step=before.ask.id, reason=why))
            return
    after = fold(sitting.journal.tree, [*events, ev.WentBack(steps=steps)])
    if (len(after.visits), after.skipped) == (len(state.visits), state.skipped):
        sitting.say("There is nothing to take back here.")
        return
    sitting.journal.add(ev.WentBack(at=sitting.now, steps=steps))
    gone = sitting.state.withdrawn[len(state.withdrawn) :]
    said = ", ".join(f"{one.step} {one.outcome}" for one in gone) or "the skip"
    sitting.say(f"Taken back: {said}. It stays in the record as taken back.")


def _skip(sitting: Sitting, step: Step | None, rest: str) -> None:
    if step is None:
        sitting.say("There is no step to skip here.")
        return
    reason = rest or sitting.console.ask("Why can it not be done now? › ", (), sitting.status)
    sitting.journal.add(ev.Skipped(at=sitting.now, step=step.id, reason=reason))


def _note(sitting: Sitting, step: Step | None, rest: str) -> None:
    text = rest or sitting.console.ask("Note › ", (), sitting.status)
    if text:
        sitting.journal.add(ev.Noted(at=sitting.now, text=text, step=step.id if step else ""))
        sitting.say("Noted.")


def _photo(sitting: Sitting, step: Step | None, rest: str) -> None:
    text = rest or sitting.console.ask("Path of the photo › ", (), sitting.status)
    if not text:
        return
    path = Path(text).expanduser()
    if sitting.photo_hash is None or not path.is_file():
        sitting.say(f"✗ there is no file '{text}'. Give the path of the photo.", "bad")
        return
    try:
        digest = sitting.photo_hash(path)
    except OSError as error:
        sitting.say(f"✗ '{text}' cannot be read: {error.strerror}", "bad")
        return
    name = str(path.resolve())
    at = step.id if step else ""
    sitting.journal.add(ev.PhotoAdded(at=sitting.now, path=name, sha256=digest, step=at))
    sitting.say("The photo is kept by its path and content hash.")


def _why(sitting: Sitting, step: Step | None, rest: str) -> None:
    from faulttree.bench.thinking import why_view

    sitting.console.show(why_view(sitting.state, sitting.console.width))


def _suspects(sitting: Sitting, step: Step | None, rest: str) -> None:
    from faulttree.bench.thinking import suspects_view, worth_view

    width = sitting.console.width
    sitting.console.show(suspects_view(sitting.state, width))
    sitting.console.show(worth_view(sitting.state, sitting.bench, width))


def _path(sitting: Sitting, step: Step | None, rest: str) -> None:
    sitting.console.show(views.path_view(sitting.state, sitting.console.width))


def _go(sitting: Sitting, step: Step | None, rest: str) -> None:
    from faulttree.bench.thinking import chosen_step

    name = chosen_step(sitting.state, rest)
    if name is None:
        sitting.say("✗ Name a step of this tree: go STEP.", "bad")
        sitting.say(f"They are {views.joined(sitting.state.tree.diagnostic)}.")
        return
    sitting.journal.add(ev.Jumped(at=sitting.now, step=name, reason=BY_HAND))


def _meter(sitting: Sitting, step: Step | None, rest: str) -> None:
    known = dict(sitting.bench.instruments) if sitting.bench else {}
    if rest and rest not in known:
        listed = (
            f"On the bench: {views.joined(known)}."
            if known
            else "None is declared: write a bench.yaml, and name it with --bench."
        )
        sitting.say(f"✗ there is no instrument '{rest}'. {listed}", "bad")
        return
    sitting.meter = rest
    sitting.say(f"Instrument in use: {rest or 'none, so verdicts are plain'}.")
    if rest and known[rest].overdue(sitting.now[:10]):
        sitting.say(f"Its calibration was due on {known[rest].due}.", "warning")


def _repaired(sitting: Sitting, step: Step | None, rest: str) -> None:
    from faulttree.bench.ending import begin_repair

    begin_repair(sitting, rest)


def _pause(sitting: Sitting, step: Step | None, rest: str) -> None:
    raise Leaving


def _give_up(sitting: Sitting, step: Step | None, rest: str) -> None:
    from faulttree.bench.ending import give_up

    give_up(sitting)


_DEEDS: Mapping[str, Callable[[Sitting, Step | None, str], None]] = {
    "?": _help,
    "how": _how,
    "back": _back,
    "skip": _skip,
    "note": _note,
    "photo": _photo,
    "why": _why,
    "suspects": _suspects,
    "path": _path,
    "go": _go,
    "meter": _meter,
    "repaired": _repaired,
    "pause": _pause,
    "give up": _give_up,
}
