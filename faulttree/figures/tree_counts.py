"""What was counted, sorted by tree, step, outcome and fault of the trees as they stand."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from faulttree.cases.historical_tree import tree_of
from faulttree.walk.renames import now_called

if TYPE_CHECKING:
    from faulttree.cases.store import Store
    from faulttree.figures.counts import AnswerCounts, CaseCounts, ClosedCase, EndCounts, Tallies
    from faulttree.tree.model import Fault, Step, Tree


@dataclass(frozen=True, slots=True)
class TextMapping:
    """Which step and fault of an older text is which one now; what is missing has no like."""

    steps: Mapping[str, str] = field(default_factory=dict)
    faults: Mapping[str, str] = field(default_factory=dict)


def bridge(old: Tree | None, now: Tree) -> TextMapping:
    """Bring an older text onto the one that stands.

    A step is the same where its id, its kind and its outcomes are; a former name that the
    tree keeps is its id too. Under any other id it is the same where kind, words and outcomes
    are and one step alone fits. A fault is the same by its id, or by title and part. Limits
    may have changed: an outcome stays as it was decided.

    Args:
        old: the older text; None where it can no longer be read, which maps nothing.
        now: the tree as it stands.
    """
    if old is None:
        return TextMapping()
    if old.hash == now.hash:
        return TextMapping({name: name for name in now.steps}, {name: name for name in now.faults})
    return TextMapping(_steps(old, now), _faults(old, now))


def _steps(old: Tree, now: Tree) -> dict[str, str]:
    by_content: dict[object, list[str]] = {}
    for step in now.steps.values():
        by_content.setdefault(_content(step), []).append(step.id)
    found: dict[str, str] = {}
    for step in old.steps.values():
        there = now.steps.get(now_called(now, step.id))
        if there is not None and _shape(there) == _shape(step):
            found[step.id] = there.id
            continue
        alike = [name for name in by_content.get(_content(step), ()) if name not in old.steps]
        if len(alike) == 1:
            found[step.id] = alike[0]
    return found


def _faults(old: Tree, now: Tree) -> dict[str, str]:
    by_content: dict[object, list[str]] = {}
    for fault in now.faults.values():
        by_content.setdefault(_cause(fault), []).append(fault.id)
    found: dict[str, str] = {}
    for fault in old.faults.values():
        alike = [name for name in by_content.get(_cause(fault), ()) if name not in old.faults]
        name = now_called(now, fault.id)
        if name in now.faults:
            found[fault.id] = name
        elif len(alike) == 1:
            found[fault.id] = alike[0]
    return found


def _shape(step: Step) -> object:
    return step.kind, frozenset(step.targets)


def _content(step: Step) -> object:
    return step.kind, step.text, frozenset(step.targets)


def _cause(fault: Fault) -> object:
    return fault.title, fault.part, fault.module


Floats = NDArray[np.float64]

FOUND = frozenset({"fixed", "found"})
"""Results that name a fault."""


@dataclass(slots=True)
class ReadingCounts:
    """Readings in the base unit, as their number, sum and sum of squares."""

    n: int = 0
    total: float = 0.0
    squares: float = 0.0
    unit: str = ""

    def add(self, other: ReadingCounts) -> None:
        """Count the readings of another place in."""
        self.n += other.n
        self.total += other.total
        self.squares += other.squares
        self.unit = other.unit or self.unit

    @property
    def mean(self) -> float:
        """The mean; of none 0."""
        return self.total / self.n if self.n else 0.0

    @property
    def deviation(self) -> float:
        """The sample standard deviation; of fewer than two 0."""
        if self.n < 2:
            return 0.0
        rest = max(self.squares - self.total * self.total / self.n, 0.0)
        return float((rest / (self.n - 1)) ** 0.5)


@dataclass(slots=True)
class StepCount:
    """What is counted of one step.

    Attributes:
        taken: outcome → cases that took it before any repair was tried.
        ended: outcome → (result, fault) → the same by how they ended.
        later: answers after a repair was tried.
        minutes: of the answers that were timed, whatever came of them.
        good: readings that confirmed a repair.
    """

    taken: Counter[str] = field(default_factory=Counter)
    ended: dict[str, Counter[tuple[str, str]]] = field(default_factory=lambda: defaultdict(Counter))
    answers: int = 0
    skipped: int = 0
    undecided: int = 0
    gone_back: int = 0
    given_up: int = 0
    later: int = 0
    minutes: list[Floats] = field(default_factory=list)
    good: ReadingCounts = field(default_factory=ReadingCounts)

    @property
    def timed(self) -> Floats:
        """Minutes of every answer that was timed."""
        return np.concatenate(self.minutes) if self.minutes else np.array([])


@dataclass(slots=True)
class TreeCount:
    """What is counted of one tree.

    Attributes:
        tree: as it stands now, or as the record last knew it.
        gone: the library has it no more.
        bridges: text → how it is brought onto this tree.
        results: result → closed cases; ``faults`` by (result, fault), ``months`` the confirmed
            ones by (fault, month).
        closed_in: (text, month) → closed cases. unforeseen: fault → confirmed cases of texts
            that did not know it.
        texts: older texts → cases walked on them.
        left_out: answers to steps that are no more, or not the same.
        no_longer: faults found that the tree does not have now, and those found off the tree.
        fixed: fault → the cases in which its repair was confirmed.
        failed: fault → repairs that did not hold; ``instead`` which fault it was then.
        open: suspect → P at the end of each walk that left it untested.
    """

    tree: Tree
    gone: bool = False
    bridges: dict[str, TextMapping] = field(default_factory=dict)
    cases: int = 0
    closed: int = 0
    first: str = ""
    last: str = ""
    results: Counter[str] = field(default_factory=Counter)
    faults: Counter[tuple[str, str]] = field(default_factory=Counter)
    came_back: Counter[str] = field(default_factory=Counter)
    months: Counter[tuple[str, str]] = field(default_factory=Counter)
    closed_in: Counter[tuple[str, str]] = field(default_factory=Counter)
    unforeseen: Counter[str] = field(default_factory=Counter)
    fixed: dict[str, list[ClosedCase]] = field(default_factory=lambda: defaultdict(list))
    steps: dict[str, StepCount] = field(default_factory=lambda: defaultdict(StepCount))
    texts: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)
    no_longer: Counter[str] = field(default_factory=Counter)
    failed: Counter[str] = field(default_factory=Counter)
    instead: Counter[tuple[str, str]] = field(default_factory=Counter)
    open: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))

    def fault(self, tree_hash: str, fault: str) -> str | None:
        """A fault of any text of the tree as it is called now.

        One that was found off the tree and written into it since is that fault too.
        """
        known = self.bridges[tree_hash].faults.get(fault)
        if known is None:
            name = now_called(self.tree, fault)
            known = name if name in self.tree.faults else None
        return known

    def texts_with(self, fault: str) -> set[str]:
        """The texts that have a fault: only cases walked on them could find it."""
        return {text for text, bridge in self.bridges.items() if fault in bridge.faults.values()}

    def closed_for(self, fault: str) -> Counter[str]:
        """Month → closed cases walked on a text that has the fault: only these could find it."""
        knew = self.texts_with(fault)
        found: Counter[str] = Counter()
        for (text, month), cases in self.closed_in.items():
            found[month] += cases if text in knew else 0
        return found

    def could_find(self, fault: str) -> int:
        """Closed cases that a fault's share is of: those that could find it, or did."""
        return self.closed_for(fault).total() + self.unforeseen[fault]


def owners(counts: Iterable[TreeCount]) -> dict[str, TreeCount]:
    """Text → the counts of its tree."""
    return {text: count for count in counts for text in count.bridges}


def gather(store: Store, tallies: Tallies, trees: Iterable[Tree]) -> list[TreeCount]:
    """Sort what was counted by the trees as they stand.

    Trees that the library has no more are taken as the record knew them last. Only trees
    that were walked are given, in the order of their ids.
    """
    now = {tree.id: tree for tree in trees}
    counts: dict[str, TreeCount] = {}
    for name, hashes in _texts(tallies.cases).items():
        count = _start(store, name, hashes, now.get(name))
        if count is not None:
            counts[name] = count
    owner = owners(counts.values())
    for cases in tallies.cases:
        if cases.tree_hash in owner:
            _add_cases(owner[cases.tree_hash], cases)
    for closed in tallies.closed:
        fault = _fixed(owner, closed)
        if fault is not None:
            owner[closed.tree_hash].fixed[fault].append(closed)
    for answers in tallies.answers:
        if answers.tree_hash in owner:
            _add_answers(owner[answers.tree_hash], answers)
    _add_ended(owner, tallies.ended)
    return [counts[name] for name in sorted(counts)]


def _texts(cases: Sequence[CaseCounts]) -> dict[str, list[str]]:
    """Tree → the texts it was walked in, the one walked last at the end."""
    last: dict[str, dict[str, str]] = {}
    for one in cases:
        texts = last.setdefault(one.tree, {})
        texts[one.tree_hash] = max(texts.get(one.tree_hash, ""), one.last)
    return {
        name: sorted(texts, key=lambda text: texts[text]) for name, texts in sorted(last.items())
    }


def _start(store: Store, name: str, hashes: Sequence[str], now: Tree | None) -> TreeCount | None:
    old: Mapping[str, Tree | None] = {
        text: now if now is not None and now.hash == text else tree_of(store, text)
        for text in hashes
    }
    tree = now or next((old[text] for text in reversed(hashes) if old[text] is not None), None)
    if tree is None:
        return None
    bridges = {text: bridge(was, tree) for text, was in old.items()}
    return TreeCount(tree, gone=now is None, bridges=bridges)


def _add_cases(count: TreeCount, cases: CaseCounts) -> None:
    count.cases += cases.count
    count.first = min(count.first or cases.first, cases.first)
    count.last = max(count.last, cases.last)
    if cases.tree_hash != count.tree.hash:
        count.texts[cases.tree_hash] += cases.count
    if cases.state != "closed":
        return
    count.closed += cases.count
    count.results[cases.result] += cases.count
    count.closed_in[cases.tree_hash, cases.month] += cases.count
    if cases.result not in FOUND:
        return
    fault = count.fault(cases.tree_hash, cases.fault)
    if fault is None:
        count.no_longer[cases.fault] += cases.count
        return
    count.faults[cases.result, fault] += cases.count
    if cases.result == "fixed":
        known = fault in count.bridges[cases.tree_hash].faults.values()
        count.unforeseen[fault] += 0 if known else cases.count
        count.months[fault, cases.month] += cases.count
        count.came_back[fault] += cases.count if cases.came_back else 0


def _fixed(owner: Mapping[str, TreeCount], case: ClosedCase) -> str | None:
    """The fault whose repair was confirmed in a case, as its tree calls it now."""
    count = owner.get(case.tree_hash)
    if count is None or case.result != "fixed":
        return None
    return count.fault(case.tree_hash, case.fault)


def _add_answers(count: TreeCount, answers: AnswerCounts) -> None:
    name = count.bridges[answers.tree_hash].steps.get(answers.step)
    if name is None:
        count.left_out[answers.step] += answers.answers
        return
    step = count.steps[name]
    if answers.skipped:
        step.skipped += answers.answers
        return
    step.answers += answers.answers
    step.minutes.append(answers.minutes)
    if not answers.standing:
        step.gone_back += answers.answers
    elif answers.later:
        step.later += answers.answers
        _add_good(count, name, step, answers)
    elif answers.outcome == "undecided":
        step.undecided += answers.answers
    else:
        step.taken[answers.outcome] += answers.cases
        fault = count.fault(answers.tree_hash, answers.fault)
        if answers.result in FOUND and fault is not None:
            step.ended[answers.outcome][answers.result, fault] += answers.cases


def _add_good(count: TreeCount, name: str, step: StepCount, answers: AnswerCounts) -> None:
    """Readings that confirmed a repair show what a good unit reads."""
    fault = count.tree.faults.get(count.fault(answers.tree_hash, answers.fault) or "")
    confirm = fault.confirm if fault else None
    if confirm is None or answers.result != "fixed" or not answers.values:
        return
    if (confirm.step, confirm.gives) == (name, answers.outcome):
        step.good.n += answers.values
        step.good.total += answers.total
        step.good.squares += answers.squares
        step.good.unit = answers.unit


def _add_ended(owner: Mapping[str, TreeCount], ended: Iterable[EndCounts]) -> None:
    for one in ended:
        count = owner.get(one.tree_hash)
        if count is None:
            continue
        kind = one.event.get("kind")
        if kind == "not-confirmed":
            _add_failed(count, one)
        elif one.result in FOUND:
            continue
        elif kind == "stopped":
            step = count.bridges[one.tree_hash].steps.get(str(one.event.get("step", "")))
            if step is not None:
                count.steps[step].given_up += 1
        else:
            _add_open(count, one)


def _add_failed(count: TreeCount, one: EndCounts) -> None:
    fault = count.fault(one.tree_hash, str(one.event.get("fault", "")))
    if fault is None:
        return
    count.failed[fault] += 1
    then = count.fault(one.tree_hash, one.fault)
    if one.result in FOUND and then is not None and then != fault:
        count.instead[fault, then] += 1


def _add_open(count: TreeCount, one: EndCounts) -> None:
    for suspect in one.event.get("suspects", ()):
        fault = count.fault(one.tree_hash, str(suspect.get("fault", "")))
        if fault is not None:
            count.open[fault].append(float(suspect.get("probability", 0.0)))
