"""The review as one HTML page: works from disk, fetches nothing, prints on A4."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from faulttree.diagram import Counts, picture
from faulttree.diagram.escape import plain, xml
from faulttree.diagram.html_page import page_of, style
from faulttree.errors import FaulttreeError
from faulttree.figures import formatting
from faulttree.figures.render.page_style import STYLE
from faulttree.figures.render.plots import PlotLine, boxes, intervals, lines_over_time
from faulttree.figures.render.text import aside, few_of
from faulttree.figures.statistics import FEW, share_of

if TYPE_CHECKING:
    from faulttree.figures.results import FaultFigures, KindFigures, Review, TreeFigures
    from faulttree.figures.statistics import Share

__all__ = ["page"]

PLOTTED = 12
"""Faults that a plot shows at most; the table shows all."""


def page(review: Review, *, progress: Callable[[int, int], None] | None = None) -> str:
    """The whole page.

    Args:
        review: what was counted.
        progress: told how many trees of how many are drawn.
    """
    body = [
        '<a class="skip" href="#main">To the figures</a>',
        *_header(review),
        '<main id="main">',
        *_overview(review),
    ]
    for at, tree in enumerate(review.trees):
        if progress is not None:
            progress(at, len(review.trees))
        body += _tree(tree, at)
    if progress is not None:
        progress(len(review.trees), len(review.trees))
    body += [*_method(review), "</main>"]
    return page_of(plain(_headline(review)), "en", style("auto", STYLE), body)


def safe(text: object) -> str:
    """Any text, as the text of an element or an attribute."""
    return xml(plain(text)).replace(" %", "\u00a0%")


def _headline(review: Review) -> str:
    only = next(iter(review.trees)).tree.title if len(review.trees) == 1 else ""
    return f"Review of the record: {only}" if only else "Review of the record"


def _header(review: Review) -> Iterator[str]:
    yield "<header>"
    yield f"<h1>{safe(_headline(review))}</h1>"
    trees = f"{len(review.trees)} tree{'s' * (len(review.trees) != 1)}"
    cases = formatting.cases(review.cases)
    yield f"<p>{safe(cases)} on {trees}, {safe(formatting.period(review))}.</p>"
    if review.invented:
        yield '<p class="notice">This record is invented: no unit, owner or reading is real.</p>'
    if review.filters:
        told = ", ".join(f"{name} {value}" for name, value in review.filters.items())
        yield f"<p>Only {safe(told)}.</p>"
    if told := formatting.unsaid(review):
        yield f"<p>{safe(told)}</p>"
    if review.unread:
        unread = formatting.cases(review.unread)
        yield f"<p>{safe(unread)} left out: no text of their trees is left.</p>"
    if review.benches:
        yield f"<p>Taken in by {safe(', '.join(review.benches))}.</p>"
    yield "</header>"
    if len(review.trees) > 1:
        yield '<nav aria-label="Trees"><ul>'
        for at, tree in enumerate(review.trees):
            yield f'<li><a href="#tree-{at}">{safe(tree.tree.id)}</a></li>'
        yield "</ul></nav>"


def _overview(review: Review) -> Iterator[str]:
    if not review.trees:
        yield "<p>The record holds no such case yet.</p>"
        return
    if len(review.trees) == 1:
        return
    yield '<section aria-labelledby="all"><h2 id="all">All trees</h2>'
    rows = []
    for at, tree in enumerate(review.trees):
        confirmed = share_of(sum(f.confirmed.count for f in tree.faults), tree.closed)
        cells = [
            _link(at, tree),
            _number(tree.cases),
            _share(confirmed),
            _share(tree.unsolved),
            safe(formatting.spread(tree.minutes)),
            _number(len(tree.proposals)),
        ]
        rows.append(cells)
    heads = ("Tree", "Cases", "Fault confirmed", "No fault found", "Minutes", "To change")
    yield from _table("Every tree that was walked; shares are of closed cases", heads, rows)
    yield from _suspects(review.suspects, "all trees")
    yield "</section>"


def _link(at: int, tree: TreeFigures) -> str:
    return f'<a href="#tree-{at}">{safe(tree.tree.title)}</a>'


def _tree(tree: TreeFigures, at: int) -> Iterator[str]:
    name = f"tree-{at}"
    yield f'<section class="tree" aria-labelledby="{name}">'
    yield f'<h2 id="{name}">{safe(tree.tree.title)}</h2>'
    gone = " No longer in the library: as the record knew it last." if tree.gone else ""
    yield f"<p><code>{safe(tree.tree.id)}</code> · {safe(formatting.tree_words(tree))}.{gone}</p>"
    if tree.minutes:
        yield f"<p>Minutes to a confirmed fault: {safe(formatting.spread(tree.minutes))}.</p>"
    yield from _older(tree)
    yield from _proposals(tree)
    yield from _faults(tree)
    yield from _trend(tree)
    yield from _steps(tree)
    yield from _unsolved(tree)
    yield from _suspects(tree.suspects, tree.tree.title)
    yield from _diagram(tree)
    yield "</section>"


def _older(tree: TreeFigures) -> Iterator[str]:
    if tree.older:
        left = sum(tree.left_out.values())
        yield (
            f"<p>{safe(formatting.cases(tree.older))} walked an older text of this tree; {left} "
            "answers to steps that are no more are left out.</p>"
        )
    if tree.no_longer:
        told = ", ".join(f"{name} ({many})" for name, many in tree.no_longer.items())
        yield f"<p>Found, but not in the tree: {safe(told)}.</p>"


KINDS = {
    "order": "Order",
    "weights": "Weights",
    "move-down": "Move down",
    "limits": "Limits",
    "minutes": "Minutes",
    "tell-apart": "Tell apart",
}


def _proposals(tree: TreeFigures) -> Iterator[str]:
    if not tree.proposals:
        return
    yield "<h3>What to change</h3><ol class=proposals>"
    for number, proposal in enumerate(tree.proposals, 1):
        kind = KINDS.get(proposal.kind, proposal.kind)
        how = f"<code>faulttree review --tree {safe(tree.tree.id)} --apply {number}</code>"
        how = safe(f"By hand. {proposal.by_hand}") if proposal.by_hand else how
        yield (
            f'<li><p><span class="kind">{safe(kind)}</span> <strong>{safe(proposal.what)}'
            f"</strong></p><p>{safe(proposal.why)}</p><p>{how}</p></li>"
        )
    yield "</ol>"


def _faults(tree: TreeFigures) -> Iterator[str]:
    seen = [f for f in tree.faults if f.confirmed.count or f.found or f.held.of]
    ranked = sorted(seen, key=lambda fault: -fault.confirmed.count)
    yield "<h3>Faults</h3>"
    confirmed = [fault for fault in ranked if fault.confirmed.count][:PLOTTED]
    if confirmed:
        rows = [(fault.fault, fault.confirmed) for fault in confirmed]
        yield from _figure(
            intervals("Share of closed cases by fault", rows),
            "Share of closed cases that each fault was confirmed in, with its 95 % interval. "
            f"An open dot rests on fewer than {FEW} cases.",
        )
    timed = [(f.fault, f.minutes) for f in confirmed if f.minutes is not None]
    if timed:
        yield from _figure(
            boxes("Minutes to fault", [(name, spread) for name, spread in timed if spread]),
            "Minutes at the bench until the fault was confirmed: the box holds the middle half, "
            "the bar in it is the median, the line runs from least to most.",
        )
    rows_ = [
        [
            f"{safe(fault.title)} <code>{safe(fault.fault)}</code>",
            _share(fault.confirmed),
            _number(fault.found),
            _share(fault.held),
            _share(fault.came_back),
            safe(formatting.spread(fault.minutes)),
            safe(
                "; ".join(
                    filter(None, (formatting.change_words(fault), formatting.rise_words(fault)))
                )
            ),
        ]
        for fault in ranked
    ]
    heads = ("Fault", "Confirmed", "Named only", "Repairs held", "Came back", "Minutes", "Change")
    if rows_:
        yield from _table("Faults found, the commonest first", heads, rows_)
    yield from _never([fault for fault in tree.faults if fault not in seen])


def _never(faults: Sequence[FaultFigures]) -> Iterator[str]:
    rows = [
        [
            f"{safe(one.title)} <code>{safe(one.fault)}</code>",
            _number(one.confirmed.of),
            safe(formatting.percent(one.below or 0.0)),
        ]
        for one in faults
    ]
    if rows:
        heads = ("Fault", "Cases that could find it", "Its share is below")
        yield from _table("Faults never found, with the 95 % limit on their share", heads, rows)


def _trend(tree: TreeFigures) -> Iterator[str]:
    changed = [f.fault for f in tree.faults if f.change is not None and f.change.alarm]
    ranked = sorted(tree.faults, key=lambda fault: -fault.confirmed.count)
    names = [*changed, *(f.fault for f in ranked if f.fault not in changed and f.confirmed.count)]
    names = names[:4]
    if len(tree.quarters) < 2 or not names:
        return
    yield "<h3>Over time</h3>"
    enough = [quarter for quarter in tree.quarters if quarter[1] >= FEW]
    if len(enough) > 1:
        lines = [
            PlotLine(name, tuple(faults.get(name, 0) / closed for _, closed, faults in enough))
            for name in names
        ]
        times = [quarter for quarter, _, _ in enough]
        yield from _figure(
            lines_over_time("Share of faults over time", times, lines),
            "Share of the cases closed in each quarter. Quarters with fewer than "
            f"{FEW} are left out; whether a change stands is said in the table of faults.",
        )
    rows = [
        [safe(quarter), _number(closed), *(_number(faults.get(name, 0)) for name in names)]
        for quarter, closed, faults in tree.quarters
    ]
    yield "<details><summary>Confirmed cases by quarter</summary>"
    yield from _table("Confirmed cases by quarter", ["Quarter", "Closed", *names], rows)
    yield "</details>"


def _steps(tree: TreeFigures) -> Iterator[str]:
    rows: list[list[str]] = []
    for step in tree.steps:
        if not step.walked:
            continue
        for branch in step.branches:
            first = branch is step.branches[0]
            faults = few_of(branch.faults)
            never = f"never, below {formatting.percent(branch.below or 0.0)}"
            name = f"<code>{safe(step.step)}</code>"
            rows.append(
                [
                    f"{name}<br>{safe(step.text)}"
                    if first
                    else f'<span class="same">{name}</span>',
                    f"{safe(branch.outcome)} → <code>{safe(branch.target)}</code>",
                    safe(never) if branch.below is not None else _share(branch.walked),
                    f"{_number(branch.confirmed.count)} <small>{safe(faults)}</small>"
                    if faults
                    else "0",
                    safe(formatting.spread(step.minutes)) if first else "",
                    safe(aside(step)) if first else "",
                ]
            )
    if not rows:
        return
    yield "<h3>Steps and branches</h3>"
    heads = ("Step", "Outcome", "Walked", "Confirmed behind it", "Minutes", "Besides")
    yield from _table(
        "Each outcome by the cases that took it before any repair was tried", heads, rows
    )


def _unsolved(tree: TreeFigures) -> Iterator[str]:
    if not tree.unsolved.count:
        return
    yield "<h3>Ended without a fault</h3>"
    yield f"<p>{safe(formatting.share(tree.unsolved))}.</p>"
    if tree.open_suspects:
        titles = {name: fault.title for name, fault in tree.tree.faults.items()}
        rows = [
            [safe(titles.get(fault, fault)), _number(many), safe(formatting.percent(mean))]
            for fault, (many, mean) in list(tree.open_suspects.items())[:PLOTTED]
        ]
        heads = ("Suspect", "Walks", "Mean probability")
        yield from _table("Suspects left untested, the most often first", heads, rows)


def _suspects(kinds: Sequence[KindFigures], where: str) -> Iterator[str]:
    if not kinds:
        return
    yield "<h3>Suspects by kind of evidence</h3>"
    seen = [(f"{kind.kind}, seen", kind.seen) for kind in kinds]
    held = [(f"{kind.kind}, repairs held", kind.held) for kind in kinds if kind.held.of]
    yield from _figure(
        intervals(f"Suspects by kind of evidence, {where}", [*seen, *held]),
        "Of the faults that rest on each kind of evidence, the share confirmed at least once in "
        "this record; and of the repairs tried for them, the share that held.",
    )
    rows = [[safe(kind.kind), _share(kind.seen), _share(kind.held)] for kind in kinds]
    yield from _table("The same figures", ("Evidence", "Confirmed since", "Repairs held"), rows)


def _diagram(tree: TreeFigures) -> Iterator[str]:
    count = tree.count
    if count is None:
        return
    taken = {
        (name, outcome): many
        for name, step in count.steps.items()
        for outcome, many in step.taken.items()
    }
    confirmed = {fault.fault: fault.confirmed.count for fault in tree.faults}
    try:
        drawn = picture(tree.tree, paged=False, counts=Counts(tree.cases, taken, confirmed)).svg()
    except FaulttreeError as error:
        yield f"<p>No diagram: {safe(error.message)}.</p>"
        return
    data = base64.b64encode(drawn.encode()).decode()
    yield "<h3>The tree, shaded by how often it was walked</h3>"
    yield '<figure class="diagram"><div class="scroll" tabindex="0" role="region" '
    yield f'aria-label="Diagram of {safe(tree.tree.title)}">'
    yield (
        f'<img src="data:image/svg+xml;base64,{data}" '
        f'alt="Flow chart of {safe(tree.tree.title)}; its counts stand in the tables above.">'
    )
    yield (
        "</div><figcaption>Thicker arrows were walked more often. On paper it is easier to read "
        f"as sheets: <code>faulttree draw {safe(tree.tree.id)} --counts -o tree.pdf</code>."
        "</figcaption></figure>"
    )


def _method(review: Review) -> Iterator[str]:
    yield '<section aria-labelledby="method"><h2 id="method">How to read this</h2><ul>'
    for line in review.method:
        yield f"<li>{safe(line)}</li>"
    yield "</ul></section>"


def _share(figure: Share) -> str:
    if figure.share is None:
        return "–"
    few = ' <span class="few">few</span>' if figure.small else ""
    return (
        f'<span class="n">{_number(figure.count)} of {_number(figure.of)}:</span> '
        f"{safe(formatting.percent(figure.share))} "
        f"<small>({safe(formatting.between(figure.low, figure.high))})</small>"
        f"{few}"
    )


def _number(value: int) -> str:
    return f"{value:,}".replace(",", "\u202f")


def _figure(svg: str, caption: str) -> Iterator[str]:
    yield f"<figure>{svg}<figcaption>{safe(caption)}</figcaption></figure>"


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """A table; heads are escaped here, cells must be already. A first cell names its row."""
    yield '<div class="scroll" tabindex="0" role="region" '
    yield f'aria-label="{safe(caption)}"><table><caption>{safe(caption)}</caption><thead><tr>'
    yield "".join(f'<th scope="col">{safe(head)}</th>' for head in heads)
    yield "</tr></thead><tbody>"
    for first, *cells in rows:
        yield f'<tr><th scope="row">{first}</th>'
        yield "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
    yield "</tbody></table></div>"
