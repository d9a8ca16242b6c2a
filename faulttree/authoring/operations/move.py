"""Steps taken out of their places and put onto other ways, where nothing is harmed by it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faulttree.authoring.case_impact import MovedCase, stands
from faulttree.authoring.edited_check import EditedCheck
from faulttree.authoring.files import TreeFile
from faulttree.authoring.operations.add_cause import expected_minutes
from faulttree.authoring.order_constraints import spoilt
from faulttree.authoring.replay import RecordedAnswers, answers_of, walk_again
from faulttree.authoring.targets import assembled, edits_of, known, onward, targets
from faulttree.errors import TreeError
from faulttree.rules.report import finding_dict
from faulttree.tree import Library, Tree
from faulttree.tree.edit import FileChange
from faulttree.tree.finding import Finding
from faulttree.tree.graph import graph_of
from faulttree.walk.fold import fold
from faulttree.walk.renames import follow

if TYPE_CHECKING:
    from faulttree.cases import Store

__all__ = ["Reordering", "StepMove", "StepMoves", "move_step", "reorder", "stand"]


@dataclass(frozen=True)
class StepMove:
    """A step in another place; nothing is written yet.

    Attributes:
        step: what is moved.
        after, outcome: what it comes behind now; empty texts for the start.
        onward: what comes next where it was, once it is gone.
        before: what comes next where it is now.
        minutes: expected minutes (before, after) over all faults of the tree.
        moved: recorded cases whose own answers would lead elsewhere.
        findings: warnings that the new order would have and the old one has not.
    """

    tree: str
    step: str
    after: str
    outcome: str
    onward: str
    before: str
    minutes: tuple[float, float]
    moved: tuple[MovedCase, ...] = ()
    findings: tuple[Finding, ...] = ()
    changes: tuple[FileChange, ...] = field(default=(), repr=False)

    def __str__(self) -> str:
        where = f"after `{self.after}: {self.outcome}`" if self.after else "first of all"
        return f"{where}, before `{self.before}`"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, numbers not rounded."""
        return {
            "kind": "step",
            "tree": self.tree,
            "step": self.step,
            "after": self.after or None,
            "outcome": self.outcome or None,
            "before": self.before,
            "onward": self.onward,
            "minutes": {"before": self.minutes[0], "after": self.minutes[1]},
            "changed_cases": [one.as_dict() for one in self.moved],
            "findings": [finding_dict(one) for one in self.findings],
            "diff": "".join(change.diff() for change in self.changes),
        }


def move_step(
    library: Library,
    where: str,
    step: str,
    after: tuple[str, str] | None,
    *,
    passed: str = "",
    even_so: bool = False,
    store: Store | None = None,
    progress: Callable[[int], None] | None = None,
) -> StepMove:
    """Take a step out of its place and put it behind an outcome of another one.

    What led to it leads to where it sent a unit that passed; from its new place it sends such
    a unit to where the outcome led. All its other outcomes keep their targets.

    Args:
        library: whose tree.
        where: id of the tree.
        step: the step or use to move.
        after: (step or use, outcome or exit) it comes behind; None for first of all.
        passed: its outcome for a unit that passed, where the file leaves that open.
        even_so: move it although the rules warn of it.
        store: the record, for the odds and to walk the tree's cases again.
        progress: told how many cases were walked again.

    Raises:
        TreeError: there is no such step or place, a prerequisite, a guard or an access would
            be broken, or a rule speaks against the new text.
    """
    made = reorder(
        *(library, where, [StepMoves(step, after, passed)]),
        even_so=even_so,
        store=store,
        progress=progress,
    )
    return replace(
        made.places[0],
        minutes=made.minutes,
        moved=made.moved,
        findings=made.findings,
        changes=made.changes,
    )


@dataclass(frozen=True, slots=True)
class StepMoves:
    """A step to be put behind an outcome of another; None for first of all.

    ``passed`` is its outcome for a unit that passed, where the file leaves that open.
    """

    step: str
    after: tuple[str, str] | None
    passed: str = ""


@dataclass(frozen=True)
class Reordering:
    """Several steps in other places, one after the other; nothing is written yet.

    Attributes:
        places: where each comes to stand.
        now: the tree as it will be.
        minutes, moved, findings, changes: of all of them together, as in :class:`StepMove`.
    """

    tree: str
    places: tuple[StepMove, ...]
    now: Tree
    minutes: tuple[float, float]
    moved: tuple[MovedCase, ...] = ()
    findings: tuple[Finding, ...] = ()
    changes: tuple[FileChange, ...] = field(default=(), repr=False)


def reorder(
    library: Library,
    where: str,
    moves: Sequence[StepMoves],
    *,
    even_so: bool = False,
    fitness: EditedCheck | None = None,
    store: Store | None = None,
    progress: Callable[[int], None] | None = None,
) -> Reordering:
    """Put several steps into other places, as :func:`move_step` does one.

    Each move is held against what the order before it kept; the rules see the text at the end.

    Args:
        library: whose tree.
        where: id of the tree.
        moves: one or more, each of the tree as those before leave it.
        even_so: move them although the rules warn of it.
        fitness: of this library, where several texts of it are looked at.
        store: the record, for the odds and to walk the tree's cases again.
        progress: told how many cases were walked again.

    Raises:
        TreeError: as :func:`move_step`.
    """
    file = TreeFile.of(library, where)
    tree = now = file.tree
    places: list[StepMove] = []
    passing: dict[str, str] = {}
    for move in moves:
        stood, place, outcome = stand(now, move, file.path)
        passing |= _passed(now, move.step, outcome)
        places.append(place)
        now = stood
    was, is_now = (dict(targets(one.bundle["tree"])) for one in (tree, now))
    editor = file.editor()
    for keys, target in is_now.items():
        if target != was[keys]:
            editor.set(keys, target)
    change = editor.change()
    found = (fitness or EditedCheck(library, file)).accepted(change, even_so=even_so)
    history = _history(store)
    return Reordering(
        tree=where,
        places=tuple(places),
        now=now,
        minutes=(expected_minutes(tree, history), expected_minutes(now, history)),
        moved=tuple(_led_elsewhere(store, tree, now, passing, progress))
        if store is not None
        else (),
        findings=found,
        changes=(change,),
    )


def stand(tree: Tree, move: StepMoves, path: Path | None = None) -> tuple[Tree, StepMove, str]:
    """A tree with one step in another place; where it stands, and what a good unit answers it.

    Args:
        tree: the tree; it stays as it is.
        move: the step and its place.
        path: the file, for what is said.

    Raises:
        TreeError: there is no such step or place, or a prerequisite, a guard, a caution or an
            access would be broken.
    """
    data = tree.bundle["tree"]
    for name in (move.step, *(move.after[:1] if move.after else ())):
        known(data, tree.id, name)
    outcome, passing = onward(data, move.step, move.passed)
    edits, before = edits_of(data, move.step, passing, move.after)
    new = assembled(tree, edits)
    behind = move.after or ("", "")
    place = StepMove(tree.id, move.step, *behind, passing, before, (0.0, 0.0))
    why = spoilt(tree, new, move.step, before)
    if why:
        mend = "Choose another place for it, or move what it goes with first."
        raise TreeError(f"`{move.step}` cannot stand {place}: {why}.", path=path, mend=mend)
    return new, place, outcome


# -- the record ------------------------------------------------------------------------


def _history(store: Store | None) -> Mapping[tuple[str, str], float]:
    from faulttree.cases.fault_counts import confirmed

    return {} if store is None else confirmed(store)


def _passed(tree: Tree, step: str, outcome: str) -> Mapping[str, str]:
    """What a unit that passed answers at a step, or at those of a use."""
    if step in tree.uses:
        return graph_of(tree).path_through(tree.uses[step], outcome)
    own = tree.steps[step].targets
    if outcome in own:
        return {step: outcome}
    return {step: next(iter(own))}  # `then`, and `outside` for low and high


def _led_elsewhere(
    store: Store,
    old: Tree,
    new: Tree,
    passing: Mapping[str, str],
    progress: Callable[[int], None] | None,
) -> Iterator[MovedCase]:
    """The cases whose own answers end elsewhere on the new text.

    A case that never came to the step counts as one that passed it.
    """
    for done, case in enumerate(store.each(tree=old.id), 1):
        events = tuple(follow(old, store.events(case.id)))
        state = fold(old, events)
        said = answers_of(state, events)
        answers = RecordedAnswers(
            {**passing, **said.outcomes}, said.skipped, said.failed, said.facts
        )
        before, after = stands(walk_again(old, answers)), stands(walk_again(new, answers))
        if after not in (before, stands(state)):
            yield MovedCase(case.id, case.number, stands(state), after)
        if progress is not None:
            progress(done)
