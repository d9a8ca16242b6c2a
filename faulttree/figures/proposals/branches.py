"""Proposals about branches that find nothing, and faults that no test distinguishes."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faulttree.authoring.targets import targets
from faulttree.figures.formatting import listed, percent, within
from faulttree.figures.proposals.proposal import ReviewProposal
from faulttree.figures.statistics import FEW, share_of, upper_limit
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.testability import groups_of
from faulttree.tree.edit import block
from faulttree.tree.graph import graph_of
from faulttree.tree.ids import free_id
from faulttree.tree.safety import is_guard

if TYPE_CHECKING:
    from faulttree.figures.proposals.moves import Mover
    from faulttree.figures.tree_counts import TreeCount
    from faulttree.odds import FaultTable
    from faulttree.tree.model import Tree


RARE = 0.05
"""A share below which a fault or an outcome is called rare here: common practice, no source."""


def move_down(count: TreeCount, mover: Mover) -> Iterator[ReviewProposal]:
    """Proposals for faults never confirmed and steps with one outcome only, if significant."""
    tree = count.tree
    for fault in tree.faults.values():
        if fault.id in tree.loose or not _rare(count, fault.id):
            continue
        closed = count.could_find(fault.id)
        below = upper_limit(closed)
        leads = sorted({step for step, _, to in tree.edges() if to == fault.id})
        yield _later(
            mover,
            ReviewProposal(
                "move-down",
                fault.id,
                f"Move what finds “{fault.title}” behind the rest, or retire it.",
                f"Not found in {closed} closed cases: its share is below {percent(below)} (95 %, "
                "exact binomial). A rare fault can still occur: "
                "keep it if a miss would be dangerous.",
                {"cases": closed, "below": below},
                {"action": "move-down", "tree": tree.id, "fault": fault.id, "steps": leads},
            ),
            leads,
            [fault.id],
        )
    for name in tree.diagnostic:
        yield from _tells_nothing(count, mover, name)


def _tells_nothing(count: TreeCount, mover: Mover, name: str) -> Iterator[ReviewProposal]:
    step, counted = count.tree.steps[name], count.steps[name]
    outcomes = [outcome for outcome in step.targets if outcome != "undecided"]
    walked = sum(counted.taken.values())
    below = upper_limit(walked)
    one_sided = len(outcomes) > 1 and len([o for o in outcomes if counted.taken[o]]) == 1
    if not one_sided or below >= RARE or is_guard(count.tree, count.tree.steps[name]):
        return
    always = next(outcome for outcome in outcomes if counted.taken[outcome])
    yield _later(
        mover,
        ReviewProposal(
            "move-down",
            name,
            f"Move {name} later, or retire it.",
            f"It gave “{always}” all {walked} times before a repair: any other outcome occurs in "
            f"less than {percent(below)} of walks (95 %, exact binomial), and it takes "
            f"{step.cost:g} min each time. By the stops of the tree it is not a safety "
            "check; verify that before you move it.",
            {"walked": walked, "below": below, "minutes": step.cost},
            {"action": "move-down", "tree": count.tree.id, "step": name},
        ),
        [name],
        _never_found(count, name),
    )


def _later(
    mover: Mover, proposal: ReviewProposal, steps: Sequence[str], rare: Collection[str]
) -> ReviewProposal:
    """Add the later place that saves most to a proposal, if there is one.

    Args:
        mover: searches for it.
        proposal: what is proposed.
        steps: the steps that may be moved.
        rare: faults that were never found and may be found less reliably than before.
    """
    own = {name.split(".")[0] for name in steps}
    tried = mover.sparing(rare).tried(own, later=True, most=1)
    if tried is None or tried[1].cases < FEW or not tried[1].sure:
        return replace(
            proposal,
            change={**proposal.change, "moves": []},
            by_hand="No later place saves time significantly and keeps all prerequisites: "
            "retire it, leave it, or move it by your own judgement with `faulttree rename`.",
        )
    moved, done = tried
    where = str(moved.places[0]).replace("`", "")
    less = f" Found less reliably from there: {listed([*moved.less])}." if moved.less else ""
    return replace(
        proposal,
        why=f"{proposal.why} {where[:1].upper()}{where[1:]}, "
        f"{moved.places[0].step} saves {done.saved.mean:.1f} min a case ({done.saved.low:.1f} to "
        f"{done.saved.high:.1f}), replayed on {done.cases} cases.{less}",
        figures={**proposal.figures, **done.as_dict(), **moved.as_figures()},
        change={**proposal.change, "moves": moved.as_data(), "less_surely": list(moved.less)},
    )


def _never_found(count: TreeCount, step: str) -> set[str]:
    """Faults after the other outcomes of a step that no case had and that are surely rare."""
    taken = count.steps[step].taken
    outcomes = [outcome for outcome in count.tree.steps[step].targets if not taken[outcome]]
    behind = (graph_of(count.tree).faults_beyond(step, outcome) for outcome in outcomes)
    return {fault for faults in behind for fault in faults if _rare(count, fault)}


def _rare(count: TreeCount, fault: str) -> bool:
    seen = count.faults["fixed", fault] + count.faults["found", fault]
    return not seen and upper_limit(count.could_find(fault)) < RARE


def tell_apart(count: TreeCount, table: FaultTable) -> Iterator[ReviewProposal]:
    """Proposals for faults that were mistaken for each other, or that no test distinguishes."""
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
                f"{within(share)}).",
                share.as_dict(),
            )
    for group in groups_of(PlanningProblem(table)):
        seen = {fault: count.faults["fixed", fault] for fault in group}
        if sum(number > 0 for number in seen.values()) > 1:
            said = ", ".join(f"“{title[fault]}” {number} times" for fault, number in seen.items())
            yield _split(
                count, list(group), f"No test tells them apart; confirmed were {said}.", seen
            )


def _split(
    count: TreeCount, faults: list[str], why: str, figures: Mapping[str, Any]
) -> ReviewProposal:
    piece = to_tell_apart(count.tree, faults)
    return ReviewProposal(
        "tell-apart",
        faults[0],
        f"Find a test that tells {listed(faults)} apart.",
        why,
        figures,
        {"action": "add-test", "tree": count.tree.id, "between": faults, **piece},
        "The author must design the test; `--apply` shows a part of the file to fill in.",
    )


FILL_IN = "FILL IN"
"""Placeholder for words that only the author knows."""


def to_tell_apart(tree: Tree, faults: Sequence[str]) -> Mapping[str, Any]:
    """Draft a step that distinguishes faults, as YAML, with the targets to change.

    Args:
        tree: the tree.
        faults: ids of the faults that are taken for one another.

    Returns:
        ``step`` its id, ``fragment`` the text to go under ``steps``, ``instead`` the places of
        the file that lead to one of the faults now.
    """
    data = tree.bundle["tree"]
    step = free_id(f"tell-{faults[0]}-apart", {*data["steps"], *data["faults"], *data["stops"]})
    titles = " or ".join(f"“{tree.faults[fault].title}”" for fault in faults)
    asked = {
        "ask": f"{FILL_IN}: what differs between {titles}?",
        "how": f"{FILL_IN}: where to look or measure, and what to compare it with",
        "minutes": 5,
        "answers": {f"as-{fault}": fault for fault in faults},
    }
    led = {".".join(map(str, keys)): target for keys, target in targets(data) if target in faults}
    lines = [
        "# Under `steps:`. Fill in the words and name the answers. An answer that decides nothing",
        "# leads to a stop. A reading has `measure`, `limits` and `results` instead.",
        *block(step, asked, 2, 2),
        f"# Then write `{step}` at these places:",
        *(f"#   {place}: {target}" for place, target in led.items()),
    ]
    return {"step": step, "fragment": "\n".join(lines) + "\n", "instead": led}
