"""How long the loader takes, as a multiple of parsing alone, in one run.

``python -m benchmarks.bench_loader [trees]`` writes 200 trees of 1,000 lines into a temporary
library, then reads them in several rounds, each file in turn both ways: with `yaml.compose`
on PyYAML's C loader, which only parses; and with the library, which parses, validates
against the schema, inlines procedures and builds the frozen model.
"""

from __future__ import annotations

import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import yaml

from faulttree.tree import Library

TREES = 200
LINES = 1000
ROUNDS = 5
ALLOWED = 2.5

ASK = """\
  s{i}:
    ask: Does the lamp behind cover {i} light when the lead is moved?
    how: Unplugged. Bend the lead along its length and watch; a short flicker is enough.
    needs: [multimeter]
    minutes: 2
    answers: {{steady: s{j}, flickers: f{f}, dark: s{j}}}
"""
MEASURE = """\
  s{i}:
    measure: DC voltage across capacitor C{i}
    access: [cover-off]
    cautions: [stored-charge]
    needs: [multimeter]
    minutes: 4
    limits: {{nominal: {v} V, tolerance: 10 %, source: "measured on four good units of the shop"}}
    results: {{low: f{f}, inside: s{j}, high: hand-over}}
"""
DO = """\
  s{i}:
    do: Unplug and discharge C{i} through the bleed resistor
    cautions: [stored-charge]
    minutes: 1
    then: s{j}
"""
USE = """\
  s{i}:
    use: diode-test
    part: D{i}
    exits: {{good: s{j}, bad: f{f}}}
"""
FAULT = """\
  f{f}:
    title: Part {f} dried out
    part: C{f}
    remedy: Replace with a 105 °C part of the same capacitance.
    confirm: {{step: s1, gives: inside}}
    weight: {w}
    evidence:
      - {{kind: reported, source: a visitor's remark, date: 2026-02-11}}
"""
FAULTS = 25


def tree(seed: int) -> str:
    """A tree of about 1,000 lines, all kinds of step mixed; the same for the same seed."""
    chance = random.Random(seed)
    head = f"title: Work lamp, complaint {seed}\nfamily: work-lamp\nsymptoms: [no light, dim]\n"
    head += "cautions: [mains]\naccess:\n  cover-off: {minutes: 6, how: Four screws underneath.}\n"
    steps = [f"start: s0\nsteps:\n{fill(ASK, 0, chance)}{fill(MEASURE, 1, chance)}"]
    rest = FAULT.count("\n") * FAULTS + 12
    lines = head.count("\n") + steps[0].count("\n") + rest
    count = 2
    while lines < LINES:
        steps.append(fill(chance.choice((ASK, MEASURE, MEASURE, DO, USE)), count, chance))
        lines += steps[-1].count("\n")
        count += 1
    last = f"  s{count}:\n    do: Note what was seen\n    then: hand-over\n"
    faults = "".join(FAULT.format(f=f, w=chance.randint(1, 9)) for f in range(FAULTS))
    stops = "stops:\n  hand-over: {title: Beyond this tree, reason: out-of-scope}\n"
    return f"{head}{''.join(steps)}{last}faults:\n{faults}{stops}"


def fill(step: str, number: int, chance: random.Random) -> str:
    """One step that goes on to the next."""
    fault, volts = chance.randrange(FAULTS), chance.randint(3, 60)
    return step.format(i=number, j=number + 1, f=fault, v=volts)


def library(folder: Path, trees: int) -> Library:
    """A library of such trees."""
    family = folder / "trees" / "work-lamp"
    family.mkdir(parents=True)
    for seed in range(trees):
        (family / f"complaint-{seed}.yaml").write_text(tree(seed), encoding="utf-8")
    return Library(folder)


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one call."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def measure(trees: int = TREES, rounds: int = ROUNDS) -> list[tuple[float, float]]:
    """Seconds of parsing alone and of the whole loader, for all trees, round by round."""
    with tempfile.TemporaryDirectory() as folder:
        shelf = library(Path(folder), trees)
        pairs = list(zip(shelf.own_trees(), shelf.tree_files(), strict=True))
        shelf.load(pairs[0][0])

        def parse(file: Path) -> None:
            yaml.compose(file.read_text(encoding="utf-8"), Loader=yaml.CLoader)

        def both() -> tuple[float, float]:
            # Each file both ways in turn, so that a busy moment of the machine hits both.
            parsed = loaded = 0.0
            for tree_id, file in pairs:
                parsed += seconds(partial(parse, file))
                loaded += seconds(partial(shelf.load, tree_id))
            return parsed, loaded

        return [both() for _ in range(rounds)]


def main(trees: int = TREES) -> int:
    """Print the ratio, the median of the rounds; 0 where it is within what is allowed."""
    pairs = measure(trees)
    ratio = statistics.median(loaded / parsed for parsed, loaded in pairs)
    parsed, loaded = (1000 * min(pair[i] for pair in pairs) / trees for i in (0, 1))
    print(f"loader: {trees} trees of {LINES} lines, {len(pairs)} rounds")
    print(f"  yaml.compose, C loader  {parsed:6.2f} ms a tree")
    print(f"  load, schema included   {loaded:6.2f} ms a tree")
    print(f"  ratio                   {ratio:6.2f} (at most {ALLOWED})")
    return 0 if ratio <= ALLOWED else 1


if __name__ == "__main__":
    sys.exit(main(*(int(number) for number in sys.argv[1:2])))
