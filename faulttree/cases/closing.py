"""Closing a case by hand: what must be known before, and what must not be forgotten."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from faulttree.cases.historical_tree import last_state_of, state_of
from faulttree.convert import Plain
from faulttree.errors import RecordError
from faulttree.walk.events import Closed, Confirmed, Declined, Event
from faulttree.walk.fitness import refused
from faulttree.walk.history import counted

if TYPE_CHECKING:
    from faulttree.cases.case import Case
    from faulttree.cases.store import Store


KEBAB = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*(\.[a-z0-9-]+)*")
NEED_FAULT = ("fixed", "found")
GIVEN_UP = ("scrapped", "kept-for-parts")


@dataclass(frozen=True, slots=True)
class Closing:
    """How somebody says that a case ended; ``seen`` is what shows that the repair held."""

    result: str
    fault: str = ""
    became: str = ""
    kept: tuple[str, ...] = ()
    note: str = ""
    seen: str = ""


@dataclass(frozen=True, slots=True)
class OpenSuspect(Plain):
    """A fault still possible whose test was not made."""

    LEFT_OUT: ClassVar[frozenset[str]] = frozenset({"title"})

    fault: str
    title: str
    probability: float
    minutes: float | None

    def __str__(self) -> str:
        time = "" if self.minutes is None else f", {self.minutes:g} min to test"
        return f"{self.title} ({100 * self.probability:.2g} %{time})"


def open_suspects(store: Store, case: Case, closing: Closing) -> tuple[OpenSuspect, ...]:
    """What must be shown before the unit is given up; nothing where the fault is known.

    Before ``no-fault-found`` these are the likely suspects with an open test. Needs the tree as
    it was; without it nobody can tell, and nothing is held up.
    """
    if closing.result in NEED_FAULT or closing.result == "referred":
        return ()
    likely = closing.result == "no-fault-found" and closing.became not in GIVEN_UP
    return still_open(store, case, likely=likely)


def still_open(store: Store, case: Case, *, likely: bool = False) -> tuple[OpenSuspect, ...]:
    """Every suspect of the case that no test has told about; or only the likely ones of them
    that a test is open for.
    """
    state = state_of(store, case)
    if state is None:
        return ()
    from faulttree.walk.advisor import likely_untested, untested

    return tuple(
        OpenSuspect(
            suspect.fault,
            state.tree.faults[suspect.fault].title,
            suspect.probability,
            suspect.minutes,
        )
        for suspect in (likely_untested if likely else untested)(state)
        if suspect.fault in state.tree.faults
    )


def close_case(
    store: Store, case: Case, closing: Closing, at: str, *, declined: str | None = None
) -> None:
    """Close a case with the events that belong to it.

    Args:
        store: the record.
        case: as it stands.
        closing: how it ended.
        at: when, UTC, ISO 8601.
        declined: why the suspects still open are left untested.

    Raises:
        RecordError: it is closed already, what the result needs is missing, or the unit failed
            a closing check and is to be called fixed or given back.
    """
    refuse_incomplete(case, closing)
    refuse_unfit(store, case, closing)
    events = [*shown_by(store, case, closing, at)]
    suspects = still_open(store, case) if declined is not None else ()
    if declined is not None and suspects:
        left = tuple(suspect.as_dict() for suspect in suspects)
        events.append(Declined(at=at, suspects=left, reason=declined))
    told = {name: getattr(closing, name) for name in ("result", "fault", "became", "kept", "note")}
    events.append(Closed(at=at, **told))
    for sequence, event in enumerate(events, case.events):
        store.append(case.id, sequence, event)


def refuse_incomplete(case: Case, closing: Closing) -> None:
    """Refuse to close a case again, or without the fault that its result needs."""
    if case.state == "closed":
        raise RecordError(
            f"case {case.number} is closed already, as {case.result}",
            remedy=f"Reopen it first: faulttree cases reopen {case.number}.",
        )
    if closing.fault and not KEBAB.fullmatch(closing.fault):
        raise RecordError(f"{closing.fault!r} is no id of a fault", remedy="Ids are kebab-case.")
    if closing.result in NEED_FAULT and not closing.fault:
        raise RecordError(f"{closing.result} needs the fault", remedy="Give --fault ID.")


def refuse_unfit(store: Store, case: Case, closing: Closing) -> None:
    """Refuse to call a unit fixed, or to give it back, that failed a closing check.

    Without its tree nobody can tell, and nothing is refused.

    Raises:
        RecordError: it failed one and has not passed it since.
    """
    state = last_state_of(store, case)
    wrong = refused(state, closing.result, closing.became) if state is not None else None
    if wrong is not None:
        reopen = f"faulttree cases reopen {case.number}` and `" * (case.state == "closed")
        raise RecordError(
            f"case {case.number}: {wrong.message}",
            remedy=f"Repair it and make the check again: `{reopen}faulttree diagnose --resume "
            f"{case.number}`. Or close the case with --result found --became waiting.",
        )


def shown_by(store: Store, case: Case, closing: Closing, at: str) -> list[Event]:
    """What shows that a repair held, where the case does not say so yet."""
    if closing.result != "fixed":
        return []
    held = [event.fault for event in counted(store.events(case.id)) if isinstance(event, Confirmed)]
    if closing.fault in held:
        return []
    if not closing.seen:
        raise RecordError(
            f"nothing in case {case.number} shows that the repair of {closing.fault} held",
            remedy="Go on with `faulttree diagnose --resume` to confirm it, or give --seen TEXT; "
            "a fault that is known but not repaired is `found`.",
        )
    return [Confirmed(at=at, fault=closing.fault, seen=closing.seen)]
