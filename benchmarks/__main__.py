"""Run every benchmark of this folder, or those named: ``python -m benchmarks loader odds``."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path


def main() -> None:
    here = Path(__file__).parent
    names = sys.argv[1:] or sorted(path.stem[6:] for path in here.glob("bench_*.py"))
    sys.argv[1:] = []
    for name in names:
        print(f"\n== {name}", flush=True)
        import_module(f"benchmarks.bench_{name}").main()


if __name__ == "__main__":
    main()
