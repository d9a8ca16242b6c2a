"""The fold: events in, state out. Pure: no screen, no disk, no clock, no judging again."""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from functools import singledispatch

from faulttree.tree.model import Tree
from faulttree.walk import events as ev
from faulttree.walk.folding.closing_checks import (
    back_to_search,
    next_closing,
    take_in_again,
    test_again,
    void_safety_checks,
)
from faulttree.walk.folding.freeze import end_of, freeze
from faulttree.walk.folding.progress import Goal, Progress, SearchPlace
from faulttree.walk.folding.proof import after_failed_repair, conclude, note_safety, to_proof
from faulttree.walk.folding.route import ask_again, head_for, leave, refused, settle
from faulttree.walk.history import Change, Entry, history
from faulttree.walk.renames import follow
from faulttree.walk.state import Purpose, Repair, State, Visit

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
        self._progress = self._again()

    def _again(self) -> Progress:
        progress = Progress(self.tree)
        for entry in self._history.entries:
            if entry.undone:
                _void(progress, entry)
            else:
                _take(entry.event, progress)
        return progress

    def after(self, event: ev.Event) -> Folder:
        """The fold with one event more; this one stays as it is."""
        (event,) = follow(self.tree, [event])
        folder = copy(self)
        folder._history = self._history.copy()
        before = len(folder._history.entries)
        change = folder._history.add(event)
        added = folder._history.entries[before:]
        if change == Change() and [one.event for one in added] == [event]:
            folder._progress = self._progress.copy()
            _take(event, folder._progress)
        else:
            folder._progress = folder._again()
        return folder

    def state(self) -> State:
        """The state after all events so far."""
        return freeze(self._progress.copy(), tuple(self._history.withdrawn))


@singledispatch
def _take(event: ev.Event, progress: Progress) -> None:
    """An event that moves nothing: a note, a photo, minutes set right."""


@_take.register
def _(event: ev.Opened, progress: Progress) -> None:
    progress.opened = event
    progress.unit.identify(str(event.unit.get("model", "")))


@_take.register
def _(event: ev.FactGiven, progress: Progress) -> None:
    if event.name not in ev.INTAKE:
        progress.unit.facts[event.name] = event.value
    if event.decided:
        _place_again(progress)
    if progress.phase == "closing" and not progress.goals:
        next_closing(progress)


@_take.register
def _(event: ev.CautionRead, progress: Progress) -> None:
    progress.cautions_read.add(event.caution)


@_take.register
def _(event: ev.Answered, progress: Progress) -> None:
    progress.go_on()
    settle(progress)
    progress.index += 1
    purpose: Purpose = "finding"
    if progress.phase in ("confirming", "closing"):
        purpose = "confirming" if progress.phase == "confirming" else "closing"
    progress.visits.append(Visit(event, progress.round, progress.index, purpose))
    step = progress.tree.steps.get(event.step)
    if step is None:
        progress.goals = []
        return
    if step.live:
        progress.last_live = progress.index
    progress.unreachable.clear()
    progress.skips.pop(event.step, None)
    progress.set_aside.discard(event.step)
    progress.ask_again.discard(event.step)
    if not progress.goals or progress.goals[-1].node != event.step:
        head_for(progress, event.step)
    progress.unit.answered(step, event.outcome)
    if purpose != "closing" and (step.live or step.access):
        void_safety_checks(progress)
    note_safety(progress, step, event.outcome)
    leave(progress, step, event.outcome)


@_take.register
def _(event: ev.Reached, progress: Progress) -> None:
    progress.reached, progress.accepted = event, False


@_take.register
def _(event: ev.LikelyAccepted, progress: Progress) -> None:
    progress.accepted = True


@_take.register
def _(event: ev.Skipped, progress: Progress) -> None:
    progress.go_on()
    progress.skip(event.step)


@_take.register
def _(event: ev.Jumped, progress: Progress) -> None:
    stand = SearchPlace(progress.phase, list(progress.goals), progress.given_up)
    progress.go_on()
    node = progress.entry(event.step)
    if test_again(progress, node, stand):
        return
    step = progress.tree.steps.get(node)
    if progress.before_closing is not None and step is not None and step.role == "finding":
        back_to_search(progress)
    progress.ask_again.add(node)
    ask_again(progress, node)
    head_for(progress, node)
    if settle(progress) is not None:
        progress.unreachable.add(node)


@_take.register
def _(event: ev.RepairTried, progress: Progress) -> None:
    progress.new_round()
    progress.before_closing = None
    progress.excluded.discard(event.fault)
    progress.repairs.append(Repair(event.fault, progress.round, what=event.what))
    progress.phase = "confirming"
    progress.goals = to_proof(progress)


@_take.register
def _(event: ev.Confirmed, progress: Progress) -> None:
    conclude(progress, event, held=True)
    progress.phase = "closing" if progress.tree.closing else "ended"
    progress.goals = []
    next_closing(progress)


@_take.register
def _(event: ev.NotConfirmed, progress: Progress) -> None:
    conclude(progress, event, held=False)
    progress.excluded.add(event.fault)
    progress.phase = "finding"
    progress.start = after_failed_repair(progress, event)
    progress.goals = [Goal(progress.start)]


@_take.register
def _(event: ev.Declined, progress: Progress) -> None:
    progress.declined = True


@_take.register
def _(event: ev.Stopped, progress: Progress) -> None:
    progress.given_up = event


@_take.register
def _(event: ev.Closed, progress: Progress) -> None:
    progress.closed = event


@_take.register
def _(event: ev.Reopened, progress: Progress) -> None:
    progress.closed = None
    progress.take_up()
    progress.unit.begin_round()
    progress.set_aside.clear()
    progress.unreachable.clear()
    if progress.phase in ("closing", "ended"):
        take_in_again(progress)
        return
    end = end_of(progress)
    if progress.phase == "finding" and end is not None and end.kind == "stop":
        progress.goals = []


@_take.register
def _(event: ev.Corrected | ev.Withdrawn, progress: Progress) -> None:
    """Earlier answers are others now."""
    _place_again(progress)


def _place_again(progress: Progress) -> None:
    """Find the place from the start of the round, along what is known."""
    progress.go_on()
    if progress.phase == "finding":
        progress.ask_again.clear()
        progress.goals = [Goal(_unsafe_end(progress) or progress.start)]
    elif progress.phase == "confirming" and not progress.goals:
        progress.goals = to_proof(progress)


def _unsafe_end(progress: Progress) -> str:
    """The stop to which an answer of this round leads that says nobody may go on; else empty."""
    latest = {one.step: one.outcome for one in progress.visits if one.round == progress.round}
    for name, outcome in latest.items():
        step = progress.tree.steps.get(name)
        if step is not None and refused(progress, step, outcome):
            return step.targets[outcome]
    return ""


def _void(progress: Progress, entry: Entry) -> None:
    """What was taken back has happened to the unit: what was made safe before it is not.

    An answer gone back on voids no action, as it always was; one withdrawn does.
    """
    if not isinstance(entry.event, ev.Answered):
        progress.round_began = progress.index
        progress.closing.clear()
        progress.unit.begin_round()
        return
    step = progress.tree.steps.get(entry.event.step)
    if step is None:
        return
    progress.unit.taken_back(step)
    if entry.undone == "withdrawn" and (step.live or step.access):
        void_safety_checks(progress)
        if step.live:
            progress.index += 1
            progress.last_live = progress.index
