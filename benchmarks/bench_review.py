"""What the review costs, as ratios in one run.

``python -m benchmarks.bench_review [--cases N] [--simulated N]``

1. How many invented cases a second the simulator makes, and how many go into a record.
2. The review of N cases (about 22 events each) beside hand-written SQL that counts the same
   from the tables: cases by result and fault; answers by step, outcome and fault; medians by
   window functions; why walks ended, from the events. ``--cases 45000`` is a record of a
   million events, ``--cases 100000`` one of more than two.
3. The proposals apart: replay of every case in another order, moves of steps that pay, and the
   bootstrap.
4. The charts that look for rises apart, as a share of the review without proposals.

A large record is the simulated one, copied with new numbers until it is large enough.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from faulttree.cases import open_store
from faulttree.figures import review
from faulttree.figures.counts import tally
from faulttree.figures.proposals.moves import Mover
from faulttree.figures.replay import cases_of, recorded
from faulttree.figures.rises import closed_cases, rises
from faulttree.figures.simulation.simulator import Shop, fill, simulate
from faulttree.figures.statistics import bootstrap_mean
from faulttree.figures.tree_counts import gather
from faulttree.tree import shipped_library
from faulttree.tree.model import Tree

ALLOWED = 3.0
ALLOWED_SECONDS = 10.0

COUNTS = (
    """SELECT c.tree_hash, c.result, c.fault, s.step, s.outcome, s.standing, s.skipped, s.round > 0,
      count(*), count(DISTINCT s.number)
    FROM steps s JOIN cases c ON c.number = s.number GROUP BY 1, 2, 3, 4, 5, 6, 7, 8""",
    "SELECT tree, tree_hash, state, result, fault, count(*) FROM cases GROUP BY 1, 2, 3, 4, 5",
    """SELECT c.tree_hash, e.event FROM events e JOIN cases c ON c.number = e.number
    WHERE e.event LIKE '{"kind":"stopped"%' OR e.event LIKE '{"kind":"declined"%'
      OR e.event LIKE '{"kind":"not-confirmed"%'""",
)
MEDIANS = """
SELECT tree_hash, step, avg(minutes) FROM (
  SELECT c.tree_hash, s.step, s.minutes,
    row_number() OVER (PARTITION BY c.tree_hash, s.step ORDER BY s.minutes) AS place,
    count(*) OVER (PARTITION BY c.tree_hash, s.step) AS of_all
  FROM steps s JOIN cases c ON c.number = s.number WHERE s.minutes IS NOT NULL)
WHERE place IN ((of_all + 1) / 2, (of_all + 2) / 2) GROUP BY 1, 2"""


def timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def make(path: Path, trees: list[Tree], simulated: int, cases: int) -> int:
    """A record of so many cases; gives how many events it has."""
    walks = 0

    def walk() -> None:
        nonlocal walks
        walks = sum(1 for _ in simulate(trees, Shop(), cases=simulated))

    took = timed(walk)
    print(f"simulator: {walks / took:,.0f} cases a second ({walks:,} in {took:.1f} s)")
    with open_store(str(path)) as store:
        took = timed(lambda: fill(store, trees, Shop(), cases=simulated))
    print(f"simulated into a record: {walks / took:,.0f} cases a second")
    return copied(path, walks, cases)


def copied(path: Path, have: int, cases: int) -> int:
    """Copy cases with new numbers until there are enough."""
    file = sqlite3.connect(path)
    file.execute("PRAGMA synchronous = OFF")
    columns = {
        table: [row[1] for row in file.execute(f"PRAGMA table_info({table})")]
        for table in ("cases", "events", "steps")
    }
    for copy in range(1, -(-cases // have)):
        for table, names in columns.items():
            given = {"number": f"number + {copy * have}", "id": f"id || '-{copy}'"}
            values = ", ".join(given.get(name, name) for name in names)
            limit = f"number <= {min(have, cases - copy * have)}"
            file.execute(f"INSERT INTO {table} SELECT {values} FROM {table} WHERE {limit}")
    file.commit()
    many = int(file.execute("SELECT count(*) FROM events").fetchone()[0])
    file.close()
    return many


def compare(path: Path, trees: list[Tree]) -> None:
    file = sqlite3.connect(path)
    counted = sum(timed(lambda q=query: file.execute(q).fetchall()) for query in COUNTS)  # type: ignore[misc]
    medians = timed(lambda: file.execute(MEDIANS).fetchall())
    file.close()
    with open_store(str(path), read_only=True) as store:
        ours = timed(lambda: review(store, trees, proposals=False))
        whole = timed(lambda: review(store, trees))
    print(
        f"review without proposals: {ours:.2f} s (allowed {ALLOWED_SECONDS:g} at 100,000 cases "
        f"and 1,000,000 events)\nhand-written SQL: {counted:.2f} s without medians, "
        f"{counted + medians:.2f} s with; ratio {ours / counted:.2f} and "
        f"{ours / (counted + medians):.2f}, allowed {ALLOWED:g}"
    )
    print(f"proposals, replay and bootstrap included: {whole - ours:.2f} s more")
    looked, rising = apart(path, trees)
    print(f"of these, looking for moves that pay: {looked:.2f} s")
    print(f"looking for rises: {rising:.2f} s of the review without proposals")
    values = {float(value): 1 + value % 7 for value in range(300)}
    took = 1000 * timed(lambda: bootstrap_mean(values))
    print(f"one bootstrap of 300 distinct values: {took:.0f} ms")


def apart(path: Path, trees: list[Tree]) -> tuple[float, float]:
    """Seconds that looking for moves takes, and for rises."""
    with open_store(str(path), read_only=True) as store:
        tallies = tally(store)
        counts = gather(store, tallies, trees)
        rising = timed(lambda: rises(counts, closed_cases(counts, tallies.closed)))
        known = [recorded(cases_of(store, count, {}), count.tree) for count in counts]
        looked = timed(lambda: [Mover(one).tried() for one in known])
    return looked, rising


def main() -> None:
    reader = argparse.ArgumentParser()
    reader.add_argument("--cases", type=int, default=10_000)
    reader.add_argument("--simulated", type=int, default=500)
    asked = reader.parse_args(sys.argv[1:])
    library = shipped_library()
    trees = [library.load(name) for name in library.trees()]
    with tempfile.TemporaryDirectory(prefix=".bench-", dir=Path.cwd()) as folder:
        path = Path(folder) / "record.sqlite"
        events = make(path, trees, asked.simulated, asked.cases)
        print(f"a record of {asked.cases:,} cases, {events:,} events")
        compare(path, trees)


if __name__ == "__main__":
    main()
