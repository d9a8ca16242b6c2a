"""The segments of generated trees: one test with all that must come before it.

Each segment adds to a draft a step, a fault that its bad outcome finds, and what the step
needs first, above all the discharge and the proof of dead.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tests.support.safety_procedures import UNPLUG, Choices

__all__ = [
    "Draft",
    "Row",
    "Segment",
    "cells",
    "charge",
    "charge_test",
    "cold_test",
    "dead_tests",
    "fork",
    "kind",
    "leak",
    "live_opened",
    "live_test",
    "load_test",
    "question",
    "unplug",
    "voltage",
]

Data = dict[str, Any]


@dataclass
class Row:
    """What is known on a row of tests, whichever outcome led along it.

    Attributes:
        dead: store → the step or use that proved it dead, with no live step since.
        failing: what was seen to be bad on the way, as conditions of a proof of repair.
    """

    dead: dict[str, str] = field(default_factory=dict)
    failing: list[Data] = field(default_factory=list)


@dataclass
class Draft:
    """A tree at work."""

    choices: Choices
    mains: bool
    capacitors: tuple[str, ...]
    battery: str
    models: tuple[str, ...]
    steps: Data = field(default_factory=dict)
    faults: Data = field(default_factory=dict)
    parts: int = 0
    leak: bool = False

    def part(self) -> str:
        """The name of one more part."""
        self.parts += 1
        return f"P{self.parts}"

    def fault(self, test: str, good: str, row: Row, part: str) -> str:
        """A fault that the test finds by a bad outcome; the same test proves its repair."""
        name = f"bad-{test}"
        conditions: list[Data] = [{"step": test, "gives": good}]
        if row.failing and self.choices.maybe():
            conditions += row.failing
        if self.leak and test != "leak" and self.choices.maybe():
            conditions.append({"step": "leak", "gives": "inside", "safety": True})
        self.faults[name] = {
            "title": f"{part} is defective",
            "part": part,
            "remedy": f"Replace {part}.",
            "weight": self.choices.count(1, 9),
            "confirm": conditions if len(conditions) > 1 else conditions[0],
        }
        return name


Segment = Callable[[Draft, Row, str, str], None]
"""Adds to a draft the test of this name, which leads on to the last argument where all is good."""

# -- limits, each with readings of good units that they let pass --------------------------------

COLD: tuple[tuple[str, str, Data], ...] = (
    (
        "Resistance of {part}",
        "multimeter",
        {"min": "40 ohm", "max": "80 ohm", "basis": "asked", "good": ["45 ohm", "70 ohm"]},
    ),
    (
        "ESR of {part}",
        "esr-meter",
        {"max": "300 mohm", "holds_at": "100 kHz", "basis": "practice", "good": ["80 mohm"]},
    ),
    (
        "Junction voltage of {part}",
        "multimeter",
        {"min": "0.4 V", "max": "0.8 V", "basis": "practice", "good": ["0.55 V"]},
    ),
    (
        "Capacitance of {part}",
        "capacitance-meter",
        {"nominal": "100 nF", "tolerance": "20 %", "basis": "standard", "good": ["95 nF"]},
    ),
)
QUESTIONS = (
    ("Is {part} whole?", "whole", "broken"),
    ("Does {part} turn freely by hand?", "freely", "stiff"),
    ("Does {part} sit firmly in its place?", "firmly", "loose"),
)


def voltage(draft: Draft) -> Data:
    """Limits of an output voltage: a rating where it differs by model."""
    if len(draft.models) > 1:
        formula = {"formula": "u", "from": {"u": "rail"}}
        return {"nominal": formula, "tolerance": "10 %", "unit": "V", "basis": "asked"}
    good = ["23.6 V", "24.2 V"]
    return {"nominal": "24 V", "tolerance": "10 %", "basis": "asked", "good": good}


def results(limits: Mapping[str, Any], inside: str, bad: str) -> Data:
    """Where the outcomes of these limits lead."""
    both = "nominal" in limits or {"min", "max"} <= set(limits)
    side = "outside" if both else "low" if "min" in limits else "high"
    return {"inside": inside, side: bad}


# -- segments ------------------------------------------------------------------------------------


def question(draft: Draft, row: Row, name: str, then: str) -> None:
    """Something seen or felt on the closed unit without power."""
    part = draft.part()
    text, good, bad = draft.choices.one(QUESTIONS)
    fault = draft.fault(name, good, row, part)
    step: Data = {"ask": text.format(part=part), "answers": {good: then, bad: fault}}
    if draft.choices.maybe():
        step["answers"] = {bad: fault, good: then}
        step["normal"] = good
    draft.steps[name] = step


def fork(draft: Draft, row: Row, name: str, then: str) -> None:
    """A question that says nothing of a fault, and a test that only some units need."""
    side = f"{name}-side"
    draft.steps[name] = {
        "ask": "Has the unit a remote control?",
        "answers": {"yes": side, "no": then},
    }
    question(draft, row, side, then)


def live_test(draft: Draft, row: Row, name: str, then: str, *, opened: bool = False) -> None:
    """A voltage of the powered unit, closed or with its cover off."""
    part, limits = draft.part(), voltage(draft)
    step: Data = {
        "measure": f"D.c. voltage at {part}",
        "live": True,
        "needs": ["multimeter"],
        "limits": limits,
        "results": results(limits, then, draft.fault(name, "inside", row, part)),
    }
    if opened:
        step |= {"access": ["cover-off"], "cautions": ["live-working"]}
        if draft.mains and draft.choices.maybe():
            step["stop_if"] = {"supply": {"switch-mode": "sealed"}}
    charge(draft, row, step)
    draft.steps[name] = step


def charge(draft: Draft, row: Row, step: Data) -> None:
    """What a live step charges: all stores, or some that are named."""
    first = draft.capacitors[:1]
    if draft.battery:
        step["charges"] = []
    elif len(draft.capacitors) > 1 and draft.choices.maybe():
        step["charges"] = [*first, *(["mains"] if draft.mains else [])]
    for store in step.get("charges", list(row.dead)):
        row.dead.pop(store, None)


def live_opened(draft: Draft, row: Row, name: str, then: str) -> None:
    """A voltage inside the powered unit."""
    live_test(draft, row, name, then, opened=True)


def cold_test(draft: Draft, row: Row, name: str, then: str) -> None:
    """A reading of the unplugged and closed unit, from outside."""
    stores = ["mains"] if draft.mains else []
    entry = unplugged(draft, row, name)
    reading(draft, row, entry, then, on=stores)


def unplugged(draft: Draft, row: Row, name: str) -> str:
    """Adds a step that unplugs, where that is not done; the name that is free after it."""
    if not draft.mains or "mains" in row.dead:
        return name
    draft.steps[name] = {**UNPLUG, "then": f"{name}-test"}
    row.dead["mains"] = name
    return f"{name}-test"


def reading(draft: Draft, row: Row, name: str, then: str, on: Sequence[str], **more: Any) -> None:
    """A reading of one part, on stores that are dead."""
    part = draft.part()
    text, kind, limits = draft.choices.one(COLD)
    step: Data = {
        "measure": text.format(part=part),
        "needs": [kind],
        "limits": dict(limits),
        "results": results(limits, then, draft.fault(name, "inside", row, part)),
        **more,
    }
    if on:
        step["on"] = list(on)
        step["after"] = list(dict.fromkeys(row.dead[store] for store in on))
    draft.steps[name] = step


def dead_tests(draft: Draft, row: Row, name: str, then: str) -> None:
    """Readings inside the opened unit, after discharge and proof of dead."""
    stores = [*draft.capacitors, *(["mains"] if draft.mains else [])]
    charged = [store for store in stores if store not in row.dead]
    first = made_dead(draft, row, name, charged) if charged else name
    tests = [first, *(f"{name}-more-{turn}" for turn in range(draft.choices.count(0, 2)))]
    access = ["cover-off", *(["board-out"] if draft.choices.maybe() else [])]
    last = draft.choices.one(["", "lift", "heat"])
    after = f"{name}-{last}" if last else then
    for test, following in zip(tests, [*tests[1:], after], strict=True):
        on = stores if draft.choices.maybe() else stores[:1]
        reading(draft, row, test, following, on, access=access)
    if last == "lift":
        lifted(draft, row, after, then, stores)
    elif last == "heat":
        heated(draft, row, after, then, stores, draft.faults[f"bad-{tests[-1]}"]["part"])


def made_dead(draft: Draft, row: Row, name: str, charged: Sequence[str]) -> str:
    """Discharges what is charged and proves it dead; the name that is free after it."""
    capacitors = [store for store in charged if store != "mains"]
    test = f"{name}-reading"
    if capacitors and draft.choices.maybe():
        draft.steps[name] = {
            "use": "discharge",
            "access": ["cover-off"],
            "discharges": capacitors,
            "proves_dead": list(charged),
            "exits": {"dead": test, "charged": "charge-stays"},
        }
        row.dead |= dict.fromkeys(charged, name)
        return test
    free = unplugged(draft, row, name)
    if not capacitors:
        return free
    discharged_by_hand(draft, free, f"{name}-dead", capacitors, row.dead.get("mains"), test)
    row.dead |= dict.fromkeys(capacitors, f"{name}-dead")
    return test


def discharged_by_hand(
    draft: Draft, name: str, dead: str, stores: Sequence[str], unplug: str | None, then: str
) -> None:
    """Two steps of the tree itself: discharge, and the reading that proves it."""
    draft.steps[name] = {
        "do": f"Discharge {' and '.join(stores)} through the resistor",
        "access": ["cover-off"],
        "needs": ["bleed-resistor"],
        "discharges": list(stores),
        "then": dead,
        **({"after": [unplug]} if unplug else {}),
    }
    draft.steps[dead] = {
        "measure": f"Voltage left on {' and '.join(stores)}",
        "access": ["cover-off"],
        "needs": ["multimeter"],
        "after": [name],
        "limits": {"max": "1 V", "basis": "practice", "good": ["0.2 V"]},
        "proves_dead": list(stores),
        "results": {"inside": then, "high": "charge-stays"},
    }


def lifted(draft: Draft, row: Row, name: str, then: str, stores: Sequence[str]) -> None:
    """One leg of a part lifted, the part read, the leg put back."""
    part, back = f"P{draft.parts + 1}", f"{name}-back"
    opened = {"access": ["cover-off"], "on": list(stores)} if stores else {"access": ["cover-off"]}
    proofs = list(dict.fromkeys(row.dead[store] for store in stores))
    draft.steps[name] = {
        "do": f"Pull one leg of {part} out of its spring clip",
        "leaves": {"lifted": part},
        "then": f"{name}-test",
        **opened,
        **({"after": proofs} if proofs else {}),
    }
    reading(draft, row, f"{name}-test", back, stores, access=["cover-off"])
    step = draft.steps[f"{name}-test"]
    step["after"] = [*step.get("after", ()), name]
    draft.steps[back] = {
        "do": f"Put the leg of {part} back",
        "puts_back": [part],
        "then": then,
        **opened,
    }


def heated(draft: Draft, row: Row, name: str, then: str, stores: Sequence[str], part: str) -> None:
    """A joint heated after its part was read, for the reading of another part."""
    draft.steps[name] = {
        "do": f"Resolder {part}, to reach the part below it",
        "access": ["cover-off"],
        "disturbs": [draft.choices.one(["heat", "reseating"])],
        "of": part,
        "then": f"{name}-test",
        **({"on": list(stores)} if stores else {}),
        **({"after": list(dict.fromkeys(row.dead[one] for one in stores))} if stores else {}),
    }
    reading(draft, row, f"{name}-test", then, stores, access=["cover-off"])


def load_test(draft: Draft, row: Row, name: str, then: str) -> None:
    """A load on a battery whose cells are known."""
    part = draft.part()
    draft.steps[name] = {
        "measure": "Pack voltage under load",
        "needs": ["multimeter", "dummy-load"],
        "loads": [draft.battery],
        "after": ["cells"],
        "limits": {"min": "15 V", "basis": "asked", "good": ["17.1 V"]},
        "results": {"inside": then, "low": draft.fault(name, "inside", row, part)},
    }


def charge_test(draft: Draft, row: Row, name: str, then: str) -> None:
    """A charger on a battery whose cells are known."""
    part = draft.part()
    draft.steps[name] = {
        "ask": "Does the pack take charge?",
        "live": True,
        "charges": [draft.battery],
        "after": ["cells"],
        "answers": {"yes": then, "no": draft.fault(name, "yes", row, part)},
    }


def cells(draft: Draft, row: Row, name: str, then: str) -> None:
    """The voltage of each cell, before anything charges or loads the pack."""
    draft.steps[name] = {
        "measure": "Lowest cell voltage",
        "needs": ["multimeter"],
        "cells_known": [draft.battery],
        "limits": {"min": "3 V", "basis": "practice", "good": ["3.7 V"]},
        "results": {"inside": then, "low": draft.fault(name, "inside", row, draft.part())},
    }


def leak(draft: Draft, row: Row, name: str, then: str) -> None:
    """The insulation of the unit, which repairs are held against later."""
    draft.leak = True
    draft.steps[name] = {
        "measure": "Insulation resistance from both mains pins to touchable metal",
        "on": ["mains"],
        "after": [row.dead["mains"]],
        "needs": ["insulation-tester"],
        "limits": {"min": "2 Mohm", "basis": "standard", "requires": {"test_voltage": "500 V"}},
        "results": {"inside": then, "low": draft.fault(name, "inside", row, draft.part())},
    }


def unplug(draft: Draft, row: Row, name: str, then: str) -> None:
    """The plug out, in sight."""
    draft.steps[name] = {**UNPLUG, "then": then}
    row.dead["mains"] = name


def kind(draft: Draft, row: Row, name: str, then: str) -> None:
    """Which kind of supply it is; a switch-mode one is not opened here."""
    draft.steps[name] = {
        "ask": "Which kind of supply is it?",
        "property": "supply",
        "answers": {"linear": then, "switch-mode": "sealed"},
    }
