"""Steps that are known by heart are put briefly, and never one that safety rests on."""

from __future__ import annotations

from typing import Any

from faulttree.terminal.walk import sit
from faulttree.tree import Tree, build
from faulttree.walk import State
from tests.terminal.samples import CAUTIONS, Memory, Typist, sitting_of

CHECKS = {
    "procedure": "last-look",
    "title": "The last look",
    "start": "earth",
    "checks": "safety",
    "steps": {
        "earth": {
            "measure": "Resistance from the earth pin to the case",
            "how": "Clip to bare metal.",
            "limits": {"max": "0.3 ohm", "source": "common practice"},
            "results": {"inside": "soak", "high": "fails"},
        },
        "soak": {"do": "Let it run with a load", "then": "heat", "wait": "60 s"},
        "heat": {
            "ask": "Does it stay cool?",
            "answers": {"cool": "passes", "hot": "fails"},
        },
    },
    "exits": ["passes", "fails"],
}


def supply() -> Tree:
    """A walk of 15 steps to the fault: voltages along a chain, with looks and actions between."""
    steps: dict[str, Any] = {}
    for number in range(1, 16):
        onward = f"s{number + 1}" if number < 15 else "dry"
        if number % 5 == 1:
            step: dict[str, Any] = {
                "ask": f"Does part {number} look sound?",
                "answers": {"sound": onward, "burnt": "burnt"},
            }
        elif number % 5 == 2:
            step = {"do": f"Turn knob {number} to the middle", "then": onward}
        else:
            step = {
                "measure": f"Voltage behind part {number}",
                "how": "Black lead to the case, red lead to the solder joint nearest the edge.",
                "limits": {"nominal": "12 V", "tolerance": "5 %", "source": "rating plate"},
                "results": {"low": "burnt", "inside": onward, "high": "burnt"},
                "minutes": 2,
            }
        steps[f"s{number}"] = step
    steps["s3"]["cautions"] = ["hot"]
    return build(
        {
            "id": "supply/hums",
            "tree": {
                "title": "A supply, hums",
                "family": "supply",
                "start": "s1",
                "cautions": ["mains"],
                "steps": steps,
                "faults": {
                    "dry": {
                        "title": "Reservoir capacitor dry",
                        "remedy": "Replace it.",
                        "confirm": {"step": "s15", "gives": "inside"},
                    },
                    "burnt": {"title": "Part burnt", "remedy": "Replace it."},
                },
                "stops": {"fine": {"title": "Nothing wrong", "reason": "no-fault-found"}},
                "closing": [{"use": "last-look"}],
            },
            "procedures": {"last-look": CHECKS},
            "cautions": CAUTIONS,
            "instruments": {},
        }
    )


def answers(tree: Tree) -> list[str]:
    found = ["sound" if step.kind == "ask" else "" if step.kind == "do" else "12 V"
             for step in tree.steps.values() if step.role == "finding"]  # fmt: skip
    found.insert(2, "")  # the caution before the third step
    return ["", *found, "new capacitor", "12 V", "0.1 ohm", "", "cool", "1"]


def walked(*, brief: bool) -> tuple[Typist, State, int]:
    tree = supply()
    typed = answers(tree)
    console = Typist(*typed)
    case = sitting_of(console, Memory(), tree)
    case.brief = brief
    state = sit(case)
    return console, state, len(typed) + len(console.waited)


def test_a_brief_walk_of_15_steps_takes_few_keys_and_lines() -> None:
    console, state, prompts = walked(brief=True)
    assert state.closed is not None
    assert (state.closed.result, len(state.path)) == ("fixed", 15)
    lines = sum(len(line.splitlines()) or 1 for line in console.lines)
    assert prompts <= 26
    assert lines <= 200
    full, _, _ = walked(brief=False)
    assert len(full.lines) > 1.4 * lines


def test_a_safety_step_keeps_its_instructions_in_a_brief_walk() -> None:
    console, _, _ = walked(brief=True)
    said = console.said
    assert "MEASURE   Resistance from the earth pin to the case" in said
    assert "How       Clip to bare metal." in said
    assert "Expect    at most 300 mΩ" in said
    assert "  = inside: 100 mΩ" in said
    full, _, _ = walked(brief=False)
    assert "Takes" in full.said
    assert "Takes" not in said
