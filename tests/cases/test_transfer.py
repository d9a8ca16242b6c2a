"""Cases between records: nothing doubled, nothing overwritten, nothing told that was left out."""

from __future__ import annotations

import csv
import io
import json
import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from datetime import timedelta
from hashlib import sha256
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faulttree.cases import Store, open_store
from faulttree.cases.case import moment
from faulttree.cases.come_backs import days_of, mark_all, set_days
from faulttree.cases.repair.verify import verify
from faulttree.cases.schema import VERSION
from faulttree.cases.transfer import importer, parallel_reading
from faulttree.cases.transfer.export import (
    STEP_COLUMNS,
    Leave,
    lines,
    step_rows,
    to_csv,
    to_parquet,
)
from faulttree.cases.transfer.import_parser import FORMAT
from faulttree.cases.transfer.importer import Imported, load
from faulttree.errors import RecordError
from faulttree.walk.events import (
    Answered,
    CautionRead,
    Checked,
    Closed,
    Confirmed,
    Corrected,
    Declined,
    Event,
    FactGiven,
    Jumped,
    LikelyAccepted,
    MinutesSet,
    NotConfirmed,
    Noted,
    Opened,
    PhotoAdded,
    Reached,
    RemarkKept,
    Reopened,
    RepairTried,
    Skipped,
    Stopped,
    WaitEnded,
    WaitStarted,
    WentBack,
    Withdrawn,
)
from tests.cases.samples import HASH, TEXT, answered, at, opened
from tests.support.counts import examples


@pytest.fixture
def here() -> Iterator[Store]:
    with open_store(None) as store:
        yield store


@pytest.fixture
def there() -> Iterator[Store]:
    with open_store(None) as store:
        yield store


def some_cases(store: Store) -> list[str]:
    fixed = [
        answered("reservoir", "low", reading={"value": 21.4, "unit": "V"}, note="Ada saw it"),
        Noted(at=at(2), text="the owner is Ada Example"),
        PhotoAdded(at=at(2), path="ada/front.jpg", sha256="ab" * 32),
        Closed(at=at(3), result="fixed", fault="dry-reservoir", became="returned"),
    ]
    return [
        store.open_case([opened("tag 14", who="Ada", owner_words="Ada's"), *fixed], tree_text=TEXT),
        store.open_case([opened("tag 15", minute=9), answered(), WentBack(at=at(10))]),
        store.open_case([opened("tag 16", minute=12)]),
    ]


def exported(store: Store, leave: Leave | None = None) -> bytes:
    return "".join(line + "\n" for line in lines(store, store.each(), leave)).encode()


def imported(store: Store, data: bytes) -> Imported:
    return load(store, io.BytesIO(data), "cases.jsonl")


def test_what_is_exported_is_imported_whole(here: Store, there: Store) -> None:
    cases = some_cases(here)
    done = imported(there, exported(here))
    assert (done.merged.cases, done.damaged) == (3, [])
    for case in cases:
        assert there.events(case) == here.events(case)
        assert there.steps(case) == here.steps(case)
    assert there.tree_text(HASH) == TEXT
    assert verify(there).sound


def test_importing_again_adds_nothing(here: Store, there: Store) -> None:
    some_cases(here)
    data = exported(here)
    imported(there, data)
    before = exported(there)
    again = imported(there, data)
    assert (again.merged.cases, again.merged.events, again.merged.same) == (0, 0, 3)
    assert exported(there) == before


def test_a_case_that_went_on_is_gone_on_with(here: Store, there: Store) -> None:
    _, second, _ = some_cases(here)
    imported(there, exported(here))
    here.append(second, 3, answered("reservoir", "low"))
    here.append(second, 4, Closed(at=at(20), result="unsolved"))
    done = imported(there, exported(here))
    assert (done.merged.cases, done.merged.events, done.merged.same) == (0, 2, 2)
    assert there.events(second) == here.events(second)
    assert there.case(second).result == "unsolved"
    # The other way round the older copy has nothing to add.
    assert imported(here, exported(there)).merged.same == 3


def test_a_case_that_went_two_ways_stays_as_it_is_here(here: Store, there: Store) -> None:
    _, second, third = some_cases(here)
    imported(there, exported(here))
    here.append(second, 3, answered("reservoir", "low"))
    there.append(second, 3, answered("reservoir", "inside"))
    here.append(third, 1, answered())
    mine = there.events(second)
    done = imported(there, exported(here))
    (conflict,) = done.merged.conflicts
    assert (conflict.case, conflict.sequence) == (second, 3)
    assert there.events(second) == mine
    assert there.events(third) == here.events(third)


DAMAGES = [
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"opened","at":"2026"',
    b"\xff\xfe\x00 not text",
    b"[1,2,3]",
    b"{}",
    b'{"format":"faulttree-case-9"}',
    b'{"format":"faulttree-case-1","case":"x","events":[]}',
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"closed","result":"fixed"}]}',
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"opened","tree":7,"tree_hash":""}]}',
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"beamed-up"}]}',
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"opened","tree":"a/b",'
    b'"tree_hash":"h","unit":[]}]}',
    b'{"format":"faulttree-case-1","case":"x","tree_hash":"00","tree_text":"{}",'
    b'"events":[{"kind":"opened","tree":"a/b","tree_hash":"00"}]}',
    b"[" * 100_000,
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"opened","tree":"a/b",'
    b'"tree_hash":"h"},{"kind":"minutes-set","step":"a","minutes":1' + b"0" * 400 + b"}]}",
    b'{"format":"faulttree-case-1","case":"x","events":[{"kind":"opened","tree":"a/b",'
    b'"tree_hash":"h"},{"kind":"closed","result":"found","kept":[7]}]}',
    *(
        b'{"format":"faulttree-case-1","case":"%s","events":[{"kind":"opened","at":"%s",'
        b'"tree":"a/b","tree_hash":"h"%s]}' % (case, at(1).encode(), rest)
        for case, rest in (
            (rb"half \ud800 of a character", b"}"),
            (b"x", b',"who":null}'),
            (b"x", b',"priors":{"fuse":"often"}}'),
            (b"x", b',"mains":{"voltage":[]}}'),
            (b"x", b'},{"kind":"answered","at":null,"step":"fuse","outcome":"intact"}'),
            (b"x", b'},{"kind":"closed","result":"found","kept":null}'),
            (b"x", b'},{"kind":"declined","suspects":[1]}'),
        )
    ),
]


@pytest.mark.parametrize("damage", DAMAGES, ids=range(len(DAMAGES)))
def test_a_damaged_line_costs_that_line_and_is_named(
    here: Store, there: Store, damage: bytes
) -> None:
    some_cases(here)
    first, *rest = exported(here).splitlines(keepends=True)
    done = imported(there, first + damage + b"\n" + b"".join(rest))
    assert done.merged.cases == 3
    assert [str(one).split(": ")[0] for one in done.damaged] == ["cases.jsonl:2"]
    assert verify(there).sound


@given(st.data())
@settings(max_examples=examples(25), suppress_health_check=list(HealthCheck))
def test_no_bytes_whatever_harm_a_record(data: st.DataObject) -> None:
    with open_store(None) as source, open_store(None) as target:
        some_cases(source)
        whole = exported(source)
        start = data.draw(st.integers(0, len(whole)))
        end = data.draw(st.integers(start, min(len(whole), start + 60)))
        middle = data.draw(st.binary(max_size=30))
        imported(target, whole[:start] + middle + whole[end:])
        found = [one for one in verify(target).findings if one.kind not in {"tree", "photo"}]
        assert found == []
        for case in target.list():
            target.events(case.id)


texts = st.text(max_size=20)
names = st.sampled_from(["fuse", "reservoir", "bridge.drop"])
events = st.one_of(
    st.builds(Answered, at=st.just(at(1)), step=names, outcome=texts, note=texts),
    st.builds(
        Answered,
        at=st.just(at(2)),
        step=names,
        outcome=st.just("low"),
        reading=st.fixed_dictionaries(
            {"value": st.none() | st.floats(allow_nan=False, allow_infinity=False)}
        ),
        seconds=st.none() | st.floats(0, 1e6),
    ),
    st.builds(Skipped, at=st.just(at(3)), step=names, reason=texts),
    st.builds(Jumped, step=names, cause=st.sampled_from(["asked", "guard"]), then=names),
    st.builds(Jumped, step=names, reason=texts),
    st.builds(Corrected, target=st.integers(0, 9), outcome=texts, decided=st.just(({"a": 1},))),
    st.builds(Withdrawn, target=st.integers(0, 9), person=texts, device=texts),
    st.builds(FactGiven, name=names, value=texts, source=texts),
    st.builds(Checked, stage=names, use=names, exit=texts, passed=st.booleans()),
    st.builds(Reached, fault=names, probability=st.floats(0, 1), open_tests=st.tuples(names)),
    st.builds(LikelyAccepted, fault=names),
    st.builds(WaitStarted, step=names, ends_at=st.just(at(5))),
    st.builds(WaitEnded, step=names, cut=st.booleans()),
    st.builds(WentBack, steps=st.integers(0, 5)),
    st.builds(Noted, text=texts, step=names),
    st.builds(CautionRead, caution=names),
    st.builds(RepairTried, fault=names, what=texts, parts=st.tuples(texts)),
    st.builds(Confirmed, fault=names, seen=texts),
    st.builds(NotConfirmed, fault=names, step=names),
    st.builds(Declined, reason=texts),
    st.builds(Stopped, reason=texts),
    st.builds(
        Closed, at=st.just(at(4)), result=st.just("fixed"), fault=names, kept=st.tuples(texts)
    ),
    st.builds(Reopened, reason=texts),
    st.builds(MinutesSet, step=names, minutes=st.floats(0, 1e4)),
    st.builds(PhotoAdded, path=texts),
    st.builds(RemarkKept, text=texts, author=texts, fault=names, reason=texts),
)


@given(st.lists(events, max_size=15))
@settings(max_examples=examples(25))
def test_any_case_survives_the_journey_and_is_drawn_alike(happened: list[Event]) -> None:
    # Written one by one here, in bulk there: both must come to the same list and steps.
    with open_store(None) as one, open_store(None) as two:
        case = one.open_case([opened()], tree_text=TEXT)
        for sequence, event in enumerate(happened, 1):
            one.append(case, sequence, event)
        imported(two, exported(one))
        assert two.events(case) == one.events(case)
        assert two.steps(case) == one.steps(case)
        assert two.case(case) == one.case(case)
        assert verify(one).sound
        assert verify(two).sound


def test_a_journal_can_be_imported_as_it_stands(tmp_path: Path, there: Store) -> None:
    with open_store(str(tmp_path / "r.sqlite")) as store:
        cases = some_cases(store)
        store.append(cases[2], 1, answered())
        whole = {case: store.events(case) for case in cases}
    done = imported(there, (tmp_path / "r.sqlite.events.jsonl").read_bytes())
    assert done.damaged == []
    assert {case: there.events(case) for case in cases} == whole


# Much at once -------------------------------------------------------------------------------


def many_cases(store: Store, count: int) -> None:
    for index in range(count):
        started = [opened(f"unit {index}", minute=index), answered(), answered("reservoir", "low")]
        store.open_case(started[: 1 + index % 3], tree_text=TEXT)


def test_lines_read_ahead_by_other_processes_are_taken_alike(
    here: Store, there: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    many_cases(here, 20)
    raw = exported(here).splitlines(keepends=True)
    raw.insert(7, b"no case at all\n")
    monkeypatch.setattr(importer, "BATCH", 2)
    read: list[int] = []
    data = b"".join(raw)
    done = load(there, io.BytesIO(data), "cases.jsonl", progress=read.append, jobs=3)
    assert [str(one).partition(": ")[0] for one in done.damaged] == ["cases.jsonl:8"]
    assert (done.merged.cases, read[-1]) == (20, len(data))
    assert exported(there) == exported(here)


def test_what_an_ended_process_did_not_read_is_read_here() -> None:
    ended: Future[parallel_reading.Taken] = Future()
    ended.set_exception(BrokenProcessPool())
    line = b'{"format": "of another program"}'
    _, (items, damaged) = parallel_reading.settled([line], ended)
    assert items == []
    assert [at for at, _ in damaged] == [0]


def test_a_case_told_twice_in_a_file_is_taken_once(here: Store, there: Store) -> None:
    case, *_ = some_cases(here)
    older = exported(here)
    here.append(case, len(here.events(case)), Reopened(at=at(30), reason="it hums"))
    done = imported(there, older + exported(here))
    assert (done.merged.cases, done.merged.same, done.merged.conflicts) == (3, 2, [])
    assert there.events(case) == here.events(case)
    assert verify(there).sound


IMPORTER = """
import sys
from pathlib import Path
from faulttree.cases import importing, open_store

importing.BATCH = 3
tell = lambda read: print(read, flush=True)
with open_store(sys.argv[1]) as store, Path(sys.argv[2]).open("rb") as file:
    importing.load(store, file, "cases.jsonl", progress=tell)
"""


def test_an_import_that_is_killed_leaves_whole_cases_and_goes_on_when_repeated(
    here: Store, tmp_path: Path
) -> None:
    many_cases(here, 60)
    file, record = tmp_path / "cases.jsonl", str(tmp_path / "record.sqlite")
    file.write_bytes(exported(here))
    chance = random.Random(5)
    for _ in range(3):
        program = [sys.executable, "-c", IMPORTER, record, str(file)]
        with subprocess.Popen(program, stdout=subprocess.PIPE) as importer:
            assert importer.stdout is not None
            importer.stdout.readline()
            time.sleep(chance.random() * 0.02)
            importer.kill()
        with open_store(record) as there:
            assert verify(there).sound
            for case in there.each():
                assert there.events(case.id) == here.events(case.id)
    with open_store(record) as there:
        already = there.count()
        done = imported(there, file.read_bytes())
        assert (done.merged.same, done.merged.cases) == (already, 60 - already)
        assert exported(there) == exported(here)


# Left out -----------------------------------------------------------------------------------


def test_what_is_left_out_is_nowhere_in_the_file(here: Store) -> None:
    first, *_ = some_cases(here)
    plain = exported(here).decode()
    bare = exported(here, Leave(names=True, serials=True, photos=True)).decode()
    for secret in ("Ada", "tag 14", "tag 15", "front.jpg", "ab" * 32, first):
        assert secret in plain
        assert secret not in bare
    rows = list(step_rows(here, here.each(), Leave(names=True, serials=True)))
    told = json.dumps(rows)
    for secret in ("Ada", "tag 14", first):
        assert secret not in told
    # What an analysis needs is still there.
    assert "dry-reservoir" in bare
    assert {row["step"] for row in rows} == {"reservoir", "fuse", None}


NAMED_TREE = json.dumps(
    {
        "id": "bench-supply/no-output",
        "faults": {"dry": {"evidence": [{"kind": "documented", "source": "Jo Doe, customer"}]}},
    }
)


def test_without_names_no_free_word_and_no_time_of_day_is_left(here: Store, there: Store) -> None:
    name = sha256(NAMED_TREE.encode()).hexdigest()
    unit = {"family": "bench-supply", "model": "two-channel", "serial": "tag 14", "shelf": "Jo's"}
    case = here.open_case(
        [opened(unit=unit, tree_hash=name, complaint="Jo says it hums", minute=617)],
        tree_text=NAMED_TREE,
    )
    here.append(case, 1, Answered(at=at(622), step="fuse", outcome="intact", instrument="Jo's"))
    bare = exported(here, Leave(names=True))
    assert b"Jo" not in bare
    (document,) = map(json.loads, bare.decode().splitlines())
    assert "number" not in document
    # Five minutes lay between opening and answer, and still do.
    assert [event["at"][10:] for event in document["events"]] == [
        "T00:00:00.000Z",
        "T00:05:00.000Z",
    ]
    # Only the day of the id is left: the first 48 bits are milliseconds (RFC 9562, 5.7).
    assert int(document["case"][:13].replace("-", ""), 16) % 86_400_000 == 0
    assert document["tree_hash"] == sha256(document["tree_text"].encode()).hexdigest()
    done = imported(there, bare)
    assert (done.merged.cases, done.damaged) == (1, [])
    (brought,) = there.list()
    assert there.tree_text(brought.tree_hash) == document["tree_text"]
    rows = json.dumps(list(step_rows(here, here.each(), Leave(names=True))))
    assert "Jo" not in rows


@pytest.mark.parametrize(
    ("name", "leave"),
    [
        ("unit.complaint", Leave(names=True)),
        ("unit.owner-words", Leave(names=True)),
        ("unit.serial", Leave(serials=True)),
        ("unit.serial", Leave(names=True, serials=True)),
    ],
)
def test_a_value_given_late_is_left_out_like_one_of_the_intake(
    here: Store, there: Store, name: str, leave: Leave
) -> None:
    case = here.open_case([opened()])
    here.append(case, 1, FactGiven(at=at(3), name=name, value="Jo's tag 99", source="asked"))
    bare = exported(here, leave)
    assert b"Jo" not in bare
    done = imported(there, bare)
    assert (done.merged.cases, done.damaged) == (1, [])
    assert "Jo" not in json.dumps(list(step_rows(here, here.each(), leave)))
    assert b"Jo's tag 99" in exported(here, Leave())


def test_ids_of_another_record_cannot_be_tried_out(here: Store, there: Store) -> None:
    for store in (here, there):
        store.open_case([opened()], case="019c49ff-6400-70b0-a7d7-61188dec4caf")
    documents = [json.loads(exported(store, Leave(serials=True))) for store in (here, there)]
    assert documents[0]["case"] != documents[1]["case"]


def test_a_case_with_things_left_out_never_stands_in_for_the_whole_one(here: Store) -> None:
    some_cases(here)
    bare = exported(here, Leave(names=True))
    assert bare == exported(here, Leave(names=True))
    done = imported(here, bare)
    assert (done.merged.cases, done.merged.conflicts) == (3, [])
    assert len(here.list()) == 6


def test_photos_of_another_shop_are_not_looked_for_here(
    here: Store, there: Store, tmp_path: Path
) -> None:
    mine = tmp_path / "mine.txt"
    mine.write_text("mine")
    here.open_case([opened(), PhotoAdded(at=at(1), path=str(mine), sha256="0" * 64)])
    assert [f.minor for f in verify(here).findings if f.kind == "photo"] == [False]
    imported(there, exported(here))
    (found,) = [f for f in verify(there).findings if f.kind == "photo"]
    assert found.minor
    assert "another shop" in found.message


# Tables -------------------------------------------------------------------------------------


def test_csv_says_the_same_and_no_cell_is_a_formula(here: Store) -> None:
    some_cases(here)
    here.open_case([opened("=HYPERLINK(1)", complaint='said "no", then\nhummed'), answered()])
    file = io.StringIO(newline="")
    assert to_csv(file, step_rows(here, here.each())) == 4
    read = list(csv.DictReader(io.StringIO(file.getvalue(), newline="")))
    assert list(read[0]) == list(STEP_COLUMNS)
    assert read[0]["value"] == "21.4"
    assert read[3]["serial"] == "'=HYPERLINK(1)"
    assert read[3]["complaint"] == 'said "no", then\nhummed'
    assert [row["standing"] for row in read] == ["true", "false", "", "true"]


def test_parquet_says_the_same(here: Store) -> None:
    # pyarrow reads what was written with its own types: the format is Apache's, not ours.
    import pyarrow.parquet as pq

    some_cases(here)
    file = io.BytesIO()
    rows = list(step_rows(here, here.each()))
    assert to_parquet(file, rows) == len(rows)
    assert pq.read_table(file).to_pylist() == rows


def test_a_store_of_a_million_is_walked_page_by_page(here: Store) -> None:
    for index in range(7):
        here.open_case([opened(f"unit {index}")])
    import faulttree.cases.queries as module

    pages = module.PAGE
    try:
        module.PAGE = 3
        assert [case.number for case in here.each()] == [1, 2, 3, 4, 5, 6, 7]
        assert here.count(serial="unit 3") == 1
    finally:
        module.PAGE = pages


# Come-backs ---------------------------------------------------------------------------------


def fixed(store: Store, serial: str, minute: int) -> str:
    closing = Closed(at=at(minute + 1), result="fixed", fault="dry-reservoir")
    return store.open_case([opened(serial, minute=minute), closing])


def test_the_same_unit_again_marks_the_repair_as_not_lasting(here: Store) -> None:
    first = fixed(here, "tag 14", 0)
    other = fixed(here, "tag 15", 0)
    assert here.case(first).came_back == ""
    second = here.open_case([opened("tag 14", minute=1440 * 5)])
    assert here.case(first).came_back == second
    assert here.case(other).came_back == ""
    assert [case.id for case in here.list(came_back=True)] == [first]
    # A later repair is judged by what comes after it, not by what came before.
    here.append(second, 1, Closed(at=at(1440 * 5 + 3), result="fixed", fault="open-bridge"))
    assert here.case(second).came_back == ""


def test_the_time_is_settable_and_holds_for_the_whole_record(here: Store) -> None:
    first = fixed(here, "tag 14", 0)
    second = here.open_case([opened("tag 14", minute=1440 * 5)])
    here.write(lambda connection: set_days(connection, 3))
    assert here.read(days_of) == 3
    assert here.case(first).came_back == ""
    here.write(lambda connection: set_days(connection, 10))
    assert here.case(first).came_back == second


def test_come_backs_are_seen_whatever_order_cases_arrive_in(here: Store, there: Store) -> None:
    first = fixed(here, "tag 14", 0)
    second = here.open_case([opened("tag 14", minute=1440)])
    data = exported(here).splitlines(keepends=True)
    imported(there, data[1])
    imported(there, data[0])
    assert there.case(first).came_back == second


MOMENTS = st.integers(0, 68).map(lambda quarter: at(360 * quarter))


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["tag 1", "tag 2", ""]),
            st.sampled_from(["s1", "s2", ""]),
            MOMENTS,
            st.none() | MOMENTS,
        ),
        max_size=9,
    ),
    st.randoms(use_true_random=False),
    st.integers(1, 12),
)
@settings(max_examples=examples(40), deadline=None)
def test_a_come_back_is_the_next_case_of_the_unit_within_the_time(
    units: list[tuple[str, str, str, str | None]], chance: Random, days: int
) -> None:
    with open_store(None) as store:
        store.write(lambda connection: set_days(connection, days))
        for tag, serial, start, end in chance.sample(units, len(units)):
            unit = {"family": "bench-supply", "serial": serial, "tag": tag}
            happened: list[Event] = [Opened(at=start, tree="a/b", tree_hash="h", unit=unit)]
            happened += [Closed(at=end, result="fixed", fault="fuse")] if end else []
            store.open_case(happened)
        cases = sorted(store.list(), key=lambda case: (case.opened, case.number))
        for place, case in enumerate(cases):
            later = (
                other.id
                for other in cases[place + 1 :]
                if (case.serial and case.serial == other.serial)
                or (case.tag and case.tag == other.tag)
                if case.closed
                and timedelta(0) <= moment(other.opened) - moment(case.closed) <= timedelta(days)
            )
            assert case.came_back == next(later, "")
        store.write(mark_all)
        assert {case.id: case.came_back for case in store.list()} == {
            case.id: case.came_back for case in cases
        }


def test_a_case_that_turns_out_to_be_of_another_unit_shows_nothing_of_the_first(
    here: Store,
) -> None:
    first = fixed(here, "tag 14", 0)
    second = here.open_case([opened("tag 14", minute=1440)])
    third = here.open_case([opened("tag 14", minute=2880)])
    assert here.case(first).came_back == second
    here.append(second, 1, FactGiven(at=at(1445), name="unit.serial", value="tag 15"))
    assert here.case(first).came_back == third


def test_reopening_a_repair_takes_the_mark_away(here: Store) -> None:
    first = fixed(here, "tag 14", 0)
    here.open_case([opened("tag 14", minute=1440)])
    here.append(first, 2, Reopened(at=at(2000), reason="looked again"))
    assert here.case(first).came_back == ""


def test_units_without_a_name_are_never_the_same_unit(here: Store) -> None:
    first = fixed(here, "", 0)
    here.open_case([opened("", minute=60)])
    assert here.case(first).came_back == ""


def test_a_missing_file_to_import_is_said(tmp_path: Path) -> None:
    from faulttree.cases.transfer.importer import opened_for_reading

    with pytest.raises(RecordError, match="cannot be read") as told:
        opened_for_reading(tmp_path / "none.jsonl")
    assert told.value.path == tmp_path / "none.jsonl"


@given(st.integers(1, 8))
@settings(max_examples=8)
def test_an_export_of_an_earlier_format_is_read_alike(version: int) -> None:
    with open_store(None) as here, open_store(None) as there:
        cases = some_cases(here)
        earlier = exported(here).replace(FORMAT.encode(), f"faulttree-case-{version}".encode())
        assert imported(there, earlier).damaged == []
        assert [there.events(case) for case in cases] == [here.events(case) for case in cases]


def test_a_record_of_the_version_before_is_brought_up_unchanged(tmp_path: Path) -> None:
    record = tmp_path / "r.sqlite"
    with open_store(str(record)) as store:
        cases = some_cases(store)
        before = exported(store)
    with closing(sqlite3.connect(record)) as file:
        file.execute("PRAGMA user_version = 8")
    with open_store(str(record)) as store:
        assert exported(store) == before
        store.append(cases[2], 1, RemarkKept(at=at(20), text="It is the fuse.", author="ann"))
        assert verify(store).sound
    with closing(sqlite3.connect(record)) as file:
        assert file.execute("PRAGMA user_version").fetchone() == (VERSION,)
    assert record.with_name(f"{record.name}.before-version-9").exists()
