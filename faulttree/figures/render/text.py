"""The review on a terminal: plain lines, the same figures as in every other form."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from faulttree.cases.report.render import table
from faulttree.figures import formatting
from faulttree.figures.statistics import share_of
from faulttree.texts import harmless, one_line

if TYPE_CHECKING:
    from faulttree.figures.results import Branch, Review, StepFigures, TreeFigures

__all__ = ["aside", "few_of", "lines"]

MEASURE = 100
"""Columns a paragraph takes at most: longer lines are hard to read."""

MANY = 3
"""Trees above which only the list of trees and the proposals are shown."""


def lines(review: Review, width: int, *, full: bool | None = None) -> list[str]:
    """The review as lines of text.

    Args:
        review: what was counted.
        width: columns there are.
        full: every figure of every tree; None leaves it to how many trees there are.
    """
    whole = len(review.trees) <= MANY if full is None else full
    out = list(_head(review, width))
    if len(review.trees) > 1:
        out += ["", *_list(review, width)]
    for tree in review.trees:
        if whole:
            out += ["", *_tree(tree, width)]
        elif tree.proposals:
            out += ["", _title(tree), *_proposals(tree, width)]
    if review.trees:
        out += ["", "How to read this", *(p for m in review.method for p in _par(m, width))]
    return [harmless(line) for line in out]


def _head(review: Review, width: int) -> Iterator[str]:
    where = f", {formatting.period(review)}" if review.first else ""
    trees = f"{len(review.trees)} tree{'s' * (len(review.trees) != 1)}"
    yield f"{formatting.cases(review.cases)} on {trees}{where}"
    if review.invented:
        yield "This record is invented."
    if review.filters:
        yield "Only " + ", ".join(f"{name} {value}" for name, value in review.filters.items())
    if told := formatting.unsaid(review):
        yield told
    if review.unread:
        yield f"{formatting.cases(review.unread)} left out: no text of their trees can be read."


def _list(review: Review, width: int) -> list[str]:
    rows = [("tree", "cases", "fault confirmed", "median min", "to change")]
    for tree in review.trees:
        confirmed = sum(fault.confirmed.count for fault in tree.faults)
        rows.append(
            (
                tree.tree.id,
                str(tree.cases),
                formatting.share(share_of(confirmed, tree.closed), counts=False),
                formatting.minutes(tree.minutes.median) if tree.minutes else "–",
                str(len(tree.proposals) or ""),
            )
        )
    return table(rows, width)


def _title(tree: TreeFigures) -> str:
    gone = " (no longer in the library)" if tree.gone else ""
    return f"## {tree.tree.id}: {tree.tree.title}{gone}"


def _tree(tree: TreeFigures, width: int) -> Iterator[str]:
    yield _title(tree)
    yield formatting.tree_words(tree)
    if tree.minutes:
        yield f"Minutes to a confirmed fault: {formatting.spread(tree.minutes)}"
    if tree.older:
        left = sum(tree.left_out.values())
        yield (
            f"{formatting.cases(tree.older)} walked an older text of the tree; {left} answers to "
            "steps that are no more are left out."
        )
    if tree.no_longer:
        told = ", ".join(f"{name} ({many})" for name, many in tree.no_longer.items())
        yield f"Found, but not in the tree: {told}"
    yield from _faults(tree, width)
    yield from _steps(tree, width)
    yield from _open(tree, width)
    yield from _suspects(tree, width)
    if tree.proposals:
        yield ""
        yield from _proposals(tree, width)


def _faults(tree: TreeFigures, width: int) -> Iterator[str]:
    rows = [("fault", "confirmed (95 %)", "minutes", "repairs held", "came back")]
    never = []
    for fault in sorted(tree.faults, key=lambda one: -one.confirmed.count):
        if not fault.confirmed.count and not fault.held.of and not fault.found:
            never.append(fault)
            continue
        rows.append(
            (
                fault.fault,
                formatting.share(fault.confirmed),
                formatting.spread(fault.minutes),
                f"{fault.held.count} of {fault.held.of}",
                str(fault.came_back.count or ""),
            )
        )
    if len(rows) > 1:
        yield ""
        yield from table(rows, width)
    for fault in tree.faults:
        if words := formatting.change_words(fault):
            yield f"{fault.fault} {words}"
        if words := formatting.rise_words(fault):
            yield from _par(f"{fault.fault} {words}.", width)
    if never:
        names = ", ".join(f"{one.fault} {formatting.percent(one.below or 0.0)}" for one in never)
        yield from _par(f"Never found, so below this share of cases (95 %): {names}", width)


def _steps(tree: TreeFigures, width: int) -> Iterator[str]:
    shown = [step for step in tree.steps if step.walked and len(step.branches) > 1]
    wide = max((len(_way(b)) for step in shown for b in step.branches), default=0)
    for step in shown:
        minutes = f", {formatting.spread(step.minutes)} min" if step.minutes else ""
        besides = f"; {words}" if (words := aside(step)) else ""
        yield ""
        yield from _par(f"{step.step}: {step.walked} walked{minutes}{besides}", width)
        for branch in step.branches:
            never = f"never, below {formatting.percent(branch.below or 0)}"
            walked = never if branch.below is not None else formatting.share(branch.walked)
            yield f"  {_way(branch):{wide}}  {walked}"
            if branch.faults:
                told = f"      {branch.confirmed.count} confirmed: {few_of(branch.faults)}"
                yield from _par(told, width, "        ")


def _way(branch: Branch) -> str:
    return f"{branch.outcome} → {branch.target}"


def few_of(faults: Mapping[str, int], most: int = 3) -> str:
    """The commonest faults behind a branch, and how many more there are."""
    named = [f"{name} {many}" for name, many in list(faults.items())[:most]]
    more = [f"{len(faults) - most} more"] if len(faults) > most else []
    return ", ".join([*named, *more])


def aside(step: StepFigures) -> str:
    """What went otherwise at a step."""
    told = (
        ("skipped", step.skipped),
        ("undecided", step.undecided),
        ("gone back on", step.gone_back),
        ("given up here", step.given_up),
    )
    return ", ".join(f"{word} {many}×" for word, many in told if many)


def _open(tree: TreeFigures, width: int) -> Iterator[str]:
    if not tree.unsolved.count:
        return
    yield ""
    yield f"Ended without a fault: {formatting.share(tree.unsolved)}"
    for fault, (many, mean) in list(tree.open_suspects.items())[:5]:
        untested = f"{fault} was left untested in {formatting.cases(many)}"
        yield f"  {untested}, at {formatting.percent(mean)} on average"


def _suspects(tree: TreeFigures, width: int) -> Iterator[str]:
    rows: list[Sequence[str]] = [("suspects", "confirmed since", "repairs held")]
    rows += [
        (kind.kind, formatting.share(kind.seen), formatting.share(kind.held))
        for kind in tree.suspects
    ]
    yield ""
    yield from table(rows, width)


def _proposals(tree: TreeFigures, width: int) -> Iterator[str]:
    yield "What to change:"
    for number, proposal in enumerate(tree.proposals, 1):
        done = "[by hand]" if proposal.by_hand else f"[--apply {number}]"
        yield from _par(f"{number}. {proposal.what} {done}", width, "   ")
        yield from _par(f"   {proposal.why}", width, "   ")
        if proposal.by_hand:
            yield from _par(f"   {proposal.by_hand}", width, "   ")


def _par(text: str, width: int, indent: str = "  ") -> list[str]:
    """A paragraph wrapped to the width; what indents its first line is kept."""
    bare = text.lstrip(" ")
    return textwrap.wrap(
        one_line(bare),
        max(min(width, MEASURE), 40),
        initial_indent=" " * (len(text) - len(bare)),
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
