"""A tree as boxes and links: the contents of a drawing, without positions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from faulttree.diagram import box_text
from faulttree.diagram.escape import plain
from faulttree.texts import counted
from faulttree.tree.graph import reach
from faulttree.tree.model import Fault, Role, Step, Stop, Tree, Use

START = "begin"
CLOSING = "begin.closing"
RETURNED = "end.closing"
POWER = "begin.power"
POWERED = "end.power"
# An id is kebab-case, so neither a dot alone nor an @ can stand in one of the tree's.
_AT = "@"


@dataclass(frozen=True, slots=True)
class Box:
    """One symbol.

    Attributes:
        key: names it in the chart; of a step, fault or use its id.
        kind: which symbol: ask, measure, do, use, more, fault, stop, start, connector,
            family, module, tree.
        text: its text in one line; the drawing wraps it.
        head: its id and minutes, small, above.
        facts: limits and expected values, part and evidence.
        small: conditions, in small letters.
        signals: cautions that hold here.
        tip: the tooltip, many lines.
        goal: the key that a click leads to, in this picture.
        href: the file or address that a click leads to.
        mark: a role of the palette laid over it (walked, new, gone, changed, …).
        badge: a short word in the corner: the place in the path, a count.
        told: the reading or answer here, under the facts.
        shade: 0 to 1, how much of the fill shows.
        faint: drawn paler than the marked boxes.
    """

    key: str
    kind: str
    text: str
    head: str = ""
    facts: tuple[str, ...] = ()
    small: str = ""
    signals: tuple[box_text.Signal, ...] = ()
    tip: str = ""
    goal: str = ""
    href: str = ""
    mark: str = ""
    badge: str = ""
    told: tuple[str, ...] = ()
    shade: float = 0.0
    faint: bool = False


@dataclass(frozen=True, slots=True)
class Link:
    """An arrow, with the outcomes that take it; ``goal`` where ``head`` is a connector."""

    tail: str
    head: str
    outcomes: tuple[str, ...] = ()
    mark: str = ""
    badge: str = ""
    share: float | None = None
    faint: bool = False
    goal: str = ""

    @property
    def label(self) -> tuple[str, ...]:
        """The words beside the arrow."""
        return (*self.outcomes, self.badge) if self.badge else self.outcomes


@dataclass(frozen=True)
class Chart:
    """Boxes and links with a title; ``loose`` are keys of boxes that nothing leads to."""

    title: str
    subtitle: str
    boxes: Mapping[str, Box]
    links: tuple[Link, ...]
    loose: tuple[str, ...] = ()
    loose_heading: str = "Suspects that no step leads to yet"
    warnings: tuple[tuple[str, str], ...] = ()
    legend: tuple[str, ...] = ()
    frames: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @cached_property
    def names_used(self) -> frozenset[str]:
        """Every kind and mark that a legend must explain."""
        kinds = {box.kind for box in self.boxes.values()}
        marks = {box.mark for box in self.boxes.values()} | {link.mark for link in self.links}
        return frozenset(kinds | marks | set(self.legend))


def owners(tree: Tree, unfold: bool = False) -> dict[str, str]:
    """Step → the box it is drawn in: itself, or the outermost procedure it belongs to."""
    if unfold:
        return {step: step for step in tree.steps}
    outermost: dict[str, str] = {}
    for name in tree.uses:
        top = name
        while (parent := tree.uses[top].parent) is not None and parent in tree.uses:
            top = parent
        outermost[name] = top
    return {
        step.id: outermost.get(step.use, step.id) if step.use else step.id
        for step in tree.steps.values()
    }


def chart_of(tree: Tree, *, unfold: bool = False, depth: int | None = None) -> Chart:
    """The chart of a tree.

    Args:
        tree: what to draw.
        unfold: draw the steps of procedures instead of one box for each.
        depth: fold whatever is more than this many steps from the start.
    """
    maker = _Maker(tree, unfold)
    chart = maker.chart()
    return chart if depth is None else fold_to(chart, depth)


@dataclass(frozen=True, slots=True)
class Block:
    """Procedures that follow one another: the checks before power, or the closing.

    Attributes:
        role: the role of their steps.
        begin, end: keys of the first and the last box; ``heading`` and ``done`` are their texts.
        uses: ids of the procedures, in order.
    """

    role: Role
    begin: str
    heading: str
    end: str
    done: str
    uses: tuple[str, ...]

    def head(self, tree: Tree, use: Use, exit_: str, target: str, seats: Mapping[str, str]) -> str:
        """The box that an exit of one of its procedures leads to.

        The exit that passes leads to the next procedure, or to the last box. Of the closing
        every other exit leads to "The unit must not go back"; of a check before power to its
        own target.
        """
        if exit_ == use.passes:
            after = self.uses[self.uses.index(use.id) + 1 :]
            start = tree.uses[after[0]].start if after else self.end
            return seats.get(start, start)
        return f"{use.id}{_AT}failed" if self.role == "closing" else seats.get(target, target)


def blocks(tree: Tree) -> Iterator[Block]:
    """The blocks of a tree that are drawn beside its search for the fault."""
    power = tuple(check.use for check in tree.before_power)
    if power:
        heading = "Before power, in each round"
        yield Block("before-power", POWER, heading, POWERED, "The unit may get power", power)
    if tree.closing:
        heading = "After a confirmed repair"
        yield Block("closing", CLOSING, heading, RETURNED, "The unit may go back", tree.closing)


class _Maker:
    def __init__(self, tree: Tree, unfold: bool) -> None:
        self.tree = tree
        self.unfold = unfold
        self.owner = owners(tree, unfold)
        self.boxes: dict[str, Box] = {}
        self.outcomes: dict[tuple[str, str], list[str]] = {}
        self.by_property: set[tuple[str, str]] = set()

    def chart(self) -> Chart:
        tree = self.tree
        self._add(Box(START, "start", self._complaint(), tip=plain(tree.title)))
        self._link(START, self._seat(tree.start))
        diagnostic = [tree.steps[name] for name in tree.diagnostic]
        for step in diagnostic:
            self._add_step(step)
        for step in diagnostic:
            self._link_step(step)
        others = {block.role: block for block in blocks(tree)}
        if "before-power" in others:
            self._add_block(others["before-power"])
        self._share_stops()
        for fault in tree.faults.values():
            self._add(fault_box(tree, fault))
        if "closing" in others:
            self._add_block(others["closing"])
        # A tree with errors names missing targets; a picture shows where.
        for key in dict.fromkeys(key for pair in self.outcomes for key in pair):
            if key not in self.boxes:
                self._add(_unknown(key, key))
        return Chart(
            title=plain(tree.title),
            subtitle=plain(tree.id),
            boxes=self.boxes,
            links=tuple(
                Link(*pair, tuple(said), mark="by-property" if pair in self.by_property else "")
                for pair, said in self.outcomes.items()
            ),
            loose=tree.loose,
            warnings=tuple(
                (signal, f"{name}: {plain(known.text)}" if known else name)
                for signal, name in box_text.signals(tree, tree.cautions)
                for known in [tree.known_cautions.get(name)]
            ),
            frames=self._frames(),
        )

    def _complaint(self) -> str:
        said = [plain(symptom.text) for symptom in self.tree.symptoms]
        return "; ".join(said[:3]) or plain(self.tree.title)

    def _frames(self) -> Mapping[str, tuple[str, ...]]:
        if not self.unfold:
            return {}
        uses = self.tree.uses.values()
        return {use.id: use.steps for use in uses if use.parent is None}

    def _add(self, box: Box) -> None:
        self.boxes[box.key] = box

    def _seat(self, target: str) -> str:
        return self.owner.get(target, target)

    def _link(self, tail: str, head: str, outcome: str = "") -> None:
        said = self.outcomes.setdefault((tail, head), [])
        if outcome and outcome not in said:
            said.append(plain(outcome))

    def _add_step(self, step: Step) -> None:
        seat = self.owner[step.id]
        if seat in self.boxes:
            return
        if seat == step.id:
            self._add(step_box(self.tree, step))
        else:
            self._add(use_box(self.tree, self.tree.uses[seat]))

    def _link_step(self, step: Step) -> None:
        tail = self.owner[step.id]
        for outcome, target in step.targets.items():
            head = self._seat(target)
            if head == tail and tail != step.id:
                continue
            said = outcome if tail == step.id else self._exit(step, outcome, tail)
            self._link(tail, head, said)
        for name, stops in step.stop_if.items():
            for value, target in stops.items():
                if (tail, target) not in self.outcomes:
                    self.by_property.add((tail, target))
                self._link(tail, target, f"{name}: {value}")

    def _exit(self, step: Step, outcome: str, use: str) -> str:
        """The exit by which an outcome inside a folded procedure leaves it."""
        return dict(step.leaves.get(outcome, ())).get(use, outcome)

    def _share_stops(self) -> None:
        """A stop that many steps lead to is drawn beside each: no line has to cross for it."""
        tails: dict[str, list[str]] = {}
        for tail, head in self.outcomes:
            if head not in self.boxes and head not in self.tree.faults:
                tails.setdefault(head, []).append(tail)
        for name, found in tails.items():
            stop = self.tree.stops.get(name)
            for at, tail in enumerate(found):
                key = name if at == 0 else f"{name}{_AT}{tail}"
                self._add(stop_box(stop, key) if stop else _unknown(name, key))
        shared = {(tail, name) for name, found in tails.items() for tail in found[1:]}
        self.outcomes = {
            (tail, f"{head}{_AT}{tail}" if (tail, head) in shared else head): said
            for (tail, head), said in self.outcomes.items()
        }
        self.by_property = {
            (tail, f"{head}{_AT}{tail}" if (tail, head) in shared else head)
            for tail, head in self.by_property
        }
        for stop in self.tree.stops.values():
            if stop.id not in self.boxes:
                self._add(stop_box(stop, stop.id))
        # A stop that nothing leads to is still in the tree, and so in its picture.

    def _add_block(self, block: Block) -> None:
        """Boxes and links of the checks before power, or of the closing, in order."""
        tree = self.tree
        self._add(Box(block.begin, "start", block.heading))
        self._link(block.begin, self._seat(tree.uses[block.uses[0]].start))
        for name in block.uses:
            use = tree.uses[name]
            for inside in use.steps:
                if inside in tree.steps:
                    self._add_step(tree.steps[inside])
                    self._link_inside(block, use, tree.steps[inside])
        for check in tree.before_power if block.role == "before-power" else ():
            seat = self._seat(tree.uses[check.use].start)
            if check.when and seat in self.boxes:
                words = "; ".join(f"{one}: {', '.join(of)}" for one, of in check.when.items())
                box = self.boxes[seat]
                self.boxes[seat] = replace(box, small="; ".join(filter(None, (words, box.small))))
        self._add(Box(block.end, "start", block.done))

    def _link_inside(self, block: Block, use: Use, step: Step) -> None:
        """Link one step of a block: inside its procedure, to the next one, or to an end."""
        tail = self._seat(step.id)
        for outcome, target in step.targets.items():
            left = dict(step.leaves.get(outcome, ())).get(use.id)
            if left is None:
                if self._seat(target) != tail:
                    self._link(tail, self._seat(target), outcome)
                continue
            head = block.head(self.tree, use, left, target, self.owner)
            self._link(tail, head, outcome if tail == step.id else left)
            if head == f"{use.id}{_AT}failed":
                self._add(
                    Box(head, "stop", "The unit must not go back", facts=("repair it first",))
                )


def step_box(tree: Tree, step: Step) -> Box:
    """The box of one step."""
    minutes = box_text.minute_words(step.minutes)
    return Box(
        key=step.id,
        kind=step.kind,
        text=plain(step.text),
        head=f"{plain(step.id)} · {minutes}" if minutes else plain(step.id),
        facts=box_text.step_facts(step),
        small=box_text.step_conditions(step),
        signals=box_text.signals(tree, step.cautions),
        tip=box_text.step_tip(tree, step),
    )


def use_box(tree: Tree, use: Use) -> Box:
    """The box of a folded procedure, with what holds inside it."""
    inside = [tree.steps[name] for name in use.steps if name in tree.steps]
    minutes = sum(step.minutes or 0 for step in inside)
    names = dict.fromkeys(name for step in inside for name in step.cautions)
    count = counted(len(inside), "step")
    given = ", ".join(f"{plain(value)}" for value in use.given.values())
    return Box(
        key=use.id,
        kind="use",
        text=plain(use.title or use.procedure),
        head=plain(use.id),
        facts=(given,) if given else (),
        small=f"{count}, up to {minutes:g} min" if minutes else count,
        signals=box_text.signals(tree, names),
        tip=box_text.use_tip(tree, use, inside),
    )


def fault_box(tree: Tree, fault: Fault) -> Box:
    """The box of a fault: title, part and evidence."""
    return Box(
        key=fault.id,
        kind="fault",
        text=plain(fault.title),
        head=plain(fault.id),
        facts=box_text.fault_facts(fault),
        signals=box_text.signals(tree, fault.cautions),
        tip=box_text.fault_tip(tree, fault),
    )


def stop_box(stop: Stop, key: str) -> Box:
    """The box of a stop."""
    reason = box_text.REASONS.get(stop.reason, plain(stop.reason))
    facts = (reason,) if reason.lower() != stop.title.lower() else ()
    if stop.see:
        facts = (*facts, f"see {plain(stop.see)}")
    return Box(key, "stop", plain(stop.title), plain(stop.id), facts, tip=box_text.stop_tip(stop))


def _unknown(name: str, key: str) -> Box:
    return Box(key, "stop", plain(name), facts=("not in this tree",))


def fold_to(chart: Chart, depth: int) -> Chart:
    """The chart with everything deeper than ``depth`` steps folded into boxes."""
    after: dict[str, list[str]] = {}
    for link in chart.links:
        after.setdefault(link.tail, []).append(link.head)
    level = reach(after, [key for key in (START, POWER, CLOSING) if key in chart.boxes])
    ends = {key for key in chart.boxes if not after.get(key)}
    kept = {
        key
        for key in chart.boxes
        if key not in level or level[key] <= depth or (key in ends and level[key] == depth + 1)
    }
    frontier = dict.fromkeys(
        link.head for link in chart.links if link.tail in kept and link.head not in kept
    )
    boxes = {key: box for key, box in chart.boxes.items() if key in kept}
    for key in frontier:
        boxes[key] = _more(chart, key, reach(after, [key]).keys() - kept)
    links = tuple(link for link in chart.links if link.tail in kept and link.head in boxes)
    loose = tuple(key for key in chart.loose if key in boxes)
    return replace(chart, boxes=boxes, links=links, loose=loose, frames={})


def _more(chart: Chart, key: str, hidden: set[str]) -> Box:
    faults = sum(chart.boxes[name].kind == "fault" for name in hidden)
    steps = sum(chart.boxes[name].kind not in ("fault", "stop", "start") for name in hidden)
    box = chart.boxes[key]
    said = f"{counted(steps, 'step')} and {counted(faults, 'fault')} further on"
    return replace(box, kind="more", facts=(said,), small="", signals=(), told=())
