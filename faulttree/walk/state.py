"""Where a walk stands: what the fold makes of the events so far."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from faulttree.tree.safety import HARD_STOPS
from faulttree.walk.unit_state import holds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faulttree.tree.model import Property, Step, Tree
    from faulttree.walk.events import Answered, Closed, Opened, Reached
    from faulttree.walk.safe_order import Block

__all__ = ["ClosingResult", "End", "Phase", "Purpose", "Repair", "State", "Visit", "outcome_of"]

Phase = Literal["finding", "likely", "found", "confirming", "closing", "ended", "closed"]
"""finding a fault; came to one that is only likely; found one, repair open; repaired,
confirming step open; confirmed, the closing procedures open; ended (at a stop, given up, or
all done); closed with a result."""

Purpose = Literal["finding", "confirming", "closing"]

ClosingResult = Literal["passed", "failed", "not-made"]
"""What the closing checks say: all passed since the last repair; one failed and not passed
since; or none failed and at least one not made."""


@dataclass(frozen=True, slots=True)
class End:
    """How the finding ended: at a fault or stop of the tree, or given up (``id`` empty)."""

    kind: Literal["fault", "stop"]
    id: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """One answered step on the path, in the round it was answered in."""

    event: Answered
    round: int
    index: int
    purpose: Purpose = "finding"

    @property
    def step(self) -> str:
        """The step's id."""
        return self.event.step

    @property
    def outcome(self) -> str:
        """The outcome as it was decided."""
        return self.event.outcome


@dataclass(frozen=True, slots=True)
class Repair:
    """A repair tried: which round it began, and whether it held (None: not yet known)."""

    fault: str
    round: int
    held: bool | None = None
    what: str = ""
    step: str = ""
    outcome: str = ""
    reading: Mapping[str, Any] | None = None
    verdict: Mapping[str, Any] | None = None
    seen: str = ""


@dataclass(frozen=True, repr=False)
class State:
    """A walk after all its events. Made only by :func:`faulttree.walk.fold`.

    Attributes:
        ask: the step to put to the technician now, or None.
        pending: the step that ``ask`` must come before, where it is a prerequisite.
        end: how the finding ended, if it did.
        visits: the answers that count, in order; those gone back on are left out.
        withdrawn: the answers gone back on.
        skipped: step still unanswered → how often it was skipped in this round.
        block: why the next step cannot be asked, where that is so.
        facts: property of the unit → its value, or ``not-known``.
        needs_fact: the property to be asked now, before any step.
        known_answer: the answer of ``ask`` where it asks for a property that is known.
        power_barred: whether a live step would be blocked by a check before power.
        open_states: exposing access states that are open, also by an answer gone back on.
        left_open: kind → what was left so on the bench (lifted, fuse-out, clip-on).
        handled: whether the unit was opened or powered here.
        in_vain: steps gone to since the last answer whose way is barred.
        closing: closing use → the exit it gave in this round.
        failed: closing use → the exit by which the unit failed it, and it was not passed since.
        excluded: faults whose repair did not confirm.
        access: the access states the unit is in.
        holding: steps and uses done in this round that no live step has voided since.
        minutes: by the tree's own figures, access included.
        start: the node from which this round's search goes.
        reached: how sure the fault is that the walk stands at, as it was decided.
    """

    tree: Tree
    phase: Phase = "finding"
    opened: Opened | None = None
    closed: Closed | None = None
    ask: Step | None = None
    pending: str | None = None
    end: End | None = None
    round: int = 0
    visits: tuple[Visit, ...] = ()
    withdrawn: tuple[Answered, ...] = ()
    skipped: Mapping[str, int] = field(default_factory=dict)
    block: Block | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    needs_fact: Property | None = None
    known_answer: str | None = None
    power_barred: bool = False
    open_states: tuple[str, ...] = ()
    left_open: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    handled: bool = False
    unreachable: frozenset[str] = frozenset()
    excluded: frozenset[str] = frozenset()
    repairs: tuple[Repair, ...] = ()
    closing: Mapping[str, str] = field(default_factory=dict)
    failed: Mapping[str, str] = field(default_factory=dict)
    access: frozenset[str] = frozenset()
    holding: frozenset[str] = frozenset()
    cautions_read: frozenset[str] = frozenset()
    declined: bool = False
    minutes: float = 0.0
    start: str = ""
    reached: Reached | None = None

    def __repr__(self) -> str:
        asked = f", asks {self.ask.id}" if self.ask else ""
        return f"<State of {self.tree.id}: {self.phase}, {len(self.visits)} answers{asked}>"

    @property
    def path(self) -> tuple[Visit, ...]:
        """The visits that looked for the fault, in order."""
        return tuple(visit for visit in self.visits if visit.purpose == "finding")

    @property
    def blocked(self) -> str | None:
        """The step that cannot be asked, where the way is blocked."""
        return self.block.step if self.block is not None else None

    @property
    def stuck(self) -> bool:
        """Nothing to ask and no end: a skip, a block or an excluded fault stands in the way."""
        nothing = self.ask is None and self.needs_fact is None
        return self.phase == "finding" and nothing and self.end is None

    @property
    def may_go_on(self) -> bool:
        """Whether the walk may be led elsewhere: stuck, or at a soft stop with skips open."""
        if self.stuck:
            return True
        if self.phase != "ended" or self.end is None or self.end.kind != "stop":
            return False
        return bool(self.skipped) and self.end.id != "" and self.end.reason not in HARD_STOPS

    def outcome(self, step: str) -> str | None:
        """What a step, or the exit a ``use``, gave last in this round."""
        return outcome_of(self.tree, self.visits, self.round, step)

    @property
    def confirming(self) -> Repair | None:
        """The repair whose confirmation is open."""
        last = self.repairs[-1] if self.repairs else None
        return last if last is not None and last.held is None else None

    @property
    def cured(self) -> Repair | None:
        """The repair that held, unless the unit has come back since."""
        last = self.repairs[-1] if self.repairs else None
        return last if last is not None and last.held and last.round == self.round else None

    @property
    def unfit(self) -> str | None:
        """The first check that the unit failed and has not passed since, or None.

        It is a closing use, or the step or use of a safety condition of a proof. A repair does
        not make the unit fit: only passing the check again does.
        """
        closing = (use for use in self.tree.closing if use in self.failed)
        return next(closing, next(iter(self.failed), None))

    @property
    def closing_result(self) -> ClosingResult | None:
        """What the closing checks say of the unit; None where the tree has none."""
        if not self.tree.closing and self.unfit is None:
            return None
        if self.unfit is not None:
            return "failed"
        return "not-made" if self.closing_open else "passed"

    @property
    def closing_open(self) -> tuple[str, ...]:
        """The closing uses not yet passed or failed; those that this unit needs."""
        return tuple(use for use in self._closing_needed() if use not in self.closing)

    @property
    def safety_owed(self) -> tuple[str, ...]:
        """The closing uses of safety that a unit handled here has not passed since.

        It must pass them before it goes back, whatever the case came to.
        """
        uses = self.tree.uses
        return tuple(
            use
            for use in self._closing_needed()
            if self.handled and uses[use].checks == "safety"
            if self.closing.get(use) != uses[use].passes
        )

    def _closing_needed(self) -> list[str]:
        whens = self.tree.closing_when
        return [
            use for use in self.tree.closing if holds(whens.get(use, {}), self.facts) is not False
        ]

    def cautions_at(self, step: Step) -> tuple[str, ...]:
        """The cautions that hold at a step: the tree's, those of what it opens, its own."""
        opens = [
            name
            for access in step.access
            if access in self.tree.access
            for name in self.tree.access[access].cautions
        ]
        return tuple(dict.fromkeys((*self.tree.cautions, *opens, *step.cautions)))

    @property
    def access_minutes(self) -> float:
        """Minutes to open what the step to be asked still needs opened."""
        if self.ask is None:
            return 0.0
        states = self.tree.access
        missing = (name for name in self.ask.access if name not in self.access)
        return sum(states[name].minutes for name in missing if name in states)


def outcome_of(tree: Tree, visits: Sequence[Visit], round_: int, name: str) -> str | None:
    """What a step gave last in a round, or the exit by which a use was left; None for neither."""
    for visit in reversed(visits):
        if visit.round != round_:
            continue
        if visit.step == name:
            return visit.outcome
        taken = tree.steps.get(visit.step)
        for use, exit_ in taken.leaves.get(visit.outcome, ()) if taken else ():
            if use == name:
                return exit_
    return None
