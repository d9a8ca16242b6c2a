"""One case as a report that a customer could be handed: plain data, then blocks to set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import singledispatchmethod
from typing import TYPE_CHECKING, Any

from faulttree.cases.listing import BECAME
from faulttree.cases.phases import phases_of
from faulttree.cases.projection import CaseProjection, StepRecord
from faulttree.reading.verdict_text import verdict_text
from faulttree.tree.disturbance import disturbed_before
from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.reading.instruments import Shop
    from faulttree.tree.model import Tree


WITHDRAWABLE = (ev.RepairTried, ev.Confirmed, ev.NotConfirmed, ev.Noted, ev.PhotoAdded)
"""What a report leaves out where it was withdrawn; steps are told, as no longer counting."""

OF_PATH = (
    *("step", "outcome", "reading", "verdict", "instrument"),
    *("in_circuit", "note", "round", "read_after"),
)
"""What the path of a report says of each step."""


def report(
    case: Case,
    events: Sequence[ev.Event],
    tree: Tree | None = None,
    *,
    shop: Shop | None = None,
) -> dict[str, Any]:
    """What happened in a case, as plain data.

    Args:
        case: its row of the list.
        events: everything that happened, oldest first.
        tree: the tree as it was then, for titles; without it the ids stand.
        shop: whose report it is; its name and address are told under ``shop``.

    Returns:
        The case's own columns; ``story`` with one entry a step (outcome, reading, verdict,
        notes, whether it still stands, ``corrected_from`` where it was corrected, and
        ``read_after`` where something had disturbed the part before it was read);
        ``minutes_by_phase``: finding, repair and closing, in minutes;
        ``repairs``, ``declined``, ``photos`` (by ``sha256``; those of earlier versions by
        ``path``), ``notes``,
        ``cautions``; ``fault_title``, ``remedy``, ``part``; ``closing_result``
        (passed, failed, not-made; None without closing checks) and ``closing_failed``, the
        titles of those failed; and ``path``, the steps that stand.
    """
    telling = gathered(events, tree)
    document = case.as_dict() | telling.document()
    fault = tree.faults.get(case.fault) if tree and case.fault else None
    return document | {
        "minutes_by_phase": asdict(phases_of(telling.taken.values())),
        "tree_title": tree.title if tree else case.tree,
        "fault_title": fault.title if fault else case.fault,
        "remedy": fault.remedy if fault else "",
        "part": fault.part if fault else "",
        "became_text": BECAME.get(case.became, case.became),
        **walked(tree, events),
        **({"shop": {"name": shop.name, "address": shop.address}} if shop and shop.name else {}),
    }


def gathered(events: Sequence[ev.Event], tree: Tree | None) -> ReportText:
    """What a report tells, event by event; withdrawn events are left out."""
    projection = CaseProjection(events)
    telling = ReportText(projection.steps, tree)
    standing = {entry.sequence: entry.event for entry in projection.history.standing}
    for sequence, event in enumerate(events):
        if isinstance(event, WITHDRAWABLE) and sequence not in standing:
            continue
        telling.take(standing.get(sequence, event), sequence)
        telling.note_correction(event, standing.get(sequence, event))
    return telling


def walked(tree: Tree | None, events: Sequence[ev.Event]) -> dict[str, Any]:
    """What only a walk of the tree tells: its minutes, and what the closing checks showed."""
    if tree is None:
        return {"tree_minutes": None, "closing_result": None, "closing_failed": []}
    from faulttree.walk.fitness import titled
    from faulttree.walk.fold import fold

    state = fold(tree, events)
    failed = [titled(state, use) for use in tree.closing if use in state.failed]
    return {
        "tree_minutes": state.minutes,
        "closing_result": state.closing_result,
        "closing_failed": failed,
    }


class ReportText:
    """Gathers a report event by event."""

    def __init__(self, steps: Sequence[StepRecord], tree: Tree | None) -> None:
        self.taken = {taken.sequence: taken for taken in steps}
        self.tree = tree
        self.story: list[dict[str, Any]] = []
        self.repairs: list[dict[str, Any]] = []
        self.declined: list[dict[str, Any]] = []
        self.photos: list[dict[str, Any]] = []
        self.notes: list[dict[str, Any]] = []
        self.cautions: list[str] = []
        self.turns: list[dict[str, Any]] = []
        self.declined_because = ""

    def document(self) -> dict[str, Any]:
        """What was gathered."""
        for note in self.notes:
            note["beside"] = self.beside(note)
        return {
            "story": self.story,
            "path": [
                {key: entry[key] for key in OF_PATH if key in entry}
                for entry in self.story
                if entry["stands"] and not entry["skipped"]
            ],
            "repairs": self.repairs,
            "declined": self.declined,
            "declined_because": self.declined_because,
            "photos": self.photos,
            "notes": self.notes,
            "cautions": self.cautions,
            "turns": self.turns,
        }

    def beside(self, note: Mapping[str, Any]) -> int | None:
        """The answer a note belongs to: the next one of its step, else the last before it."""
        same = [entry["sequence"] for entry in self.story if entry["step"] == note["step"]]
        later = [sequence for sequence in same if sequence > note["sequence"]]
        return min(later, default=max(same, default=None))

    def title(self, step: str) -> str:
        """What a step asks, or its id."""
        known = self.tree.steps.get(step) if self.tree else None
        return known.text if known else step

    def fault_title(self, fault: str) -> str:
        """What a fault is called, or its id."""
        known = self.tree.faults.get(fault) if self.tree else None
        return known.title if known else fault

    @singledispatchmethod
    def take(self, event: ev.Event, sequence: int) -> None:
        """An event that a reader needs no line for."""

    @take.register
    def _(self, event: ev.Answered, sequence: int) -> None:
        entry = self.entry(event.step, sequence, event.at)
        self.story.append(
            entry
            | {
                **self.disturbances(event.step),
                "outcome": event.outcome,
                "reading": dict(event.reading) if event.reading else None,
                "verdict": worded(event.verdict),
                "instrument": event.instrument or None,
                "in_circuit": event.in_circuit,
                "note": event.note or None,
            }
        )

    def disturbances(self, step: str) -> dict[str, Any]:
        """What disturbed the part of a reading before it was read; a skipped step did nothing."""
        made = [entry["step"] for entry in self.story if not entry["skipped"]]
        found = disturbed_before(self.tree, step, made) if self.tree else ()
        told = [{"step": one.id, "title": one.text, "disturbs": [*one.disturbs]} for one in found]
        return {"read_after": told} if told else {}

    def note_correction(self, recorded: ev.Event, counts: ev.Event) -> None:
        """What was recorded first of an answer that was corrected."""
        if isinstance(recorded, ev.Answered) and recorded is not counts:
            reading = dict(recorded.reading) if recorded.reading else None
            self.story[-1]["corrected_from"] = {"outcome": recorded.outcome, "reading": reading}

    @take.register
    def _(self, event: ev.Skipped, sequence: int) -> None:
        entry = self.entry(event.step, sequence, event.at)
        self.story.append(entry | {"skipped": True, "reason": event.reason})

    def entry(self, step: str, sequence: int, at: str) -> dict[str, Any]:
        """The part that answers and skips have in common."""
        taken = self.taken[sequence]
        known = self.tree.steps.get(step) if self.tree else None
        return {
            "sequence": sequence,
            "at": at,
            "step": step,
            "title": self.title(step),
            "kind": known.kind if known else None,
            **dict.fromkeys(("reading", "verdict", "instrument", "in_circuit", "note")),
            "outcome": "",
            "skipped": False,
            "stands": taken.standing,
            "round": taken.round,
            "minutes": taken.minutes,
            "expected": expected(known.limits) if known and known.limits else None,
        }

    @take.register
    def _(self, event: ev.CautionRead, sequence: int) -> None:
        if event.caution not in self.cautions:
            self.cautions.append(event.caution)

    @take.register
    def _(self, event: ev.Noted, sequence: int) -> None:
        note = {"at": event.at, "text": event.text, "step": event.step, "sequence": sequence}
        self.notes.append(note)

    @take.register
    def _(self, event: ev.PhotoAdded, sequence: int) -> None:
        photo: dict[str, Any] = {"path": event.path, "sha256": event.sha256, "step": event.step}
        if event.kept:
            del photo["path"]
            kept = {"words": event.words, "width": event.width, "height": event.height}
            photo |= kept | {"size": event.size, "title": self.title(event.step)}
        self.photos.append(photo)

    @take.register
    def _(self, event: ev.RepairTried, sequence: int) -> None:
        self.repairs.append(
            {
                "at": event.at,
                "fault": event.fault,
                "title": self.fault_title(event.fault),
                "what": event.what,
                "parts": list(event.parts),
                "cost": event.cost,
                "confirmed": None,
            }
        )

    @take.register
    def _(self, event: ev.Confirmed, sequence: int) -> None:
        self.conclude(event, held=True)

    @take.register
    def _(self, event: ev.NotConfirmed, sequence: int) -> None:
        self.conclude(event, held=False)

    def conclude(self, event: ev.Confirmed | ev.NotConfirmed, *, held: bool) -> None:
        """How the last repair of this fault turned out."""
        last = self.repairs[-1] if self.repairs else None
        if last is None or last["confirmed"] is not None:
            self.take(ev.RepairTried(at=event.at, fault=event.fault), 0)
            last = self.repairs[-1]
        last |= {
            "confirmed": held,
            "step": event.step,
            "step_title": self.title(event.step) if event.step else "",
            "outcome": event.outcome,
            "reading": dict(event.reading) if event.reading else None,
            "verdict": worded(event.verdict),
            "seen": event.seen,
        }

    @take.register
    def _(self, event: ev.Declined, sequence: int) -> None:
        self.declined_because = event.reason
        self.declined = [
            dict(suspect) | {"title": self.fault_title(str(suspect.get("fault", "")))}
            for suspect in event.suspects
        ]

    @take.register
    def _(self, event: ev.Stopped, sequence: int) -> None:
        self.turns.append({"at": event.at, "kind": "stopped", "text": event.reason})

    @take.register
    def _(self, event: ev.Closed, sequence: int) -> None:
        said = " ".join(filter(None, [event.result, event.fault, event.note]))
        self.turns.append({"at": event.at, "kind": "closed", "text": said, "note": event.note})

    @take.register
    def _(self, event: ev.Reopened, sequence: int) -> None:
        self.turns.append({"at": event.at, "kind": "reopened", "text": event.reason})


def worded(verdict: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """A verdict as an event keeps it, with its sentence as ``text``."""
    if not verdict:
        return None
    kept = dict(verdict)
    return kept | {"text": verdict_text(kept)} if "clauses" in kept else kept


def expected(limits: Mapping[str, Any]) -> str:
    """What a step's limits want, as the file says it."""
    said = {key: value for key, value in limits.items() if not isinstance(value, Mapping)}
    nominal = said.get("nominal", said.get(str(said.get("quantity")), ""))
    parts = [str(nominal)] if nominal and ("nominal" in said or "tolerance" in said) else []
    if "tolerance" in said:
        width = said["tolerance"]
        parts.append(f"± {width}" if isinstance(width, str) else " ".join(map(str, width)))
    if "min" in said and "max" in said:
        parts.append(f"{said['min']} to {said['max']}")
    elif "min" in said or "max" in said:
        parts.append(f"at least {said['min']}" if "min" in said else f"at most {said['max']}")
    return " ".join(parts)
