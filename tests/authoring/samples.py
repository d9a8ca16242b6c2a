"""Random trees and random cases on them, for the promises of authoring."""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from faulttree.authoring.cause import Cause, Test
from faulttree.authoring.replay import RecordedAnswers
from faulttree.cases import Store
from faulttree.cli import run
from faulttree.tree import Library, Tree
from faulttree.walk import events as ev
from faulttree.walk.fold import fold
from faulttree.walk.state import State

__all__ = [
    "RecordedAnswers",
    "case_of",
    "library_of",
    "put_tree",
    "random_cause",
    "random_test",
    "random_tree",
    "walked_desk",
]

STOPS = {
    "hand-over": {"title": "Beyond this tree", "reason": "out-of-scope"},
    "not-safe": {"title": "Not safe", "reason": "unsafe"},
}


class Maker:
    """A tree grown at random: questions, readings and deeds down to faults and stops."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.steps: dict[str, Any] = {}
        self.faults: dict[str, Any] = {}

    def fault(self) -> str:
        name = f"fault-{len(self.faults) + 1}"
        self.faults[name] = {
            "title": f"Part {len(self.faults) + 1} broken",
            "remedy": "Replace it.",
            "weight": self.rng.choice([0.5, 1, 2, 3, 6]),
            "evidence": [{"kind": "confirmed", "source": "the shop's bench", "date": "2026-01-05"}],
        }
        return name

    def grow(self, depth: int, state: tuple[str, ...]) -> str:
        """A step, or an end, and everything below it."""
        rng = self.rng
        if depth == 0 or (depth < 3 and rng.random() < 0.25):
            return self.fault() if rng.random() < 0.6 else "hand-over"
        name = f"step-{len(self.steps) + 1}"
        step: dict[str, Any] = {}
        self.steps[name] = step
        if rng.random() < 0.3 and "cover-off" not in state:
            state = (*state, "cover-off")
        minutes = rng.choice([1, 2, 2, 3, 5])
        if rng.random() < 0.12:
            step |= {"do": f"Do {name}", "minutes": minutes, "then": ""}
            step["then"] = self.grow(depth - 1, state)
        elif rng.random() < 0.5:
            step |= {"ask": f"Is {name} as it should be?", "minutes": minutes}
            step["answers"] = {"fine": "", "not-so": ""}
            step["answers"] = {k: self.grow(depth - 1, state) for k in step["answers"]}
        else:
            step |= {"measure": f"Resistance at {name}", "minutes": minutes}
            step["limits"] = {"min": "10 kΩ", "source": "the shop's own"}
            step["results"] = {k: self.grow(depth - 1, state) for k in ("inside", "low")}
        if state:
            step["access"] = list(state)
        return name


def random_tree(rng: random.Random) -> dict[str, Any]:
    """A tree document as plain data; its first step may find the unit unsafe."""
    while True:
        maker = Maker(rng)
        start = maker.grow(rng.choice([2, 3, 3, 4]), ())
        if len(maker.faults) >= 2 and start in maker.steps:
            break
    if rng.random() < 0.3:
        maker.steps = {
            "look": {
                "ask": "Is it dry and whole?",
                "minutes": 1,
                "answers": {"whole": start, "burnt": "not-safe"},
            },
            **maker.steps,
        }
        start = "look"
    data = {
        "title": "Lamp, dark",
        "family": "lamp",
        "access": {"cover-off": {"minutes": rng.choice([2, 6]), "how": "Four screws."}},
        "start": start,
        "steps": maker.steps,
        "faults": maker.faults,
        "stops": {"hand-over": STOPS["hand-over"]},
    }
    if start == "look":
        data["stops"] = STOPS
    return data


def written(data: dict[str, Any], rng: random.Random) -> str:
    """The document as somebody may have typed it: block or flow, with comments."""
    text = yaml.safe_dump(
        data,
        sort_keys=False,
        allow_unicode=True,
        width=rng.choice([60, 1000]),
        indent=rng.choice([2, 4]),
        default_flow_style=rng.choice([False, None]),
    )
    lines = []
    for line in text.splitlines():
        if line.startswith("  ") and not line.startswith("   ") and rng.random() < 0.2:
            lines.append("  # a remark of the author")
        lines.append(line)
        if rng.random() < 0.05 and line.rstrip().endswith(":"):
            lines[-1] = f"{line}   # and another"
    ending = rng.choice(["\n", "\n", "\r\n"])
    return ending.join(lines) + (ending if rng.random() < 0.8 else "")


def library_of(folder: Path, data: dict[str, Any], rng: random.Random) -> Library:
    """A library with this one tree."""
    put_tree(folder, written(data, rng))
    return Library(folder)


def walked(tree: Tree, rng: random.Random, wanted: str = "") -> tuple[list[ev.Event], State]:
    """Answers at random to an end; to a stop or fault where that is wanted, if it can be."""
    best: tuple[list[ev.Event], State] | None = None
    for _ in range(30):
        events: list[ev.Event] = [ev.Opened(tree=tree.id, tree_hash=tree.hash, at=AT)]
        state = fold(tree, events)
        while state.ask is not None and state.phase == "finding":
            outcome = rng.choice(list(state.ask.targets))
            reading = None
            if state.ask.kind == "measure":
                value = 2.0e3 if outcome == "low" else 5.0e4
                reading = {"value": value, "unit": "ohm", "text": f"{value:g} Ω"}
            events.append(ev.Answered(step=state.ask.id, outcome=outcome, reading=reading, at=AT))
            state = fold(tree, events)
        best = events, state
        if not wanted or (state.end is not None and wanted in (state.end.kind, state.end.id)):
            break
    assert best is not None
    return best


AT = "2026-03-02T10:00:00Z"


def case_of(store: Store, tree: Tree, rng: random.Random, *, off_tree: str = "") -> str | None:
    """A recorded case; solved off the tree where a fault is named, if a walk ends at a stop."""
    events, state = walked(tree, rng, "hand-over" if off_tree else "")
    if off_tree:
        if state.end is None or state.end.id != "hand-over":
            return None
        events += [
            ev.Confirmed(fault=off_tree, seen="works again", at=AT),
            ev.Closed(result="fixed", fault=off_tree, became="returned", at=AT),
        ]
    elif state.end is not None and state.end.kind == "fault" and rng.random() < 0.7:
        fault = state.end.id
        events += [
            ev.RepairTried(fault=fault, at=AT),
            ev.Confirmed(fault=fault, seen="works", at=AT),
            ev.Closed(result="fixed", fault=fault, became="returned", at=AT),
        ]
    return store.open_case(events, tree_text=tree.text)


def random_cause(rng: random.Random) -> Cause:
    return Cause(
        title="A joint of the socket cracked: seen with a lens",
        remedy="Resolder it, # and relieve the wire.",
        part=rng.choice(["", "X3"]),
        module=rng.choice(["", "inlet"]),
    )


def random_test(rng: random.Random) -> Test:
    common: dict[str, Any] = {
        "minutes": rng.choice([1, 2, 3, 4]),
        "access": rng.choice([(), ("cover-off",)]),
        "how": rng.choice(["", "Lens; press it with a stick: gently."]),
    }
    if rng.random() < 0.5:
        return Test(ask="Does the joint move?", shows="moves", fine="firm", **common)
    limits = {"max": "1 Ω", "source": "the shop's own, probes included"}
    return Test(measure="Resistance over the joint", reading="40 Ω", limits=limits, **common)


def put_tree(folder: Path, text: str) -> Path:
    """Write the lamp's tree into a library."""
    path = folder / "trees" / "lamp" / "dark.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode())
    return path


def walked_desk(folder: Path, patch: pytest.MonkeyPatch, tree: str, answers: str) -> Path:
    """Sit down at a library with this tree and a record of its own, and walk the tree once."""
    path = put_tree(folder, tree)
    (folder / "walk.yaml").write_text(answers)
    patch.chdir(folder)
    patch.setenv("FAULTTREE_RECORD", str(folder / "record.db"))
    patch.delenv("FAULTTREE_LIBRARY", raising=False)
    assert run(["diagnose", "lamp/dark", "--answers", "walk.yaml"]) == 0
    return path


ANSWERS = """\
unit: {family: lamp, serial: tag 7}
complaint: dark
answers:
  - plug: whole
  - lead: 0.3 ohm
  - socket: firm
outcome: {result: unsolved}
"""

CAUSE = [
    "--fault", "torn-filament", "--title", "Filament torn", "--remedy", "Fit a new bulb.",
    "--part", "E1", "--module", "head", "--seen", "Lights for an hour.",
]  # fmt: skip

TEST = [
    "--measure", "Resistance of the bulb", "--reading", "over range", "--max", "2 kΩ",
    "--source", "1.2 kΩ on a good one", "--minutes", "1", "--search-minutes", "12",
]  # fmt: skip


def comments(text: str) -> list[str]:
    return re.findall(r"#[^\"'{}\n]*remark[^\n]*|# Figures[^\n]*", text)


TREE = """\
# What the shop knows of its lamps.
title: Lamp, dark
family: lamp
modules: [inlet]
access:
  cover-off: {minutes: 6}
start: plug

steps:
  plug:
    ask: Is the plug whole?
    minutes: 1
    answers: {whole: lead, broken: broken-plug}   # seen often

  lead:
    measure: Resistance of the lead
    minutes: 3
    limits: {max: 1 Ω, source: the shop's own}
    results: {inside: socket, high: broken-lead}

  socket:
    ask: Is the socket firm?
    access: [cover-off]
    minutes: 2
    answers: {firm: hand-over, loose: loose-socket}

faults:
  broken-plug: {title: Plug broken, remedy: New plug., module: inlet, weight: 1}
  broken-lead: {title: Lead broken, remedy: New lead., module: inlet, weight: 2}
  loose-socket:
    title: Socket loose
    remedy: Tighten it.
    weight: 4
    evidence: [{kind: reported, source: a visitor, date: 2026-01-02}]

stops:
  hand-over: {title: Beyond this tree, reason: out-of-scope}
"""

END: list[tuple[str, str, float | None]] = [
    ("plug", "whole", None),
    ("lead", "inside", 0.9),
    ("socket", "firm", None),
]


def record(
    store: Store,
    tree: Tree,
    answers: list[tuple[str, str, float | None]],
    fault: str = "",
    *,
    seen: str = "Lights again.",
) -> str:
    events: list[ev.Event] = [ev.Opened(at=AT, tree=tree.id, tree_hash=tree.hash)]
    for step, outcome, value in answers:
        reading = None if value is None else {"value": value, "unit": "ohm", "text": f"{value:g} Ω"}
        events.append(ev.Answered(at=AT, step=step, outcome=outcome, reading=reading))
    if fault and seen:
        events.append(ev.Confirmed(at=AT, fault=fault, seen=seen))
    if fault:
        result = "fixed" if seen else "found"
        events.append(ev.Closed(at=AT, result=result, fault=fault, became="returned"))
    return store.open_case(events, tree_text=tree.text)
