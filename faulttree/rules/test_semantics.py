"""The tests of one file, whatever their kind: what each looks at and what its outcomes lead to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from faulttree.rules.context import RuleContext
from faulttree.rules.vocabulary import denied, is_sound, stems, turned_round
from faulttree.tree.model import Step, Tree, Use, Where

SIDES = frozenset({"low", "high", "outside"})


@dataclass(frozen=True)
class OutcomeEnd:
    """What an outcome leads to, as the file itself names it.

    Attributes:
        kind: ``step`` for a step or use, else how the way ends; ``exit`` in a procedure.
        id: its name in the file.
        name: id and title, for what it is called.
        text: what else tells what it is about: the part, or what the step looks at.
        reason: of a stop, else empty.
    """

    kind: Literal["step", "fault", "stop", "exit"]
    id: str
    name: str = ""
    text: str = ""
    reason: str = ""

    @cached_property
    def called(self) -> frozenset[str]:
        """Stems of what it is called; `low` and `high` only where its id says so."""
        return (stems(self.name) - {"low", "high"}) | stems(self.id)

    @cached_property
    def about(self) -> frozenset[str]:
        """Stems of all that tells what it is about."""
        return stems(f"{self.id} {self.name} {self.text}")

    @cached_property
    def denied(self) -> frozenset[str]:
        """Words that its name or text denies."""
        return denied(f"{self.name}; {self.text}")


@dataclass(frozen=True)
class TestMeaning:
    """A step that asks or measures, or a use taken as one test.

    Attributes:
        id: as its own file names it.
        kind: ``ask``, ``measure`` or ``use``.
        text: what it looks at.
        ends: outcome or exit → what it leads to.
        unit: base unit of the reading; of a use, where all its readings have one.
        fed: whether it is on the powered unit and reads what feeds a part or is drawn by it.
        procedure: of a use, else empty.
    """

    id: str
    kind: Literal["ask", "measure", "use"]
    text: str
    ends: Mapping[str, OutcomeEnd]
    unit: str
    fed: bool
    procedure: str
    step: Step | None
    use: Use | None

    def place(self, subject: RuleContext, outcome: str) -> Where:
        """Where the file says what an outcome leads to."""
        if self.use is not None:
            return self.use.where.under("exits", outcome)
        assert self.step is not None
        return subject.result_place(self.step, outcome)

    @cached_property
    def good(self) -> str | None:
        """The one outcome that finds things as they should be; None where that is not told."""
        if self.kind == "measure" and not set(self.ends) - SIDES - {"inside"}:
            return "inside" if "inside" in self.ends else None
        sound = [outcome for outcome in self.ends if is_sound(outcome)]
        return sound[0] if len(sound) == 1 else None

    @property
    def turned(self) -> bool:
        """Whether it looks at what is left, not at the part it names: see :func:`turned_round`.

        A procedure tests the part that it is given, whatever is lifted on the way.
        """
        if self.use is not None:
            return turned_round(" ".join(str(value) for value in self.use.given.values()))
        return turned_round(self.text)

    @cached_property
    def bad(self) -> tuple[str, ...]:
        """All other outcomes, where there is a good one."""
        good = self.good
        return () if good is None else tuple(outcome for outcome in self.ends if outcome != good)


def probes(subject: RuleContext) -> tuple[TestMeaning, ...]:
    """The tests of a subject: steps that ask or measure, and uses; not those of the closing.

    A step of a procedure is one test, however often the tree uses it.
    """
    ends = _Ends(subject.tree)
    return (*_of_steps(subject, ends), *_of_uses(subject, ends))


def _of_steps(subject: RuleContext, known: _Ends) -> Iterator[TestMeaning]:
    met: set[Where] = set()
    for step in subject.tree.steps.values():
        if step.kind not in ("ask", "measure") or step.id.startswith("closing."):
            continue
        if step.use is not None and step.where in met:
            continue
        met.add(step.where)
        ends = {
            outcome: known.after(step, outcome, target)
            for outcome, target in step.targets.items()
            if outcome != "undecided"
        }
        if len(ends) > 1:
            name = subject.name(step.id, step.where)
            unit = subject.unit_at(step.id)
            fed = unit in ("A", "W", "VA") or (step.live and unit in ("V", ""))
            kind: Literal["ask", "measure"] = "ask" if step.kind == "ask" else "measure"
            yield TestMeaning(name, kind, step.text, ends, unit, fed, "", step, None)


def _of_uses(subject: RuleContext, known: _Ends) -> Iterator[TestMeaning]:
    tree = subject.tree
    for use in tree.uses.values():
        if use.parent is None and not use.id.startswith("closing.") and len(use.exits) > 1:
            ends = {name: known[target] for name, target in use.exits.items()}
            given = " ".join(str(value) for value in use.given.values())
            text = f"{use.id} {use.title} {given}"
            units = {subject.unit_at(step) for step in use.steps} - {""}
            unit = units.pop() if len(units) == 1 else ""
            fed = any(tree.steps[step].live for step in use.steps if step in tree.steps)
            yield TestMeaning(use.id, "use", text, ends, unit, fed, use.procedure, None, use)


class _Ends(dict[str, OutcomeEnd]):
    """Target → what it is, worked out once for all outcomes that lead there."""

    def __init__(self, tree: Tree) -> None:
        super().__init__()
        self.tree = tree

    def __missing__(self, target: str) -> OutcomeEnd:
        self[target] = end = _node(self.tree, target)
        return end

    def after(self, step: Step, outcome: str, target: str) -> OutcomeEnd:
        """What an outcome leads to: of a step in a procedure, perhaps an exit of that."""
        left = step.leaves.get(outcome)
        return OutcomeEnd("exit", left[0][1]) if left else self[target]


def _node(tree: Tree, target: str) -> OutcomeEnd:
    if target in tree.faults:
        fault = tree.faults[target]
        return OutcomeEnd("fault", target, fault.title, fault.part)
    if target in tree.stops:
        stop = tree.stops[target]
        return OutcomeEnd("stop", target, stop.title, "", stop.reason)
    step = tree.steps.get(target)
    if step is None:
        return OutcomeEnd("step", target)
    use = tree.uses.get(step.use or "")
    while use is not None and use.parent is not None:
        use = tree.uses.get(use.parent)
    if use is not None and use.start == target:
        return OutcomeEnd(
            "step", use.id, use.title, " ".join(str(item) for item in use.given.values())
        )
    return OutcomeEnd("step", target, step.text)
