"""A small library to be checked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from faulttree.rules import Finding, check_paths
from faulttree.tree import Library

TREE = """\
title: Bench supply, nothing comes out
family: bench-supply
modules: [mains-inlet, bridge-and-reservoir]
symptoms: [no output]
cautions: [mains]
access:
  cover-off: {minutes: 6, how: Four screws underneath.}
ratings:
  rail: {unit: V, ask: Rated output, models: {one-channel: 34 V}}
start: fuse
steps:
  fuse:
    ask: Is the mains fuse intact?
    how: Unplug first.
    needs: [multimeter]
    minutes: 2
    answers: {intact: rail-volts, blown: junctions}
  rail-volts:
    measure: DC voltage across the reservoir
    access: [cover-off]
    live: true
    cautions: [live-working]
    needs: [multimeter]
    minutes: 4
    limits: {nominal: 34 V, tolerance: 10 %, source: measured here}
    results: {low: discharge, inside: ripple, high: wrong-tap}
  discharge:
    do: Unplug and discharge the reservoir
    access: [cover-off]
    cautions: [stored-charge]
    minutes: 2
    wait: 30 s
    then: esr
  esr:
    measure: ESR of the reservoir, one lead lifted
    access: [cover-off]
    after: [discharge]
    cautions: [stored-charge]
    in_circuit: never
    needs: [esr-meter]
    minutes: 5
    limits: {component: electrolytic, capacitance: 4700 µF, rated: 50 V, quantity: ESR}
    results: {inside: terminal, high: dry-reservoir}
  terminal:
    measure: Voltage at the terminals
    needs: [multimeter]
    minutes: 2
    limits: {max: {formula: "u / 2", from: {u: rail-volts}}, unit: V, source: the sheet}
    results: {inside: hand-over, high: set-wrong}
  junctions:
    use: diode-test
    part: D1 to D4
    access: [cover-off]
    exits: {good: tired-fuse, bad: open-bridge}
  ripple:
    measure: Ripple of the rail
    live: true
    cautions: [live-working]
    needs: [oscilloscope]
    minutes: 5
    limits:
      bands:
        - {name: quiet, below: 0.1 V}
        - {name: rough, from: 0.1 V}
      source: measured here
    results: {quiet: not-seen, rough: lost-ground}
faults:
  dry-reservoir:
    title: Reservoir dried out
    part: C1
    module: bridge-and-reservoir
    remedy: Replace it.
    confirm: {step: rail-volts, gives: inside}
    weight: 4
    signs: {ripple: rough}
    evidence:
      - {kind: confirmed, source: bench, date: 2026-02-11}
  wrong-tap: {title: Tap set wrong, remedy: Set it right., weight: 1}
  set-wrong: {title: Set wrong, remedy: Set it right., weight: 1}
  tired-fuse: {title: Fuse tired, module: mains-inlet, remedy: Fit its like., weight: 2}
  open-bridge: {title: Diode open, remedy: Replace the bridge., weight: 1}
  lost-ground: {title: Ground lost, remedy: Tighten it., weight: 1}
stops:
  hand-over: {title: Beyond this tree, reason: out-of-scope}
  not-seen: {title: The complaint was not seen, reason: no-fault-found}
closing: [class-1-safety]
"""

PROCEDURE = """\
procedure: lamp-test
title: A lamp
takes: {part: text, current: A}
exits: [lit, dark]
start: look
steps:
  look:
    ask: Does {part} light?
    minutes: 1
    answers: {lights: draw, stays-dark: dark}
  draw:
    measure: Current of {part}
    needs: [multimeter]
    minutes: 1
    limits: {max: "{current}", source: the lamp}
    results: {inside: lit, high: dark}
"""


def a_library(folder: Path, tree: str = TREE, **more: str) -> Library:
    """A library with one tree, and more files by path with __ for / and no suffix."""
    path = folder / "trees" / "bench-supply" / "no-output.yaml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(tree, encoding="utf-8")
    for name, text in more.items():
        other = folder / f"{name.replace('__', '/').replace('_', '-')}.yaml"
        other.parent.mkdir(parents=True, exist_ok=True)
        other.write_text(text, encoding="utf-8")
    return Library(folder)


def found_by(paths: Sequence[Path], library: Library, **more: Any) -> tuple[Finding, ...]:
    """What is found, but for what these trees, which are old, should gain."""
    found = check_paths(paths, library, **more).findings
    return tuple(one for one in found if one.rule != "safety-only-in-words")


USING = TREE.replace(
    "use: diode-test\n    part: D1 to D4", "use: lamp-test\n    part: H1\n    with: {current: 1 A}"
).replace("{good: tired-fuse, bad: open-bridge}", "{lit: tired-fuse, dark: open-bridge}")
