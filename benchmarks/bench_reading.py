"""How many readings a minute can be parsed, judged and put into words on one core.

Run as ``python -m benchmarks.bench_reading``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
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


def main() -> int:
    """Print the figures; 1 where plain judging misses its target."""
    figures = measure()
    for name, count in figures.items():
        print(f"{name:<28}{count:>14,.0f} a minute")
    met = figures["judge, no instrument"] >= TARGET
    print(f"target {TARGET:,} judgements a minute: {'met' if met else 'missed'}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
