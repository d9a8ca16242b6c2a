"""Apply a proposal: edit the file of its tree; the edit is shown before it is written."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from faulttree.authoring.edited_check import EditedCheck
from faulttree.authoring.files import LibraryFile, TreeFile, procedure_file
from faulttree.authoring.operations.move import StepMoves, reorder
from faulttree.errors import TreeError
from faulttree.reading import resolve_limits
from faulttree.reading.quantity import show_exact
from faulttree.tree.edit import ChangeSet, Editor, FileChange

if TYPE_CHECKING:
    from faulttree.authoring.case_impact import MovedCase
    from faulttree.cases.store import Store
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.tree import Library


Keys = tuple[str | int, ...]

Said = Mapping[str, Any]


@dataclass(frozen=True)
class Edit(ChangeSet):
    """The change of a proposal in the file of its tree or procedure; nothing is written yet.

    Attributes:
        minutes: expected minutes (before, after) by the odds of the tree's own cases and weights,
            where steps are moved and the proposal says them.
        moved: recorded cases whose answers lead elsewhere on the new tree.
    """

    minutes: tuple[float, float] | None = None
    moved: tuple[MovedCase, ...] = ()

    @property
    def change(self) -> FileChange:
        """The one file that changes."""
        return self.changes[0]

    def as_dict(self) -> dict[str, Any]:
        """Plain data, numbers not rounded."""
        before, after = self.minutes or (None, None)
        return {
            "expected_minutes": {"before": before, "after": after} if self.minutes else None,
            "changed_cases": [one.as_dict() for one in self.moved],
        }


def edit_of(
    library: Library,
    proposal: ReviewProposal,
    *,
    even_so: bool = False,
    store: Store | None = None,
    fitness: EditedCheck | None = None,
) -> Edit:
    """The change of a proposal in the file of its tree or procedure; nothing is written yet.

    Weights, minutes and limits are edited, and steps are moved to other places. A newly planned
    order and a missing test need the author: their data is in ``change`` of the proposal.

    Args:
        library: holds the tree.
        proposal: as :func:`faulttree.figures.review` made it.
        even_so: edit in spite of new warnings.
        store: the record, to walk the tree's cases again where steps are moved.
        fitness: the check of edited files, if the caller makes several edits.

    Raises:
        TreeError: it needs the author, the file has changed since the review, or a safeguard
            would be weakened.
        Unfit: the new text breaks a rule.
    """
    said = proposal.change
    make = EDITS.get(str(said["action"]))
    if said.get("moves"):
        moves = [_move(one) for one in said["moves"]]
        made = reorder(library, str(said["tree"]), moves, even_so=even_so, store=store)
        return Edit(_expected(proposal.figures), made.moved, changes=made.changes)
    if make is None:
        raise TreeError(
            f"A proposal of the kind '{proposal.kind}' must be applied manually.",
            remedy=proposal.by_hand
            or "`--json` gives its data under `change`; edit the tree accordingly.",
        )
    return Edit(changes=(_changed(library, make, said, even_so=even_so, fitness=fitness),))


def _changed(
    library: Library, make: Make, said: Said, *, even_so: bool, fitness: EditedCheck | None
) -> FileChange:
    """The file of a tree or procedure, edited and checked."""
    file: TreeFile | LibraryFile
    if "procedure" in said:
        file = procedure_file(library, str(said["procedure"]))
    else:
        file = TreeFile.of(library, str(said["tree"]))
    editor = file.editor()
    make(Place(editor, file), said)
    change = editor.change()
    opened = (file,) if isinstance(file, TreeFile) else ()
    if fitness is None or change.raw is None:
        fitness = EditedCheck(library, *opened)
    fitness.accepted(change, even_so=even_so)
    return change


@dataclass(frozen=True, slots=True)
class Place:
    """The file of a tree or of a procedure, where a proposal is edited in."""

    editor: Editor
    file: TreeFile | LibraryFile

    def keys(self, step: str) -> Keys:
        """The place of a step in the file. A step that closes the unit is written under the state
        that it closes.
        """
        tree = self.file.tree if isinstance(self.file, TreeFile) else None
        known = tree.steps.get(step) if tree is not None else None
        own = known is not None and known.where.document == "tree"
        return tuple(known.where.keys) if known is not None and own else ("steps", step)


Make = Callable[[Place, Said], None]
"""Writes the change of one kind of proposal into the file."""


def _expected(figures: Said) -> tuple[float, float] | None:
    """Expected minutes before and after, if the proposal has both."""
    before, after = figures.get("expected_before"), figures.get("expected_after")
    return None if before is None or after is None else (float(before), float(after))


def _move(said: Said) -> StepMoves:
    after = said["after"]
    return StepMoves(said["step"], (after[0], after[1]) if after else None)


def _weights(place: Place, said: Said) -> None:
    for fault, weight in said["weights"].items():
        place.editor.put(("faults", fault), "weight", weight)


def _minutes(place: Place, said: Said) -> None:
    for name, minutes in said["minutes"].items():
        place.editor.put(place.keys(name), "minutes", minutes)


def _limits(place: Place, said: Said) -> None:
    editor, keys = place.editor, (*place.keys(said["step"]), "limits")
    step = editor.document.data["steps"].get(said["step"])
    limits = step.get("limits", {}) if isinstance(step, Mapping) else {}
    new = {key: text for key in ("min", "max", "source") if (text := said.get(key)) is not None}
    if "nominal" not in limits:
        for key, text in new.items():
            editor.put(keys, key, text)
        return
    # A value with its tolerance becomes two limits: only one side of it moves.
    old = resolve_limits(limits, unit=step.get("unit"))
    ends = {"min": old.lower, "max": old.upper}
    kept = {
        key: show_exact(end, old.unit, old.kind) for key, end in ends.items() if end is not None
    }
    editor.set(keys, {**kept, **new})


EDITS: Mapping[str, Make] = {
    "set-weights": _weights,
    "set-minutes": _minutes,
    "set-limits": _limits,
}
