"""Apply a proposal: edit the file of its tree; the edit is shown before it is written."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from faulttree.authoring.edited_check import EditedCheck
from faulttree.authoring.files import TreeFile
from faulttree.authoring.operations.move import StepMoves, reorder
from faulttree.errors import TreeError
from faulttree.reading import resolve_limits
from faulttree.reading.quantity import show_exact
from faulttree.tree.edit import Editor, FileChange

if TYPE_CHECKING:
    from faulttree.authoring.case_impact import MovedCase
    from faulttree.cases.store import Store
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.tree import Library


Said = Mapping[str, Any]


@dataclass(frozen=True)
class Edit:
    """The changes of a proposal in the file of its tree; nothing is written yet.

    Attributes:
        minutes: expected minutes (before, after) by the odds of the tree's own cases and weights,
            where steps are moved and the proposal says them.
        moved: recorded cases whose answers lead elsewhere on the new tree.
    """

    change: FileChange
    minutes: tuple[float, float] | None = None
    moved: tuple[MovedCase, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain data, numbers not rounded."""
        before, after = self.minutes or (None, None)
        return {
            "expected_minutes": {"before": before, "after": after} if self.minutes else None,
            "changed_cases": [one.as_dict() for one in self.moved],
        }


def edit_of(
    library: Library, proposal: ReviewProposal, *, even_so: bool = False, store: Store | None = None
) -> Edit:
    """The changes of a proposal in the file of its tree; nothing is written yet.

    Weights, minutes and limits are edited, and steps are moved to other places. A newly planned
    order and a missing test need the author: their data is in ``change`` of the proposal.

    Args:
        library: holds the tree.
        proposal: as :func:`faulttree.figures.review` made it.
        even_so: edit in spite of new warnings.
        store: the record, to walk the tree's cases again where steps are moved.

    Raises:
        TreeError: it needs the author, it belongs to a shared procedure, the file has changed
            since the review, or a safeguard would be weakened.
        Unfit: the new text breaks a rule.
    """
    said = proposal.change
    tree, make = str(said["tree"]), EDITS.get(str(said["action"]))
    if said.get("moves"):
        moves = [_move(one) for one in said["moves"]]
        made = reorder(library, tree, moves, even_so=even_so, store=store)
        return Edit(made.changes[0], _expected(proposal.figures), made.moved)
    if make is None:
        raise TreeError(
            f"A proposal of the kind '{proposal.kind}' must be applied manually.",
            remedy=proposal.by_hand
            or "`--json` gives its data under `change`; edit the tree accordingly.",
        )
    file = TreeFile.of(library, tree)
    editor = file.editor()
    make(editor, said)
    change = editor.change()
    EditedCheck(library, file).accepted(change, even_so=even_so)
    return Edit(change)


def _expected(figures: Said) -> tuple[float, float] | None:
    """Expected minutes before and after, if the proposal has both."""
    before, after = figures.get("expected_before"), figures.get("expected_after")
    return None if before is None or after is None else (float(before), float(after))


def _move(said: Said) -> StepMoves:
    after = said["after"]
    return StepMoves(said["step"], (after[0], after[1]) if after else None)


def _weights(editor: Editor, said: Said) -> None:
    for fault, weight in said["weights"].items():
        editor.put(("faults", fault), "weight", weight)


def _minutes(editor: Editor, said: Said) -> None:
    """Steps of the tree's own file; those of shared procedures belong to other trees too."""
    own = editor.document.data["steps"]
    mine = {name: minutes for name, minutes in said["minutes"].items() if name in own}
    for name, minutes in (mine or said["minutes"]).items():
        editor.put(("steps", name), "minutes", minutes)


def _limits(editor: Editor, said: Said) -> None:
    keys = ("steps", said["step"], "limits")
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


EDITS: Mapping[str, Callable[[Editor, Said], None]] = {
    "set-weights": _weights,
    "set-minutes": _minutes,
    "set-limits": _limits,
}
