"""How long a drawing takes, as a multiple of the layout engine alone, in one run.

``python -m benchmarks.bench_diagram [steps]`` makes trees of 1,000 steps with a fault at every
loose end, and draws each as SVG, on one sheet and split over pages. While it does so, the
calls of the layout engine are timed apart: what is not the engine is this program's own. The
texts differ from round to round, so nothing remembered from one helps the next.
"""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections.abc import Callable, Sequence

from faulttree.diagram import layout, picture
from faulttree.tree import Caution, Fault, Step, Stop, Tree

STEPS = 1000
ROUNDS = 5
ALLOWED = 1.5

OUTCOMES = {"ask": ("yes", "no"), "measure": ("low", "inside", "high"), "do": ("done",)}
TEXTS = {
    "ask": "Does lamp {0} of board {1} light up when the unit is switched on?",
    "measure": "Voltage at test point {0} of board {1} against the chassis",
    "do": "Unplug and discharge capacitor {0} of board {1} through the resistor",
}


def tree(steps: int, seed: int) -> Tree:
    """A tree of so many steps of all kinds; the same for the same seed."""
    chance = random.Random(seed)
    kinds = {f"step-{at}": ("ask", "measure", "do", "measure")[at % 4] for at in range(steps)}
    targets: dict[str, dict[str, str]] = {name: {} for name in kinds}
    ends: list[tuple[str, str]] = []
    for name, kind in kinds.items():
        if ends:
            tail, outcome = ends.pop(chance.randrange(max(0, len(ends) - 12), len(ends)))
            targets[tail][outcome] = name
        ends += [(name, outcome) for outcome in OUTCOMES[kind]]
    faults = {}
    for at, (tail, outcome) in enumerate(ends):
        name = "hand-over" if at % 5 == 4 else f"fault-{at}"
        targets[tail][outcome] = name
        if name != "hand-over":
            title = f"Part {at} of board {seed} open"
            faults[name] = Fault(name, title, f"Replace part {at}.", part=f"C{at}")
    return Tree(
        id="work-lamp/large",
        title=f"A large tree, {seed}",
        family="work-lamp",
        start="step-0",
        steps={name: _step(at, name, kinds[name], targets[name], seed)
               for at, name in enumerate(kinds)},
        faults=faults,
        stops={"hand-over": Stop("hand-over", "Beyond this tree", "out-of-scope")},
        known_cautions={"stored-charge": Caution("stored-charge", "WARNING", "Discharge first.")},
    )  # fmt: skip


def _step(at: int, name: str, kind: str, targets: dict[str, str], seed: int) -> Step:
    limits = {"nominal": f"{5 + at / 10 + seed:g} V", "tolerance": "5 %"}
    return Step(
        name,
        kind,  # type: ignore[arg-type]
        TEXTS[kind].format(at, seed),
        targets,
        minutes=at % 5 + 1,
        limits=limits if kind == "measure" else None,
        cautions=("stored-charge",) if kind == "do" else (),
    )


class Stopwatch:
    """The layout engine, with the seconds spent in it."""

    def __init__(self, engine: layout.Engine) -> None:
        self.engine = engine
        self.seconds = 0.0

    def __call__(self, graphs: Sequence[str]) -> str:
        begun = time.perf_counter()
        try:
            return self.engine(graphs)
        finally:
            self.seconds += time.perf_counter() - begun


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of the whole, and of the layout engine in it."""
    usual = layout.engine
    watch = Stopwatch(usual())
    layout.engine = lambda: watch  # type: ignore[assignment]
    try:
        begun = time.perf_counter()
        work()
        return time.perf_counter() - begun, watch.seconds
    finally:
        layout.engine = usual


def measure(steps: int = STEPS, rounds: int = ROUNDS) -> dict[bool, list[tuple[float, float]]]:
    """Paged or not → seconds of the whole and of the engine, round by round."""
    layout.engine()(["digraph{a}"])
    found: dict[bool, list[tuple[float, float]]] = {False: [], True: []}
    for seed in range(rounds):
        for paged in found:
            drawn = tree(steps, 2 * seed + paged)
            found[paged].append(timed(lambda t=drawn, p=paged: picture(t, paged=p).svg()))  # type: ignore[misc]
    return found


def main(steps: int = STEPS) -> int:
    """Print the ratios, medians of the rounds; 0 where one sheet is within what is allowed.

    Pages are laid out one by one, which is far cheaper than the whole: beside their own
    ratio stands that to the engine laying out the whole.
    """
    found = measure(steps)
    whole = [engine for _, engine in found[False]]
    print(f"diagram: a tree of {steps} steps as SVG, {len(whole)} rounds")
    ratio = statistics.median(total / engine for total, engine in found[False])
    for paged, name in ((False, "one sheet"), (True, "A4 pages")):
        total, engine = (statistics.median(pair[i] for pair in found[paged]) for i in (0, 1))
        against = statistics.median(t / w for (t, _), w in zip(found[paged], whole, strict=True))
        print(
            f"  {name}: {total:.2f} s, engine {engine:.2f} s, ratio {total / engine:.2f}; "
            f"to the engine on the whole {against:.2f}"
        )
    print(f"  allowed on one sheet: {ALLOWED}")
    return 0 if ratio <= ALLOWED else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else STEPS))
