"""What a session says to a face and hears from it: frozen data only."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, Protocol

from faulttree.texts import pick
from faulttree.walk.fold import Folder

if TYPE_CHECKING:
    from faulttree.cases import Case
    from faulttree.cases.other_cases import SimilarCase
    from faulttree.errors import FaulttreeError
    from faulttree.reading import Bench
    from faulttree.tree.model import Step, Tree
    from faulttree.walk.events import Event, PhotoAdded
    from faulttree.walk.state import State

__all__ = [
    "Accepted",
    "Ask",
    "Carry",
    "Choice",
    "Context",
    "Kind",
    "Lookup",
    "Message",
    "Position",
    "Prompt",
    "PromptId",
    "Refused",
    "Reply",
    "Result",
    "Show",
    "Wait",
]

Kind = Literal[
    "intake",
    "cautions",
    "step",
    "correct",
    "in-circuit",
    "slip",
    "again",
    "fact",
    "likely",
    "fault",
    "proof",
    "seen",
    "unsafe-jump",
    "suspects",
    "declined",
    "ending",
    "unfit",
    "owed",
    "place",
    "modules",
    "other-tree",
    "text",
    "done",
]
"""What a prompt asks.

- intake: what the unit is and what is wrong with it, before the case is opened.
- cautions: read before the step. step: the answer or reading.
- correct: what an earlier step should have given.
- in-circuit: whether the part was in circuit. slip: a reading that may be a slip of the pen.
  again: an undecided reading.
- fact: what the unit is; or what the meter is, where a reading waits for that.
- unsafe-jump: going past a skipped safety check.
- likely: whether a fault that is not proved is tested first, or taken for the cause.
- fault: what was repaired. proof: a repair that no step proves. seen: what was seen of it.
- suspects: those still open before giving up. declined: why they are left untested.
- ending: how it ended. unfit: a failed safety or closing check. owed: safety checks to be made
  before the unit may go back. place: where the unit goes. modules: which are kept.
- other-tree: going on with another complaint. text: the words of a note, a skip or a repair.
- done: nothing is left to ask.
"""

Source = Literal["typed", "chosen", "meter", "spoken"]


@dataclass(frozen=True, slots=True)
class PromptId:
    """Which prompt a reply is meant for.

    ``turn`` counts the events that move the walk, so that a note from another device does not
    make a reading stale. ``part`` names the sub-question by what it carries.
    """

    case: str
    turn: int
    kind: Kind
    subject: str = ""
    part: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer that can be chosen: its id, its words, and where it leads, in words."""

    id: str
    text: str
    leads_to: str = ""


@dataclass(frozen=True, slots=True)
class Wait:
    """A pause that the face times: how long, and for which step."""

    step: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Carry:
    """What was said already and is not recorded yet; it travels with the sub-question."""

    action: str
    values: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def one(self, name: str, default: str = "") -> str:
        """The single value of that name."""
        return next(iter(self.values.get(name, ())), default)


@dataclass(frozen=True, slots=True)
class Message:
    """Something to tell after a reply; ``verdict`` where it is what a reading came to."""

    text: str
    style: Literal["", "good", "bad", "warning", "title"] = ""
    verdict: Mapping[str, Any] | None = None
    outcome: str = ""


@dataclass(frozen=True, slots=True)
class Prompt:
    """One thing to ask.

    Attributes:
        id: which prompt it is.
        text: the question, in one line.
        step: the step it is about, where there is one.
        cautions: names of the cautions to be read now.
        choices: answers that can be chosen; free words or a reading where there are none.
        unit: of the reading, where one is wanted.
        wait: the pause that runs.
        carry: what was said already; to be given back with the reply.
        actions: the words that work here, besides an answer.
        messages: what to tell before it is asked.
        brief: the step is well known here: its text, what is expected and the keys are enough.
    """

    id: PromptId
    text: str
    step: Step | None = None
    cautions: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()
    unit: str = ""
    wait: Wait | None = None
    carry: Carry | None = None
    actions: tuple[str, ...] = ()
    messages: tuple[Message, ...] = ()
    brief: bool = False

    @property
    def kind(self) -> Kind:
        """What it asks."""
        return self.id.kind

    def choice(self, typed: str) -> str | None:
        """The id of the choice that is named by id, number or first letters, or None."""
        return pick(typed, [one.id for one in self.choices])


@dataclass(frozen=True, slots=True)
class Reply:
    """What was answered: an action (``answer`` unless another word was used) and its words.

    ``photo`` is what the face kept in the record for the action ``photo``.
    """

    prompt: PromptId
    action: str = "answer"
    text: str = ""
    choice: str = ""
    carry: Carry | None = None
    seconds: float | None = None
    photo: PhotoAdded | None = None
    source: Source = "typed"


@dataclass(frozen=True)
class Position:
    """A case as far as it has come: its tree, its events, and the state they make."""

    tree: Tree
    case: str
    events: tuple[Event, ...]

    @cached_property
    def folder(self) -> Folder:
        """The fold of the events, to be led on."""
        return Folder(self.tree, self.events)

    @cached_property
    def state(self) -> State:
        """Where the walk stands after the events."""
        return self.folder.state()

    def after(self, *events: Event) -> Position:
        """The case after some events more, folded on from here."""
        here = self
        for event in events:
            folder = here.folder.after(event)
            here = Position(here.tree, here.case, (*here.events, event))
            here.__dict__["folder"] = folder
        return here


class Lookup(Protocol):
    """What the record knows of other cases."""

    def earlier(self, serial: str) -> Sequence[Case]:
        """Cases of the unit with this serial or tag, the newest first."""

    def similar(self, state: State) -> Sequence[SimilarCase]:
        """Closed cases that agree best with what this one has shown so far, the best first."""


@dataclass(frozen=True, slots=True)
class Context:
    """What a session needs to know of the world, told by the face.

    Attributes:
        now: the time, UTC, ISO 8601.
        bench: the instruments on this bench.
        meter: id of the instrument in use.
        lookup: what the record knows of other cases.
        priors: gives the probabilities of the faults, for a case that is opened; it is called
            after the last question, so that the first one need not wait for it.
        resume: how a person goes on with an open case; ``{}`` stands for its number.
        brief: every step is put briefly, as far as safety allows.
        practised: steps that the same person did lately on this text of the tree.
    """

    now: str = ""
    bench: Bench | None = None
    meter: str = ""
    lookup: Lookup | None = None
    priors: Callable[[], Mapping[str, float]] = dict
    resume: str = ""
    brief: bool = False
    practised: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Accepted:
    """The reply counts: events to keep as one transaction, and what to tell.

    ``wait`` is a pause that begins now. ``leave`` asks the face to leave the case open.
    ``onward`` names the tree to go on with, ``meter`` the instrument in use from now on.
    """

    events: tuple[Event, ...] = ()
    messages: tuple[Message, ...] = ()
    wait: Wait | None = None
    leave: bool = False
    onward: str = ""
    meter: str | None = None


@dataclass(frozen=True, slots=True)
class Ask:
    """Something must be asked first; nothing is recorded yet."""

    prompt: Prompt


@dataclass(frozen=True, slots=True)
class Refused:
    """The reply does not fit: why, and what would. The same prompt stands."""

    error: FaulttreeError


@dataclass(frozen=True, slots=True)
class Show:
    """A view is asked for (how, why, path, suspects, help); nothing is recorded."""

    view: str
    rest: str = ""


Result = Accepted | Ask | Refused | Show
