"""Records of an earlier program are read with equal results: SQLite, journal and export."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from faulttree.cases.backends.opening import open_store
from faulttree.cases.schema import VERSION
from faulttree.walk import events as ev
from faulttree.walk.legacy import jump_purpose
from tests.cases.old_records import (
    CASES,
    DATA,
    EXPORT,
    JOURNAL,
    TOLD,
    all_told,
    exported,
    here,
    restored,
)

ADDED = frozenset(
    (
        *("closing", "closing_failed", "closing_result", "standing", "by", "none_of_these"),
        "minutes_by_phase",
        "shared",
        "owner",
        "trend",
    )
)
"""Keys that a newer program may tell beside what the older one told. Nothing else may differ."""

SENTENCES = frozenset(("method",))
"""Keys that hold words about a method, which are no results."""

OLD_FORMAT = "faulttree-case-1"

OLD = dict(json.loads(line) for line in (DATA / TOLD).read_text().splitlines())
NAMES = (
    *("cases list", "cases list dark", "cases parts", "cases come-backs"),
    *("review", "review later", "revisit", "revisit all"),
    *(f"{what} {number}" for what in ("cases show", "resume") for number in range(1, CASES + 1)),
)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return all_told(restored(DATA, tmp_path_factory.mktemp("old")))


def differences(old: Any, new: Any, place: str = "") -> Iterator[str]:
    """Every place where two documents differ, but for keys that may be added."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in (old.keys() | (new.keys() - ADDED)) - SENTENCES:
            if key not in old or key not in new:
                yield f"{place}.{key}: {'added' if key in new else 'missing'}"
            else:
                yield from differences(old[key], new[key], f"{place}.{key}")
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for at, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from differences(one, other, f"{place}[{at}]")
    elif isinstance(old, float) and isinstance(new, float):
        # The last digits of a sum depend on the machine's library of numbers.
        if not math.isclose(old, new, rel_tol=1e-9, abs_tol=1e-12):
            yield f"{place}: {old!r} is now {new!r}"
    elif old != new or type(old) is not type(new):
        yield f"{place}: {old!r} is now {new!r}"


def without_added(lines: list[str]) -> list[str]:
    """Lines of an export without the keys that may be added, under the old format's name."""
    return [
        json.dumps(
            {
                key: OLD_FORMAT if key == "format" else value
                for key, value in json.loads(line).items()
                if key not in ADDED
            },
            separators=(",", ":"),
        )
        for line in lines
    ]


def events_kept() -> list[dict[str, Any]]:
    lines = (DATA / EXPORT).read_text().splitlines()
    return [event for line in lines for event in json.loads(line)["events"]]


def test_the_records_hold_every_kind_of_event_of_their_time() -> None:
    kinds = "opened caution-read answered skipped jumped went-back noted photo-added repair-tried "
    kinds += "confirmed not-confirmed declined stopped closed reopened minutes-set"
    assert {event["kind"] for event in events_kept()} == set(kinds.split())
    reasons = {event.get("reason", "") for event in events_kept() if event["kind"] == "jumped"}
    assert reasons == {
        "",
        "most still to be learned here",
        "skipped before",
        "chosen at the bench",
        "back from another step",
        "an open suspect, before giving up",
        "the proof, after all",
        "asked for, and what comes first has let it pass",
        "it may find the unit unsafe, before head",
        "it may find the unit unsafe, before smoothing",
    }


def test_every_event_of_an_old_record_is_written_as_it_was() -> None:
    for event in events_kept():
        again = json.loads(json.dumps(ev.from_dict(event).to_dict()))
        assert again == event


def test_what_is_compared_is_all_that_was_kept(told: dict[str, Any]) -> None:
    assert set(OLD) == set(NAMES) == set(told)


@pytest.mark.parametrize("name", NAMES)
def test_an_old_record_tells_what_it_told(name: str, told: dict[str, Any]) -> None:
    assert list(differences(OLD[name], told[name])) == []


def test_an_old_record_is_sound_and_its_export_is_equal(tmp_path: Path) -> None:
    record = restored(DATA, tmp_path)
    status, out, err = here(["cases", "verify", "--json", "--record", str(record)])
    verified = json.loads(out)
    assert (status, verified["sound"], verified["cases"]) == (0, True, CASES), err
    assert without_added(exported(record)) == (DATA / EXPORT).read_text().splitlines()


@pytest.mark.parametrize("source", [EXPORT, JOURNAL])
def test_an_old_export_or_journal_gives_the_same_record(tmp_path: Path, source: str) -> None:
    file = shutil.copy(DATA / source, tmp_path)
    record = tmp_path / "new.sqlite"
    status, _, err = here(["cases", "import", str(file), "--record", str(record)])
    assert status == 0, err
    here(["cases", "come-backs", "--days", "60", "--record", str(record)])
    listed = here(["cases", "list", "--oldest-first", "--json", "--record", str(record)])
    assert list(differences(OLD["cases list"]["out"], json.loads(listed[1]))) == []
    lines = without_added(exported(record))
    assert sorted(lines) == sorted((DATA / EXPORT).read_text().splitlines())


def test_an_old_record_is_read_unchanged_and_brought_up_after_a_backup(tmp_path: Path) -> None:
    record = restored(DATA, tmp_path)
    before = record.read_bytes()
    with open_store(str(record), read_only=True) as store:
        assert len(store.list()) == CASES
    assert record.read_bytes() == before
    open_store(str(record)).close()
    backup = record.with_name(f"{record.name}.before-version-2")
    for file, version in ((backup, 1), (record, VERSION)):
        with closing(sqlite3.connect(file)) as database:
            assert database.execute("PRAGMA user_version").fetchone() == (version,)
            assert database.execute("SELECT count(*) FROM events").fetchone() == (
                len(events_kept()),
            )


def test_every_jump_of_an_old_record_has_a_cause() -> None:
    for data in events_kept():
        jump = ev.from_dict(data)
        if isinstance(jump, ev.Jumped) and jump.reason:
            assert jump_purpose(jump).cause
