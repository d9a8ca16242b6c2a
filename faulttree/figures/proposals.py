"""What to change in a tree, by its record: each with why, and as plain data to apply."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from faulttree.errors import FaulttreeError
from faulttree.figures.guarding import guarded_table, guards
from faulttree.figures.intervals import (
    FEW,
    Share,
    chance_of_at_least,
    chance_of_at_most,
    holm,
    share_of,
    tolerance_factor,
    upper_limit,
)
from faulttree.figures.replay import Replay, cases_of, replay
from faulttree.figures.said import between, percent
from faulttree.odds import PSEUDO_COUNT, TableError
from faulttree.odds.problem import Problem
from faulttree.odds.testability import groups_of
from faulttree.reading import Limits, resolve_limits, show

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.figures.gathering import StepCount, TreeCount
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Step

__all__ = ["Proposal", "propose"]

RARE = 0.05
"""A share below which a fault or an outcome is called rare here: common practice, no source."""

WORTH_SAYING = 1.0
"""Minutes a case below which another order is not proposed: common practice, no source."""

GOOD_UNITS = 10
"""Good readings below which nothing is said of limits: common practice, no source."""

NEAR = 2.0
"""Standard deviations between the mean of good units and a limit below which the limit is
named: one good unit in forty, and more, would be judged out."""

FAR_OFF = 1.5
"""How many times off a stated time must be to be named: common practice, no source."""

OFTEN = 0.1
"""How often a step may contradict what was confirmed: common practice, no source."""


@dataclass(frozen=True)
class Proposal:
    """Something to change, and why.

    Attributes:
        kind: ``order``, ``weights``, ``move-down``, ``limits``, ``minutes`` or ``tell-apart``.
        at: the step or fault it is about; empty for the whole tree.
        what: what to do, one sentence.
        why: what the record says, with its figures and intervals.
        figures: the same as plain data.
        change: the edit as plain data, ``action`` first; for whoever applies it.
    """

    kind: str
    at: str
    what: str
    why: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    change: Mapping[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "kind": self.kind,
            "at": self.at,
            "what": self.what,
            "why": self.why,
            "figures": dict(self.figures),
            "change": dict(self.change),
        }


def propose(store: Store, count: TreeCount, filters: Mapping[str, Any]) -> tuple[Proposal, ...]:
    """All that a tree's record suggests to change, what saves most time first.

    A tree that the library does not have is not changed. One whose steps wait for one another
    cannot be put in order; `faulttree check` says so.

    Raises:
        RecordError: the record cannot be read.
    """
    if count.gone:
        return ()
    try:
        table = guarded_table(count.tree)
        tried = replay(cases_of(store, count, filters), count)
    except TableError:
        return ()
    return (
        *_order(count, tried),
        *_weights(count, table),
        *_move_down(count),
        *_limits(count),
        *_contradicted(count, table),
        *_minutes(count),
        *_tell_apart(count, table),
    )


def _within(share: Share) -> str:
    return between(share.low, share.high)


def _order(count: TreeCount, tried: Replay | None) -> Iterator[Proposal]:
    if tried is None or tried.cases < FEW:
        return
    sure = tried.saved.low > 0 and tried.held_out.low > 0
    if not sure or tried.held_out.mean < WORTH_SAYING:
        return
    try:
        document = tried.order.document()
    except FaulttreeError:
        return
    saved, held = tried.saved, tried.held_out
    yield Proposal(
        "order",
        "",
        f"Ask in another order: {', then '.join(tried.order.first)}.",
        f"Replayed on {tried.cases} cases it takes {tried.after:.1f} min instead of "
        f"{tried.before:.1f} on average: {saved.mean:.1f} min saved a case ({saved.low:.1f} to "
        f"{saved.high:.1f}); {held.mean:.1f} ({held.low:.1f} to {held.high:.1f}) where each half "
        f"of the cases is replayed in an order chosen from the other half. "
        f"{tried.longer.count} cases would have taken longer, the worst by {tried.worst:.0f} min; "
        f"{tried.misled} would have been misled. {tried.left_out} cases are left out: their own "
        "readings do not lead to their fault in the tree as it stands.",
        tried.as_dict(),
        {
            "action": "replace-order",
            "tree": count.tree.id,
            "first": list(tried.order.first),
            "document": document,
        },
    )


def _weights(count: TreeCount, table: FaultTable) -> Iterator[Proposal]:
    """Faults that are surely commoner or rarer than their weight says."""
    # A fault that older texts did not know had not the same chance to be found.
    known = [f for f in table.faults if count.could_find(f) == count.closed]
    weight = {f: w for f, w in zip(table.faults, table.weights, strict=True) if f in known}
    confirmed = {fault: count.faults["fixed", fault] for fault in known}
    cases, whole = sum(confirmed.values()), sum(weight.values())
    if cases < FEW:
        return
    stated = {fault: weight[fault] / whole for fault in known}
    chances = [
        2 * min(
            chance_of_at_least(confirmed[fault], cases, stated[fault]),
            chance_of_at_most(confirmed[fault], cases, stated[fault]),
        )
        for fault in known
    ]  # fmt: skip
    off = [fault for fault, sure in zip(known, holm(chances), strict=True) if sure]
    if not off:
        return
    pulled = {f: (PSEUDO_COUNT * stated[f] + confirmed[f]) / (PSEUDO_COUNT + cases) for f in off}
    # The others keep their weights, so these grow or shrink the whole as well.
    rest = sum(weight[f] for f in known if f not in off)
    new_whole = rest / (1 - sum(pulled.values())) if rest else whole
    new = {fault: _digits(pulled[fault] * new_whole) for fault in off}
    told = [
        f"{fault} is {percent(confirmed[fault] / cases)} "
        f"({_within(Share(confirmed[fault], cases))}), its weight says {percent(stated[fault])}"
        for fault in off
    ]
    yield Proposal(
        "weights",
        "",
        f"Set the weight of {_listed(off)} anew.",
        f"Of {cases} confirmed cases {'; '.join(told)}. By the exact binomial test, at most "
        "one tree in twenty would be named here by chance.",
        {
            fault: {**Share(confirmed[fault], cases).as_dict(), "stated": stated[fault]}
            for fault in off
        },
        {"action": "set-weights", "tree": count.tree.id, "weights": new},
    )


def _digits(weight: float) -> float:
    return float(f"{max(weight, 0.01):.2g}")


def _move_down(count: TreeCount) -> Iterator[Proposal]:
    """Faults never confirmed, and steps that always gave the same, once that is telling."""
    tree = count.tree
    for fault in tree.faults.values():
        closed = count.could_find(fault.id)
        below = upper_limit(closed)
        seen = count.faults["fixed", fault.id] + count.faults["found", fault.id]
        if seen or below >= RARE or fault.id in tree.loose:
            continue
        leads = sorted({step for step, _, to in tree.edges() if to == fault.id})
        yield Proposal(
            "move-down",
            fault.id,
            f"Move what finds “{fault.title}” behind the rest, or retire it.",
            f"Not found in {closed} closed cases: its share is below {percent(below)} "
            "(95 %, exact binomial). Rare is not never: keep it where a miss would be dangerous.",
            {"cases": closed, "below": below},
            {"action": "move-down", "tree": tree.id, "fault": fault.id, "steps": leads},
        )
    for name in tree.diagnostic:
        yield from _tells_nothing(count, name)


def _tells_nothing(count: TreeCount, name: str) -> Iterator[Proposal]:
    step, counted = count.tree.steps[name], count.steps[name]
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    walked = sum(counted.taken.values())
    below = upper_limit(walked)
    one_sided = len(outcomes) > 1 and len([o for o in outcomes if counted.taken[o]]) == 1
    if not one_sided or below >= RARE or guards(count.tree, name):
        return
    always = next(outcome for outcome in outcomes if counted.taken[outcome])
    yield Proposal(
        "move-down",
        name,
        f"Move {name} later, or retire it.",
        f"It gave “{always}” all {walked} times before a repair: any other outcome comes in less "
        f"than {percent(below)} of walks (95 %, exact binomial), and it takes {step.cost:g} min "
        "each time. No caution hangs on it by the tree's own stops; look before you move it.",
        {"walked": walked, "below": below, "minutes": step.cost},
        {"action": "move-down", "tree": count.tree.id, "step": name},
    )


def _limits(count: TreeCount) -> Iterator[Proposal]:
    """Limits that good units would pass only by luck."""
    for name, step in count.tree.steps.items():
        good = count.steps[name].good if name in count.steps else None
        if good is None or good.n < GOOD_UNITS or not good.deviation:
            continue
        limits = _fixed_limits(step)
        if limits is None:
            continue
        half = tolerance_factor(good.n) * good.deviation
        low, high = good.mean - half, good.mean + half
        near = NEAR * good.deviation
        under = limits.lower is not None and good.mean - near < float(limits.lower)
        over = limits.upper is not None and good.mean + near > float(limits.upper)
        if not under and not over:
            continue

        def said(value: float, limits: Limits = limits) -> str:
            return show(value, limits.unit, limits.kind, digits=4)

        sides = [*(["low"] if under else []), *(["high"] if over else [])]
        yield Proposal(
            "limits",
            name,
            f"Look at the limits of {name}: good units come near them on the "
            f"{_listed(sides)} side.",
            f"The {good.n} readings that confirmed a repair lie at {said(good.mean)} on average, "
            f"standard deviation {said(good.deviation)}, so one good unit in forty or more "
            "would be judged out. "
            f"With 95 % confidence, 95 % of good units "
            f"read {said(low)} to {said(high)}, were they spread normally; the limits are "
            f"{_said_limits(limits)}. Readings that did not confirm are not among them, so the "
            "true spread is wider still.",
            {
                "n": good.n,
                "mean": good.mean,
                "deviation": good.deviation,
                "low": low,
                "high": high,
                "lower": None if limits.lower is None else float(limits.lower),
                "upper": None if limits.upper is None else float(limits.upper),
                "unit": limits.unit,
            },
            {
                "action": "set-limits",
                "tree": count.tree.id,
                "step": name,
                "min": said(low) if under else None,
                "max": said(high) if over else None,
                "source": f"{good.n} mended units of this record",
            },
        )


def _fixed_limits(step: Step) -> Limits | None:
    """Limits that are the author's own figures: not of a part, not of other readings."""
    if step.limits is None or "component" in step.limits:
        return None
    try:
        limits = resolve_limits(step.limits, unit=step.unit)
    except FaulttreeError:
        return None
    return None if limits.missing or limits.bands or limits.problem else limits


def _said_limits(limits: Limits) -> str:
    ends = [
        show(end, limits.unit, limits.kind, digits=4) if end is not None else word
        for end, word in ((limits.lower, "none below"), (limits.upper, "none above"))
    ]
    return " to ".join(ends)


def _contradicted(count: TreeCount, table: FaultTable) -> Iterator[Proposal]:
    """Steps whose outcome is often not what the confirmed fault should have shown."""
    for name in table.tests:
        wrong, of = _against(count.steps[name], table, name)
        share = share_of(wrong, of)
        if of < FEW or share.low <= OFTEN:
            continue
        yield Proposal(
            "limits",
            name,
            f"Look at {name}: it often shows what the confirmed fault should not.",
            f"In {wrong} of {of} confirmed cases ({percent(wrong / of)}, {_within(share)}) its "
            "outcome is not among those from which the fault can be reached, or that its signs "
            "name: its limits, its words or the signs are off."
            + (
                " Some walks followed an older text: see first whether that is why."
                if count.texts
                else ""
            ),
            share.as_dict(),
            {"action": "look-at", "tree": count.tree.id, "step": name},
        )


def _against(counted: StepCount, table: FaultTable, name: str) -> tuple[int, int]:
    wrong = of = 0
    for outcome, ended in counted.ended.items():
        for (result, fault), cases in ended.items():
            entry = table.entry(fault, name) if fault in table.fault_index else ()
            if result == "fixed" and entry:
                of += cases
                wrong += 0 if outcome in entry else cases
    return wrong, of


def _minutes(count: TreeCount) -> Iterator[Proposal]:
    """Times that the tree states and the clock does not bear out."""
    new: dict[str, float] = {}
    told, figures = [], {}
    for name, step in count.tree.steps.items():
        timed = count.steps[name].timed
        if len(timed) < FEW or step.minutes is None or step.access:
            continue
        ordered = sorted(timed.tolist())
        low, median, high = (ordered[int(part * (len(ordered) - 1))] for part in (0.25, 0.5, 0.75))
        ratio = median / step.minutes if step.minutes else FAR_OFF
        outside = not low <= step.minutes <= high
        if outside and not 1 / FAR_OFF < ratio < FAR_OFF:
            new[name] = float(f"{median:.2g}")
            figures[name] = {"n": len(ordered), "median": median, "stated": step.minutes}
            told.append(f"{name} {median:.2g} (stated {step.minutes:g}, {len(ordered)} times)")
    if new:
        yield Proposal(
            "minutes",
            "",
            f"Set the minutes of {_few(list(new))} anew.",
            f"The median as timed, in minutes: {'; '.join(told)}. More than half of the times "
            f"lie on one side of what is stated, by {FAR_OFF:g} times or more.",
            figures,
            {"action": "set-minutes", "tree": count.tree.id, "minutes": new},
        )


def _tell_apart(count: TreeCount, table: FaultTable) -> Iterator[Proposal]:
    """Faults that were taken for one another, or that no test tells apart."""
    title = {name: fault.title for name, fault in count.tree.faults.items()}
    for (first, then), cases in sorted(count.instead.items(), key=lambda item: -item[1]):
        tried = count.failed[first] + count.faults["fixed", first]
        share = share_of(cases, tried)
        if cases >= 3 and share.low > RARE:
            yield _split(
                count,
                [first, then],
                f"Of {tried} repairs of “{title[first]}” {cases} did not help, and "
                f"“{title[then]}” was confirmed instead ({percent(cases / tried)}, "
                f"{_within(share)}).",
                share.as_dict(),
            )
    for group in groups_of(Problem(table)):
        seen = {fault: count.faults["fixed", fault] for fault in group}
        if sum(number > 0 for number in seen.values()) > 1:
            said = ", ".join(f"“{title[fault]}” {number} times" for fault, number in seen.items())
            yield _split(
                count, list(group), f"No test tells them apart; confirmed were {said}.", seen
            )


def _split(count: TreeCount, faults: list[str], why: str, figures: Mapping[str, Any]) -> Proposal:
    return Proposal(
        "tell-apart",
        faults[0],
        f"Find a test that tells {_listed(faults)} apart.",
        why,
        figures,
        {"action": "add-test", "tree": count.tree.id, "between": faults},
    )


def _few(names: list[str]) -> str:
    return _listed(names) if len(names) <= 3 else f"{len(names)} steps"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
