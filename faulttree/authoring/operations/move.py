"""Move steps of a tree to other places without breaking an order constraint."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

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
from faulttree.tree.edit import ChangeSet, FileChange
from faulttree.tree.finding import Finding
from faulttree.tree.graph import graph_of
from faulttree.walk.fold import fold
from faulttree.walk.renames import follow

if TYPE_CHECKING:
    from faulttree.cases import Store


@dataclass(frozen=True)
class StepMove(ChangeSet):
    """The changes that move one step; nothing is written yet.

    Attributes:
        step: the moved step or use.
        after, outcome: the place it comes after now; empty texts for the start.
        onward: the target that follows at its old place.
        before: the target that follows at its new place.
        minutes: expected minutes (before, after) over all faults of the tree.
        moved: recorded cases whose answers lead elsewhere on the new tree.
        findings: warnings that the new order has and the old one has not.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"moved": "changed_cases"}
    LEFT_OUT = frozenset(("changes", "minutes", "findings"))
    EMPTY_AS_NONE = frozenset(("after", "outcome"))

    kind: str = field(default="step", init=False)
    tree: str
    step: str
    after: str
    outcome: str
    onward: str
    before: str
    minutes: tuple[float, float]
    moved: tuple[MovedCase, ...] = ()
    findings: tuple[Finding, ...] = ()

    def __str__(self) -> str:
        where = f"after `{self.after}: {self.outcome}`" if self.after else "at the start"
        return f"{where}, before `{self.before}`"

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, numbers not rounded."""
        before, after = self.minutes
        return super().as_dict() | {
            "minutes": {"before": before, "after": after},
            "findings": [finding_dict(one) for one in self.findings],
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
    """Move a step to the place after an outcome of another step.

    Targets that named the step now name its target for a unit that passed. At the new place,
    a unit that passed goes on to the former target of the outcome. All other outcomes of the
    step keep their targets.

    Args:
        library: whose tree.
        where: id of the tree.
        step: the step or use to move.
        after: (step or use, outcome or exit) that it comes after; None for the start.
        passed: its outcome for a unit that passed, if the file does not determine it.
        even_so: move it in spite of new warnings.
        store: the record, for the odds and to walk the tree's cases again.
        progress: called with the number of cases replayed so far.

    Raises:
        TreeError: there is no such step or place, a prerequisite, a guard or an access would
            be broken, or the new text breaks a rule.
    """
    moves = [StepMoves(step, after, passed)]
    made = reorder(library, where, moves, even_so=even_so, store=store, progress=progress)
    same = ("minutes", "moved", "findings", "changes")
    return replace(made.places[0], **{name: getattr(made, name) for name in same})


@dataclass(frozen=True, slots=True)
class StepMoves:
    """One requested move: a step, and the outcome that it comes after; None for the start.

    ``passed`` is its outcome for a unit that passed, if the file does not determine it.
    """

    step: str
    after: tuple[str, str] | None
    passed: str = ""


@dataclass(frozen=True)
class Reordering:
    """The changes that move several steps, one after another; nothing is written yet.

    Attributes:
        places: the new place of each step.
        now: the tree after all moves.
        minutes, moved, findings, changes: as in :class:`StepMove`, for all moves together.
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
    """Move several steps, each as :func:`move_step` does.

    Each move is compared with the order before it; the rules check the final text only.

    Args:
        library: whose tree.
        where: id of the tree.
        moves: one or more moves; each applies to the tree after the moves before it.
        even_so: move them in spite of new warnings.
        fitness: the check of edited files, if the caller checks several texts of the library.
        store: the record, for the odds and to walk the tree's cases again.
        progress: called with the number of cases replayed so far.

    Raises:
        TreeError: as :func:`move_step`.
    """
    file = TreeFile.of(library, where)
    tree = now = file.tree
    places, passing = list[StepMove](), dict[str, str]()
    for move in moves:
        stood, place, outcome = stand(now, move, file.path)
        passing |= _passed(now, move.step, outcome)
        places.append(place)
        now = stood
    change = _moved_targets(file, now)
    found = (fitness or EditedCheck(library, file)).accepted(change, even_so=even_so)
    history = _history(store)
    minutes = expected_minutes(tree, history), expected_minutes(now, history)
    moved = () if store is None else tuple(_led_elsewhere(store, tree, now, passing, progress))
    return Reordering(where, tuple(places), now, minutes, moved, found, (change,))


def _moved_targets(file: TreeFile, now: Tree) -> FileChange:
    """The edit of the targets that differ in the new order."""
    was, is_now = (dict(targets(one.bundle["tree"])) for one in (file.tree, now))
    editor = file.editor()
    for keys, target in is_now.items():
        if target != was[keys]:
            editor.set(keys, target)
    return editor.change()


def stand(tree: Tree, move: StepMoves, path: Path | None = None) -> tuple[Tree, StepMove, str]:
    """Move one step of a tree; return the tree, the move, and a good unit's outcome.

    Args:
        tree: the tree; it is not changed.
        move: the step and its place.
        path: the file, for error messages.

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
        remedy = "Choose another place, or first move the steps that belong with it."
        raise TreeError(f"`{move.step}` cannot be {place}: {why}.", path=path, remedy=remedy)
    return new, place, outcome


# -- the record ------------------------------------------------------------------------


def _history(store: Store | None) -> Mapping[tuple[str, str], float]:
    from faulttree.cases.fault_counts import confirmed

    return {} if store is None else confirmed(store)


def _passed(tree: Tree, step: str, outcome: str) -> Mapping[str, str]:
    """The answers of a unit that passed at a step, or at the steps of a use."""
    if step in tree.uses:
        return graph_of(tree).path_through(tree.uses[step], outcome)
    own = tree.steps[step].targets
    if outcome in own:
        return {step: outcome}
    return {step: next(iter(own))}  # `then` has no outcome, and `outside` means low and high


def _led_elsewhere(
    store: Store,
    old: Tree,
    new: Tree,
    passing: Mapping[str, str],
    progress: Callable[[int], None] | None,
) -> Iterator[MovedCase]:
    """The cases whose answers end elsewhere on the new text.

    A case that did not reach the step counts as one that passed it.
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
