"""Shared procedures of the generated trees, and the choices that a generator makes.

The order "look, insulation test, first start behind a series lamp", discharge and proof of
dead before a part is touched, and a safety check before the return of a unit are common
practice of the trade, no source. The insulation limits of 1 MΩ (class I) and 2 MΩ (class II)
are those of IEC 60335-1, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

__all__ = ["PROCEDURES", "Choices"]

T = TypeVar("T")


class Choices:
    """Choices of a generator; ``below(n)`` gives a whole number from 0 to n - 1."""

    def __init__(self, below: Callable[[int], int]) -> None:
        self.below = below

    def one(self, items: Sequence[T]) -> T:
        return items[self.below(len(items))]

    def maybe(self) -> bool:
        return self.below(2) == 1

    def count(self, least: int, most: int) -> int:
        return least + self.below(most - least + 1)

    def some(self, items: Sequence[T]) -> list[T]:
        return [item for item in items if self.maybe()]


UNPLUG: dict[str, Any] = {
    "do": "Unplug the unit and keep the plug in sight",
    "proves_dead": ["mains"],
}

LOOK = {
    "procedure": "look",
    "title": "Look before power",
    "checks": "safety",
    "start": "outside",
    "exits": ["sound", "damaged"],
    "steps": {
        "outside": {
            "ask": "Are case, lead and plug whole, dry and without burn marks?",
            "answers": {"yes": "rattle", "no": "damaged"},
        },
        "rattle": {
            "ask": "Does anything loose rattle inside?",
            "normal": "no",
            "answers": {"yes": "damaged", "no": "sound"},
        },
    },
}


def _insulation(least: str, limits: dict[str, Any], then: str) -> dict[str, Any]:
    return {
        "measure": "Insulation resistance, both mains pins together against touchable metal",
        "on": ["mains"],
        "after": ["unplug"],
        "needs": ["insulation-tester"],
        "limits": {"min": least, "basis": "standard", **limits},
        "results": {"inside": then, "low": "low"},
    }


INSULATION = {
    "procedure": "insulation",
    "title": "Insulation before power",
    "checks": "safety",
    "takes": ["least"],
    "start": "unplug",
    "exits": ["good", "low"],
    "steps": {
        "unplug": {**UNPLUG, "then": "method"},
        "method": {
            "ask": "Which method does the local code ask for on this unit?",
            "property": "insulation-method",
            "answers": {
                "500-volt": "insulation",
                "250-volt": "gentle",
                "leakage-current": "leakage",
            },
        },
        "insulation": _insulation("{least}", {"requires": {"test_voltage": "500 V"}}, "good"),
        "gentle": {
            **_insulation("{least}", {}, "good"),
            "how": "Set the tester to 250 V: a surge arrester conducts at 500 V.",
        },
        "leakage": {
            "measure": "Leakage current by the substitute method",
            "on": ["mains"],
            "after": ["unplug"],
            "needs": ["appliance-tester"],
            "limits": {"max": "0.5 mA", "basis": "standard"},
            "results": {"inside": "good", "high": "low"},
        },
    },
}

FIRST_START = {
    "procedure": "first-start",
    "title": "First start behind a series lamp",
    "checks": "safety",
    "start": "connect",
    "exits": ["sound", "shorted"],
    "steps": {
        "connect": {
            "do": "Connect the unit behind the series lamp, closed and switched off",
            "needs": ["lamp-limiter"],
            "then": "glow",
        },
        "glow": {
            "ask": "What does the lamp do when the unit is switched on?",
            "live": True,
            "needs": ["lamp-limiter"],
            "answers": {"dims": "sound", "pulses": "pulsing", "stays-bright": "shorted"},
        },
        "pulsing": {
            "ask": "Which kind of supply is it?",
            "property": "supply",
            "how": "A switch-mode supply may pulse behind a series lamp and be whole.",
            "normal": "switch-mode",
            "answers": {"switch-mode": "sound", "linear": "shorted"},
        },
    },
}

DISCHARGE = {
    "procedure": "discharge",
    "title": "Discharge and prove dead",
    "start": "bleed",
    "exits": ["dead", "charged"],
    "steps": {
        "bleed": {
            "do": "Unplug, then discharge every capacitor named through the resistor",
            "needs": ["bleed-resistor"],
            "then": "rest",
        },
        "rest": {
            "measure": "Voltage left on each of them",
            "needs": ["multimeter"],
            "limits": {"max": "1 V", "basis": "practice"},
            "results": {"inside": "dead", "high": "charged"},
        },
    },
}

CLASS_I = {
    "procedure": "class-i-check",
    "title": "Safety of class I before return",
    "checks": "safety",
    "start": "unplug",
    "exits": ["pass", "fail"],
    "steps": {
        "unplug": {**UNPLUG, "then": "earth"},
        "earth": {
            "measure": "Earth path from the plug to touchable metal",
            "on": ["mains"],
            "after": ["unplug"],
            "needs": ["earth-tester"],
            "limits": {"max": "0.3 ohm", "basis": "standard"},
            "results": {"inside": "insulation", "high": "fail"},
        },
        "insulation": {
            **_insulation("1 Mohm", {}, "pass"),
            "results": {"inside": "pass", "low": "fail"},
        },
    },
}

CLASS_II = {
    "procedure": "class-ii-check",
    "title": "Safety of class II before return",
    "checks": "safety",
    "start": "unplug",
    "exits": ["pass", "fail"],
    "steps": {
        "unplug": {**UNPLUG, "then": "insulation"},
        "insulation": {
            **_insulation("2 Mohm", {}, "pass"),
            "results": {"inside": "pass", "low": "fail"},
        },
    },
}

SOAK = {
    "procedure": "soak",
    "title": "Run for a while",
    "checks": "function",
    "start": "run",
    "exits": ["pass", "fail"],
    "steps": {
        "run": {
            "ask": "Does it run for ten minutes as it should?",
            "live": True,
            "answers": {"yes": "pass", "no": "fail"},
        },
    },
}

PROCEDURES: dict[str, dict[str, Any]] = {
    str(one["procedure"]): one
    for one in (LOOK, INSULATION, FIRST_START, DISCHARGE, CLASS_I, CLASS_II, SOAK)
}
