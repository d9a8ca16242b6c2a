"""The walk sheet: a tree as numbered steps on paper, for a bench without a computer.

Steps are numbered in the order they are met, procedures written out. Each has boxes to tick
and a line for the reading; each outcome says where to go on.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from faulttree.diagram import box_text
from faulttree.diagram.convert import compile_pages
from faulttree.diagram.escape import plain
from faulttree.diagram.html_page import themed_page
from faulttree.tree.model import Fault, Step, Stop, Tree

Data = Mapping[str, Any]

HEAD_LINES = ("Unit, model", "Serial or tag", "Complaint", "Who, date")
"""The fields to fill in at the top of a sheet."""


def sheet_data(tree: Tree) -> dict[str, Any]:
    """The contents of a sheet as plain data, the same for HTML and PDF."""
    numbering = _Numbering(tree)
    steps = [tree.steps[name] for name in numbering.steps]
    met = _Met(set(), set(tree.cautions))
    return {
        "title": plain(tree.title),
        "id": plain(tree.id),
        "hash": tree.hash[:12],
        "lines": list(HEAD_LINES),
        "symptoms": [plain(symptom.text) for symptom in tree.symptoms],
        "cautions": _cautions(tree, tree.cautions),
        "all_cautions": _cautions(tree, _used_cautions(tree)),
        "power": [_step(tree, tree.steps[name], numbering, met) for name in numbering.power],
        "steps": [_step(tree, step, numbering, met) for step in steps],
        "faults": [_fault(tree, fault, numbering) for fault in tree.faults.values()],
        "stops": [_stop(stop, numbering) for stop in tree.stops.values()],
        "closing": [_step(tree, tree.steps[name], numbering, met) for name in numbering.closing],
        "loose": [
            f"{numbering.label[name]} {plain(tree.faults[name].title)}" for name in tree.loose
        ],
    }


class _Numbering:
    """Labels by id: steps 1, 2, …; checks before power P1, …; closing C1, …; faults F1, …."""

    def __init__(self, tree: Tree) -> None:
        self.steps = _in_order(tree)
        self.power = [name for name, step in tree.steps.items() if step.role == "before-power"]
        self.closing = [name for name, step in tree.steps.items() if step.role == "closing"]
        self.label: dict[str, str] = {}
        for prefix, names in (
            ("", self.steps),
            ("P", self.power),
            ("C", self.closing),
            ("F", tree.faults),
            ("S", tree.stops),
        ):
            for at, name in enumerate(names, 1):
                self.label[name] = f"{prefix}{at}"
        for name, use in tree.uses.items():
            self.label.setdefault(name, self.label.get(use.start, "?"))

    def steps_of(self, tree: Tree, name: str) -> str:
        """A step or a whole procedure by its numbers."""
        use = tree.uses.get(name)
        inside = [self.label[step] for step in use.steps if step in self.label] if use else []
        if len(inside) > 1:
            return f"steps {', '.join(inside)} ({plain(name)})"
        return f"step {inside[0] if inside else self.label.get(name, '?')}"

    def goal(self, tree: Tree, target: str) -> str:
        """The target of an outcome as text."""
        label = self.label.get(target)
        if label is None:
            return f"{plain(target)} (not in this tree)"
        if target in tree.faults:
            return f"fault {label}: {plain(tree.faults[target].title)}"
        if target in tree.stops:
            return f"stop {label}: {plain(tree.stops[target].title)}"
        return f"step {label}"


def _in_order(tree: Tree) -> list[str]:
    """The steps of the search, depth first; unreachable steps come last."""
    order: dict[str, None] = {}
    stack = [tree.start]
    while stack:
        name = stack.pop()
        step = tree.steps.get(name)
        if step is None or name in order:
            continue
        order[name] = None
        stack += reversed(list(step.targets.values()))
    return list(order | dict.fromkeys(tree.diagnostic))


def _used_cautions(tree: Tree) -> list[str]:
    names = dict.fromkeys(tree.cautions)
    for step in tree.steps.values():
        names |= dict.fromkeys(step.cautions)
    for fault in tree.faults.values():
        names |= dict.fromkeys(fault.cautions)
    return list(names)


@dataclass(frozen=True, slots=True)
class _Met:
    """The cautions and access states that the sheet has already shown in full."""

    access: set[str]
    cautions: set[str]


def _cautions(tree: Tree, names: Iterable[str], met: _Met | None = None) -> list[Data]:
    """Cautions for the sheet: in full at the first occurrence, and always for DANGER."""
    known = tree.known_cautions
    names = tuple(names)
    said = [
        {
            "signal": known[name].signal if name in known else "",
            "name": plain(name),
            "text": plain(known[name].text) if name in known else "unknown caution",
            "whole": met is None
            or name not in met.cautions
            or (name in known and known[name].signal == "DANGER"),
        }
        for name in names
    ]
    if met is not None:
        met.cautions.update(names)
    return sorted(said, key=lambda caution: box_text.order_of_signal(caution["signal"]))


def _step(tree: Tree, step: Step, numbering: _Numbering, met: _Met) -> Data:
    first = [name for name in step.access if name not in met.access]
    met.access.update(first)
    outcomes = [
        {"outcome": plain(outcome), "goal": _goal(tree, step, outcome, numbering)}
        for outcome in step.targets
    ]
    outcomes += [
        {"outcome": plain(f"{name}: {value}"), "goal": numbering.goal(tree, target)}
        for name, stops in step.stop_if.items()
        for value, target in stops.items()
    ]
    outcomes += [
        {"outcome": plain(outcome), "goal": _left(tree, exits)}
        for outcome, exits in step.leaves.items()
        if outcome not in step.targets
    ]
    return {
        "number": numbering.label[step.id],
        "id": plain(step.id),
        "text": plain(step.text),
        "minutes": box_text.minute_words(step.minutes),
        "cautions": _cautions(tree, step.cautions, met),
        "conditions": box_text.step_conditions(step),
        "small": list(_small_print(tree, step, numbering, first)),
        "limits": list(box_text.step_facts(step)),
        "reading": step.kind == "measure",
        "outcomes": outcomes,
    }


def _goal(tree: Tree, step: Step, outcome: str, numbering: _Numbering) -> str:
    """Where an outcome leads; a check before power that passed leads to the next one."""
    checks = {check.use for check in tree.before_power}
    for use, exit_ in step.leaves.get(outcome, ()):
        if use in checks and exit_ == tree.uses[use].passes:
            return "passed: go on"
    return numbering.goal(tree, step.targets[outcome])


def _power_lines(tree: Tree, step: Step) -> Iterator[str]:
    """What a step says of power: what must have passed, what must be closed, where it is made."""
    if step.live and tree.before_power:
        yield "Gives power: all checks before power must have passed since the last repair."
    if step.live:
        for state in tree.access.values():
            if state.exposes and state.close and state.id not in step.access:
                yield f"Closed for this ({plain(state.id)}): {plain(state.close.how)}"
    for use in dict.fromkeys(use.id for use in tree.uses.values() if step.id == use.start):
        when = next((one.when for one in tree.before_power if one.use == use), {})
        for name, values in when.items():
            yield f"Only where {plain(name)} is {', '.join(values)}."


def _small_print(
    tree: Tree, step: Step, numbering: _Numbering, first: Iterable[str]
) -> Iterator[str]:
    """What stands in small letters under a step; ``first`` are access states met first here."""
    if step.how:
        yield plain(step.how)
    for name in first:
        if name in tree.access and tree.access[name].how:
            yield f"{plain(name)}: {plain(tree.access[name].how)}"
    yield from _power_lines(tree, step)
    if step.needs:
        yield f"Needs: {', '.join(_gear(tree, name) for name in step.needs)}."
    if step.after:
        yield f"Only after {', '.join(numbering.steps_of(tree, name) for name in step.after)}."
    if source := (step.limits or {}).get("source", step.source):
        yield f"Figures: {plain(source)}."


def _gear(tree: Tree, name: str) -> str:
    known = tree.known_instruments.get(name)
    return plain(known.title if known else name)


def _left(tree: Tree, exits: tuple[tuple[str, str], ...]) -> str:
    for use, exit_ in exits:
        if use in tree.closing:
            passed = exit_ == next(iter(tree.uses[use].exits), "")
            return "go on" if passed else "the unit must not go back: repair it first"
    return "go on"


def _fault(tree: Tree, fault: Fault, numbering: _Numbering) -> Data:
    confirm = ""
    if fault.confirm is not None:
        where = numbering.label.get(fault.confirm.step, plain(fault.confirm.step))
        confirm = f"step {where} gives {plain(fault.confirm.gives)}"
    return {
        "number": numbering.label[fault.id],
        "id": plain(fault.id),
        "title": plain(fault.title),
        "facts": list(box_text.fault_facts(fault)),
        "remedy": plain(fault.remedy),
        "confirm": confirm,
        "cautions": _cautions(tree, fault.cautions),
    }


def _stop(stop: Stop, numbering: _Numbering) -> Data:
    see = f"; see {plain(stop.see)}" if stop.see else ""
    return {
        "number": numbering.label[stop.id],
        "title": plain(stop.title),
        "reason": f"{box_text.REASONS.get(stop.reason, plain(stop.reason))}{see}",
    }


def sheet_html(tree: Tree) -> str:
    """The sheet as one HTML file that prints on A4."""
    data = sheet_data(tree)
    return themed_page(
        "diagram/walk_sheet.html.jinja", title=f"{data['title']}: walk sheet", sheet=data
    )


def sheet_pdf(tree: Tree) -> bytes:
    """The sheet as a PDF on A4.

    Raises:
        FaulttreeError: the converter is not installed.
    """
    source = Path(__file__).with_suffix(".typ").read_text(encoding="utf-8")
    return compile_pages(source, {"sheet.json": json.dumps(sheet_data(tree)).encode()})
