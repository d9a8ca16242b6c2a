"""Correct a branch that led a case away from its fault: change a limit or a target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from faulttree.authoring.case_impact import moved_cases
from faulttree.authoring.edited_check import EditedCheck, Unfit
from faulttree.authoring.limit_boundary import Edit, boundary_edits
from faulttree.authoring.placement import places_on
from faulttree.authoring.proposal import TreeProposal
from faulttree.authoring.replay import minutes_of, walk_again
from faulttree.authoring.solved_case import Solved
from faulttree.errors import FaulttreeError, TreeError
from faulttree.reading import Quantity, judge, resolve_limits
from faulttree.tree import Library
from faulttree.tree.edit import FileChange
from faulttree.tree.graph import graph_of
from faulttree.walk.events import Answered, Confirmed
from faulttree.walk.history import counted
from faulttree.walk.renames import now_called
from faulttree.walk.state import State, Visit

if TYPE_CHECKING:
    from faulttree.cases import Store


Way = Literal["limit", "target", ""]


@dataclass(frozen=True, slots=True)
class Fork:
    """The answer at which a walk left every path to its fault, and the right outcomes there."""

    step: str
    visit: Visit
    right: tuple[str, ...]

    def __str__(self) -> str:
        kept = self.visit.event.reading or {}
        reading = f" ({kept['text']})" if kept.get("text") else ""
        return f"`{self.step}: {self.visit.outcome}`{reading}"


def fork_of(solved: Solved) -> Fork | None:
    """The fork at which the case went wrong on the current tree; None if there is none."""
    tree, near = solved.now, graph_of(solved.now).leading_to(solved.fault)
    known = {now_called(tree, visit.step): visit for visit in solved.then.path}
    for visit in solved.again.path:
        step = tree.steps.get(visit.step)
        if step is None or visit.step not in near:
            continue
        target = step.targets.get(visit.outcome, "")
        if target not in near:
            right = tuple(o for o, to in step.targets.items() if to in near and o != "undecided")
            return Fork(visit.step, known.get(visit.step, visit), right)
    return None


def lead_right(
    solved: Solved,
    store: Store,
    library: Library,
    fitness: EditedCheck,
    *,
    way: Way = "",
    search_minutes: float | None = None,
) -> TreeProposal:
    """The changed limit or target that leads the case to its fault.

    There are two corrections: move the limit so that the reading gets the right outcome, or
    lead the end of the walk on to the right target. The one that changes fewer other cases
    comes first.

    Raises:
        TreeError: neither correction is possible as requested.
    """
    fork = fork_of(solved)
    if fork is None:
        asked = solved.again.ask.id if solved.again.ask is not None else "its end"
        why = f"The answers lead as far as `{asked}`, on the way to `{solved.fault}`."
        return TreeProposal("found", solved, solved.fault, why=why)
    limits, others = (find(solved, fork, store, library) for find in (_limits, _targets))
    drafts = [draft for draft in (*limits, *others) if way in ("", draft.way)]
    fit = [(draft, fitness.new(draft.change)) for draft in drafts]
    clean = [draft for draft, found in fit if not found]
    if not clean:
        raise _no_remedy(solved, fork, fit)
    best = min(clean, key=lambda draft: (draft.others, draft.way != "limit"))
    return TreeProposal(
        kind="misled",
        solved=solved,
        fault=solved.fault,
        step=best.step,
        why=f"It went wrong at {fork}. {best.why}",
        walk=_walk(solved, best, search_minutes or 0.0),
        rejudged=best.rejudged,
        changes=(best.change,),
    )


@dataclass(frozen=True)
class _Draft:
    way: Way
    step: str
    why: str
    change: FileChange
    again: State
    others: int = 0
    rejudged: tuple[str, ...] = ()


def _walk(solved: Solved, draft: _Draft, search: float) -> tuple[float, float] | None:
    end = draft.again.end
    if end is None or end.id != solved.fault:
        return None
    return solved.minutes + search, minutes_of(draft.again)


def _no_remedy(solved: Solved, fork: Fork, fit: list[Any]) -> TreeError:
    remedy = "Give --ask or --measure: a step that tells the faults apart there."
    if _value(fork.visit.event) is not None:
        remedy += (
            " A limit is moved only if repaired units were read there too, all of them on the "
            "other side of the new limit."
        )
    if fit:
        draft, found = fit[0]
        text = f"{draft.why} But: {found[0].message} [{found[0].rule}]"
        return Unfit(text, found, path=solved.path, remedy=remedy)
    where = f"Case {solved.case.number} went wrong at {fork}"
    return TreeError(
        f"{where}, and no change of a limit or target there corrects it.",
        path=solved.path,
        remedy=remedy,
    )


def _edited(
    solved: Solved, edits: list[Edit], *, limit: tuple[str, str] | None = None
) -> FileChange:
    """The edits, with the case as evidence for its fault.

    ``limit`` is a step whose limits are moved, and what they rest on: it becomes their source.
    """
    editor = solved.file.editor()
    for keys, value in edits:
        editor.set(keys, value)
    if limit:
        step, rests = limit
        known = solved.now.bundle["tree"]["steps"][step]["limits"].get("source")
        moved = f"moved for case {solved.case.number}: {rests}"
        editor.put(("steps", step, "limits"), "source", "; ".join(filter(None, (known, moved))))
    if solved.fixed:
        editor.into(("faults", solved.fault), "evidence", solved.evidence())
    return editor.change()


# -- another target --------------------------------------------------------------------


def _targets(solved: Solved, fork: Fork, store: Store, library: Library) -> Iterator[_Draft]:
    """Drafts that lead the end of the walk on to the target of the right answer."""
    end = solved.again.end
    if end is None or end.kind != "stop" or not end.id:
        return
    place = list(places_on(solved.again))[-1]
    raw = solved.now.bundle["tree"]["steps"].get(fork.step)
    if place.onward != end.id or not isinstance(raw, Mapping):
        return
    targets = raw.get("answers") or raw.get("results") or {}
    for outcome in fork.right:
        onward = targets.get(outcome) or targets.get("outside")
        if isinstance(onward, str):
            change = _edited(solved, [(place.keys, onward)])
            tree = library.examine_text(change.text, change.path).tree
            again = None if tree is None else walk_again(tree, solved.answers)
            if tree is not None and again is not None and _gains(solved, again):
                led = f"`{place.step}: {place.outcome}` leads on to `{onward}` now"
                why = f"{led}, not to `{end.id}`."
                others = list(moved_cases(store, solved.now, tree, but=solved.case.id))
                yield _Draft("target", place.step, why, change, again, len(others))


def _gains(solved: Solved, again: State) -> bool:
    """Whether a corrected walk comes to its fault, or to a step on the way that was not asked."""
    if again.end is not None:
        return again.end.id == solved.fault
    near = graph_of(again.tree).leading_to(solved.fault)
    return again.ask is not None and again.ask.id in near


# -- another limit ---------------------------------------------------------------------


def _limits(solved: Solved, fork: Fork, store: Store, library: Library) -> Iterator[_Draft]:
    """Drafts that move a limit so that the reading gets the right outcome."""
    step = fork.step
    value = _value(fork.visit.event)
    raw = solved.now.bundle["tree"]["steps"].get(step)
    if value is None or not isinstance(raw, Mapping) or not isinstance(raw.get("limits"), Mapping):
        return
    old = {**raw["limits"], **({"unit": raw["unit"]} if "unit" in raw else {})}
    others = _others(store, solved, fork)
    nearest = _nearest(value, others)
    if nearest is None:
        return
    bound, text = nearest
    rests = f"it read {value.text}, the nearest of {len(others)} repaired units {text}"
    for outcome in fork.right:
        both = (fork.visit.outcome, outcome)
        for edits in boundary_edits(raw["limits"], old, both, value, bound):
            change = _edited(
                solved,
                [(("steps", step, "limits", *keys), to) for keys, to in edits],
                limit=(step, rests),
            )
            tree = library.examine_text(change.text, change.path).tree
            if tree is None or _outcome(tree.steps[step].limits, raw.get("unit"), value) != outcome:
                continue
            told = ", ".join(f"{'.'.join(map(str, keys))} {_said(to)}" for keys, to in edits)
            why = f"With {told}, {value.text} is `{outcome}` at `{step}`: {rests}."
            again = walk_again(tree, solved.answers.with_outcome(step, outcome))
            changed = tuple(rejudged(store, solved, step, old, tree.steps[step].limits or {}))
            yield _Draft("limit", step, why, change, again, len(changed), changed)
            break


def _said(value: Any) -> str:
    return " / ".join(value) if isinstance(value, list) else str(value)


def _value(event: Answered | Confirmed) -> Quantity | None:
    """The reading of an event in the base unit; None if it has no value."""
    kept = event.reading or {}
    if kept.get("value") is None:
        return None
    return Quantity(
        Decimal(repr(kept["value"])), kept["unit"], kept.get("kind", ""), text=kept.get("text", "")
    )


def _outcome(limits: Mapping[str, Any] | None, unit: str | None, value: Quantity) -> str:
    """The outcome of a reading by limits; empty if it is undecided."""
    try:
        return judge(value, resolve_limits(limits or {}, unit=unit)).outcome
    except FaulttreeError:
        return ""


def _others(store: Store, solved: Solved, fork: Fork) -> list[Quantity]:
    """Readings at the fork that keep their outcome: those of repaired units.

    A reading counts if the confirmed fault of its case lies behind the outcome, or does not depend
    on the step; and if it proved a repair.
    """
    tree, found = solved.now, list[Quantity]()
    for case in store.each(tree=tree.id, result="fixed"):
        fault = now_called(tree, case.fault)
        if case.id == solved.case.id or fault not in tree.faults:
            continue
        near = graph_of(tree).leading_to(fault)
        behind = fork.step not in near or tree.steps[fork.step].targets[fork.visit.outcome] in near
        for event in counted(store.events(case.id)):
            if not isinstance(event, Confirmed) and not (isinstance(event, Answered) and behind):
                continue
            here = now_called(tree, event.step), event.outcome
            value = _value(event) if here == (fork.step, fork.visit.outcome) else None
            found += [] if value is None else [value]
    return found


def _nearest(value: Quantity, others: list[Quantity]) -> tuple[Decimal, str] | None:
    """The reading next to ``value``, with its text; None if the others lie on both sides of it."""
    here = value.value
    known = [(one.value, one.text) for one in others if one.value is not None]
    if here is None or not known:
        return None
    low, high = min(known), max(known)
    if low[0] > here:
        return low
    return high if high[0] < here else None


def rejudged(
    store: Store, solved: Solved, step: str, old: Mapping[str, Any], new: Mapping[str, Any]
) -> Iterator[str]:
    """Other recorded readings at a step that get another outcome by the new limits, as text."""
    unit = old.get("unit")
    for case in store.each(tree=solved.now.id):
        if case.id == solved.case.id:
            continue
        for event in counted(store.events(case.id)):
            here = isinstance(event, Answered) and now_called(solved.now, event.step) == step
            value = _value(event) if here and isinstance(event, Answered) else None
            if value is None:
                continue
            before, after = _outcome(old, unit, value), _outcome(new, unit, value)
            if before and after and before != after:
                yield (
                    f"{value.text} of case {case.number} is `{before}` by the old limits "
                    f"and `{after}` by the new ones"
                )
