"""What is laid over a tree: one case, the counts of many, or what changed since."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from faulttree.diagram.chart import (
    START,
    Box,
    Chart,
    Link,
    blocks,
    chart_of,
    owners,
    step_box,
)
from faulttree.diagram.escape import plain
from faulttree.tree.model import Tree

if TYPE_CHECKING:
    from faulttree.walk.state import State, Visit


@dataclass(frozen=True, slots=True)
class Counts:
    """How often a tree was walked, and where to.

    Attributes:
        cases: how many walks were counted.
        taken: (step, outcome) → in how many walks it was answered so.
        confirmed: fault → in how many walks its repair was confirmed.
    """

    cases: int
    taken: Mapping[tuple[str, str], int] = field(default_factory=dict)
    confirmed: Mapping[str, int] = field(default_factory=dict)


def count_walks(states: Iterable[State]) -> Counts:
    """Count walks of one tree; an outcome given twice in a walk counts once."""
    cases = 0
    taken: Counter[tuple[str, str]] = Counter()
    confirmed: Counter[str] = Counter()
    for state in states:
        cases += 1
        taken.update({(visit.step, visit.outcome) for visit in state.path})
        confirmed.update({repair.fault for repair in state.repairs if repair.held})
    return Counts(cases, taken, confirmed)


def with_counts(chart: Chart, tree: Tree, counts: Counts, *, unfold: bool = False) -> Chart:
    """Shade arrows by how often they were walked, and faults by how often confirmed."""
    seats = owners(tree, unfold)
    walked: Counter[tuple[str, str]] = Counter()
    for (step, outcome), count in counts.taken.items():
        target = tree.steps[step].targets.get(outcome) if step in tree.steps else None
        if target is not None:
            walked[seats[step], seats.get(target, target)] += count
    walked[START, seats.get(tree.start, tree.start)] = counts.cases
    most = max(counts.cases, *walked.values(), 1)
    links = tuple(_counted(link, walked[link.tail, _goal_of(link)], most) for link in chart.links)
    best = max([1, *counts.confirmed.values()])
    boxes = {
        key: replace(box, badge=f"{count}× confirmed", shade=count / best)
        if box.kind == "fault" and (count := counts.confirmed.get(key, 0))
        else box
        for key, box in chart.boxes.items()
    }
    said = f"{counts.cases} case{'s' * (counts.cases != 1)} counted"
    return replace(chart, boxes=boxes, links=links, subtitle=f"{chart.subtitle} · {said}")


def _counted(link: Link, count: int, most: int) -> Link:
    if link.tail.startswith("closing.") or link.head.startswith("closing."):
        return link
    return replace(link, badge=f"{count}×", share=count / most, faint=not count)


def _goal_of(link: Link) -> str:
    """What a link leads to; a stop drawn beside a step is the stop itself.

    Other keys with an @ stay whole: they are boxes of their own.
    """
    name, _, beside = link.head.partition("@")
    return name if beside == link.tail else link.head


# -- one case ---------------------------------------------------------------------------------


def with_case(
    chart: Chart, tree: Tree, state: State, *, unfold: bool = False, title: str = ""
) -> Chart:
    """Lay a case over its tree: path, readings, verdicts, and how it ended.

    Args:
        chart: of the very tree that the case walked.
        tree: that tree.
        state: the walk, as :func:`faulttree.walk.fold` gives it.
        unfold: as the chart was made.
        title: names the case, for the line below the chart's title.
    """
    seats = owners(tree, unfold)
    told: dict[str, list[str]] = {}
    numbers: dict[str, list[int]] = {}
    walked: set[tuple[str, str]] = {(START, seats.get(tree.start, ""))} if state.visits else set()
    for at, visit in enumerate(state.visits, 1):
        seat = seats.get(visit.step, visit.step)
        step = tree.steps.get(visit.step)
        left = dict(step.leaves.get(visit.outcome, ())).get(seat, "") if step else ""
        words = _visit_words(visit, inside=seat != visit.step, left=left)
        told.setdefault(seat, []).append(words)
        numbers.setdefault(seat, []).append(at)
        if step is not None and visit.outcome in step.targets:
            target = step.targets[visit.outcome]
            if visit.purpose != "confirming" or target == _came_to(state, at):
                walked.add((seat, seats.get(target, target)))
    walked |= _block_paths(tree, state, seats)
    chart = _with_closed(chart, tree, state, seats)
    walked |= {(link.tail, link.head) for link in chart.links if link.mark == "walked"}
    _tell_the_rest(state, seats, told)
    ends = _ends(state)
    asked = seats.get(state.ask.id, state.ask.id) if state.ask else ""
    boxes = {
        key: _cased(box, told.get(key, []), numbers.get(key, []), ends.get(key, ""), key == asked)
        for key, box in chart.boxes.items()
    }
    links = tuple(_marked(link, walked) for link in chart.links)
    subtitle = f"{chart.subtitle} · {plain(title)}" if title else chart.subtitle
    return replace(chart, boxes=_with_ways(boxes, walked), links=links, subtitle=subtitle)


def _marked(link: Link, walked: set[tuple[str, str]]) -> Link:
    taken = (link.tail, _goal_of(link)) in walked
    return replace(link, mark="walked") if taken else replace(link, faint=True)


def _block_paths(tree: Tree, state: State, seats: Mapping[str, str]) -> set[tuple[str, str]]:
    """The arrows taken into the checks before power and the closing, and out of them."""
    paths = set()
    for block in blocks(tree):
        first = tree.uses[block.uses[0]].start
        for visit in state.visits:
            step = tree.steps.get(visit.step)
            if step is None or step.role != block.role:
                continue
            seat = seats.get(step.id, step.id)
            if step.id == first:
                paths.add((block.begin, seat))
            for use, exit_ in step.leaves.get(visit.outcome, ()):
                if use in block.uses:
                    target = step.targets.get(visit.outcome, "")
                    paths.add((seat, block.head(tree, tree.uses[use], exit_, target, seats)))
    return paths


def _with_closed(chart: Chart, tree: Tree, state: State, seats: Mapping[str, str]) -> Chart:
    """The chart with the steps that closed the unit in this case, where they were taken."""
    boxes, links = dict(chart.boxes), list(chart.links)
    seen = [seats.get(visit.step, visit.step) for visit in state.visits]
    for at, visit in enumerate(state.visits):
        step = tree.steps.get(visit.step)
        if step is None or step.role != "close":
            continue
        boxes.setdefault(step.id, step_box(tree, step))
        around = [(seen[at - 1], step.id)] if at else []
        around += [(step.id, seen[at + 1])] if at + 1 < len(seen) else []
        known = {(link.tail, link.head) for link in links}
        links += [
            Link(*pair, mark="walked")
            for pair in around
            if pair not in known and pair[0] in boxes and pair[1] in boxes
        ]
    return replace(chart, boxes=boxes, links=tuple(links))


def _came_to(state: State, number: int) -> str:
    """Where the walk was after so many visits: a proof that holds leads nowhere."""
    if number < len(state.visits):
        return state.visits[number].step
    return state.end.id if state.end is not None else ""


def _with_ways(boxes: Mapping[str, Box], walked: set[tuple[str, str]]) -> dict[str, Box]:
    """The ends and the beginning that the path touched are marked too."""
    marked = dict(boxes)
    for tail, head in walked:
        for key in (tail, head, f"{head}@{tail}"):
            box = marked.get(key)
            shared = key == head and f"{head}@{tail}" in marked
            if box is not None and not shared and not box.mark:
                marked[key] = replace(box, mark="walked", faint=False)
    return marked


def _cased(box: Box, told: list[str], numbers: list[int], end: str, asked: bool) -> Box:
    if asked:
        badge = ", ".join([*map(str, numbers), "next"])
        return replace(box, mark="asked", badge=badge, told=tuple(told))
    if numbers:
        return replace(box, mark="walked", badge=", ".join(map(str, numbers)), told=tuple(told))
    if end or told:
        return replace(box, mark="walked" if end else "", badge=end, told=tuple(told))
    return replace(box, faint=True)


def _visit_words(visit: Visit, *, inside: bool, left: str = "") -> str:
    """``21.4 V → low``, with the step where the box holds several, and the exit it left by."""
    event = visit.event
    said = [f"{_reading(event.reading)} → {plain(event.outcome)}".removeprefix(" → ")]
    if inside:
        said.insert(0, f"{plain(event.step.rpartition('.')[2])}:")
    if left:
        said.append(f"(exit {plain(left)})")
    if visit.round:
        said.append(f"(round {visit.round + 1})")
    if visit.purpose == "confirming":
        said.append("(after the repair)")
    if event.note:
        said.append(f"“{plain(event.note)}”")
    return " ".join(said)


def _reading(reading: Mapping[str, Any] | None) -> str:
    if not reading:
        return ""
    if reading.get("text"):
        return plain(reading["text"])
    return f"{plain(reading.get('value', ''))} {plain(reading.get('unit', ''))}".strip()


def _tell_the_rest(state: State, seats: Mapping[str, str], told: dict[str, list[str]]) -> None:
    for step, count in state.skipped.items():
        words = "skipped" if count == 1 else f"skipped {count}×"
        told.setdefault(seats.get(step, step), []).append(words)
    for event in state.withdrawn:
        words = f"{_reading(event.reading)} {plain(event.outcome)}".strip()
        told.setdefault(seats.get(event.step, event.step), []).append(f"gone back on: {words}")


def _ends(state: State) -> dict[str, str]:
    """Box → how the walk or a repair ended there."""
    ends = {}
    if state.end is not None and state.end.id:
        ends[state.end.id] = "found" if state.end.kind == "fault" else "ended here"
    if state.phase == "likely" and state.reached is not None:
        ends[state.reached.fault] = "likely"
    for repair in state.repairs:
        words = {True: "confirmed", False: "not it", None: "repaired"}[repair.held]
        ends[repair.fault] = words
    return ends


# -- what changed -----------------------------------------------------------------------------


def compared(old: Tree, new: Tree, *, unfold: bool = False) -> Chart:
    """The chart of the newer tree with what changed marked, and what is gone still in it."""
    before, after = chart_of(old, unfold=unfold), chart_of(new, unfold=unfold)
    boxes = {key: _compared_box(before.boxes.get(key), box) for key, box in after.boxes.items()}
    for key, box in before.boxes.items():
        if key not in boxes:
            boxes[key] = replace(box, mark="gone", badge="gone")
    marked = sum(bool(box.mark) for box in boxes.values())
    links, changed = _compared_links(before, after)
    frames = {**before.frames, **after.frames}
    told = f"{marked} boxes and {changed} arrows changed" if marked + changed else "no change"
    linked = {link.head for link in links}
    loose = tuple(key for key in dict.fromkeys((*after.loose, *before.loose)) if key not in linked)
    return replace(
        after,
        boxes=boxes,
        links=links,
        loose=loose,
        frames=frames,
        subtitle=f"{before.subtitle} → {after.subtitle} · {told}",
    )


def _compared_box(before: Box | None, box: Box) -> Box:
    if before is None:
        return replace(box, mark="new", badge="new")
    told = []
    for name, was, now in (
        ("kind", before.kind, box.kind),
        ("text", before.text, box.text),
        ("", before.head, box.head),
        ("", ", ".join(before.facts), ", ".join(box.facts)),
        ("", before.small, box.small),
        ("cautions", _names(before), _names(box)),
    ):
        if was != now:
            told.append(f"was {name + ' ' if name else ''}{was or 'without'}")
    if not told and before.tip != box.tip:
        told.append("changed in its small print")
    return replace(box, mark="changed", badge="changed", told=tuple(told)) if told else box


def _names(box: Box) -> str:
    return ", ".join(name for _, name in box.signals) or "none"


def _compared_links(before: Chart, after: Chart) -> tuple[tuple[Link, ...], int]:
    was = {(link.tail, link.head): link for link in before.links}
    links = []
    for link in after.links:
        old = was.pop((link.tail, link.head), None)
        if old is None:
            link = replace(link, mark="new", badge="new")
        elif set(old.outcomes) != set(link.outcomes):
            said = " / ".join(old.outcomes) or "no words"
            link = replace(link, mark="changed", badge=f"was {said}")
        links.append(link)
    links += [replace(link, mark="gone", badge="gone") for link in was.values()]
    return tuple(links), sum(bool(link.mark) for link in links)
