"""One open case at a terminal: its events as they are written, and what is at hand."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from faulttree.errors import WalkError
from faulttree.session import Context, Position
from faulttree.terminal import screens
from faulttree.terminal.advice_text import remark
from faulttree.texts import minutes_text
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.errors import FaulttreeError
    from faulttree.reading import Bench
    from faulttree.session import Lookup, PromptId
    from faulttree.terminal.console import Console
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.state import State

__all__ = ["EventWriter", "Keeper", "Leaving", "OpenCase"]


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
    position: Position = field(init=False)

    def __post_init__(self) -> None:
        self._take_up()

    def _take_up(self) -> None:
        self.position = Position(self.tree, self.case, tuple(self.events))

    @property
    def state(self) -> State:
        """Where the walk stands."""
        return self.position.state

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
            self._take_up()
            raise
        self.events.append(event)
        self.position = self.position.after(event)
        return self.state


@dataclass
class OpenCase:
    """A case at a terminal: the case being written, the console, and what is at hand.

    Attributes:
        meter: id of the instrument in use.
        label: what the case is called here.
        told: what was said once and is not repeated.
        onward: the tree on which the unit goes on, once this case has ended at such a stop.
        shown: the prompt that stands on the screen.
        began: when the present step was shown, by the stopwatch.
        pending: what was typed during a wait, for the next prompt.
        lookup: what the record knows of other cases.
        brief: every step is put briefly, as far as safety allows.
        keep_photo: keeps the picture in a file, with what was said of it, for a case.
        practised: steps that the same person did lately on this text of the tree.
    """

    journal: EventWriter
    console: Console
    bench: Bench | None = None
    stopwatch: Callable[[], float] = lambda: 0.0
    keep_photo: Callable[[Path, str, Sequence[ev.Event]], ev.PhotoAdded] | None = None
    meter: str = ""
    label: str = ""
    told: set[str] = field(default_factory=set)
    onward: str = ""
    shown: PromptId | None = None
    began: float = 0.0
    pending: str = ""
    lookup: Lookup | None = None
    brief: bool = False
    practised: frozenset[str] = frozenset()

    @property
    def state(self) -> State:
        """Where the walk stands."""
        return self.journal.state

    @property
    def position(self) -> Position:
        """The case as far as it has come, as a session takes it."""
        return self.journal.position

    @property
    def context(self) -> Context:
        """The world as a session takes it."""
        return Context(
            now=self.now,
            bench=self.bench,
            meter=self.meter,
            lookup=self.lookup,
            brief=self.brief,
            practised=self.practised,
        )

    @property
    def now(self) -> str:
        """The time, UTC, ISO 8601."""
        return self.journal.clock()

    def say(self, text: str, style: str = "") -> None:
        """Say a sentence or two."""
        self.console.show(screens.text_lines(text, self.console.width, style=style))

    def status(self) -> str:
        """One line below the prompt: case, place, minutes, how to get help."""
        state = self.state
        place = state.ask.id if state.ask else state.phase
        spent = minutes_text(state.minutes)
        return f" {self.label} · {place} · {spent} · ? helps"

    def complain(self, error: FaulttreeError) -> None:
        """Say what does not fit, and what would."""
        self.console.show(screens.refusal_lines(error, self.console.width))

    def show_step(self, step: Step, *, full: bool = False, brief: bool = False) -> None:
        """Show a step, with a word on what would be better where there is one."""
        width = self.console.width
        if brief:
            self.console.show(screens.brief_view(self.state, step, width))
            return
        short = self.brief and not full
        view = screens.step_view(self.state, step, width, meter=self.meter, full=full, short=short)
        self.console.show(view)
        self.console.show(remark(self.state, self.bench, self.meter, width))

    def photo(self, typed: str) -> ev.PhotoAdded:
        """The photo of the file that a line names, kept; the words after the name go with it.

        Raises:
            FaulttreeError: the file cannot be kept.
        """
        if self.keep_photo is None:
            raise WalkError("photos cannot be kept here")
        path, words = path_and_words(typed)
        return self.keep_photo(path, words, self.journal.events)


def path_and_words(typed: str) -> tuple[Path, str]:
    """The path at the beginning of a line, and the words after it.

    A path with blanks needs quotation marks, unless it is the whole line.

    Example:
        >>> path_and_words("lamp.jpg the burnt track")[1]
        'the burnt track'
        >>> path_and_words("'my lamp.jpg' burnt")[0].name
        'my lamp.jpg'
    """
    line = typed.strip()
    end = line.find(line[0], 1) if line.startswith(("'", '"')) else -1
    if end > 0:
        return _at_home(line[1:end]), line[end + 1 :].strip()
    whole = _at_home(line)
    # Asked of the system itself: `exists` raises for names that no file can have.
    if os.path.exists(whole) or " " not in line:  # noqa: PTH110
        return whole, ""
    name, _, words = line.partition(" ")
    return _at_home(name), words.strip()


def _at_home(name: str) -> Path:
    """A path, with ``~`` for the home folder; as typed where there is no such home."""
    return Path(os.path.expanduser(name))  # noqa: PTH111
