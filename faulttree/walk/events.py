"""What can happen in a walk. Events are only ever added; nothing is rewritten.

Each carries the outcome *as it was decided*: the fold never judges again, so a newer
program or bench file changes no past.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any, ClassVar, Literal

from faulttree.errors import RecordError

__all__ = [
    "RESULTS",
    "Answered",
    "Cause",
    "CautionRead",
    "Checked",
    "Closed",
    "Confirmed",
    "Corrected",
    "Declined",
    "Event",
    "FactGiven",
    "Jumped",
    "LikelyAccepted",
    "MinutesSet",
    "NotConfirmed",
    "Noted",
    "Opened",
    "PhotoAdded",
    "Reached",
    "RemarkKept",
    "Reopened",
    "RepairTried",
    "Skipped",
    "Stopped",
    "WaitEnded",
    "WaitStarted",
    "WentBack",
    "Withdrawn",
    "from_dict",
]

Cause = Literal[
    "asked", "guard", "guard-passed", "suspect", "most-to-learn", "skipped-before", "back",
    "proof", "closing",
]  # fmt: skip
"""Why the walk goes to a step: the technician asked for it; it may find the unit unsafe and comes
before the step asked for; that step, after the guard; an open suspect before giving up; it tells
most; it was skipped; back from a step asked for; the step that proves the repair; a failed
closing check is repeated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened. ``at`` is UTC, ISO 8601, told by the caller.

    ``device`` and ``person`` say where and by whom it was recorded, where that is known.
    ``reply`` is the id that a device gave the reply which made it: the same reply, sent again
    because nobody knew whether it arrived, is recognised by it.
    """

    kind: ClassVar[str] = ""
    at: str = ""
    device: str = ""
    person: str = ""
    reply: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON; :func:`from_dict` gives the same event back."""
        kept: dict[str, Any] = {"kind": self.kind}
        for each in fields(self):
            value = getattr(self, each.name)
            # What has no default is kept even when empty, else it could not be read back.
            needed = each.default is MISSING and each.default_factory is MISSING
            if needed or value not in (None, "", (), {}):
                kept[each.name] = value
        return kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened(Event):
    """The case begins.

    ``priors`` are the probabilities of the faults as they stood on that day, so that a
    replay gives the same figures; ``linked`` names the case whose stop led here. ``mains``
    holds ``voltage`` and ``frequency`` of the mains as ``bench.yaml`` gave them; without them
    it is 230 V, 50 Hz. ``usually_normal`` is the bench file's probability of the normal outcome
    where a tree says nothing of a fault; without it, in earlier cases, all outcomes there are
    equally likely.
    """

    kind: ClassVar[str] = "opened"
    tree: str
    tree_hash: str
    unit: Mapping[str, Any] = field(default_factory=dict)
    complaint: str = ""
    owner_words: str = ""
    who: str = ""
    priors: Mapping[str, float] = field(default_factory=dict)
    ratings: Mapping[str, str] = field(default_factory=dict)
    scripted: bool = False
    linked: str = ""
    mains: Mapping[str, str] = field(default_factory=dict)
    usually_normal: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionRead(Event):
    """Somebody acknowledged a caution, before the step that needs it."""

    kind: ClassVar[str] = "caution-read"
    caution: str
    step: str = ""
    scripted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered(Event):
    """A step was answered, measured or done, and this is its outcome.

    ``reading`` is what the meter showed, as plain data (``value`` in the base unit,
    ``unit``, ``text``, ``over_range``); ``verdict`` the judgement as plain data, with
    ``likelihoods`` by outcome where the reading is soft evidence. The outcome
    ``undecided`` tells nothing. ``fact`` names the property whose known value answered the
    step; it is empty where somebody answered.
    """

    kind: ClassVar[str] = "answered"
    step: str
    outcome: str
    reading: Mapping[str, Any] | None = None
    verdict: Mapping[str, Any] | None = None
    instrument: str = ""
    in_circuit: bool | None = None
    note: str = ""
    seconds: float | None = None
    fact: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped(Event):
    """A step could not be done now; what it would have told stays open."""

    kind: ClassVar[str] = "skipped"
    step: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Jumped(Event):
    """The walk goes to another step than the tree's next.

    ``cause`` says why, ``then`` names the step that the walk continues to once this one has
    let it pass. ``reason`` is the sentence of a record of version 1; read it only through
    :func:`faulttree.walk.legacy.jump_purpose`.
    """

    kind: ClassVar[str] = "jumped"
    step: str
    cause: Cause | Literal[""] = ""
    then: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WentBack(Event):
    """The last ``steps`` answers or skips count as not given; they stay on record."""

    kind: ClassVar[str] = "went-back"
    steps: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted(Event):
    """A remark, at the step the walk stood at."""

    kind: ClassVar[str] = "noted"
    text: str
    step: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoAdded(Event):
    """A photo, by the SHA-256 of the picture that the record keeps.

    ``width`` and ``height`` are in pixels, ``size`` in bytes; ``words`` is what was said of it,
    ``original`` the SHA-256 of the file as the camera made it, where that is kept too. Earlier
    versions kept no picture: there ``path`` names the file and there is no width.
    """

    kind: ClassVar[str] = "photo-added"
    path: str = ""
    sha256: str = ""
    step: str = ""
    width: int | None = None
    height: int | None = None
    size: int | None = None
    words: str = ""
    original: str = ""

    @property
    def kept(self) -> bool:
        """Whether the record itself keeps the picture."""
        return self.width is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairTried(Event):
    """Something was repaired; a new round of readings begins."""

    kind: ClassVar[str] = "repair-tried"
    fault: str
    what: str = ""
    parts: tuple[str, ...] = ()
    cost: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Conclusion(Event):
    """What was seen after a repair: by the confirming step, or told where there is none."""

    fault: str
    step: str = ""
    outcome: str = ""
    reading: Mapping[str, Any] | None = None
    verdict: Mapping[str, Any] | None = None
    seen: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed(_Conclusion):
    """The repair held: the confirming step gave what it must, or this was seen."""

    kind: ClassVar[str] = "confirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotConfirmed(_Conclusion):
    """The repair did not cure it: the fault is excluded, the evidence kept."""

    kind: ClassVar[str] = "not-confirmed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Declined(Event):
    """Shown the suspects still open, the technician left them untested, knowingly."""

    kind: ClassVar[str] = "declined"
    suspects: tuple[Mapping[str, Any], ...] = ()
    reason: str = ""
    scripted: bool = False


INTAKE: Mapping[str, str] = {
    "unit.model": "model",
    "unit.serial": "serial",
    "unit.complaint": "complaint",
    "unit.owner-words": "owner_words",
}
"""Name of a fact that puts right what was told when the unit was taken in → what it was told as."""

BY_ANSWER = "answer"
"""Source of a fact that the answer before it told: going back on the answer takes it back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FactGiven(Event):
    """What the unit is, by a property of the tree, as somebody said when asked.

    ``name`` is also a rating, or one of :data:`INTAKE`. ``value`` is one of the property's values,
    what is typed for a rating, or ``not-known``; ``source`` says how it is known
    (``asked``, ``set``, or ``answer`` where the answer before it told it).
    ``decided`` holds the answers that this fact changed, as :class:`Corrected` does.

    Example: ``FactGiven(name="supply", value="linear", source="asked")``.
    """

    kind: ClassVar[str] = "fact-given"
    name: str
    value: str
    source: str = ""
    decided: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked(Event):
    """A check of safety or function is complete; the answers before this event decided it.

    ``stage`` is before-power, proof or closing; ``use`` the procedure (or the step of a proof);
    ``exit`` how it was left.

    Example: ``Checked(stage="closing", use="closing.soak", exit="pass", passed=True)``.
    """

    kind: ClassVar[str] = "checked"
    stage: str
    use: str
    exit: str
    passed: bool
    safety: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped(Event):
    """The walk was given up at this point, or found nothing more to ask."""

    kind: ClassVar[str] = "stopped"
    reason: str = ""
    step: str = ""


RESULTS = ("fixed", "found", "unsolved", "referred", "no-fault-found", "not-reproduced")
"""What a case may have come to: the ``result`` of :class:`Closed`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed(Event):
    """The case has a result, and the unit went somewhere.

    ``became`` is one of returned, waiting, kept-for-parts, scrapped; ``kept`` names the
    modules kept. A fault here that no walk of the tree found was found off the tree.
    """

    kind: ClassVar[str] = "closed"
    result: str
    fault: str = ""
    became: str = ""
    kept: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reopened(Event):
    """A closed case takes new steps, on a newer text of its tree where one is named."""

    kind: ClassVar[str] = "reopened"
    reason: str = ""
    tree_hash: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MinutesSet(Event):
    """The time a step really took, set right by hand."""

    kind: ClassVar[str] = "minutes-set"
    step: str
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected(Event):
    """An answer was recorded wrongly; this is what it should have been.

    ``target`` is the sequence of the answer. ``decided`` holds the answers that were judged
    by it, judged again at that moment: mappings with ``target``, ``outcome`` and, where they
    changed, ``reading`` and ``verdict``.
    """

    kind: ClassVar[str] = "corrected"
    target: int
    outcome: str
    reading: Mapping[str, Any] | None = None
    verdict: Mapping[str, Any] | None = None
    decided: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn(Event):
    """The event with the sequence ``target`` does not count; it stays on record."""

    kind: ClassVar[str] = "withdrawn"
    target: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached(Event):
    """The walk came to a fault. All is decided once and never computed again.

    ``standing`` is ``found`` or ``likely``; ``probability`` and ``threshold`` are from 0 to 1,
    ``rivals`` other faults with their probabilities, ``open_tests`` steps that would tell.
    """

    kind: ClassVar[str] = "reached"
    fault: str
    standing: str = "found"
    probability: float | None = None
    rivals: tuple[Mapping[str, Any], ...] = ()
    open_tests: tuple[str, ...] = ()
    threshold: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyAccepted(Event):
    """The technician takes a likely fault for the cause, without the tests still open."""

    kind: ClassVar[str] = "likely-accepted"
    fault: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RemarkKept(Event):
    """What somebody else said of the unit, and what was decided on it; it proves nothing.

    ``author`` and ``said`` are who said it and on which day, as written. ``decision`` is ``added``
    (as a new fault of the tree), ``attached`` (to a fault of the tree), ``contradicted`` or
    ``left``; ``fault`` is the id of that fault, ``reason`` why it was contradicted or left.

    Example: ``RemarkKept(text="it is the fuse", author="ann", decision="attached", fault="fuse")``.
    """

    kind: ClassVar[str] = "remark-kept"
    text: str = ""
    author: str = ""
    said: str = ""
    decision: str = "left"
    fault: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitStarted(Event):
    """The waiting time of a step began. ``ends_at`` is UTC, ISO 8601."""

    kind: ClassVar[str] = "wait-started"
    step: str
    ends_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitEnded(Event):
    """The waiting time of a step is over; ``cut`` where it was cut short."""

    kind: ClassVar[str] = "wait-ended"
    step: str
    cut: bool = False


KINDS: dict[str, type[Event]] = {
    event.kind: event
    for event in (
        Opened,
        CautionRead,
        Answered,
        Skipped,
        Jumped,
        WentBack,
        Noted,
        PhotoAdded,
        RepairTried,
        Confirmed,
        NotConfirmed,
        Declined,
        Stopped,
        Closed,
        Reopened,
        MinutesSet,
        Corrected,
        Withdrawn,
        FactGiven,
        Checked,
        Reached,
        LikelyAccepted,
        RemarkKept,
        WaitStarted,
        WaitEnded,
    )
}
TUPLES = frozenset({"parts", "suspects", "kept", "decided", "rivals", "open_tests"})


def from_dict(data: Mapping[str, Any]) -> Event:
    """The event that :meth:`Event.to_dict` wrote.

    Raises:
        RecordError: the kind or a key is unknown, or a needed key is missing.
    """
    kind = data.get("kind")
    cls = KINDS.get(str(kind))
    if cls is None:
        raise RecordError(
            f"unknown kind of event {kind!r}",
            remedy="The record may come from a newer faulttree; upgrade, then read it again.",
        )
    values = dict(data)
    values.pop("kind", None)
    make: Callable[..., Event] = cls
    try:
        for key in TUPLES:
            if key in values:
                values[key] = tuple(values[key])
        return make(**values)
    except TypeError as error:
        raise RecordError(f"an event of kind {kind} does not fit: {error}") from None
