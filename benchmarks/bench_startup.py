"""How long a technician waits before the first word, beside what the libraries alone take."""

from __future__ import annotations

import os
import pty
import select
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter

RUNS = 9
BIN = Path(sys.executable).parent


def process(arguments: list[str]) -> float:
    """Seconds that a whole process takes."""
    began = perf_counter()
    subprocess.run(arguments, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
    return perf_counter() - began


def first_question(record: Path) -> float:
    """Seconds until the first question of ``diagnose`` stands on a terminal."""
    began = perf_counter()
    pid, terminal = pty.fork()
    if pid == 0:
        program = str(BIN / "faulttree")
        os.execv(program, [program, "diagnose", "bench-supply/no-output", "--record", str(record)])
    shown = b""
    while "›".encode() not in shown:
        if select.select([terminal], [], [], 20)[0]:
            try:
                shown += os.read(terminal, 65536)
            except OSError:
                break
        # A terminal answers where its cursor stands.
        if b"\x1b[6n" in shown:
            os.write(terminal, b"\x1b[1;1R")
            shown = shown.replace(b"\x1b[6n", b"")
    took = perf_counter() - began
    os.kill(pid, 9)
    os.close(terminal)
    os.waitpid(pid, 0)
    assert "›".encode() in shown, shown
    return took


def paired(title: str, bound: float, ours: list[float], peer: list[float]) -> None:
    ratio = statistics.median(a / b for a, b in zip(ours, peer, strict=True))
    print(
        f"{title}: {statistics.median(ours) * 1000:.0f} ms to {statistics.median(peer) * 1000:.0f} "
        f"ms, ratio {ratio:.2f} (bound {bound})"
    )


def main() -> None:
    python = [sys.executable, "-c"]
    helped, clicked = [], []
    for _ in range(RUNS):
        helped.append(process([str(BIN / "faulttree"), "--help"]))
        clicked.append(process([*python, "import click"]))
    paired("--help to importing click", 1.5, helped[1:], clicked[1:])
    judged, known = [], []
    for _ in range(RUNS):
        judged.append(process([str(BIN / "faulttree"), "judge", "5 V", "--max", "6 V"]))
        known.append(process([str(BIN / "faulttree"), "--help"]))
    paired("judge to --help", 1.5, judged[1:], known[1:])
    asked, imported = [], []
    with tempfile.TemporaryDirectory() as folder:
        for run in range(RUNS):
            asked.append(first_question(Path(folder) / f"{run}.db"))
            imported.append(process([*python, "import prompt_toolkit, sqlalchemy, numpy"]))
    paired("first question to importing its libraries", 1.5, asked[1:], imported[1:])


if __name__ == "__main__":
    main()
