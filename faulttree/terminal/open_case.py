"""A sitting: a technician, a console and one open case that is being written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from faulttree.terminal import screens
from faulttree.terminal.advice_text import remark
from faulttree.terminal.chooser import choose
from faulttree.terminal.command_words import WORDS
from faulttree.walk import events as ev
from faulttree.walk.fold import fold
from faulttree.walk.follow_up import follow_ups
from faulttree.walk.history import is_still

if TYPE_CHECKING:
    from faulttree.errors import FaulttreeError
    from faulttree.reading import Bench
    from faulttree.terminal.console import Console
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State

__all__ = ["BenchSession", "EventWriter", "Keeper", "Leaving"]


class Keeper(Protocol):
    """What keeps events durably: the record, or a list in a test."""

    def append(self, case: str, sequence: int, event: ev.Event) -> None:
        """Keep an event; once it returns, the event is safe."""


class Leaving(Exception):  # noqa: N818 - it is no error: the technician pauses
    """The technician pauses; the case stays open."""


@dataclass
class EventWriter:
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
class BenchSession:
    """What a sitting has at hand besides the case.

    Attributes:
        meter: id of the instrument in use.
        label: what the case is called here.
        told: what was said once and is not repeated.
        onward: the tree on which the unit goes on, once this case has ended at such a stop.
    """

    journal: EventWriter
    console: Console
    bench: Bench | None = None
    stopwatch: Callable[[], float] = lambda: 0.0
    photo_hash: Callable[[Path], str] | None = None
    meter: str = ""
    label: str = ""
    told: set[str] = field(default_factory=set)
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
        self.console.show(screens.text_lines(text, self.console.width, style=style))

    def answer(self, event: ev.Event) -> None:
        """Keep an answer or a skip, then what the program records by itself after it."""
        before = self.state
        self.journal.add(event)
        for following in list(follow_ups(before, self.state, at=self.now)):
            self.journal.add(following)

    def status(self) -> str:
        """One line below the prompt: case, place, minutes, how to get help."""
        state = self.state
        place = state.ask.id if state.ask else state.phase
        spent = screens.minutes_text(state.minutes)
        return f" {self.label} · {place} · {spent} · ? helps"

    def complain(self, error: FaulttreeError) -> None:
        """Say what does not fit, and what would."""
        self.say(f"✗ {error.message}", "bad")
        if error.mend:
            self.console.show(screens.text_lines(error.mend, self.console.width, indent="  "))

    def prompt(self, text: str, choices: Sequence[str] = ()) -> str:
        """Ask; the words that work anywhere complete too."""
        return self.console.ask(text, [*choices, *WORDS], self.status)

    def yes(self, question: str) -> bool:
        """A yes or no.

        Raises:
            Leaving: the technician pauses instead.
        """

        def paused(typed: str) -> bool:
            if typed.casefold() == "pause":
                raise Leaving
            return False

        chosen = choose(
            self.console,
            f"{question} yes / no › ",
            ("yes", "no"),
            "Answer yes or no; 'pause' leaves.",
            numbered=False,
            status=self.status,
            otherwise=paused,
        )
        return chosen == "yes"

    def moves(self) -> int:
        """How many events have moved the walk: remarks and photos do not."""
        return sum(not is_still(event) for event in self.journal.events)

    def show_step(self, step: Step, *, full: bool = False) -> None:
        """Show a step, with a word on what would be better where there is one."""
        width = self.console.width
        self.console.show(screens.step_view(self.state, step, width, meter=self.meter, full=full))
        self.console.show(remark(self.state, self.bench, self.meter, width))
        self.shown = self.place(step)

    def place(self, step: Step) -> str:
        """A step at this point of the walk: shown again unchanged, its clock runs on."""
        return f"{step.id} {len(self.journal.events)}"
