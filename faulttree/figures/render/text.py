"""The review on a terminal: plain lines, the same figures as in every other form."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from faulttree.figures import formatting
from faulttree.texts import harmless, one_line, table, wrapped

if TYPE_CHECKING:
    from faulttree.figures.proposals.proposal import ReviewProposal
    from faulttree.figures.results import Branch, Review, TreeFigures


MEASURE = 100
"""Columns a paragraph takes at most: longer lines are hard to read."""

LISTED = 10
"""Units not solved that are listed at most."""

LITTLE = 50
"""Cases of one tree up to which the figures of the shop come first."""

MANY = 3
"""Trees above which only the list of trees and the proposals are shown."""


def lines(
    review: Review, width: int, *, full: bool | None = None, explain: bool = False
) -> list[str]:
    """The review as lines of text.

    Args:
        review: the results.
        width: columns of the screen.
        full: every figure of every tree; None decides by the number of trees.
        explain: also how the figures are made.
    """
    whole = len(review.trees) <= MANY if full is None else full
    out = [*_head(review), *_shop(review, width)]
    if len(review.trees) > 1:
        out += ["", *_list(review, width)]
    for tree in review.trees:
        if whole:
            out += ["", *_tree(tree, width)]
        elif tree.proposals:
            out += ["", _title(tree), *_proposals(tree.proposals, width, tree.tree.id)]
    if review.shared:
        out += ["", "## Shared procedures", *_proposals(review.shared, width)]
    if review.trees and not explain:
        out += ["", "With --explain: how to read this."]
    elif review.trees:
        out += ["", "How to read this", *(p for m in review.method for p in _par(m, width))]
    return [harmless(line) for line in out]


def _head(review: Review) -> Iterator[str]:
    where = f", {formatting.period(review)}" if review.first else ""
    yield f"{formatting.counted_trees(review)}{where}"
    if review.invented:
        yield "This record is invented."
    yield from (f"{line}." for line in formatting.scope_words(review))


def _shop(review: Review, width: int) -> Iterator[str]:
    """What the owner asks first: figures of the shop, units not solved, and what to do next.

    Nothing for one tree with many cases: its own figures are meant then.
    """
    if len(review.trees) == 1 and review.cases > LITTLE:
        return
    yield from (f"{line}." for line in formatting.owner_words(review))
    unsolved = review.owner.unsolved
    if unsolved:
        yield ""
        yield f"Not solved: {formatting.cases(len(unsolved))}"
        for unit in unsolved[:LISTED]:
            yield from _par(f"  {formatting.unsolved_words(unit)}", width, "    ")
        if len(unsolved) > LISTED:
            yield f"  and {len(unsolved) - LISTED} more; --json lists them"
    if words := formatting.next_words(review):
        yield from _par(f"Best done next: {words}.", width)


def _list(review: Review, width: int) -> list[str]:
    rows: list[Sequence[str]] = [
        ("tree", "cases", "fault confirmed", "min to find", "whole case", "to change")
    ]
    rows += [
        (
            tree.tree.id,
            str(tree.cases),
            formatting.share(tree.confirmed, counts=False),
            *map(formatting.median, (tree.minutes.finding, tree.minutes.whole)),
            str(len(tree.proposals) or ""),
        )
        for tree in review.trees
    ]
    return table(rows, width)


def _title(tree: TreeFigures) -> str:
    gone = " (no longer in the library)" if tree.gone else ""
    return f"## {tree.tree.id}: {tree.tree.title}{gone}"


def _tree(tree: TreeFigures, width: int) -> Iterator[str]:
    yield _title(tree)
    yield formatting.tree_words(tree)
    if words := formatting.phases(tree.minutes):
        yield from _par(f"Minutes of the cases with a confirmed fault: {words}", width)
    yield from (f"{line}." for line in formatting.older_words(tree))
    yield from _faults(tree, width)
    yield from _steps(tree, width)
    yield from _open(tree, width)
    yield from _suspects(tree, width)
    if tree.proposals:
        yield ""
        yield from _proposals(tree.proposals, width, tree.tree.id)


def _faults(tree: TreeFigures, width: int) -> Iterator[str]:
    rows: list[Sequence[str]] = [
        ("fault", "confirmed (95 %)", "min to find", "whole case", "repairs held", "came back")
    ]
    rows += [
        (
            fault.fault,
            formatting.share(fault.confirmed),
            *map(formatting.spread, (fault.minutes.finding, fault.minutes.whole)),
            f"{fault.held.count} of {fault.held.of}",
            str(fault.came_back.count or ""),
        )
        for fault in tree.seen_faults
    ]
    if len(rows) > 1:
        yield ""
        yield from table(rows, width)
    for fault in tree.faults:
        if words := formatting.change_words(fault):
            yield f"{fault.fault} {words}"
        if words := formatting.rise_words(fault):
            yield from _par(f"{fault.fault} {words}.", width)
    growing = [(fault, formatting.trend_words(fault)) for fault in tree.faults]
    if told := "; ".join(f"{fault.fault} {words}" for fault, words in growing if words):
        yield from _par(f"Possibly more frequent (up to 10 % of these are false): {told}", width)
    if never := tree.never_faults:
        names = ", ".join(f"{one.fault} {formatting.percent(one.below or 0.0)}" for one in never)
        yield from _par(f"Never found, so below this share of cases (95 %): {names}", width)


def _steps(tree: TreeFigures, width: int) -> Iterator[str]:
    shown = [step for step in tree.steps if step.walked and len(step.branches) > 1]
    wide = max((len(_way(b)) for step in shown for b in step.branches), default=0)
    for step in shown:
        minutes = f", {formatting.spread(step.minutes)} min" if step.minutes else ""
        besides = f"; {words}" if (words := formatting.aside(step)) else ""
        yield ""
        yield from _par(f"{step.step}: {step.walked} walked{minutes}{besides}", width)
        for branch in step.branches:
            never = f"never, below {formatting.percent(branch.below or 0)}"
            walked = never if branch.below is not None else formatting.share(branch.walked)
            yield f"  {_way(branch):{wide}}  {walked}"
            if branch.faults:
                told = (
                    f"      {branch.confirmed.count} confirmed: {formatting.few_of(branch.faults)}"
                )
                yield from _par(told, width, "        ")


def _way(branch: Branch) -> str:
    return f"{branch.outcome} → {branch.target}"


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


def _proposals(proposals: Sequence[ReviewProposal], width: int, tree: str = "") -> Iterator[str]:
    """Numbered proposals, each with the options that apply it; without a tree the shared ones."""
    yield "What to change:"
    for number, proposal in enumerate(proposals, 1):
        done = (
            "[by hand]" if proposal.by_hand else f"[{tree and f'--tree {tree} '}--apply {number}]"
        )
        yield from _par(f"{number}. {proposal.what} {done}", width, "   ")
        yield from _par(f"   {proposal.why}", width, "   ")
        if proposal.by_hand:
            yield from _par(f"   {proposal.by_hand}", width, "   ")


def _par(text: str, width: int, indent: str = "  ") -> list[str]:
    """Wrap a paragraph to the width and keep the indent of its first line."""
    first = text[: len(text) - len(text.lstrip(" "))]
    return wrapped(one_line(text), max(min(width, MEASURE), 40), first, indent, whole_words=True)
