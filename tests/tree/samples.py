"""A small tree that uses the keys of safety."""

from __future__ import annotations

from typing import Any

from faulttree.tree import Tree, assemble
from faulttree.tree.document import parse

TREE = """
title: Supply, no output
family: bench-supply
cautions: [mains]
properties: {supply: {models: {two-channel: linear}}}
access:
  cover-off: {minutes: 4, exposes: [voltage], close: {minutes: 2, how: Put the cover back.}}
stores: {reservoir: {voltage: 34 V, capacitance: 2200 µF}}
symptoms: [{text: no output, seen_at: [terminals]}]
before_power:
  - look
  - {use: insulation, id: insulation-1, when: {protection-class: I}, exits: {low: leaky}}
start: kind
steps:
  kind: {ask: Kind of supply, property: supply, answers: {linear: terminals, switch-mode: sealed}}
  terminals: {measure: Out, live: true, unit: V, then: rail, stop_if: {supply: {dropper: sealed}}}
  rail:
    measure: Voltage
    live: true
    access: [cover-off]
    limits: {min: 30 V, basis: asked}
    results: {inside: discharge, low: dry}
  discharge: {do: Discharge, access: [cover-off], discharges: [reservoir], then: dead}
  dead:
    measure: Voltage left
    access: [cover-off]
    limits: {max: 1 V, basis: practice}
    results: {inside: esr, high: discharge}
    proves_dead: [reservoir, mains]
  esr:
    measure: ESR
    on: [reservoir, mains]
    access: [cover-off]
    leaves: {lifted: C1}
    disturbs: [heat]
    of: C1
    limits: {max: 50 mohm, holds_at: 100 kHz, basis: practice, good: [20 mohm]}
    results: {inside: nothing, high: dry}
faults:
  dry:
    title: Reservoir capacitor dried out
    remedy: Replace it.
    confirm: [{step: rail, gives: inside}, {step: esr, gives: inside, safety: true}]
  leaky: {title: Inlet leaks to the case, remedy: Replace it.}
stops:
  sealed: {title: Sealed, reason: licensed}
  nothing: {title: No fault found, reason: no-fault-found}
closing: [{use: insulation, when: {protection-class: [I, II]}}]
"""

LOOK = """
procedure: look
title: Look
start: look
exits: [sound, damaged]
steps: {look: {ask: Is it sound?, answers: {sound: sound, damaged: damaged}}}
"""

INSULATION = """
procedure: insulation
title: Insulation
checks: safety
start: ohms
exits: [good, low]
steps: {ohms: {measure: Insulation, limits: {min: 1 Mohm}, results: {inside: good, low: low}}}
"""

PROPERTIES = {
    "supply": {"ask": "Which kind?", "values": ["linear", "switch-mode", "dropper"]},
    "protection-class": {"ask": "Which class?", "values": ["I", "II", "III"]},
}


def bundle_of(text: str) -> dict[str, Any]:
    procedures = {"look": parse(LOOK).data, "insulation": parse(INSULATION).data}
    return {
        "id": "bench-supply/no-output",
        "tree": parse(text).data,
        "procedures": procedures,
        "cautions": {},
        "instruments": {},
        "properties": PROPERTIES,
    }


def tree_of(text: str = TREE) -> Tree:
    tree, problems = assemble(bundle_of(text))
    assert problems == ()
    assert tree is not None
    return tree
