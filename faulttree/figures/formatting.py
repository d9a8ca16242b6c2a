"""Format figures as text, the same for the terminal and the page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faulttree.figures.owner import UnsolvedUnit
    from faulttree.figures.results import FaultFigures, Review, StepFigures, TreeFigures
    from faulttree.figures.statistics import PhaseMinutes, Share, Spread


def percent(part: float) -> str:
    """A share as a percentage of two or three digits.

    Example:
        >>> percent(0.308), percent(0.9999)
        ('31 %', '99.9 %')
    """
    if part == 0:
        return "0 %"
    if 0.99 < part < 1:
        # A share below 1 must not be shown as 100 %.
        return f"{min(100 * part, 99.9):.1f} %"
    return f"{100 * part:.2g} %" if part < 0.1 else f"{100 * part:.0f} %"


def between(low: float, high: float) -> str:
    """An interval of shares, with one percent sign."""
    return f"{percent(low).removesuffix(' %')} to {percent(high)}"


def within(figure: Share) -> str:
    """The interval of a share."""
    return between(figure.low, figure.high)


def listed(names: Sequence[str]) -> str:
    """Names joined by commas and ``and``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def share(figure: Share, *, counts: bool = True) -> str:
    """A share with its interval, marked if there are few cases."""
    if figure.share is None:
        return "–"
    said = f"{percent(figure.share)} ({between(figure.low, figure.high)})"
    told = f"{figure.count} of {figure.of}: {said}" if counts else said
    return f"{told}, few" if figure.small else told


def minutes(value: float) -> str:
    """Minutes with at most three digits."""
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"


def spread(figure: Spread | None) -> str:
    """Median and quartiles."""
    if figure is None:
        return "–"
    ends = f"{minutes(figure.lower_quartile)} to {minutes(figure.upper_quartile)}"
    return f"{minutes(figure.median)} ({ends})" if figure.n > 1 else minutes(figure.median)


def median(figure: Spread | None) -> str:
    """The median alone."""
    return "–" if figure is None else minutes(figure.median)


def phases(figures: PhaseMinutes) -> str:
    """The minutes of each phase in one line; empty if no case was timed."""
    named = (
        ("to find the fault", figures.finding),
        ("to repair and prove it", figures.repair),
        ("closing checks", figures.closing),
        ("the whole case", figures.whole),
    )
    return "; ".join(f"{words} {spread(one)}" for words, one in named if one is not None)


def owner_words(review: Review) -> Iterator[str]:
    """The figures of the shop, one sentence each, without full stops."""
    owner = review.owner
    if owner.first_time_fix.of:
        yield f"Fixed by the first repair and not back since: {share(owner.first_time_fix)}"
    if owner.days is not None:
        low, high = owner.days.lower_quartile, owner.days.upper_quartile
        yield f"Days from intake to return: {owner.days.median:.2g} ({low:.2g} to {high:.2g})"
    for one in [one for one in owner.sources if one.seen.count][:3]:
        yield f"Named by {one.source} and confirmed since: {one.seen.count} of {one.seen.of}"


def unsolved_words(unit: UnsolvedUnit) -> str:
    """A unit without a fault, and the next test of it."""
    text = f"case {unit.number}, {unit.unit}, {unit.tree}"
    if not unit.suspect:
        return f"{text}: no suspect was left; `faulttree revisit` names new ones"
    test = f", {minutes(unit.minutes)} min" if unit.minutes is not None else ""
    step = f"test {unit.step}{test}" if unit.step else "no step tests it: add a test"
    return f"{text}: {unit.suspect} was left untested at {percent(unit.probability)}; {step}"


def next_words(review: Review) -> str:
    """The one thing that is best done next; empty if there is none."""
    known = [unit for unit in review.owner.unsolved if unit.step]
    waiting = [unit for unit in known if unit.became == "waiting"] or known
    if waiting:
        unit = waiting[0]
        return (
            f"take case {unit.number} ({unit.unit}) up again with {unit.step}: "
            f"`faulttree cases reopen {unit.number}`, then `faulttree diagnose --resume`"
        )
    ready = [
        (tree.tree.id, at, one.what)
        for tree in review.trees
        for at, one in enumerate(tree.proposals, 1)
        if not one.by_hand
    ]
    if not ready:
        return ""
    tree, at, what = ready[0]
    return f"{what} `faulttree review --tree {tree} --apply {at}` does it"


def number(value: int) -> str:
    """A whole number, a narrow space between thousands."""
    return f"{value:,}".replace(",", "\u202f")


def cases(many: int) -> str:
    """A number of cases in words."""
    return f"{number(many)} case{'' if many == 1 else 's'}"


def counted_trees(review: Review) -> str:
    """How many cases on how many trees."""
    many = len(review.trees)
    return f"{cases(review.cases)} on {many} tree{'' if many == 1 else 's'}"


def period(review: Review | TreeFigures) -> str:
    """From when to when, as days."""
    if not review.first:
        return ""
    first, last = review.first[:10], review.last[:10]
    return first if first == last else f"{first} to {last}"


def tree_words(figures: TreeFigures) -> str:
    """The results of a tree's cases in one line."""
    results = ", ".join(f"{count} {result}" for result, count in figures.results.items())
    open_cases = figures.cases - figures.closed
    still = f", {open_cases} open" if open_cases else ""
    return f"{cases(figures.cases)}: {results or 'none closed'}{still}"


def scope_words(review: Review) -> Iterator[str]:
    """Sentences about cases that the figures leave out, without full stops."""
    if review.filters:
        yield "Only " + ", ".join(f"{name} {value}" for name, value in review.filters.items())
    if review.unsaid:
        yield (
            f"{cases(review.unsaid)} counted because their tree has the module: their units "
            "do not name their own"
        )
    if review.unread:
        yield f"{cases(review.unread)} left out: no text of their trees can be read"


def older_words(tree: TreeFigures) -> Iterator[str]:
    """Sentences about cases on older texts of a tree, without full stops."""
    if tree.older:
        left = sum(tree.left_out.values())
        yield (
            f"{cases(tree.older)} walked an older text of this tree; {left} answers to steps "
            "that no longer exist are left out"
        )
    if tree.no_longer:
        told = ", ".join(f"{name} ({many})" for name, many in tree.no_longer.items())
        yield f"Found, but not in the tree: {told}"


def few_of(faults: Mapping[str, int], most: int = 3) -> str:
    """The commonest faults found after a branch, and the number of others."""
    named = [f"{name} {many}" for name, many in list(faults.items())[:most]]
    more = [f"{len(faults) - most} more"] if len(faults) > most else []
    return ", ".join([*named, *more])


def aside(step: StepFigures) -> str:
    """Answers at a step that did not continue along a branch."""
    told = (
        ("skipped", step.skipped),
        ("undecided", step.undecided),
        ("gone back on", step.gone_back),
        ("given up here", step.given_up),
    )
    return ", ".join(f"{word} {many}×" for word, many in told if many)


def change_words(fault: FaultFigures) -> str:
    """Whether a fault became commoner or rarer; empty if there is no alarm.

    Empty as well if a rise of the fault gives the same information.
    """
    change = fault.change
    if change is None or not change.alarm or (fault.rise and change.word == "commoner"):
        return ""
    return (
        f"became {change.word}: {share(change.recent, counts=False)} recently, "
        f"{share(change.before, counts=False)} before"
    )


def rise_words(fault: FaultFigures) -> str:
    """When a fault began to be commoner; empty if there is no significant rise."""
    rise = fault.rise
    if rise is None:
        return ""
    time = f"has been commoner among all cases of {rise.family} since about {rise.since}"
    if rise.until is not None:
        time = f"was commoner among all cases of {rise.family} from about {rise.since} "
        time += f"until {rise.until}"
    return (
        f"{time}: {share(rise.during)} then, "
        f"{share(rise.otherwise)} otherwise. Such a run occurs by chance in "
        f"{_rare(rise.chance)}; a chart that alarms there gives a false alarm about once "
        f"in {_rounded(rise.run_length)} cases"
    )


def trend_words(fault: FaultFigures) -> str:
    """The shares of a growing fault in both halves of the cases; empty if an alarm says so."""
    trend = fault.trend
    if trend is None or fault.rise or (fault.change and fault.change.alarm):
        return ""
    first, second = (share(one, counts=False) for one in (trend.first_half, trend.second_half))
    return f"{first}, later {second}"


def _rare(chance: float) -> str:
    if chance < 1e-6:
        return "less than one record in a million"
    return f"one record in {_rounded(1 / chance)}"


def _rounded(value: float) -> str:
    """A large number in two digits."""
    if value >= 1e6:
        return "more than a million"
    return number(round(float(f"{value:.2g}")))
