"""Correct a branch that led a case away from its fault: change a limit or a target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from faulttree.authoring.case_impact import moved_cases
from faulttree.authoring.edited_check import EditedCheck, Unfit
from faulttree.authoring.placement import places_on
from faulttree.authoring.proposal import TreeProposal
from faulttree.authoring.replay import minutes_of, walk_again
from faulttree.authoring.solved_case import Solved
from faulttree.errors import FaulttreeError, TreeError
from faulttree.reading import Quantity, judge, resolve_limits
from faulttree.reading.quantity import show_exact
from faulttree.tree import Library
from faulttree.tree.edit import FileChange
from faulttree.tree.graph import graph_of
from faulttree.walk.events import Answered
from faulttree.walk.history import counted
from faulttree.walk.renames import now_called
from faulttree.walk.state import State, Visit

if TYPE_CHECKING:
    from faulttree.cases import Store


Way = Literal["limit", "target", ""]
Edit = tuple[tuple[str | int, ...], Any]
DIGITS = 4
"""Significant digits of a proposed limit: one more than shown on screens."""


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


def _edited(solved: Solved, edits: list[Edit], *, limit: str = "") -> FileChange:
    """The edits, with the case as evidence for its fault and source of the limits."""
    editor = solved.file.editor()
    for keys, value in edits:
        editor.set(keys, value)
    if limit:
        limits = solved.now.bundle["tree"]["steps"][limit]["limits"]
        said = filter(None, (limits.get("source"), f"moved for case {solved.case.number}"))
        editor.put(("steps", limit, "limits"), "source", "; ".join(said))
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
            if tree is not None:
                led = f"`{place.step}: {place.outcome}` leads on to `{onward}` now"
                why = f"{led}, not to `{end.id}`."
                again = walk_again(tree, solved.answers)
                others = list(moved_cases(store, solved.now, tree, but=solved.case.id))
                yield _Draft("target", place.step, why, change, again, len(others))


# -- another limit ---------------------------------------------------------------------


def _limits(solved: Solved, fork: Fork, store: Store, library: Library) -> Iterator[_Draft]:
    """Drafts that move a limit so that the reading gets the right outcome."""
    step = fork.step
    value = _value(fork.visit.event)
    raw = solved.now.bundle["tree"]["steps"].get(step)
    if value is None or not isinstance(raw, Mapping) or not isinstance(raw.get("limits"), Mapping):
        return
    old = {**raw["limits"], **({"unit": raw["unit"]} if "unit" in raw else {})}
    for outcome in fork.right:
        for edits in _moved(raw["limits"], old, value, fork.visit.outcome, outcome):
            change = _edited(
                solved, [(("steps", step, "limits", *keys), to) for keys, to in edits], limit=step
            )
            tree = library.examine_text(change.text, change.path).tree
            if tree is None or _outcome(tree.steps[step].limits, raw.get("unit"), value) != outcome:
                continue
            told = ", ".join(f"{'.'.join(map(str, keys))} {_said(to)}" for keys, to in edits)
            why = f"With {told}, {value.text} is `{outcome}` at `{step}`."
            again = walk_again(tree, solved.answers.with_outcome(step, outcome))
            others = tuple(rejudged(store, solved, step, old, tree.steps[step].limits or {}))
            yield _Draft("limit", step, why, change, again, len(others), others)
            break


def _said(value: Any) -> str:
    return " / ".join(value) if isinstance(value, list) else str(value)


def _value(event: Answered) -> Quantity | None:
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


def _moved(
    raw: Mapping[str, Any], spec: Mapping[str, Any], value: Quantity, was: str, wanted: str
) -> Iterator[list[Edit]]:
    """Edits of the limits, as (keys, value) lists, that could give the reading the outcome."""
    if value.value is None or any(isinstance(item, Mapping) for item in raw.values()):
        return
    if "bands" in raw:
        yield from _band_moved(raw["bands"], value, was, wanted)
        return
    side = {("inside", "low"): "low", ("low", "inside"): "low"}.get((was, wanted))
    side = side or {("inside", "high"): "high", ("high", "inside"): "high"}.get((was, wanted))
    if side is None:
        return
    inside = wanted == "inside"
    bound = _beyond(value.value, up=(side == "low") != inside)
    if "component" not in raw and "nominal" not in raw:
        key = "min" if side == "low" else "max"
        if key in raw:
            yield [((key,), show_exact(bound, value.unit, value.kind))]
    elif "nominal" in raw:
        yield from _tolerance_moved(raw, spec, bound, side)


def _beyond(value: Decimal, *, up: bool) -> Decimal:
    """The value rounded to a few significant digits; with ``up`` the next such figure."""
    if not value:
        return value
    step = Decimal(1).scaleb(value.adjusted() - DIGITS + 1)
    rounded = (value / step).to_integral_value() * step
    return rounded + step if up else rounded - step


def _tolerance_moved(
    raw: Mapping[str, Any], spec: Mapping[str, Any], bound: Decimal, side: str
) -> Iterator[list[Edit]]:
    """The tolerance as a pair with one side moved to the bound."""
    try:
        limits = resolve_limits(spec)
    except FaulttreeError:
        return
    nominal, lower, upper = limits.nominal, limits.lower, limits.upper
    if nominal is None or lower is None or upper is None or nominal == 0:
        return
    lower, upper = (bound, upper) if side == "low" else (lower, bound)
    if not lower <= nominal <= upper or "tolerance" not in raw:
        return
    pair = [_share(lower - nominal, nominal), _share(upper - nominal, nominal)]
    yield [(("tolerance",), pair)]


def _share(distance: Decimal, nominal: Decimal) -> str:
    share = 100 * distance / abs(nominal)
    return f"{share.normalize():+.6f}".rstrip("0").rstrip(".") + " %"


def _band_moved(
    bands: list[Mapping[str, Any]], value: Quantity, was: str, wanted: str
) -> Iterator[list[Edit]]:
    """The boundary between two adjacent bands, moved past the reading."""
    names = [str(band.get("name")) for band in bands]
    if was not in names or wanted not in names or abs(names.index(was) - names.index(wanted)) != 1:
        return
    assert value.value is not None
    low, high = sorted((names.index(was), names.index(wanted)))
    # The boundary belongs to the upper band, so it must be above a reading of the lower band.
    up = names.index(wanted) == low
    text = show_exact(_beyond(value.value, up=True) if up else value.value, value.unit, value.kind)
    if "below" in bands[low] and "from" in bands[high]:
        yield [(("bands", low, "below"), text), (("bands", high, "from"), text)]


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
                yield f"case {case.number}, {value.text}: `{before}` then, `{after}` now"
