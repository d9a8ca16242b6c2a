"""One case on the page: the prompt that is open, and what a posted reply brings about.

The server keeps no memory of sub-questions. A form carries the replies that led to its prompt;
they are given to the session again, so nothing that a client sends is believed unchecked.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from faulttree.cases import SequenceTaken
from faulttree.cases.historical_tree import walked_tree
from faulttree.cases.other_cases import OtherCases
from faulttree.cases.photos.case_photos import added
from faulttree.errors import FaulttreeError, WalkError
from faulttree.page.happened import happened
from faulttree.session import (
    Accepted,
    Ask,
    Context,
    Message,
    Position,
    Prompt,
    Refused,
    Reply,
    Show,
    follow,
    next_prompt,
    reply,
)
from faulttree.session.waits import cut_short, wait_left

if TYPE_CHECKING:
    from faulttree.cases import Case, Store
    from faulttree.cases.photos.picture import Picture
    from faulttree.page.access import Device
    from faulttree.page.settings import Server
    from faulttree.session import Result, Wait
    from faulttree.walk.events import Event

__all__ = ["Link", "Posted", "Room", "Screen", "prompt_token", "reply_of", "stamped"]

KEPT = 64
"""Cases that a thread keeps folded."""

LONGEST_CHAIN = 8
AGAIN = 5
"""How often a reply is tried where another device wrote a remark at the same moment."""

REMARKS = frozenset({"note", "photo"})
TIMED = frozenset({"step", "in-circuit", "again", "slip"})


@dataclass(frozen=True, slots=True)
class Link:
    """One reply of those that led to a sub-question."""

    action: str = "answer"
    text: str = ""
    choice: str = ""


@dataclass(frozen=True, slots=True)
class Posted:
    """A reply as a form sends it.

    Attributes:
        key: its id; the same reply sent again has the same.
        prompt: which prompt it answers, by :func:`prompt_token`.
        seen: how many events the case had when the form was made.
        chain: the replies that led to the prompt, without this one.
        link: this reply.
    """

    key: str
    prompt: str
    seen: int
    chain: tuple[Link, ...]
    link: Link


@dataclass(frozen=True, slots=True)
class Screen:
    """What is to be shown of a case.

    Attributes:
        case: its row of the list.
        position: how far it has come.
        prompt: what is asked; None where the case waits to be gone on with.
        chain: the replies that led to the prompt.
        told: what came of the last reply.
        refused: why a reply does not fit.
        view: the view that was asked for.
        draft: what was typed and is not recorded.
        moved: what happened meanwhile, where the reply came too late.
        wait: what is left of a wait.
        between: an action was done and its wait runs; nothing is asked before it ends.
        meter: id of the instrument in use.
        status: of HTTP.
    """

    case: Case
    position: Position
    prompt: Prompt | None
    chain: tuple[Link, ...] = ()
    told: tuple[Message, ...] = ()
    refused: FaulttreeError | None = None
    view: str = ""
    draft: str = ""
    moved: tuple[str, ...] = ()
    wait: Wait | None = None
    between: bool = False
    meter: str = ""
    status: int = 200


@dataclass(frozen=True, slots=True)
class Recorded:
    """The reply counts, also where it was recorded before; ``onward`` is a tree to go on with."""

    leave: bool = False
    onward: str = ""


def prompt_token(prompt: Prompt) -> str:
    """What tells a prompt from every other of its case."""
    return hashlib.sha256(repr(prompt.id).encode()).hexdigest()[:24]


@dataclass
class Room:
    """What one thread knows: its store, and the cases it folded lately."""

    store: Store
    desk: Server
    positions: OrderedDict[str, Position] = field(default_factory=OrderedDict)
    told: dict[str, tuple[int, tuple[Message, ...]]] = field(default_factory=dict)
    meters: dict[tuple[str, str], str] = field(default_factory=dict)
    shown: dict[str, tuple[str, str, float]] = field(default_factory=dict)
    """Case → its prompt, when it was shown first: as a time, and by the stopwatch."""

    # Reading ---------------------------------------------------------------------------

    def position(self, case: str) -> tuple[Case, Position]:
        """A case as it stands in the record now.

        Raises:
            NoSuchCase: the record has none of this id.
        """
        row = self.store.case(case)
        known = self.positions.get(case)
        if known is None or len(known.events) != row.events:
            events = self.store.events(case)
            same = known is not None and known.events == events[: len(known.events)]
            if same and known is not None and not _new_text(events[len(known.events) :]):
                known = known.after(*events[len(known.events) :])
            else:
                known = Position(walked_tree(self.store, events), case, events)
        self.keep(known)
        return row, known

    def keep(self, position: Position) -> None:
        """Remember how far a case has come."""
        self.positions[position.case] = position
        self.positions.move_to_end(position.case)
        while len(self.positions) > KEPT:
            gone, _ = self.positions.popitem(last=False)
            for memory in (self.told, self.shown):
                memory.pop(gone, None)

    def context(self, case: str, device: Device) -> Context:
        """The world as a session takes it."""
        settings = self.desk.settings
        return Context(
            now=settings.now(),
            bench=settings.bench,
            meter=self.meters.get((case, device.label), ""),
            lookup=OtherCases(self.store),
        )

    def screen(self, case: str, device: Device) -> Screen:
        """What is asked now. Nothing is recorded by it."""
        row, position = self.position(case)
        return self._screen(row, position, device)

    def _screen(
        self, row: Case, position: Position, device: Device, chain: Sequence[Link] = ()
    ) -> Screen:
        context = self.context(position.case, device)
        base = Screen(row, position, None, meter=context.meter)
        if position.state.phase != "closed" and follow(position, context, Accepted()).events:
            return base
        prompt, used = self._asked(position, context, chain)
        length, told = self.told.get(position.case, (0, ()))
        if length != len(position.events) or used:
            told = ()
        left = wait_left(position, context.now)
        self._note_shown(position, prompt, context.now)
        wait = left or self._own_wait(position, prompt, context.now)
        return replace(
            base, prompt=prompt, chain=used, told=told, wait=wait, between=left is not None
        )

    def _note_shown(self, position: Position, prompt: Prompt, now: str) -> None:
        token = f"{prompt.id.turn} {prompt.id.subject} {prompt.kind == 'cautions'}"
        if prompt.kind in ("step", "cautions") and self.shown.get(position.case, ("",))[0] != token:
            self.shown[position.case] = (token, now, self.desk.settings.stopwatch())

    def _own_wait(self, position: Position, prompt: Prompt, now: str) -> Wait | None:
        """What is left of the wait that belongs to the prompt, from when it was shown first."""
        from faulttree.session import Wait

        if prompt.wait is None or position.case not in self.shown:
            return None
        began = self.shown[position.case][2]
        left = prompt.wait.seconds - (self.desk.settings.stopwatch() - began)
        return Wait(prompt.wait.step, left) if left > 0 else None

    def _asked(
        self, position: Position, context: Context, chain: Sequence[Link]
    ) -> tuple[Prompt, tuple[Link, ...]]:
        """The prompt that a chain of replies leads to, and how much of the chain still fits."""
        prompt = next_prompt(position, context)
        used: list[Link] = []
        for link in chain[:LONGEST_CHAIN]:
            result = reply(position, context, prompt, reply_of(prompt, link))
            if not isinstance(result, Ask):
                break
            prompt = result.prompt
            used.append(link)
        return prompt, tuple(used)

    # Answering -------------------------------------------------------------------------

    def answer(self, case: str, posted: Posted, device: Device) -> Screen | Recorded:
        """What a reply brings about: recorded, a further question, a view, or a refusal.

        Raises:
            NoSuchCase: the record has no such case.
            RecordError: it could not be kept; it may be sent again.
        """
        for _ in range(AGAIN):
            row, position = self.position(case)
            if _recorded(position.events, posted.key):
                return Recorded()
            try:
                return self._answer(row, position, posted, device)
            except SequenceTaken:
                self.positions.pop(case, None)
        return replace(self.screen(case, device), status=409, draft=_words(posted.link))

    def _answer(
        self, row: Case, position: Position, posted: Posted, device: Device
    ) -> Screen | Recorded:
        context = self.context(position.case, device)
        screen = self._screen(row, position, device, posted.chain)
        if posted.link.action == "go on" and screen.prompt is None:
            return self._accept(position, follow(position, context, Accepted()), posted, device)
        prompt = screen.prompt
        if prompt is None or screen.chain != posted.chain or prompt_token(prompt) != posted.prompt:
            moved = tuple(happened(event) for event in position.events[posted.seen :])
            now = self._screen(row, position, device)
            return replace(now, status=409, draft=_words(posted.link), moved=moved)
        if posted.link.action == "cut" and screen.wait is not None:
            cut = Accepted((cut_short(position.tree, screen.wait, context.now),))
            return self._accept(position, cut, posted, device)
        if screen.between and posted.link.action not in REMARKS:
            error = WalkError(
                "the wait is not over", remedy="Wait for its end, or end it early on purpose."
            )
            return replace(screen, refused=error, draft=_words(posted.link), status=422)
        given = self._timed(position, prompt, reply_of(prompt, posted.link))
        result = reply(position, context, prompt, given)
        return self._shown_result(screen, result, posted, device)

    def _shown_result(
        self, screen: Screen, result: Result, posted: Posted, device: Device
    ) -> Screen | Recorded:
        chain = (*screen.chain, posted.link)
        if isinstance(result, Accepted):
            early = screen.wait is not None and result.events
            if early and screen.wait is not None and posted.link.action not in REMARKS:
                cut = cut_short(screen.position.tree, screen.wait, self.desk.settings.now())
                result = replace(result, events=(cut, *result.events))
            return self._accept(screen.position, result, posted, device)
        if isinstance(result, Ask):
            if len(chain) > LONGEST_CHAIN:
                error = WalkError("too many questions at once", remedy="Begin the step again.")
                return replace(screen, refused=error, chain=(), status=422)
            return replace(screen, prompt=result.prompt, chain=chain, told=())
        if isinstance(result, Show):
            return replace(screen, view=result.view, told=())
        draft = _words(posted.link)
        return replace(screen, refused=result.error, draft=draft, told=(), status=422)

    def photo(self, case: str, picture: Picture, words: str, key: str, device: Device) -> Recorded:
        """Keep a photo of a case at the step that is asked now.

        Raises:
            PhotoError: the case has too many photos.
            WalkError: the case takes no photo now.
            SequenceTaken: other devices wrote first, again and again.
            RecordError: it could not be kept; it may be sent again.
        """
        for left in reversed(range(AGAIN)):
            _, position = self.position(case)
            if _recorded(position.events, key):
                break
            context = self.context(case, device)
            prompt = next_prompt(position, context)
            photo = added(self.store, position.events, picture, words)
            result = reply(position, context, prompt, Reply(prompt.id, action="photo", photo=photo))
            if isinstance(result, Refused):
                raise result.error
            assert isinstance(result, Accepted)
            try:
                return self._accept(position, result, Posted(key, "", 0, (), Link("photo")), device)
            except SequenceTaken:
                self.positions.pop(case, None)
                if not left:
                    raise
        return Recorded()

    def _timed(self, position: Position, prompt: Prompt, given: Reply) -> Reply:
        """The reply with the seconds since the step was shown first."""
        if prompt.kind not in TIMED or position.case not in self.shown:
            return given
        return replace(given, seconds=self.desk.settings.stopwatch() - self.shown[position.case][2])

    def _accept(
        self, position: Position, result: Accepted, posted: Posted, device: Device
    ) -> Recorded:
        """Keep the events of a reply in one transaction, then tell what came of it.

        Raises:
            SequenceTaken: somebody else wrote first.
            RecordError: they could not be kept.
        """
        if result.meter is not None:
            self.meters[position.case, device.label] = result.meter
        events = stamped(result.events, device, posted.key)
        if events:
            self.store.append(position.case, len(position.events), *events)
            position = position.after(*events)
            self.keep(position)
            self.desk.changed(position.case, len(position.events))
        self.told[position.case] = (len(position.events), result.messages)
        if result.wait is not None:
            self.desk.ring_at(result.wait.seconds, result.wait.step)
        return Recorded(result.leave, result.onward)


def stamped(events: Sequence[Event], device: Device, key: str) -> tuple[Event, ...]:
    """The events with device, person and reply, as the server knows them."""
    told = {"device": device.label, "person": device.person, "reply": key}
    return tuple(replace(event, **told) for event in events)


def _recorded(events: Sequence[Event], key: str) -> bool:
    return any(event.reply == key for event in events)


def reply_of(prompt: Prompt, link: Link) -> Reply:
    """A reply of a form as the session takes it."""
    source = "chosen" if link.choice else "typed"
    return Reply(
        prompt.id,
        action=link.action,
        text=link.text,
        choice=link.choice,
        carry=prompt.carry,
        source=source,  # type: ignore[arg-type]
    )


def _words(link: Link) -> str:
    """What was answered, in words, for a draft."""
    said = link.choice or link.text
    return said if link.action == "answer" else f"{link.action} {said}".strip()


def _new_text(events: Sequence[Event]) -> bool:
    """Whether the case goes on, on another text of its tree."""
    return any(getattr(event, "tree_hash", "") for event in events)
