"""A bench supply with the keys of safety, and a walk of it by hand."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from faulttree.reading import Bench
from faulttree.tree import Tree, build
from faulttree.tree.document import parse
from faulttree.walk import State
from faulttree.walk import events as ev
from faulttree.walk.script import Script, play

SUPPLY = """
title: Bench supply, no output
family: bench-supply
cautions: [mains]
properties:
  protection-class: {models: {two-channel: I}}
  supply: {}
access:
  lid-off: {minutes: 4, exposes: [voltage], close: {minutes: 2, how: "Lid back on, four screws."}}
stores: {reservoir: {voltage: 34 V, capacitance: 2200 µF}}
before_power:
  - look
  - {use: insulation, when: {protection-class: I}, exits: {low: inlet-leaks}}
start: outside
steps:
  outside: {ask: "Does it hum?", answers: {"yes": rail, "no": terminals}}
  terminals:
    measure: "Output"
    live: true
    limits: {min: 30 V}
    results: {inside: kind, low: rail}
  rail:
    measure: "Rail"
    live: true
    access: [lid-off]
    minutes: 1
    limits: {min: 30 V}
    results: {inside: esr, low: esr}
  kind: {ask: "Kind of supply", property: supply, answers: {linear: esr, switch-mode: second}}
  second:
    measure: "Second output"
    live: true
    unit: V
    stop_if: {supply: {dropper: sealed}}
    then: esr
  drain: {do: "Discharge", access: [lid-off], discharges: [reservoir], then: dead}
  dead:
    measure: "Voltage left"
    access: [lid-off]
    limits: {max: 1 V}
    results: {inside: esr, high: drain}
    proves_dead: [reservoir]
  esr:
    measure: "ESR, one lead lifted"
    access: [lid-off]
    on: [reservoir]
    leaves: {lifted: C1}
    limits: {max: 50 mohm}
    results: {inside: beyond, high: dry}
faults:
  dry:
    title: Reservoir capacitor dried out
    remedy: Replace it.
    confirm:
      - {step: terminals, gives: inside}
      - {step: before-power.insulation, gives: good, safety: true}
  inlet-leaks:
    title: Inlet leaks to the case
    remedy: Replace the inlet.
    confirm: {step: before-power.insulation, gives: good}
stops:
  beyond: {title: Beyond this tree, reason: out-of-scope}
  sealed: {title: A supply that stays closed, reason: licensed}
closing: [{use: class-one, when: {protection-class: I}}]
"""

PROCEDURES = """
look:
  procedure: look
  title: Look before power
  checks: safety
  start: look
  exits: [sound, damaged]
  steps: {look: {ask: "Is it sound?", answers: {sound: sound, damaged: damaged}}}
insulation:
  procedure: insulation
  title: Insulation before power
  checks: safety
  start: ohms
  exits: [good, low]
  steps: {ohms: {measure: "Insulation", limits: {min: 1 Mohm}, results: {inside: good, low: low}}}
class-one:
  procedure: class-one
  title: Safety of class I
  checks: safety
  start: earth
  exits: [pass, fail]
  steps:
    earth: {measure: "Earth path", limits: {max: 0.3 ohm}, results: {inside: pass, high: fail}}
"""

KNOWN = {
    "supply": {"ask": "Which kind?", "values": ["linear", "switch-mode", "dropper"]},
    "protection-class": {"ask": "Which class?", "values": ["I", "II", "III"]},
}


LOOK, OHMS, EARTH = (
    "before-power.look.look",
    "before-power.insulation.ohms",
    "closing.class-one.earth",
)

PASSED = ({LOOK: "sound"}, {OHMS: "5 Mohm"})

CLASS_I = {"fact": {"protection-class": "I"}}


@cache
def supply() -> Tree:
    return build(
        {
            "id": "bench-supply/no-output",
            "tree": parse(SUPPLY).data,
            "procedures": parse(PROCEDURES).data,
            "cautions": {},
            "instruments": {},
            "properties": KNOWN,
        }
    )


def walked(*answers: Mapping[str, Any], **more: Any) -> tuple[State, list[ev.Event]]:
    """A walk from an answers file; what it recorded."""
    kept: list[ev.Event] = []
    script = Script(answers=tuple(answers), **more)
    every = Bench(likely_below=0.0)
    state, _ = play(supply(), script, emit=kept.append, clock=lambda: "", bench=every)
    return state, kept
