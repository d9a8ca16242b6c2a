"""The fold: events in, state out. Pure: no screen, no disk, no clock, no judging again."""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, field, fields, replace
from functools import singledispatchmethod

from faulttree.errors import FaulttreeError
from faulttree.reading import formula_sources
from faulttree.tree.model import Confirm, Step, Tree, Use
from faulttree.tree.safety import HARD_STOPS
from faulttree.walk import events as ev
from faulttree.walk.history import Change, Entry, history
from faulttree.walk.prerequisites import preparations_before
from faulttree.walk.renames import follow
from faulttree.walk.repair import gives
from faulttree.walk.safe_order import Block, NeedsFact, NeedsStep, needed_at_power, needed_at_touch
from faulttree.walk.state import End, Phase, Purpose, Repair, State, Visit, outcome_of
from faulttree.walk.unit_state import NOT_KNOWN, UnitState, holds, unknown_in

__all__ = ["Folder", "fold"]


def fold(tree: Tree, events: Iterable[ev.Event]) -> State:
    """The state of a walk of ``tree`` after ``events``, oldest first.

    Names of an older text are read as what they are called now, where the tree keeps them.
    Steps that it does not know stay on the path and lead nowhere. Never raises for what
    stands in a record.
    """
    return Folder(tree, events).state()


class Folder:
    """The fold of a case that grows: an event more costs no fold from the beginning.

    Args:
        tree: what is walked.
        events: those so far, oldest first.
    """

    def __init__(self, tree: Tree, events: Iterable[ev.Event] = ()) -> None:
        self.tree = tree
        self._history = history(follow(tree, events))
        self._folding = self._again()

    def _again(self) -> _Folding:
        folding = _Folding(self.tree)
        for entry in self._history.entries:
            if entry.undone:
                folding.void(entry)
            else:
                folding.take(entry.event)
        return folding

    def after(self, event: ev.Event) -> Folder:
        """The fold with one event more; this one stays as it is."""
        (event,) = follow(self.tree, [event])
        folder = copy(self)
        folder._history = self._history.copy()
        before = len(folder._history.entries)
        change = folder._history.add(event)
        added = folder._history.entries[before:]
        if change == Change() and [one.event for one in added] == [event]:
            folder._folding = self._folding.copy()
            folder._folding.take(event)
        else:
            folder._folding = folder._again()
        return folder

    def state(self) -> State:
        """The state after all events so far."""
        return self._folding.copy().state(tuple(self._history.withdrawn))


@dataclass(slots=True)
class _Goal:
    """A node the walk heads for.

    ``until`` names the step or use after which the walk goes back to the goal below it;
    ``chosen`` says that it was gone to directly, past the actions on the tree's way to it.
    """

    node: str
    until: str | None = None
    chosen: bool = False

    def move(self, node: str) -> None:
        """Head for where an outcome leads."""
        self.node, self.chosen = node, False


@dataclass(frozen=True, slots=True)
class _Stand:
    """Where a search stood that was left for the closing checks."""

    phase: Phase
    goals: list[_Goal]
    given_up: ev.Stopped | None


@dataclass(slots=True)
class _Folding:
    tree: Tree
    opened: ev.Opened | None = None
    closed: ev.Closed | None = None
    given_up: ev.Stopped | None = None
    phase: Phase = "finding"
    start: str = ""
    goals: list[_Goal] = field(default_factory=list)
    round: int = 0
    index: int = 0
    last_live: int = -1
    round_began: int = -1
    visits: list[Visit] = field(default_factory=list)
    skips: dict[str, int] = field(default_factory=dict)
    set_aside: set[str] = field(default_factory=set)
    ask_again: set[str] = field(default_factory=set)
    unreachable: set[str] = field(default_factory=set)
    excluded: set[str] = field(default_factory=set)
    repairs: list[Repair] = field(default_factory=list)
    closing: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    cautions_read: set[str] = field(default_factory=set)
    declined: bool = False
    unit: UnitState = field(init=False)
    needs_fact: str = ""
    stopped_at: str = ""
    before_closing: _Stand | None = None
    reached: ev.Reached | None = None
    accepted: bool = False

    def __post_init__(self) -> None:
        self.start = self.tree.start
        self.goals = [_Goal(self.start)]
        self.unit = UnitState(self.tree)

    def copy(self) -> _Folding:
        """One that can be led further without changing this one."""
        other = copy(self)
        for each in fields(self):
            value = getattr(self, each.name)
            if isinstance(value, list | dict | set):
                setattr(other, each.name, value.copy())
        other.goals = [copy(goal) for goal in self.goals]
        other.unit = self.unit.copy()
        return other

    # -- events ---------------------------------------------------------------------------

    @singledispatchmethod
    def take(self, event: ev.Event) -> None:
        """An event that moves nothing: a note, a photo, minutes set right."""

    @take.register
    def _(self, event: ev.Opened) -> None:
        self.opened = event
        self.unit.identify(str(event.unit.get("model", "")))

    @take.register
    def _(self, event: ev.FactGiven) -> None:
        self.unit.facts[event.name] = event.value
        if self.phase == "closing" and not self.goals:
            self._next_closing()

    @take.register
    def _(self, event: ev.CautionRead) -> None:
        self.cautions_read.add(event.caution)

    @take.register
    def _(self, event: ev.Answered) -> None:
        self._go_on()
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
        self.unreachable.clear()
        self.skips.pop(event.step, None)
        self.set_aside.discard(event.step)
        self.ask_again.discard(event.step)
        if not self.goals or self.goals[-1].node != event.step:
            self._head_for(event.step)
        self.unit.answered(step, event.outcome)
        if purpose != "closing" and (step.live or step.access):
            self._void_safety_checks()
        self._prove_safety(step, event.outcome)
        self._leave(step, event.outcome)

    @take.register
    def _(self, event: ev.Reached) -> None:
        self.reached, self.accepted = event, False

    @take.register
    def _(self, event: ev.LikelyAccepted) -> None:
        self.accepted = True

    @take.register
    def _(self, event: ev.Skipped) -> None:
        self._go_on()
        self._skip(event.step)

    @take.register
    def _(self, event: ev.Jumped) -> None:
        stand = _Stand(self.phase, list(self.goals), self.given_up)
        self._go_on()
        node = self._entry(event.step)
        if self._test_again(node, stand):
            return
        step = self.tree.steps.get(node)
        if self.before_closing is not None and step is not None and step.role == "finding":
            self._leave_closing_checks()
        self.ask_again.add(node)
        self._ask_again(node)
        self._head_for(node)
        if self._settle() is not None:
            self.unreachable.add(node)

    @take.register
    def _(self, event: ev.RepairTried) -> None:
        self._new_round()
        self.before_closing = None
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
        self.start = self._after_failed_repair(event)
        self.goals = [_Goal(self.start)]

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
        self.unit.begin_round()
        self.set_aside.clear()
        self.unreachable.clear()
        if self.phase in ("closing", "ended"):
            self._take_in_again()
            return
        end = self._end()
        if self.phase == "finding" and end is not None and end.kind == "stop":
            self.goals = []

    @take.register
    def _(self, event: ev.Corrected | ev.Withdrawn) -> None:
        """Earlier answers are others now: find the place from the start of the round."""
        self._go_on()
        if self.phase == "finding":
            self.ask_again.clear()
            self.goals = [_Goal(self.start)]
        elif self.phase == "confirming" and not self.goals:
            self.goals = self._proof()

    def void(self, entry: Entry) -> None:
        """What was taken back has happened to the unit: what was made safe before it is not.

        An answer gone back on voids no action, as it always was; one withdrawn does.
        """
        if not isinstance(entry.event, ev.Answered):
            self.round_began = self.index
            self.closing.clear()
            self.unit.begin_round()
            return
        step = self.tree.steps.get(entry.event.step)
        if step is None:
            return
        self.unit.taken_back(step)
        if entry.undone == "withdrawn" and (step.live or step.access):
            self._void_safety_checks()
            if step.live:
                self.index += 1
                self.last_live = self.index

    def _take_up(self) -> None:
        """The walk goes on: it is not given up, and its suspects are not left untested."""
        self.given_up = None
        self.declined = False

    def _go_on(self) -> None:
        """The walk moves: what was decided of the fault it stood at no longer holds."""
        self._take_up()
        self.reached, self.accepted = None, False

    # -- moving ---------------------------------------------------------------------------

    def _skip(self, step: str) -> None:
        self.skips[step] = self.skips.get(step, 0) + 1
        self.set_aside.add(step)

    def _head_for(self, node: str) -> None:
        """Go to a step directly. While a repair is proved or closed it is a detour."""
        step = self.tree.steps.get(node)
        serves = step is not None and step.role in ("before-power", "close")
        aside = serves or self.phase in ("confirming", "closing", "ended")
        base = (self._proof() if self.phase == "confirming" else self.goals[:1]) if aside else []
        if base and base[0].node == node:
            self.goals = base
        else:
            check = self._check_of(node)
            until = (check.id if check else node) if aside else None
            self.goals = [*base, _Goal(node, until, chosen=True)]

    def _ask_again(self, name: str) -> None:
        """A step chosen anew is asked, and so is what must come before it."""
        self.set_aside.discard(name)
        step = self.tree.steps.get(name)
        if step is not None and (step.live or step.role == "before-power"):
            self.set_aside -= {
                other
                for other in self.set_aside
                if other in self.tree.steps
                and self.tree.steps[other].role in ("before-power", "close")
            }
        for before in (*step.after, *preparations_before(self.tree, name)) if step else ():
            if before in self.set_aside:
                self._ask_again(before)
            elif before in self.tree.uses:
                self.set_aside.difference_update(self.tree.uses[before].steps)

    def _proof(self) -> list[_Goal]:
        """Where the repair being tried is proved, if the tree says so."""
        conditions = self._conditions()
        failed = next((one for one in conditions if self._met(one) is not True), None)
        wanted = failed or next(iter(conditions), None)
        return [_Goal(self._entry(wanted.step), wanted.step)] if wanted else []

    def _conditions(self) -> tuple[Confirm, ...]:
        """What proves the repair being tried, in order."""
        fault = self.tree.faults.get(self.repairs[-1].fault) if self.repairs else None
        return fault.confirms if fault else ()

    def _met(self, condition: Confirm) -> bool | None:
        """Whether a condition was met in this round; None where nothing was decided yet."""
        outcome = outcome_of(self.tree, self.visits, self.round, condition.step)
        if outcome is None or outcome == "undecided":
            return None
        return gives(outcome, condition.gives)

    def _next_condition(self) -> None:
        """Head for the next condition of the proof, unless one failed already."""
        for condition in self._conditions():
            met = self._met(condition)
            if met is None:
                self.goals = [_Goal(self._entry(condition.step), condition.step)]
            if not met:
                return

    def _prove_safety(self, step: Step, outcome: str) -> None:
        """Note a safety condition of the proof that failed, or that is met again."""
        given = {step.id: outcome, **dict(step.leaves.get(outcome, ()))}
        if outcome == "undecided":
            return
        for fault in self.tree.faults.values():
            for one in fault.confirms:
                if not one.safety or one.step not in given:
                    continue
                if gives(given[one.step], one.gives):
                    self.failed.pop(one.step, None)
                elif self.phase == "confirming" and one in self._conditions():
                    self.failed[one.step] = given[one.step]

    def _take_in_again(self) -> None:
        """A repaired unit is back: to the closing checks that it owes, else a new round."""
        owed = [use for use in self._closing_uses() if self.closing.get(use) != self._pass(use)]
        if owed:
            self.phase = "closing"
            for use in owed:
                self.closing.pop(use, None)
            self._next_closing()
            return
        self._new_round()
        self.phase = "finding"
        self.goals = [_Goal(self.tree.start)]

    def _test_again(self, node: str, stand: _Stand) -> bool:
        """Whether ``node`` begins a closing procedure that is made now, or made again.

        That is one that the unit failed; and before a unit goes back without a repair, its
        safety checks.
        """
        use = next((use for use in self.tree.closing if self._entry(use) == node), None)
        if use is None:
            return False
        after_repair = self.phase in ("closing", "ended")
        safety = self.tree.uses[use].checks == "safety" and self.closing.get(use) is None
        if not (after_repair and use in self.failed) and not safety:
            return False
        if self.phase == "confirming":
            return False
        if not after_repair:
            self.before_closing = stand
        self.closing.pop(use, None)
        for name in self.tree.uses[use].steps:
            self.skips.pop(name, None)
            self.set_aside.discard(name)
        self.phase = "closing"
        self._next_closing()
        return True

    def _leave_closing_checks(self) -> None:
        """Back to where the search stood before its closing checks."""
        assert self.before_closing is not None
        self.phase, self.goals = self.before_closing.phase, list(self.before_closing.goals)
        self.given_up, self.before_closing = self.before_closing.given_up, None

    def _closing_uses(self) -> list[str]:
        """The closing procedures that this unit needs, those not decided included."""
        listed = [
            use
            for use in self.tree.closing
            if holds(self.tree.closing_when.get(use, {}), self.unit.facts) is not False
        ]
        if self.before_closing is None:
            return listed
        return [use for use in listed if self.tree.uses[use].checks == "safety"]

    def _void_safety_checks(self) -> None:
        """The unit was opened or powered again: its safety is checked again before it goes."""
        for use in self.tree.closing:
            if self.tree.uses[use].checks == "safety":
                self.closing.pop(use, None)

    def _pass(self, use: str) -> str:
        """The exit of a closing procedure that lets the unit go."""
        return next(iter(self.tree.uses[use].exits), "")

    def _new_round(self) -> None:
        self._go_on()
        self.unit.begin_round()
        self.round += 1
        self.start = self.tree.start
        # The unit was powered to see whether the repair held: what was made safe no longer is.
        self.round_began = self.index
        self.skips.clear()
        self.set_aside.clear()
        self.ask_again.clear()
        self.unreachable.clear()
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
        """The step to begin with. A check before power is never begun in its middle."""
        use = self._check_of(node) or self.tree.uses.get(node)
        return use.start if use else node

    def _check_of(self, node: str) -> Use | None:
        """The check before power that a step is in."""
        uses = (self.tree.uses[check.use] for check in self.tree.before_power)
        return next((use for use in uses if node in use.steps), None)

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
            if self.phase == "confirming" and not self.goals:
                self._next_condition()
            elif self.phase == "finding":
                self._follow_unsafe(step, outcome)
            return
        if self._fails_power(step, outcome):
            # The unit must not get power as it is: what the check found is looked after first.
            self.phase, self.goals = "finding", [_Goal(step.targets[outcome])]
            return
        for use, exit_ in exits:
            if use in self.tree.closing:
                self._leave_closing(use, exit_)
                return
        if outcome in step.targets:
            goal.move(step.targets[outcome])
        else:
            self.goals = []

    def _follow_unsafe(self, step: Step, outcome: str) -> None:
        """Go where a step leads that was put first for safety and did not make the unit safe.

        A store that still holds charge is discharged again by the step that was put first.
        """
        if self._fails_power(step, outcome):
            self.goals = [_Goal(step.targets[outcome])]
            return
        made: list[tuple[Step | Use, bool]] = [(step, outcome == step.normal_outcome)]
        for name, exit_ in step.leaves.get(outcome, ()):
            made.append((self.tree.uses[name], exit_ == self._pass(name)))
        failed = any(not passed and (one.proves_dead or one.cells_known) for one, passed in made)
        target = step.targets.get(outcome, "")
        onward = self.tree.steps.get(target)
        if failed and self.tree.node(target) != "unknown" and not (onward and onward.discharges):
            self.goals = [_Goal(target)]

    def _fails_power(self, step: Step, outcome: str) -> bool:
        """Whether an outcome leaves a check before power by another exit than the passing one."""
        checks = {check.use for check in self.tree.before_power}
        exits = step.leaves.get(outcome, ())
        return any(use in checks and exit_ != self._pass(use) for use, exit_ in exits)

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
        for use in self._closing_uses():
            if self.closing.get(use) is None:
                when = self.tree.closing_when.get(use, {})
                if any(name not in self.unit.facts for name in unknown_in(when, self.unit.facts)):
                    return  # The property is asked first.
                if holds(when, self.unit.facts):
                    self.goals = [_Goal(self.tree.uses[use].start)]
                    return
            elif self.closing[use] != self._pass(use):
                break
        if self.phase != "closing":
            return
        if self.before_closing is not None:
            self._leave_closing_checks()
        else:
            self.phase = "ended"

    def _closing_fact(self) -> str:
        """The property that decides which closing procedure comes next, where it must be asked."""
        if self.phase != "closing" or self.goals:
            return ""
        whens = (self.tree.closing_when.get(use, {}) for use in self._closing_uses())
        asked = (name for when in whens for name in unknown_in(when, self.unit.facts))
        return next((name for name in asked if name not in self.unit.facts), "")

    def _settle(self) -> Block | None:
        """Move on over what is known already and down to what must come first.

        Returns why the step there cannot be asked, where the way is blocked.
        """
        self.needs_fact, self.stopped_at = self._closing_fact(), ""
        seen: set[str] = set()
        while self.goals:
            goal = self.goals[-1]
            step = self.tree.steps.get(goal.node)
            if step is None:
                return None
            if goal.node in seen:
                return Block(step.id, "circle")
            known = self._known(step) if goal.until is None else None
            if known is not None:
                seen.add(goal.node)
                goal.move(step.targets[known])
                continue
            if step.id in self.set_aside:
                return Block(step.id, "skipped")
            need = self._need(step, goal)
            if isinstance(need, NeedsFact):
                if need.name not in self.tree.properties:
                    # A tree of the record may name what it does not have: nobody can be asked.
                    self.unit.facts[need.name] = NOT_KNOWN
                    continue
                self.needs_fact = need.name
                return None
            if need is None or isinstance(need, Block):
                return self._ended_by(need)
            if need.name in {other.until for other in self.goals}:
                return Block(step.id, "circle", (need.name,))
            use = self.tree.uses.get(need.name)
            self.goals.append(_Goal(use.start if use else need.name, need.name))
        return None

    def _need(self, step: Step, goal: _Goal) -> Block | NeedsFact | NeedsStep | None:
        """What must come before a step; checks before power first, closing last."""
        first = needed_at_power(self.unit, step)
        if first is not None:
            return first
        missing = self._missing(step, goal)
        if missing is not None:
            return NeedsStep(missing)
        return needed_at_touch(self.unit, step, self.set_aside)

    def _ended_by(self, block: Block | None) -> Block | None:
        """A block, kept as the end of the walk where the unit is one that a step stops at."""
        self.stopped_at = block.names[0] if block and block.cause == "stopped" else ""
        return block

    def _known(self, step: Step) -> str | None:
        """The outcome a step gave in this round, where it need not be asked again."""
        if self.phase != "finding" or step.id in self.ask_again:
            return None
        for visit in reversed(self.visits):
            if visit.round == self.round and visit.step == step.id:
                void = visit.index < self.last_live or visit.index <= self.round_began
                stale = step.kind == "do" and void
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
        node = self.stopped_at or (self.goals[-1].node if self.goals else "")
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
        cured = cured and self.phase != "finding"
        return End("fault", last.fault) if last is not None and cured else None

    def state(self, withdrawn: tuple[ev.Answered, ...]) -> State:
        """Freeze what the events came to."""
        block = self._settle()
        end = self._found() or self._end()
        phase = self._phase(end)
        reached = self.reached if end is not None and self._reached(end) else None
        if reached is not None and reached.standing == "likely" and not self.accepted:
            # Nobody took it for the cause: the search has not ended there.
            end, phase = None, "likely" if phase == "found" else phase
        ask = self._asked(phase) if block is None else None
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
            withdrawn=withdrawn,
            skipped=dict(self.skips),
            block=block,
            facts=dict(self.unit.facts),
            needs_fact=self.tree.properties.get(self.needs_fact),
            known_answer=self._known_answer(ask),
            power_barred=self._power_barred(),
            open_states=tuple(self.unit.open),
            left_open={kind: tuple(parts) for kind, parts in self.unit.left_open.items() if parts},
            handled=self.unit.handled,
            unreachable=frozenset(self.unreachable),
            excluded=frozenset(self.excluded),
            repairs=tuple(self.repairs),
            closing=dict(self.closing),
            failed=dict(self.failed),
            cautions_read=frozenset(self.cautions_read),
            declined=self.declined,
            start=self.start,
            reached=reached,
            holding=frozenset(self._holding()),
            access=frozenset(entered).union(self.unit.open),
            minutes=minutes,
        )

    def _reached(self, end: End) -> bool:
        """Whether it was decided how sure the fault is at which the search ended."""
        return end.kind == "fault" and self.reached is not None and self.reached.fault == end.id

    def _asked(self, phase: Phase) -> Step | None:
        """The step to be asked, where the way to it is open."""
        if self.needs_fact or not self.goals or phase not in ("finding", "confirming", "closing"):
            return None
        return self.tree.steps.get(self.goals[-1].node)

    def _known_answer(self, ask: Step | None) -> str | None:
        """The answer of a step that asks for a property which is known already."""
        if ask is None or ask.property is None or ask.id in self.ask_again:
            return None
        value = self.unit.facts.get(ask.property, "")
        return value if value in ask.targets else None

    def _power_barred(self) -> bool:
        """Whether a live step would be blocked: a check was skipped, or cannot be decided."""
        return any(
            holds(check.when, self.unit.facts) is None
            or not self.set_aside.isdisjoint(self.tree.uses[check.use].steps)
            for check in self.unit.owed()
            if not set(check.when).difference(self.unit.facts)
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
        minutes, states = 0.0, self.tree.access.values()
        for visit in self.visits:
            step = self.tree.steps.get(visit.step)
            if step is None:
                continue
            minutes += step.cost
            if step.role == "close":
                entered -= {one.id for one in states if one.closing_step == step.id}
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
