"""How many readings a minute can be parsed, judged and put into words on one core.

Run as ``python -m benchmarks.bench_reading``. With the folder of an earlier checkout in
``FAULTTREE_BESIDE`` it also says how many times faster words are now, both measured in turn.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

from faulttree.reading import Quantity, judge, parse_quantity, read_bench, resolve_limits

TARGET = 1_000_000
BENCH = {
    "instruments": {
        "dmm": {
            "kind": "multimeter",
            "measures": {
                "V": [{"range": "60 V", "accuracy": "0.5 % + 3 digits", "resolution": "10 mV"}]
            },
        }
    }
}


def per_minute(work: Callable[[], object], count: int, seconds: float = 1.0) -> float:
    """Calls of ``work``, each worth ``count``, that fit into a minute; the best of three."""
    best = 0.0
    for _ in range(3):
        done, start = 0, perf_counter()
        while perf_counter() - start < seconds / 3:
            work()
            done += count
        best = max(best, done / (perf_counter() - start) * 60)
    return best


def measure() -> dict[str, float]:
    """Judgements, readings and sentences a minute."""
    texts = [f"{volts / 100:.2f} V" for volts in range(1500, 4500, 3)]
    limits = resolve_limits({"nominal": "34 V", "tolerance": "10 %"})
    readings: list[Quantity] = [parse_quantity(text, limits.place) for text in texts]
    meter = read_bench(BENCH).instrument("dmm")
    return {
        "judge, no instrument": per_minute(
            lambda: [judge(reading, limits) for reading in readings], len(readings)
        ),
        "judge, with an instrument": per_minute(
            lambda: [judge(reading, limits, instrument=meter) for reading in readings],
            len(readings),
        ),
        "parse": per_minute(lambda: [parse_quantity(text, "V") for text in texts], len(texts)),
        "parse and judge": per_minute(
            lambda: [judge(parse_quantity(text, "V"), limits) for text in texts], len(texts)
        ),
        "sentence and scale": per_minute(
            lambda: [(v.sentence, v.scale) for v in [judge(r, limits) for r in readings[:50]]], 50
        ),
    }


# Words of 300 different verdicts with their scales, by names that every version has.
WORDS = """
from time import perf_counter
from faulttree.reading import judge, parse_quantity, resolve_limits
limits = resolve_limits({"nominal": "34 V", "tolerance": "10 %"})
found = [judge(parse_quantity(f"{v / 1000:.3f} V"), limits) for v in range(30000, 40000, 33)]
start = perf_counter()
for one in found:
    one.sentence, one.scale
print((perf_counter() - start) / len(found))
"""


def words(folder: str) -> float:
    """Seconds that the words of one verdict take in this checkout."""
    done = subprocess.run(
        [sys.executable, "-c", WORDS],
        cwd=folder,  # the first place where Python looks for the package
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


def compare(earlier: str) -> None:
    """Print how many times faster words are than in an earlier checkout."""
    pairs = [(words(str(Path(__file__).parents[1])), words(earlier)) for _ in range(9)]
    ratio = statistics.median(then / now for now, then in pairs)
    now, then = (statistics.median(times) * 1e6 for times in zip(*pairs, strict=True))
    print(f"words of a verdict: {now:.0f} µs, {then:.0f} µs there: {ratio:.1f} times (bound 5)")


def main() -> int:
    """Print the figures; 1 where plain judging misses its target."""
    figures = measure()
    for name, count in figures.items():
        print(f"{name:<28}{count:>14,.0f} a minute")
    if os.environ.get("FAULTTREE_BESIDE"):
        compare(os.environ["FAULTTREE_BESIDE"])
    met = figures["judge, no instrument"] >= TARGET
    print(f"target {TARGET:,} judgements a minute: {'met' if met else 'missed'}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
