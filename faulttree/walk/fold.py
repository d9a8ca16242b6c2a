"""The fold: events in, state out. Pure: no screen, no disk, no clock, no judging again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import singledispatchmethod

from faulttree.errors import FaulttreeError
from faulttree.reading import formula_sources
from faulttree.tree.model import Step, Tree
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk import events as ev
from faulttree.walk.prerequisites import preparations_before
from faulttree.walk.renames import follow
from faulttree.walk.state import End, Phase, Purpose, Repair, State, Visit

__all__ = ["fold"]


def fold(tree: Tree, events: Iterable[ev.Event]) -> State:
    """The state of a walk of ``tree`` after ``events``, oldest first.

    Names of an older text are read as what they are called now, where the tree keeps them.
    Steps that it does not know stay on the path and lead nowhere. Never raises for what
    stands in a record.
    """
    counted, withdrawn = _without_withdrawn(follow(tree, events))
    folding = _Folding(tree, withdrawn=withdrawn)
    for event in counted:
        folding.take(event)
    return folding.state()


_BARRIERS = (ev.Opened, ev.RepairTried, ev.Confirmed, ev.NotConfirmed, ev.Closed, ev.Reopened)
_MOVES = (ev.Answered, ev.Skipped)
_LED_BY_MOVES = (*_MOVES, ev.Jumped, ev.Stopped)


def _without_withdrawn(
    events: Iterable[ev.Event],
) -> tuple[list[ev.Event], tuple[ev.Answered, ...]]:
    """The events that count, and the answers that were gone back on.

    Going back never crosses a repair or a closing: those have happened to the unit.
    """
    counted: list[ev.Event] = []
    withdrawn: list[ev.Answered] = []
    for event in events:
        if not isinstance(event, ev.WentBack):
            counted.append(event)
            continue
        moves = [
            at
            for at in range(_last_barrier(counted) + 1, len(counted))
            if isinstance(counted[at], _MOVES)
        ]
        cut = moves[-min(event.steps, len(moves))] if moves and event.steps > 0 else len(counted)
        undone = counted[cut:]
        withdrawn += [move for move in undone if isinstance(move, ev.Answered)]
        kept = [move for move in undone if not isinstance(move, _LED_BY_MOVES)]
        counted = [*_up_again(counted[:cut]), *kept]
    return counted, tuple(withdrawn)


def _last_barrier(events: list[ev.Event]) -> int:
    return next(
        (at for at in reversed(range(len(events))) if isinstance(events[at], _BARRIERS)), -1
    )


def _up_again(events: list[ev.Event]) -> list[ev.Event]:
    """Whoever goes back has taken the walk up again: a stop at the very end is lifted."""
    while events and isinstance(events[-1], ev.Stopped | ev.Declined):
        events = events[:-1]
    return events


@dataclass(slots=True)
class _Goal:
    """A node the walk heads for.

    ``until`` names the step or use after which the walk goes back to the goal below it;
    ``chosen`` says that it was gone to directly, past the deeds on the tree's way to it.
    """

    node: str
    until: str | None = None
    chosen: bool = False

    def move(self, node: str) -> None:
        """Head for where an outcome leads."""
        self.node, self.chosen = node, False


@dataclass(slots=True)
class _Folding:
    tree: Tree
    opened: ev.Opened | None = None
    closed: ev.Closed | None = None
    given_up: ev.Stopped | None = None
    phase: Phase = "finding"
    goals: list[_Goal] = field(default_factory=list)
    withdrawn: tuple[ev.Answered, ...] = ()
    round: int = 0
    index: int = 0
    last_live: int = -1
    round_began: int = -1
    visits: list[Visit] = field(default_factory=list)
    skips: dict[str, int] = field(default_factory=dict)
    set_aside: set[str] = field(default_factory=set)
    anew: set[str] = field(default_factory=set)
    in_vain: set[str] = field(default_factory=set)
    excluded: set[str] = field(default_factory=set)
    repairs: list[Repair] = field(default_factory=list)
    closing: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    cautions_read: set[str] = field(default_factory=set)
    declined: bool = False

    def __post_init__(self) -> None:
        self.goals = [_Goal(self.tree.start)]

    # -- events ---------------------------------------------------------------------------

    @singledispatchmethod
    def take(self, event: ev.Event) -> None:
        """An event that moves nothing: a note, a photo, minutes set right."""

    @take.register
    def _(self, event: ev.Opened) -> None:
        self.opened = event

    @take.register
    def _(self, event: ev.CautionRead) -> None:
        self.cautions_read.add(event.caution)

    @take.register
    def _(self, event: ev.Answered) -> None:
        self._take_up()
        self._settle()
        self.index += 1
        purpose: Purpose = "finding"
        if self.phase in ("confirming", "closing"):
            purpose = "confirming" if self.phase == "confirming" else "closing"
        self.visits.append(Visit(event, self.round, self.index, purpose))
        step = self.tree.steps.get(event.step)
        if step is None:
            self.goals = []
            return
        if step.live:
            self.last_live = self.index
        self.in_vain.clear()
        self.skips.pop(event.step, None)
        self.set_aside.discard(event.step)
        self.anew.discard(event.step)
        if not self.goals or self.goals[-1].node != event.step:
            self._head_for(event.step)
        self._leave(step, event.outcome)

    @take.register
    def _(self, event: ev.Skipped) -> None:
        self._take_up()
        self._skip(event.step)

    @take.register
    def _(self, event: ev.Jumped) -> None:
        self._take_up()
        node = self._entry(event.step)
        if self._test_again(node):
            return
        self.anew.add(node)
        self._ask_again(node)
        self._head_for(node)
        if self._settle() is not None:
            self.in_vain.add(node)

    @take.register
    def _(self, event: ev.RepairTried) -> None:
        self._new_round()
        self.excluded.discard(event.fault)
        self.repairs.append(Repair(event.fault, self.round, what=event.what))
        self.phase = "confirming"
        self.goals = self._proof()

    @take.register
    def _(self, event: ev.Confirmed) -> None:
        self._conclude(event, held=True)
        self.phase = "closing" if self.tree.closing else "ended"
        self.goals = []
        self._next_closing()

    @take.register
    def _(self, event: ev.NotConfirmed) -> None:
        self._conclude(event, held=False)
        self.excluded.add(event.fault)
        self.phase = "finding"
        self.goals = [_Goal(self._after_failed_repair(event))]

    @take.register
    def _(self, event: ev.Declined) -> None:
        self.declined = True

    @take.register
    def _(self, event: ev.Stopped) -> None:
        self.given_up = event

    @take.register
    def _(self, event: ev.Closed) -> None:
        self.closed = event

    @take.register
    def _(self, event: ev.Reopened) -> None:
        self.closed = None
        self._take_up()
        self.set_aside.clear()
        self.in_vain.clear()
        if self.phase in ("closing", "ended"):
            self._take_in_again()
            return
        end = self._end()
        if self.phase == "finding" and end is not None and end.kind == "stop":
            self.goals = []

    def _take_up(self) -> None:
        """The walk goes on: it is not given up, and its suspects are not left untested."""
        self.given_up = None
        self.declined = False

    # -- moving ---------------------------------------------------------------------------

    def _skip(self, step: str) -> None:
        self.skips[step] = self.skips.get(step, 0) + 1
        self.set_aside.add(step)

    def _head_for(self, node: str) -> None:
        """Go to a step directly. While a repair is proved or closed it is a detour."""
        aside = self.phase in ("confirming", "closing", "ended")
        base = (self._proof() if self.phase == "confirming" else self.goals[:1]) if aside else []
        if base and base[0].node == node:
            self.goals = base
        else:
            self.goals = [*base, _Goal(node, node if aside else None, chosen=True)]

    def _ask_again(self, name: str) -> None:
        """A step chosen anew is asked, and so is what must come before it."""
        self.set_aside.discard(name)
        step = self.tree.steps.get(name)
        for before in (*step.after, *preparations_before(self.tree, name)) if step else ():
            if before in self.set_aside:
                self._ask_again(before)
            elif before in self.tree.uses:
                self.set_aside.difference_update(self.tree.uses[before].steps)

    def _proof(self) -> list[_Goal]:
        """Where the repair being tried is proved, if the tree says so."""
        fault = self.tree.faults.get(self.repairs[-1].fault) if self.repairs else None
        confirm = fault.confirm if fault else None
        return [_Goal(self._entry(confirm.step), confirm.step)] if confirm else []

    def _take_in_again(self) -> None:
        """A mended unit is back: to the closing checks that it owes, else a new round."""
        owed = [use for use in self.tree.closing if self.closing.get(use) != self._pass(use)]
        if owed:
            self.phase = "closing"
            for use in owed:
                self.closing.pop(use, None)
            self._next_closing()
            return
        self._new_round()
        self.phase = "finding"
        self.goals = [_Goal(self.tree.start)]

    def _test_again(self, node: str) -> bool:
        """Whether ``node`` begins a closing procedure that the unit failed: it is made again."""
        use = next((use for use in self.failed if self._entry(use) == node), None)
        if use is None or self.phase not in ("closing", "ended"):
            return False
        self.closing.pop(use, None)
        for name in self.tree.uses[use].steps:
            self.skips.pop(name, None)
            self.set_aside.discard(name)
        self.phase = "closing"
        self._next_closing()
        return True

    def _pass(self, use: str) -> str:
        """The exit of a closing procedure that lets the unit go."""
        return next(iter(self.tree.uses[use].exits), "")

    def _new_round(self) -> None:
        self._take_up()
        self.round += 1
        # The unit was powered to see whether the repair held: what was made safe no longer is.
        self.round_began = self.index
        self.skips.clear()
        self.set_aside.clear()
        self.anew.clear()
        self.in_vain.clear()
        # A check passed before this repair says nothing about the unit after it.
        self.closing.clear()

    def _conclude(self, event: ev.Confirmed | ev.NotConfirmed, *, held: bool) -> None:
        if not self.repairs or self.repairs[-1].held is not None:
            self._new_round()
            self.repairs.append(Repair(event.fault, self.round))
        self.repairs[-1] = replace(
            self.repairs[-1],
            held=held,
            step=event.step,
            outcome=event.outcome,
            reading=event.reading,
            verdict=event.verdict,
            seen=event.seen,
        )

    def _after_failed_repair(self, event: ev.NotConfirmed) -> str:
        """Go on from what the confirming step showed; without one, from the start."""
        if event.step in self.tree.uses:
            return self.tree.uses[event.step].exits.get(event.outcome, self.tree.start)
        step = self.tree.steps.get(event.step)
        return step.targets.get(event.outcome, self.tree.start) if step else self.tree.start

    def _entry(self, node: str) -> str:
        use = self.tree.uses.get(node)
        return use.start if use else node

    def _leave(self, step: Step, outcome: str) -> None:
        """Go from an answered step where its outcome leads."""
        goal = self.goals[-1]
        if outcome == "undecided":
            if self.phase == "confirming":
                return  # Nothing was proved: the step is asked again.
            if "undecided" not in step.targets or goal.until is not None:
                # What must come first was not made sure of: it stands in the way as if skipped.
                self._skip(step.id)
                return
        exits = step.leaves.get(outcome, ())
        if len(self.goals) > 1 and self._refused(step, outcome):
            # What must come first says that nobody may go on: that ends the walk at once.
            self.goals = [_Goal(step.targets[outcome])]
            return
        if goal.until is not None and (goal.until == step.id or goal.until in dict(exits)):
            self.goals.pop()
            return
        for use, exit_ in exits:
            if use in self.tree.closing:
                self._leave_closing(use, exit_)
                return
        if outcome in step.targets:
            goal.move(step.targets[outcome])
        else:
            self.goals = []

    def _leave_closing(self, use: str, exit_: str) -> None:
        self.closing[use] = exit_
        if exit_ == self._pass(use):
            self.failed.pop(use, None)
        else:
            self.failed[use] = exit_
        self.goals = []
        self._next_closing()

    def _next_closing(self) -> None:
        """The next closing procedure, unless one was failed: then the unit must not go."""
        for use in self.tree.closing:
            if self.closing.get(use) is None:
                self.goals = [_Goal(self.tree.uses[use].start)]
                return
            if self.closing[use] != self._pass(use):
                break
        if self.phase == "closing":
            self.phase = "ended"

    def _settle(self) -> str | None:
        """Move on over what is known already and down to what must come first.

        Returns the id of the step that cannot be asked, where the way is blocked there.
        """
        seen: set[str] = set()
        while self.goals:
            goal = self.goals[-1]
            step = self.tree.steps.get(goal.node)
            if step is None:
                return None
            if goal.node in seen:
                return step.id
            known = self._known(step) if goal.until is None else None
            if known is not None:
                seen.add(goal.node)
                goal.move(step.targets[known])
                continue
            if step.id in self.set_aside:
                return step.id
            missing = self._missing(step, goal)
            if missing is None:
                return None
            if missing in {other.until for other in self.goals}:
                return step.id
            self.goals.append(_Goal(self._entry(missing), missing))
        return None

    def _known(self, step: Step) -> str | None:
        """The outcome a step gave in this round, where it need not be asked again."""
        if self.phase != "finding" or step.id in self.anew:
            return None
        for visit in reversed(self.visits):
            if visit.round == self.round and visit.step == step.id:
                stale = step.kind == "do" and visit.index < self.last_live
                return visit.outcome if visit.outcome in step.targets and not stale else None
        return None

    def _missing(self, step: Step, goal: _Goal) -> str | None:
        """The first thing that must come before a step and was not done, or no longer holds."""
        wanted = list(step.after)
        if goal.chosen and not step.live:
            prepared = preparations_before(self.tree, step.id)
            wanted += [name for name in prepared if name not in wanted]
        held = self._holding() if wanted else set()
        missing = next((name for name in wanted if name not in held), None)
        if missing is None and self.phase == "confirming":
            missing = self._unread(step)
        return missing

    def _unread(self, step: Step) -> str | None:
        """A step whose reading the limits are worked out from and this round has not taken.

        A reading from before the repair could prove it, or not, by a figure that the fault
        itself had put wrong.
        """
        taken = {
            visit.step for visit in self.visits if visit.round == self.round and visit.event.reading
        }
        return next(
            (name for name in _sources(step) if name in self.tree.steps and name not in taken),
            None,
        )

    def _holding(self) -> set[str]:
        """Steps and uses done that still hold: a repair or a later live step voids them."""
        held: set[str] = set()
        for visit in reversed(self.visits):
            if visit.index <= self.round_began or visit.index < self.last_live:
                break
            step = self.tree.steps.get(visit.step)
            if visit.outcome == "undecided" or (step and self._refused(step, visit.outcome)):
                continue
            held.add(visit.step)
            if step is not None:
                held.update(use for use, _ in step.leaves.get(visit.outcome, ()))
        return held

    def _refused(self, step: Step, outcome: str) -> bool:
        """Whether an outcome said that nobody may go on: then nothing was made safe by it."""
        stop = self.tree.stops.get(step.targets.get(outcome, ""))
        return stop is not None and stop.reason in HARD_STOPS

    # -- the state ------------------------------------------------------------------------

    def _end(self) -> End | None:
        node = self.goals[-1].node if self.goals else ""
        stop = self.tree.stops.get(node)
        if stop is not None and stop.reason in HARD_STOPS:
            return End("stop", node, stop.reason)
        if self.phase in ("confirming", "closing"):
            return None
        if self.given_up is not None:
            return End("stop", "", self.given_up.reason or "given up")
        if node in self.tree.faults and node not in self.excluded:
            return End("fault", node)
        if node in self.tree.stops:
            return End("stop", node, self.tree.stops[node].reason)
        return None

    def _found(self) -> End | None:
        last = self.repairs[-1] if self.repairs else None
        cured = last is not None and last.held and last.round == self.round
        return End("fault", last.fault) if last is not None and cured else None

    def state(self) -> State:
        """Freeze what the events came to."""
        blocked = self._settle()
        end = self._found() or self._end()
        phase = self._phase(end)
        node = self.goals[-1].node if self.goals else ""
        asking = blocked is None and phase in ("finding", "confirming", "closing")
        ask = self.tree.steps.get(node) if asking else None
        entered, minutes = self._entered()
        return State(
            tree=self.tree,
            phase=phase,
            opened=self.opened,
            closed=self.closed,
            ask=ask,
            pending=self.goals[-2].node if ask and len(self.goals) > 1 else None,
            end=end,
            round=self.round,
            visits=tuple(self.visits),
            withdrawn=self.withdrawn,
            skipped=dict(self.skips),
            blocked=blocked,
            in_vain=frozenset(self.in_vain),
            excluded=frozenset(self.excluded),
            repairs=tuple(self.repairs),
            closing=dict(self.closing),
            failed=dict(self.failed),
            cautions_read=frozenset(self.cautions_read),
            declined=self.declined,
            holding=frozenset(self._holding()),
            access=frozenset(entered),
            minutes=minutes,
        )

    def _phase(self, end: End | None) -> Phase:
        if self.closed is not None:
            return "closed"
        if end is not None and (self.phase == "finding" or end.reason in HARD_STOPS):
            return "found" if end.kind == "fault" else "ended"
        if self.given_up is not None:
            return "ended"
        return self.phase

    def _entered(self) -> tuple[set[str], float]:
        """The states the unit is in, and all minutes so far: entered once, paid once."""
        entered: set[str] = set()
        minutes = 0.0
        for visit in self.visits:
            step = self.tree.steps.get(visit.step)
            if step is None:
                continue
            minutes += step.cost
            for name in step.access:
                state = self.tree.access.get(name)
                if state is None or name in entered:
                    continue
                if state.group is not None:
                    entered -= {
                        other for other in entered if self.tree.access[other].group == state.group
                    }
                entered.add(name)
                minutes += state.minutes
        return entered, minutes


def _sources(step: Step) -> tuple[str, ...]:
    """The steps and ratings that a formula in a step's limits takes its values from."""
    if step.limits is None:
        return ()
    try:
        return formula_sources(step.limits)
    except FaulttreeError:
        return ()
