"""The record keeps what it acknowledged, in either kind of store."""

from __future__ import annotations

import multiprocessing
import threading
import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.exc import DBAPIError

from faulttree.cases import NoSuchCase, SequenceTaken, Store, new_id, open_store
from faulttree.cases.errors import AmbiguousCase
from faulttree.cases.repair.verify import verify
from faulttree.errors import RecordError
from faulttree.walk.events import (
    Answered,
    Closed,
    Confirmed,
    Event,
    MinutesSet,
    Noted,
    Reopened,
    RepairTried,
    Skipped,
    WentBack,
)
from tests.cases.postgres import Server, shared
from tests.cases.samples import HASH, TEXT, TREE, answered, at, opened, write_cases


@pytest.fixture(scope="session")
def server() -> Server:
    return shared()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'shop' / 'record.sqlite'}"
    running: Server = request.getfixturevalue("server")
    return running.url(running.database())


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url) as one:
        yield one


def again(url: str) -> Store:
    return open_store(url, read_only=True)


# What is written is there -------------------------------------------------------------------


def test_what_was_written_is_read_back_by_another(store: Store, url: str) -> None:
    case = store.open_case([opened()], tree_text=TEXT)
    events: list[Event] = [
        answered("reservoir", "low", reading={"value": 21.4, "unit": "V", "text": "21,4 V"}),
        Noted(at=at(2), text="µ Ω – ' \" \\ \n %s {x} \x00 \udc80 ☃", step="reservoir"),
        Skipped(at=at(3), step="ripple", reason="no oscilloscope"),
        WentBack(at=at(4)),
        Closed(at=at(5), result="found", fault="dry-reservoir", kept=("board", "case")),
    ]
    for sequence, event in enumerate(events, 1):
        store.append(case, sequence, event)
    with again(url) as other:
        assert other.events(case) == (opened(), *events)
        assert other.tree_text(HASH) == TEXT


def test_a_case_has_a_number_for_people_and_an_id_that_sorts_by_time(store: Store) -> None:
    late = store.open_case([opened(minute=9)])
    early = store.open_case([opened(minute=3)])
    assert [case.number for case in store.list()] == [2, 1]
    assert early < late
    # RFC 9562, 5.7: version 7, variant 10, the first 48 bits are Unix milliseconds.
    told = uuid.UUID(late)
    assert (told.version, told.variant) == (7, uuid.RFC_4122)
    assert told.int >> 80 == datetime.fromisoformat(at(9)).timestamp() * 1000


@given(st.datetimes(datetime(1971, 1, 1), datetime(9000, 1, 1)))
def test_ids_of_later_cases_sort_later(moment: datetime) -> None:
    later = moment + timedelta(milliseconds=1)
    assert new_id(moment.isoformat()) < new_id(later.isoformat())


def test_a_tree_is_kept_under_its_own_hash_only(store: Store) -> None:
    begun = opened()
    for _ in range(2):
        store.open_case([begun], tree_text=TEXT)
    assert store.tree_text(HASH) == TEXT
    with pytest.raises(RecordError, match="does not have the hash"):
        store.open_case([begun], tree_text=TEXT + " ")
    with pytest.raises(RecordError, match="holds no tree"):
        store.tree_text("0" * 64)


def test_nothing_recorded_can_be_changed_or_removed(store: Store) -> None:
    case = store.open_case([opened()], tree_text=TEXT)
    for statement in (
        "UPDATE events SET event = '{}'",
        "DELETE FROM events",
        "UPDATE trees SET text = ''",
        "DELETE FROM trees",
    ):
        with pytest.raises(DBAPIError, match="only ever added"), store.engine.begin() as there:
            there.exec_driver_sql(statement)
    assert store.events(case) == (opened(),)


def test_two_writers_on_one_case_the_second_is_told_what_happened(url: str) -> None:
    with open_store(url) as first, open_store(url) as second:
        case = first.open_case([opened()])
        assert second.events(case) == (opened(),)
        first.append(case, 1, answered(outcome="intact"))
        with pytest.raises(SequenceTaken, match="answered fuse intact") as told:
            second.append(case, 1, answered(outcome="blown"))
        assert told.value.happened == (answered(outcome="intact"),)
        # Told, the second goes on from there; then the first is the one who is late.
        second.append(case, 2, answered("reservoir", "low"))
        with pytest.raises(SequenceTaken, match="reservoir"):
            first.append(case, 2, answered("reservoir", "low"))
        first.append(case, 3, answered("discharge", "done"))
        assert len(second.events(case)) == 4
        assert [taken.step for taken in second.steps(case)] == ["fuse", "reservoir", "discharge"]


def test_a_gap_is_refused(store: Store) -> None:
    case = store.open_case([opened()])
    with pytest.raises(RecordError, match="cannot follow"):
        store.append(case, 2, answered())
    with pytest.raises(NoSuchCase):
        store.append("0190", 1, answered())
    with pytest.raises(RecordError, match="begin with its opening"):
        store.open_case([answered()])
    assert len(store.events(case)) == 1


def test_an_event_that_cannot_be_kept_leaves_the_case_as_it_was(store: Store) -> None:
    case = store.open_case([opened()])
    with pytest.raises(RecordError, match="cannot be recorded"):
        store.append(case, 1, answered(reading={"value": float("nan")}))
    store.append(case, 1, answered())
    assert len(store.events(case)) == 2


# What is drawn from the events --------------------------------------------------------------


def test_the_list_shows_how_a_case_stands(store: Store) -> None:
    case = store.open_case([opened(who="MK", owner_words="It hums")])
    events = [
        answered("fuse", "blown", seconds=60.0),
        WentBack(at=at(2)),
        answered("fuse", "intact", seconds=30.0),
        Skipped(at=at(3), step="ripple"),
        answered("reservoir", "low", reading={"value": "21.4", "unit": "V"}, seconds=90.0),
        MinutesSet(at=at(4), step="reservoir", minutes=5.0),
    ]
    for sequence, event in enumerate(events, 1):
        store.append(case, sequence, event)
    row = store.case(case)
    assert (row.state, row.step, row.steps, row.events) == ("open", "reservoir", 2, 7)
    assert row.minutes == pytest.approx(1 + 0.5 + 5)
    assert [(t.step, t.standing, t.skipped) for t in store.steps(case)] == [
        ("fuse", False, False),
        ("fuse", True, False),
        ("ripple", True, True),
        ("reservoir", True, False),
    ]
    assert store.steps(case)[3].value == 21.4
    store.append(case, 7, Closed(at=at(9), result="unsolved", became="kept-for-parts"))
    assert (store.case(case).state, store.case(case).closed) == ("closed", at(9))
    store.append(case, 8, Reopened(at=at(10), reason="a tip"))
    row = store.case(case)
    assert (row.state, row.result, row.became, row.closed) == ("open", "", "kept-for-parts", None)


def test_nobody_goes_back_over_a_repair(store: Store) -> None:
    case = store.open_case(
        [
            opened(),
            answered("fuse", "intact"),
            RepairTried(at=at(2), fault="dry-reservoir"),
            answered("reservoir", "inside"),
            Confirmed(at=at(3), fault="dry-reservoir"),
            WentBack(at=at(4), steps=5),
        ]
    )
    assert [(t.step, t.standing, t.round) for t in store.steps(case)] == [
        ("fuse", True, 0),
        ("reservoir", True, 1),
    ]


FILTERS = [
    ({"family": "bench-supply"}, [3, 2, 1]),
    ({"family": "sander"}, []),
    ({"serial": "tag 15"}, [2]),
    ({"tag": "tag 15"}, [2]),
    ({"state": "open"}, [3, 2]),
    ({"result": "fixed", "fault": "dry-reservoir", "became": "returned"}, [1]),
    ({"result": ["fixed", "unsolved"]}, [1]),
    ({"module": "series-regulator"}, [3]),
    ({"kept": "board"}, [1]),
    ({"words": "HUM loud"}, [2]),
    ({"words": "hum nothing-such"}, []),
    ({"words": "café"}, [3]),
    ({"since": "2026-02-12"}, [3]),
    ({"until": "2026-02-11"}, [2, 1]),
    ({"tree": TREE, "who": "MK"}, [2]),
    ({"limit": 2}, [3, 2]),
    ({"oldest_first": True}, [1, 2, 3]),
    ({"words": "%"}, []),
    ({"family": "' OR 1=1 --"}, []),
]


def test_cases_are_found_by_any_of_their_marks(store: Store) -> None:
    store.open_case(
        [
            opened("tag 14"),
            Closed(
                at=at(3),
                result="fixed",
                fault="dry-reservoir",
                became="returned",
                kept=("board",),
            ),
        ]
    )
    store.open_case([opened("tag 15", minute=5, who="MK", owner_words="It hums loudly")])
    unit = {"family": "bench-supply", "serial": "x", "modules": ["series-regulator"]}
    noted = Noted(at=at(1500), text="smells like the Café")
    store.open_case([opened(minute=1500, unit=unit), noted])
    for wanted, numbers in FILTERS:
        assert [case.number for case in store.list(**wanted)] == numbers, wanted  # type: ignore[arg-type]
    with pytest.raises(RecordError, match="no such filter: colour"):
        store.list(colour="red")


def test_one_case_is_meant_by_number_id_tag_or_words(store: Store) -> None:
    first = store.open_case([opened("tag 14")])
    second = store.open_case([opened("tag 15", owner_words="it buzzes")])
    for words in ("1", "#1", "case 1", first, first[:18], "tag 14", "TAG 14", "14"):
        assert store.find(words).id == first, words
    assert store.find("buzz").id == second
    with pytest.raises(NoSuchCase, match="no case 'tag 99'"):
        store.find("tag 99")
    with pytest.raises(AmbiguousCase, match=r"case 2.*case 1"):
        store.find("no output")
    # A bare number may be a case or a tag: with both open nobody guesses.
    for number in range(3, 15):
        store.open_case([opened(f"unit {number}"), Closed(at=at(3), result="unsolved")])
    with pytest.raises(AmbiguousCase, match=r"case 14.*case 1:"):
        store.find("14")
    assert store.find("#14").serial == "unit 14"
    assert store.find("tag 14").id == first
    # The same unit again: the open case is meant, not the closed one.
    store.append(first, 1, Closed(at=at(2), result="unsolved"))
    third = store.open_case([opened("tag 14", minute=90)])
    assert store.find("tag 14").id == third
    store.append(third, 1, Closed(at=at(95), result="unsolved"))
    assert store.find("tag 14").id == third


# Many at once -------------------------------------------------------------------------------


def many_writers(url: str, folder: Path, writers: int, cases: int) -> None:
    open_store(url).close()
    spawn = multiprocessing.get_context("spawn")
    told = [str(folder / f"told-{writer}") for writer in range(writers)]
    running = [
        spawn.Process(target=write_cases, args=(url, writer, cases, told[writer]))
        for writer in range(writers)
    ]
    for process in running:
        process.start()
    for process in running:
        process.join()
    assert [process.exitcode for process in running] == [0] * writers
    with again(url) as store:
        listed = store.list()
        assert len(listed) == writers * cases == len({case.number for case in listed})
        there = {
            f"{case.id} {sequence} {event.outcome}"
            for case in listed
            for sequence, event in enumerate(store.events(case.id))
            if isinstance(event, Answered)
        }
    acknowledged = [line for path in told for line in Path(path).read_text().splitlines()]
    assert len(acknowledged) == writers * cases * 3 == len(there)
    assert set(acknowledged) == there


def test_many_benches_write_at_once(url: str, tmp_path: Path) -> None:
    many_writers(url, tmp_path, writers=2, cases=10)


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_sixteen_benches_write_two_hundred_cases_each(url: str, tmp_path: Path) -> None:
    many_writers(url, tmp_path, writers=16, cases=200)


def test_writers_racing_for_one_case_each_write_once(url: str) -> None:
    with open_store(url) as one:
        case = one.open_case([opened()])
    won: list[str] = []
    barrier = threading.Barrier(4)

    def race(writer: int) -> None:
        with open_store(url) as mine:
            mine.events(case)
            for sequence in range(1, 11):
                barrier.wait()
                try:
                    mine.append(case, sequence, answered(outcome=f"by-{writer}-{sequence}"))
                    won.append(f"by-{writer}-{sequence}")
                except SequenceTaken:
                    mine.events(case)

    racers = [threading.Thread(target=race, args=(writer,)) for writer in range(4)]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join()
    with again(url) as store:
        outcomes = [e.outcome for e in store.events(case) if isinstance(e, Answered)]
    assert sorted(outcomes) == sorted(won)
    assert len(outcomes) == 10


def test_two_benches_importing_the_same_cases_at_once_add_each_once(url: str) -> None:
    import io

    from faulttree.cases.transfer.export import lines
    from faulttree.cases.transfer.importer import load

    with open_store(None) as source:
        for index in range(30):
            fixed = Closed(at=at(3), result="fixed", fault=f"fault-{index % 7}")
            source.open_case([opened(f"unit {index}"), answered(), fixed], tree_text=TEXT)
        told = [line + "\n" for line in lines(source, source.each())]
    open_store(url).close()
    added: list[int] = []

    def bring(order: int) -> None:
        data = "".join(told if order else [told[0], *told[:0:-1]]).encode()
        with open_store(url) as mine:
            added.append(load(mine, io.BytesIO(data), "cases.jsonl").merged.cases)

    benches = [threading.Thread(target=bring, args=(order,)) for order in (0, 1)]
    for bench in benches:
        bench.start()
    for bench in benches:
        bench.join()
    with again(url) as store:
        assert (len(store.list()), sum(added)) == (30, 30)
        assert verify(store).findings == []


def test_several_events_are_kept_together_or_not_at_all(url: str) -> None:
    with open_store(url) as first, open_store(url) as second:
        case = first.open_case([opened()])
        first.append(case, 1, answered(reply="a1"), answered("reservoir", "low", reply="a1"))
        with pytest.raises(SequenceTaken):
            second.append(case, 2, answered(outcome="blown"), answered(outcome="intact"))
        assert [event.reply for event in second.events(case)] == ["", "a1", "a1"]
        assert second.case(case).steps == 2
