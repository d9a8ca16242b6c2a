"""Records as an earlier program made them, and what it told of them.

``python -m tests.cases.old_records FOLDER`` plays the walks below with the program of the
checkout that it is started in. It writes into the folder: the record (SQLite as SQL text, its
journal and an export), and what the commands tell of it. ``tests/data/records`` holds such a
folder, made when
record version 1 was current. The files there stay as they are; ``tests/cases/test_old_records.py``
reads them with the present program.

Times, ids, the writer and the id of the record are replaced after the walks, so that the files
are equal each time.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

DATA = Path(__file__).parent.parent / "data" / "records"
LIBRARY, LATER = "library", "later"
SQL, JOURNAL, EXPORT, TOLD = "record.sql", "record.events.jsonl", "export.jsonl", "told.jsonl"
WRITER, RECORD_ID = "5a17ed01", "0" * 31 + "1"
DARK, FLICKERS = "work-lamp/stays-dark", "work-lamp/flickers"
CASES = 18
BEGAN = datetime(2026, 2, 2, 9, 0)


@dataclass(frozen=True)
class Session:
    """One walk at the bench: the tree, the unit, and the lines typed, with | between."""

    tree: str
    serial: str
    typed: str
    library: str = LIBRARY
    model: str = "two-arm"


WHOLE = "|whole|whole"
"""The caution of the tree read; cord and housing whole."""

LIT = f"{WHOLE}|lights||"
"""The same up to the voltage of the driver, with its cautions read."""

LOW = "meter meter-1|18.1 V||"
"""That voltage is low; the plug is pulled and the wait cut short."""

SESSIONS = (
    # 1: found by readings, repaired, proved by a step; both closing procedures passed.
    Session(
        DARK,
        "tag 1",
        f"it went dark at once|{LIT}|{LOW}|90 uF|yes|new C1|24.1 V|20 Mohm|steady|returned",
    ),
    # 2: measured again, one repair not confirmed, the second held, a closing procedure failed.
    Session(
        DARK,
        "tag 2",
        f"|{LIT}|{LOW}|91 uF|no|yes|91 uF|yes|new C1|17 V|repaired dead-driver|new A1|24 V|"
        "0.4 Mohm|waiting",
    ),
    # 3: a note, going back, a photo, a step asked for behind three guards and reached.
    Session(
        DARK,
        "tag 3",
        "||note the cord was wound tight|whole|back|whole|photo lamp.jpg|go head|whole|back|"
        "go head|||24 V|fixed||2 kohm|new head|skip|meter lent out|yes|20 ohm|12 Mohm|skip|"
        "late",
    ),
    # 4: skips; the walk goes on by itself; past a guard that was skipped, with a note of it.
    Session(
        DARK,
        "tag 4",
        f"|{WHOLE}|skip|no second lamp|go smoothing|back|||skip|leads lent out|go smoothing|"
        "yes|||210 uF|yes",
    ),
    # 5: a suspect tested before giving up; given up, taken up again, then left knowingly.
    Session(
        DARK,
        "tag 5",
        f"|{WHOLE}|give up|1|lights|give up|stop|no time|back|give up|stop|the shop closes|"
        "unsolved|kept-for-parts|head, driver",
    ),
    # 6: a stop that is not safe.
    Session(DARK, "tag 6", "||cut|referred|waiting"),
    # 7: a repair judged by sight, not confirmed; then open at a later step of a new round.
    Session(DARK, "tag 7", f"|{WHOLE}|dark|used another socket|no|still dark|whole"),
    # 8: a repair judged by sight that held.
    Session(
        DARK, "tag 8", f"|{WHOLE}|dark|used another socket|yes|it lights|3 Mohm|steady|returned"
    ),
    # 9 and 10: the stop names another complaint; the unit goes on there as a linked case.
    Session(
        DARK,
        "tag 9",
        f"it blinks|{LIT}|24 V|fixed||450 ohm|yes||steady|flickers|plug cleaned|yes|"
        "no flicker|returned",
    ),
    # 11: a reading too near its limit stays undecided, with likelihoods.
    Session(DARK, "tag 11", f"|{LIT}|meter meter-1|21.6 V|no"),
    # 12: found and not mended; the fault stays open.
    Session(DARK, "tag 12", f"|{LIT}|18 V|||90 uF|yes|give up|found|2"),
    # 13: a model that the tree does not know: its rating was asked for.
    Session(DARK, "tag 13", f"|12 V|{LIT}|9 V||", model="one-arm"),
    # 14: the unit of case 1 is back.
    Session(DARK, "tag 1", f"dark again|{WHOLE}"),
    # 15: on a later text of the tree, which knows one fault more.
    Session(DARK, "tag 15", f"|{WHOLE}|lights|open|new F1|yes|lights", LATER),
    # 16: no fault found on the other tree.
    Session(FLICKERS, "tag 16", "|steady|steady|no-fault-found|returned"),
)

ANSWERS = """\
unit: {family: work-lamp, model: two-arm, serial: tag 17}
complaint: stays dark
owner_words: it went dark in the cellar
answers:
  - look.cord: whole
  - note: the plug is warm
  - look.housing: whole
  - back: 1
  - look.housing: whole
  - socket: lights
  - output: {reading: 18 V, instrument: meter-1}
  - off: done
  - smoothing: {reading: 90 uF, instrument: meter-1, in_circuit: false, note: dried out}
  - repair: {fault: dry-capacitor, what: new C1, confirm: 17.5 V}
  - off: {skip: no time}
outcome: {result: unsolved, became: waiting, note: waits for a driver}
"""

COMMANDS = (
    ("close", "4", "--result", "unsolved", "--became", "scrapped", "--declined", "too old"),
    ("close", "13", "--result", "fixed", "--fault", "dry-capacitor", "--seen", "lit an hour"),
    ("reopen", "2", "--reason", "a driver came"),
    ("reopen", "5", "--module", "head", "--reason", "a tip came"),
    ("minutes", "#1", "smoothing", "7.5"),
    ("come-backs", "--days", "60"),
)


def by_hand(tree_hash: str, later_hash: str, linked: str) -> list[dict[str, Any]]:
    """A case with what no walk above records: every field of every event that may be empty."""
    unit = {"family": "work-lamp", "model": "two-arm", "serial": "ß-18", "tag": "shelf 2"}
    reading = {"value": 18.0, "unit": "V", "text": "18,0 V", "kind": "DC", "uncertainty": 0.1}
    seen = {"fault": "burnt-head", "step": "head", "outcome": "usable"}
    share = {"fault": "cracked-board", "probability": 0.25, "minutes": None}
    return [
        {"kind": "opened", "tree": DARK, "tree_hash": tree_hash, "unit": unit, "who": "CD"}
        | {"complaint": "stays dark", "owner_words": "“dark” since Sunday", "linked": linked}
        | {"priors": {"dead-socket": 0.75, "dry-capacitor": 0.25}, "scripted": True}
        | {"ratings": {"supply": "24 V"}},
        {"kind": "caution-read", "caution": "mains", "step": "look.cord", "scripted": True},
        {"kind": "answered", "step": "look.cord", "outcome": "whole", "seconds": 41.5},
        {"kind": "jumped", "step": "output"},
        {"kind": "answered", "step": "output", "outcome": "low", "instrument": "meter-1"}
        | {"reading": reading, "in_circuit": True, "note": "cold", "seconds": 90.0}
        | {"verdict": {"outcome": "low", "text": "below", "likelihoods": {"low": 0.9}}},
        {"kind": "skipped", "step": "off"},
        {"kind": "noted", "text": "\u202eturned\u2066 <b>&\x1b[1m", "step": ""},
        {"kind": "photo-added", "path": "photos/board.jpg"},
        {"kind": "answered", "step": "a-step-no-tree-knows", "outcome": "odd"},
        {"kind": "went-back", "steps": 1},
        {"kind": "repair-tried", "fault": "burnt-head", "parts": ["E1", "E2"], "cost": 6},
        {"kind": "not-confirmed", "verdict": {"outcome": "open"}, **seen, "outcome": "open"},
        {"kind": "reopened", "reason": "on a newer tree", "tree_hash": later_hash},
        {"kind": "answered", "step": "look.cord", "outcome": "whole"},
        {"kind": "confirmed", "reading": {"value": 20, "unit": "Ω", "text": "20R"}, **seen},
        {"kind": "declined", "suspects": [share], "reason": "none", "scripted": True},
        {"kind": "stopped", "reason": "given up", "step": "closing.soak.burn"},
        {"kind": "stopped"},
        {"kind": "minutes-set", "step": "output", "minutes": 3.25},
        {"kind": "closed", "result": "fixed", "fault": "burnt-head", "became": "kept-for-parts"}
        | {"kept": ["head"], "note": "one good arm"},
    ]


# -- the record -------------------------------------------------------------------------------


def program(words: Sequence[str], typed: str = "", folder: Path | None = None) -> str:
    """Run the program of this checkout; gives what it wrote to standard output."""
    done = subprocess.run(
        [sys.executable, "-m", "faulttree", *words],
        input=typed,
        capture_output=True,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(Path.cwd())},
        check=False,
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"{words}: {done.stderr}")
    return done.stdout


def walks(folder: Path, record: str) -> None:
    """Play every session and command."""
    (folder / "lamp.jpg").write_bytes(b"no picture")
    (folder / "answers.yaml").write_text(ANSWERS, encoding="utf-8")
    for number, one in enumerate(SESSIONS):
        places = ("--library", str(DATA / one.library), "--record", record)
        unit = ("--serial", one.serial, "--model", one.model, "--complaint", "no light")
        who = ("--who", "AB" if number % 2 else "CD", "--plain", "--even-unchecked")
        gear = ("--bench", str(DATA / LIBRARY / "bench.yaml"))
        words = ("diagnose", one.tree, *unit, *who, *gear, *places)
        program(words, one.typed.replace("|", "\n") + "\n", folder)
    places = ("--library", str(DATA / LIBRARY), "--record", record)
    program(
        ("diagnose", DARK, "--even-unchecked", "--answers", "answers.yaml", *places), "", folder
    )
    for command in COMMANDS:
        program(("cases", *command, *places))


def settled(lines: Sequence[str], folder: Path) -> Iterator[str]:
    """The lines of an export with times, ids and paths that are the same each time."""
    cases = [json.loads(line) for line in lines]
    text = "\n".join(lines)
    for number, case in enumerate(cases, 1):
        text = text.replace(case["case"], f"0199d000-0000-7000-8000-{number:012d}")
    cases = [json.loads(line) for line in text.splitlines()]
    hashes = [case["tree_hash"] for case in cases]
    dark, later = hashes[0], hashes[14]
    extra = {"case": f"0199d000-0000-7000-8000-{len(cases) + 1:012d}", "number": len(cases) + 1}
    extra |= {"format": cases[0]["format"], "tree_hash": later}
    extra |= {"events": by_hand(dark, later, cases[0]["case"])}
    for number, case in enumerate([*cases, extra]):
        for minute, event in enumerate(case["events"]):
            at = BEGAN + timedelta(days=3 * number, minutes=minute)
            event["at"] = f"{at.isoformat(timespec='milliseconds')}Z"
            if case is not extra:
                event.pop("seconds", None)
            if event["kind"] == "photo-added":
                event["path"] = event["path"].replace(f"{folder}{os.sep}", "photos/")
        yield json.dumps(case, separators=(",", ":"))


def make(target: Path) -> None:
    """The record, and what is told of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        played = str(folder / "played.sqlite")
        walks(folder, played)
        lines = program(("cases", "export", "--record", played)).splitlines()
        (folder / "settled.jsonl").write_text("\n".join([*settled(lines, folder), ""]))
        record = folder / "record.sqlite"
        program(("cases", "import", str(folder / "settled.jsonl"), "--record", str(record)))
        program(("cases", "come-backs", "--days", "60", "--record", str(record)))
        written = json.dumps("import")
        journal = (folder / "record.sqlite.events.jsonl").read_text(encoding="utf-8").splitlines()
        journal[0] = json.dumps({"record": RECORD_ID})
        journal = [line.replace(f'"writer":{written}', f'"writer":"{WRITER}"') for line in journal]
        target.mkdir(parents=True, exist_ok=True)
        (target / JOURNAL).write_text("\n".join([*journal, ""]), encoding="utf-8")
        (target / SQL).write_text("\n".join([*dumped(record), ""]), encoding="utf-8")
        text = program(("cases", "export", "--record", str(record)))
        (target / EXPORT).write_text(text, encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        told = all_told(restored(target, Path(name)))
        lines = [json.dumps(one, sort_keys=True, separators=(",", ":")) for one in told.items()]
        (target / TOLD).write_text("\n".join([*lines, ""]), encoding="utf-8")


def dumped(record: Path) -> Iterator[str]:
    """A database as SQL text."""
    with closing(sqlite3.connect(record)) as database:
        version = database.execute("PRAGMA user_version").fetchone()[0]
        statements = list(database.iterdump())
        # The order in which the tables' indexes were made differs from run to run.
        indexes = sorted(one for one in statements if one.startswith("CREATE INDEX"))
        for statement in statements:
            if statement.startswith("CREATE INDEX"):
                statement = indexes.pop(0)
            kept = statement.replace(",'import','{", f",'{WRITER}','{{")
            if kept.startswith("INSERT INTO \"record\" VALUES('id'"):
                kept = f"INSERT INTO \"record\" VALUES('id','{RECORD_ID}');"
            yield kept
        yield f"PRAGMA user_version = {version};"


def restored(source: Path, folder: Path) -> Path:
    """The record as a file in a folder, its journal beside it."""
    record = folder / "record.sqlite"
    with closing(sqlite3.connect(record)) as database:
        database.executescript((source / SQL).read_text(encoding="utf-8"))
    shutil.copy(source / JOURNAL, folder / f"{record.name}.events.jsonl")
    for one in folder.iterdir():
        one.chmod(0o600)
    return record


# -- what is told of it -----------------------------------------------------------------------


def here(words: Sequence[str], typed: str = "") -> tuple[int, str, str]:
    """Run a command in this process."""
    from faulttree.cli import run

    out, err, before = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.StringIO(), sys.stdin
    sys.stdin = io.StringIO(typed)
    try:
        with redirect_stdout(out), redirect_stderr(err):
            status = run(list(words))
    finally:
        sys.stdin = before
    out.flush()
    said = out.buffer.getvalue()  # type: ignore[attr-defined]
    return status, said.decode(), err.getvalue()


def all_told(record: Path) -> dict[str, Any]:
    """What every command that reads tells of a record, as JSON; the record stays as it is."""
    places = ("--record", str(record), "--library", str(DATA / LIBRARY))
    later = ("--record", str(record), "--library", str(DATA / LATER))
    numbers = range(1, CASES + 1)
    commands: Mapping[str, Sequence[str]] = {
        "cases list": ("cases", "list", "--oldest-first", *places),
        "cases list dark": ("cases", "list", "dark", "--became", "waiting", *places),
        "cases parts": ("cases", "parts", *places),
        "cases come-backs": ("cases", "come-backs", *places),
        "review": ("review", *places),
        "review later": ("review", "--tree", DARK, *later),
        "revisit": ("revisit", *later),
        "revisit all": ("revisit", "--all", *later),
        **{f"cases show {n}": ("cases", "show", f"#{n}", *places) for n in numbers},
    }
    told: dict[str, Any] = {}
    for name, words in commands.items():
        status, out, _ = here([*words, "--json"])
        told[name] = {"status": status, "out": json.loads(out)}
    return told | {f"resume {number}": resumed(record, number) for number in numbers}


def resumed(record: Path, number: int) -> dict[str, Any]:
    """The state of a walk taken up again on a copy of the record, and left at once."""
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name) / record.name
        for one in record.parent.glob(f"{record.name}*"):
            shutil.copy(one, copy.parent)
        places = ("--record", str(copy), "--library", str(DATA / LIBRARY))
        status, out, _ = here(["diagnose", "--resume", f"#{number}", "--json", *places])
        if not out:
            return {"status": status}
        _, shown, _ = here(["cases", "show", f"#{number}", "--json", *places])
        kinds = [event["kind"] for event in json.loads(shown)["events"]]
        return {"status": status, "out": json.loads(out), "kinds": kinds}


def exported(record: Path) -> list[str]:
    """The lines of an export of the whole record."""
    status, out, err = here(["cases", "export", "--record", str(record)])
    assert status == 0, err
    return out.splitlines()


if __name__ == "__main__":
    make(Path(sys.argv[1]))
