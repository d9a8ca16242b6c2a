"""Write up a solved case: determine which of three situations it is, and propose a change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from faulttree.authoring.case_impact import moved_cases
from faulttree.authoring.cause import Cause, Test
from faulttree.authoring.edited_check import EditedCheck
from faulttree.authoring.improvements import Lessons, offers, taught, with_lessons
from faulttree.authoring.operations.add_cause import add_cause
from faulttree.authoring.operations.fix_branch import lead_right
from faulttree.authoring.proposal import Kind, TreeProposal
from faulttree.authoring.replay import minutes_of
from faulttree.authoring.shared_procedure import with_procedure
from faulttree.authoring.solved_case import Solved, solved_case
from faulttree.cases.closing import Closing, close_case
from faulttree.cases.fault_counts import confirmed
from faulttree.walk.events import Reopened

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.tree import Library


@dataclass(frozen=True)
class WriteUpInput:
    """The technician's input for a write-up.

    Attributes:
        cause: the fault and its remedy.
        test: the test that showed it.
        seen: what confirmed the repair, if the case does not have it.
        search_minutes: minutes of the search off the tree.
        at: (step, outcome) that the new step comes after; empty texts for the start.
        even_so: write in spite of new warnings.
        way: how a branch that misled is corrected: by its ``limit`` or a ``target``; empty
            for the one that changes fewer cases.
        lessons: further improvements to accept.
    """

    cause: Cause = field(default_factory=Cause)
    test: Test = field(default_factory=Test)
    seen: str = ""
    search_minutes: float | None = None
    at: tuple[str, str] | None = None
    even_so: bool = False
    way: Literal["limit", "target", ""] = ""
    lessons: Lessons = field(default_factory=Lessons)


def kind_of(solved: Solved) -> Kind:
    """Determine the situation of a case on the current tree.

    ``found``: the case's own answers lead to its fault. ``added``: no step leads to the
    fault, or the tree does not have it. ``misled``: steps lead to it, but the answers do not.
    """
    tree = solved.now
    if solved.fault not in tree.faults or solved.fault in tree.loose:
        return "added"
    end = solved.again.end
    return "found" if end is not None and end.id == solved.fault else "misled"


def write_up(
    store: Store,
    library: Library,
    case: str,
    told: WriteUpInput | None = None,
    *,
    day: str = "",
    progress: Callable[[int], None] | None = None,
) -> TreeProposal:
    """Propose the change of a tree for a solved case; :meth:`TreeProposal.write` writes it.

    Args:
        store: the record.
        library: holds the case's tree.
        case: number, id, tag or words that name the case.
        told: cause and test, as far as the case does not have them.
        day: today as YYYY-MM-DD, for a case that is not closed yet.
        progress: called with the number of other cases replayed so far.

    Raises:
        RecordError: there is no such case, or its cause is missing.
        TreeError: a value is missing, or the new tree would break a rule.
    """
    told = told or WriteUpInput()
    solved = solved_case(store, library, case, fault=told.cause.fault, seen=told.seen, day=day)
    return propose(store, library, solved, told, progress=progress)


def propose(
    store: Store,
    library: Library,
    solved: Solved,
    told: WriteUpInput,
    *,
    progress: Callable[[int], None] | None = None,
) -> TreeProposal:
    """The proposal for a case that is already loaded; see :func:`write_up`."""
    kind = kind_of(solved)
    fitness = EditedCheck(library, solved.file)
    told = replace(told, test=with_procedure(told.test, library, _part(solved, told.cause)))
    if kind == "added" or (kind == "misled" and told.test.told):
        proposal = replace(_added(store, solved, told, fitness), kind=kind)
    elif kind == "misled":
        proposal = lead_right(
            solved, store, library, fitness, way=told.way, search_minutes=told.search_minutes
        )
    else:
        proposal = _found(store, solved)
    proposal = _with_lessons(proposal, told, fitness)
    return with_others(store, fitness, proposal, progress=progress)


def _part(solved: Solved, cause: Cause) -> str:
    known = solved.now.faults.get(solved.fault)
    return cause.part or (known.part if known is not None else "")


def _added(store: Store, solved: Solved, told: WriteUpInput, fitness: EditedCheck) -> TreeProposal:
    return add_cause(
        solved,
        told.cause,
        told.test,
        fitness=fitness,
        history=confirmed(store),
        search_minutes=told.search_minutes,
        at=told.at,
        even_so=told.even_so,
    )


def _found(store: Store, solved: Solved) -> TreeProposal:
    """Propose only the evidence of the case; the record already counts it."""
    change = taught(solved)
    return TreeProposal(
        "found",
        solved,
        solved.fault,
        why="Its evidence now says that it was confirmed here." if change else "",
        walk=(solved.minutes, minutes_of(solved.again)),
        offers=tuple(offers(store, solved)),
        changes=(change,) if change else (),
    )


def _with_lessons(proposal: TreeProposal, told: WriteUpInput, fitness: EditedCheck) -> TreeProposal:
    """The proposal with the accepted improvements, checked by the rules."""
    if not told.lessons:
        return proposal
    before = proposal.changes[0] if proposal.changes else None
    change = with_lessons(proposal.solved, before, told.lessons)
    assert change is not None
    found = fitness.accepted(change, even_so=told.even_so)
    return replace(proposal, changes=(change,), findings=found)


def with_others(
    store: Store,
    fitness: EditedCheck,
    proposal: TreeProposal,
    *,
    progress: Callable[[int], None] | None = None,
) -> TreeProposal:
    """The proposal with the other cases that end elsewhere on the new tree."""
    if not proposal.changes:
        return proposal
    solved = proposal.solved
    new = fitness.examined(proposal.changes[0]).tree
    if new is None:
        return proposal
    moved = moved_cases(store, solved.now, new, but=solved.case.id, progress=progress)
    return replace(proposal, moved=tuple(moved))


def record_ending(store: Store, case_id: str, closing: Closing | None, at: str) -> None:
    """Close a case with the result of its write-up; a closed case is reopened first.

    Args:
        store: the record.
        case_id: the case.
        closing: how it ended; None if it is already closed.
        at: time of closing, UTC, ISO 8601.

    Raises:
        RecordError: it cannot be written, or somebody closed the case meanwhile.
    """
    if closing is None:
        return
    case = store.case(case_id)
    if case.state == "closed":
        store.append(case.id, case.events, Reopened(at=at, reason="the cause was found"))
        case = store.case(case.id)
    close_case(store, case, closing, at)
