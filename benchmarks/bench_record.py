"""What the record costs, as ratios in one run.

``python -m benchmarks.bench_record [--cases N] [--import N]``

1. One recorded answer beside one bare durable insert: the same text into one table of an
   SQLite file with the same settings (write-ahead log, every commit synced), in turn.
2. The questions behind ``cases list``, the resuming of a case and the counts a diagnosis
   starts with, on a record of N cases with ten events each (``--cases 1000000`` is the size
   that is promised; 100,000 is what fits into a minute).
3. Importing N cases, beside SQLite's own bulk insert of the same events into one table.

Files lie in a temporary folder beside the working directory, so that a disk is measured and
not memory.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import click

from faulttree.cases import Store, new_id, open_store, rows
from faulttree.cases.fault_counts import confirmed
from faulttree.cases.transfer.importer import load
from faulttree.walk.events import Answered, Opened

WALKS = 60
STEPS = 15
ALLOWED = 2.0
ALLOWED_SECONDS = 0.1
AT = "2026-02-11T09:00:00.000Z"
BARE_INSERT = "INSERT INTO events VALUES (?, ?, ?)"
TREE = "bench-supply/no-output"

ANSWER = Answered(
    at=AT,
    step="reservoir",
    outcome="low",
    reading={"value": 21.4, "unit": "V", "text": "21.4 V"},
    verdict={"outcome": "low", "text": "21.4 V is below the limit of 30.6 V"},
    seconds=30.0,
)


def opening(serial: str) -> Opened:
    unit = {"family": "bench-supply", "model": "two-channel", "serial": serial}
    return Opened(at=AT, tree=TREE, tree_hash="", unit=unit, complaint="no output")


def bare(path: Path) -> sqlite3.Connection:
    file = sqlite3.connect(path, isolation_level=None)
    file.execute("PRAGMA journal_mode = WAL")
    file.execute("PRAGMA synchronous = FULL")
    file.execute("CREATE TABLE events (number, sequence, event, PRIMARY KEY (number, sequence))")
    return file


def one_answer(folder: Path) -> None:
    """The cost of one recorded answer."""
    text = rows.as_json(ANSWER.to_dict())
    ours: list[float] = []
    theirs: list[float] = []
    file = bare(folder / "bare.sqlite")
    with open_store(str(folder / "record.sqlite")) as store:
        for number in range(WALKS):
            case = store.open_case([opening(f"tag {number}")])
            for sequence in range(1, STEPS + 1):
                ours.append(timed(partial(store.append, case, sequence, ANSWER)))
                row = (number, sequence, text)
                theirs.append(timed(partial(file.execute, BARE_INSERT, row)))
    file.close()
    ratio = statistics.median(ours) / statistics.median(theirs)
    mean = sum(ours) / sum(theirs)
    print(
        f"one recorded answer: {1e6 * statistics.median(ours):.0f} µs, one bare durable insert: "
        f"{1e6 * statistics.median(theirs):.0f} µs; ratio {ratio:.2f} (of the means {mean:.2f}), "
        f"allowed {ALLOWED}"
    )


def timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


# A large record -----------------------------------------------------------------------------

COUNT = """
WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < :cases)
"""

RESULTS = "CASE WHEN i % 20 = 0 THEN 'unsolved' WHEN i % 1000 = 7 THEN '' ELSE 'fixed' END"

FILL = (
    COUNT
    + f"""
INSERT INTO cases SELECT i, printf('019c4bed-%04x-7000-8000-%012x', i % 65536, i),
  'family-' || (i % 40) || '/complaint-' || (i % 3), 'hash-' || (i % 200), 'family-' || (i % 40),
  'model-' || (i % 400), 'tag ' || (i % 400000), '', '',
  '{{"family":"family-' || (i % 40) || '","serial":"tag ' || (i % 400000) || '"}}',
  'complaint ' || (i % 3), 'it went quiet', 'bench ' || (i % 5),
  strftime('%Y-%m-%dT%H:%M:%S.000Z', 1700000000 + i * 60, 'unixepoch'),
  strftime('%Y-%m-%dT%H:%M:%S.000Z', 1700000600 + i * 60, 'unixepoch'),
  CASE WHEN i % 1000 = 7 THEN 'open' ELSE 'closed' END,
  strftime('%Y-%m-%dT%H:%M:%S.000Z', 1700000600 + i * 60, 'unixepoch'),
  {RESULTS}, CASE WHEN i % 20 = 0 THEN '' ELSE 'fault-' || (i % 12) END,
  CASE WHEN i % 20 = 0 THEN 'kept-for-parts' ELSE 'returned' END, '', 12.5, 8, 10, 'step-7',
  '', 0, '' FROM n
""",
    COUNT
    + """, k(s) AS (SELECT 0 UNION ALL SELECT s + 1 FROM k WHERE s < 9)
INSERT INTO events SELECT i, s, 'bench', CASE s
  WHEN 0 THEN '{"kind":"opened","at":"2026-02-11T09:00:00.000Z","tree":"bench-supply/no-output",'
    || '"tree_hash":"","unit":{"family":"family-' || (i % 40) || '","serial":"tag '
    || (i % 400000) || '"},"complaint":"complaint ' || (i % 3) || '"}'
  WHEN 9 THEN '{"kind":"closed","at":"2026-02-11T09:10:00.000Z","result":"fixed","fault":"x"}'
  ELSE '{"kind":"answered","at":"2026-02-11T09:01:00.000Z","step":"step-' || s
    || '","outcome":"inside","reading":{"value":' || (i % 50) || '.5,"unit":"V","text":"'
    || (i % 50) || '.5 V"},"verdict":{"outcome":"inside"},"seconds":30.0}' END FROM n, k
""",
    COUNT
    + """, k(s) AS (SELECT 1 UNION ALL SELECT s + 1 FROM k WHERE s < 8)
INSERT INTO steps SELECT i, s, 'step-' || s, 'inside', '2026-02-11T09:01:00.000Z', 1, 0, 0, 0.5,
  (i % 50) + 0.5, 'V', '' FROM n, k
""",
    COUNT + "INSERT INTO words SELECT 'complaint', i FROM n",
    COUNT + "INSERT OR IGNORE INTO words SELECT 'model' || (i % 400), i FROM n ORDER BY i % 400, i",
    COUNT + "INSERT INTO words SELECT 'quiet', i FROM n",
    COUNT + "INSERT INTO words SELECT 'squeal', i FROM n WHERE i % 50000 = 1",
)


def fill(path: Path, cases: int) -> None:
    """A large record: cases with ten events each."""
    open_store(str(path)).close()
    file = sqlite3.connect(path)
    file.execute("PRAGMA synchronous = OFF")
    begin = time.perf_counter()
    for statement in FILL:
        file.execute(statement, {"cases": cases})
        file.commit()
    file.execute("ANALYZE")
    file.commit()
    file.close()
    events = 10 * cases
    print(f"{cases:,} cases, {events:,} events made in {time.perf_counter() - begin:.0f} s")


def questions(folder: Path, cases: int) -> None:
    """How long people wait for a list, a resume, a start, on a large record."""
    path = folder / "large.sqlite"
    fill(path, cases)
    with open_store(str(path)) as store:
        for name, ask in asked(store, cases).items():
            # The first answer is what a technician waits for; the second is told beside it.
            first, again = timed(ask), timed(ask)
            mark = "" if first < ALLOWED_SECONDS else f"  OVER {1e3 * ALLOWED_SECONDS:.0f} ms"
            print(f"  {name}: {1e3 * first:.1f} ms, again {1e3 * again:.1f} ms{mark}")


def asked(store: Store, cases: int) -> dict[str, Callable[[], object]]:
    some = f"tag {cases // 3}"
    return {
        "cases list, first 50": lambda: store.list(limit=50),
        "open cases": lambda: store.list(limit=50, state="open"),
        "unsolved of one family": lambda: store.list(
            limit=50, result="unsolved", family="family-20"
        ),
        "of one family and model": lambda: store.list(
            limit=50, family="family-7", model="model-47"
        ),
        "a filter nothing meets": lambda: store.list(limit=50, became="scrapped"),
        "came back": lambda: store.list(limit=50, came_back=True),
        "a rare word": lambda: store.list(limit=50, words="squeal"),
        "a common word": lambda: store.list(limit=50, words="quiet"),
        "two words": lambda: store.list(limit=50, words="quiet model77"),
        "since a day": lambda: store.list(limit=50, since="2024-01-01"),
        "resume: find by tag": lambda: store.find(some),
        "resume: find by number": lambda: store.find("#" + str(cases // 2)),
        "resume: read the events": lambda: store.events(store.find(f"#{cases // 5}").id),
        "counts a diagnosis starts with": lambda: confirmed(store),
    }


# Import -------------------------------------------------------------------------------------


def exported(cases: int) -> Iterator[str]:
    for number in range(cases):
        answers = [{"kind": "answered", "at": AT, "step": f"step-{n}"} for n in range(8)]
        reading = {"value": 21.5, "unit": "V", "text": "21.5 V"}
        more = {"outcome": "inside", "reading": reading, "seconds": 60.0}
        closed = {"kind": "closed", "at": AT, "result": "fixed", "fault": "dry-reservoir"}
        events = [opening(f"tag {number}").to_dict(), *(one | more for one in answers), closed]
        document = {"format": "faulttree-case-1", "case": new_id(AT), "events": events}
        yield json.dumps(document) + "\n"


def brought_in(path: Path, data: bytes, jobs: int) -> float:
    """Seconds that an import takes."""
    label = f"importing, processes: {jobs}"
    with (
        open_store(str(path)) as store,
        click.progressbar(length=len(data), label=label, file=sys.stderr) as progress,
    ):

        def told(done: int) -> None:
            progress.update(done - progress.pos)

        return timed(lambda: load(store, io.BytesIO(data), "cases.jsonl", progress=told, jobs=jobs))


def importing(folder: Path, cases: int) -> None:
    """The rate of an import beside that of a bulk insert."""
    data = "".join(exported(cases)).encode()
    took = {
        jobs: brought_in(folder / f"imported-{jobs}.sqlite", data, jobs)
        for jobs in sorted({1, os.cpu_count() or 1})
    }
    texts = [
        json.dumps(event) for line in data.splitlines() for event in json.loads(line)["events"]
    ]
    many = [(at // 10, at % 10, text) for at, text in enumerate(texts)]
    file = bare(folder / "bulk.sqlite")

    def bulk() -> None:
        file.execute("BEGIN")
        file.executemany(BARE_INSERT, many)
        file.execute("COMMIT")

    alone = timed(bulk)
    file.close()
    for jobs, seconds in took.items():
        print(
            f"import, with lists, steps, words, come-backs and journal, processes: {jobs}: "
            f"{cases / seconds:,.0f} cases/s, {len(texts) / seconds:,.0f} events/s"
        )
    print(f"SQLite's bulk insert of the events alone: {len(texts) / alone:,.0f} events/s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--cases", type=int, default=100_000, help="cases of the large record")
    parser.add_argument(
        "--import", dest="brought", type=int, default=10_000, help="cases to import"
    )
    asked_for = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        folder = Path(name)
        one_answer(folder)
        questions(folder, asked_for.cases)
        importing(folder, asked_for.brought)


if __name__ == "__main__":
    main()
