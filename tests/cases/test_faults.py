"""What a record survives: kills, full and read-only disks, torn files, servers that go away."""

from __future__ import annotations

import contextlib
import io
import os
import random
import resource
import shutil
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from sqlalchemy import Connection, make_url, text

from faulttree.cases import SequenceTaken, open_store
from faulttree.cases.errors import CutOff, NewerRecord, NoSuchCase
from faulttree.cases.journal.file import JournalEntry, entries, journal_path
from faulttree.cases.repair.verify import is_damaged, salvage, verify
from faulttree.cases.schema import MIGRATIONS, VERSION, bring_up
from faulttree.errors import RecordError
from faulttree.walk.events import Answered, Closed, PhotoAdded
from tests.cases.postgres import NOBODY, Server, shared
from tests.cases.samples import HASH, TEXT, WALKER, answered, at, opened


@pytest.fixture(scope="session")
def server() -> Server:
    return shared()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "record.sqlite"


def kill_walks(url: str, times: int, seed: int) -> None:
    """Kill a walking program again and again; every acknowledged answer must be there."""
    chance = random.Random(seed)
    acknowledged: set[tuple[str, int]] = set()
    open_store(url).close()
    for _ in range(times):
        walker = subprocess.Popen(
            [sys.executable, "-c", WALKER, url], stdout=subprocess.PIPE, text=True
        )
        assert walker.stdout is not None
        # Only a walk that is under way is worth a kill.
        first = walker.stdout.readline()
        time.sleep(chance.random() * 0.03)
        walker.send_signal(signal.SIGKILL)
        lines = [first, *walker.stdout.readlines()]
        walker.stdout.close()
        walker.wait()
        whole = [line.split() for line in lines if line.endswith("\n")]
        acknowledged |= {(case, int(sequence)) for case, sequence in whole}
    with open_store(url) as store:
        there = {
            (case.id, sequence)
            for case in store.list()
            for sequence, event in enumerate(store.events(case.id))
            if isinstance(event, Answered)
        }
        assert acknowledged <= there
        # At most the one event under way at each kill was written and not yet told.
        assert len(there - acknowledged) <= times
        assert verify(store).sound
        # Each case can be gone on with where it stands.
        left = next(case for case in store.list() if case.events < 8)
        store.append(left.id, left.events, answered())


def test_no_acknowledged_answer_is_lost_by_a_kill(path: Path) -> None:
    kill_walks(str(path), times=4, seed=1)


def test_nor_on_a_server(server: Server) -> None:
    kill_walks(server.url(server.database()), times=3, seed=2)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_no_acknowledged_answer_is_lost_by_five_hundred_kills(path: Path) -> None:
    kill_walks(str(path), times=500, seed=3)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_nor_by_two_hundred_on_a_server(server: Server) -> None:
    kill_walks(server.url(server.database()), times=200, seed=4)


# Files --------------------------------------------------------------------------------------


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_the_record_is_its_owner_s_alone(path: Path) -> None:
    with open_store(str(path)) as store:
        store.open_case([opened()])
        assert mode(path.parent) == 0o700
        for one in path.parent.iterdir():
            assert mode(one) == 0o600, one


def test_a_missing_record_reads_as_empty_and_is_not_made(path: Path) -> None:
    with open_store(str(path), read_only=True) as store:
        assert store.list() == ()
        with pytest.raises(RecordError, match="no case 'tag 14'"):
            store.find("tag 14")
        with pytest.raises(RecordError, match="reading only"):
            store.open_case([opened()])
    assert not path.parent.exists()


def test_a_file_that_is_no_record_is_refused_and_left_alone(path: Path) -> None:
    path.parent.mkdir()
    path.write_text("minutes of the meeting " * 90)
    before = path.read_bytes()
    with pytest.raises(RecordError, match="no record") as told:
        open_store(str(path))
    assert told.value.path == path
    assert told.value.remedy
    assert path.read_bytes() == before


def test_a_folder_that_cannot_be_is_named(path: Path) -> None:
    path.parent.write_text("a file stands here")
    with pytest.raises(RecordError, match="cannot be made"):
        open_store(str(path))


def test_a_newer_record_is_refused_unchanged(path: Path) -> None:
    open_store(str(path)).close()
    with sqlite3.connect(path) as file:
        file.execute(f"PRAGMA user_version = {VERSION + 1}")
    file.close()
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(NewerRecord, match="newer faulttree"):
            open_store(str(path), read_only=read_only)
    assert path.read_bytes() == before


def test_a_newer_server_is_refused(server: Server) -> None:
    url = server.url(server.database())
    with open_store(url) as store:
        store.write(lambda c: c.execute(text("UPDATE record SET value='99' WHERE key='schema'")))
    with pytest.raises(NewerRecord):
        open_store(url)


def test_an_older_record_is_brought_up_after_a_backup(path: Path) -> None:
    def next_version(connection: Connection) -> None:
        connection.exec_driver_sql("ALTER TABLE cases ADD COLUMN shelf TEXT DEFAULT ''")

    with open_store(str(path)) as store:
        case = store.open_case([opened()])
        both = {**MIGRATIONS, VERSION + 1: next_version}
        bring_up(store.writing, str(path), path, migrations=both)
        assert store.read(lambda c: c.execute(text("SELECT shelf FROM cases")).scalar()) == ""
        assert len(store.events(case)) == 1
    backup = path.with_name(f"{path.name}.before-version-{VERSION + 1}")
    assert mode(backup) == 0o600
    with open_store(str(backup)) as old:
        assert len(old.events(case)) == 1


def test_an_older_server_is_brought_up_after_a_backup(server: Server) -> None:
    def next_version(connection: Connection) -> None:
        connection.exec_driver_sql("ALTER TABLE cases ADD COLUMN shelf TEXT DEFAULT ''")

    url = server.url(server.database())
    with open_store(url) as store:
        store.open_case([opened(), answered()], tree_text=TEXT)
        both = {**MIGRATIONS, VERSION + 1: next_version}
        bring_up(store.writing, url, migrations=both)
        kept = text(f"SELECT count(*) FROM events_before_version_{VERSION + 1}")
        assert store.read(lambda c: c.execute(kept).scalar()) == 2
        assert store.read(lambda c: c.execute(text("SELECT shelf FROM cases")).scalar()) == ""
    with pytest.raises(NewerRecord):
        open_store(url)


def test_a_step_up_that_fails_leaves_the_record_as_it_was(path: Path) -> None:
    def half(connection: Connection) -> None:
        connection.exec_driver_sql("DROP TABLE words")
        raise RuntimeError("pulled the plug")

    with open_store(str(path)) as store, pytest.raises(RuntimeError):
        bring_up(store.writing, str(path), path, migrations={**MIGRATIONS, VERSION + 1: half})
    with open_store(str(path)) as store:
        store.open_case([opened()])
        assert len(store.list(words="output")) == 1


def test_another_program_holding_the_file_is_said(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faulttree.cases.backends.engines.BUSY_SECONDS", 0.05)
    with open_store(str(path)) as store:
        case = store.open_case([opened()])
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordError, match="locked by another program"):
            store.append(case, 1, answered())
        other.execute("ROLLBACK")
        other.close()
        store.append(case, 1, answered())
        assert len(store.events(case)) == 2


def test_at_each_write_a_full_disk_loses_nothing_written_before(path: Path) -> None:
    with open_store(str(path)) as store:
        case = store.open_case([opened()], tree_text=TEXT)
        pages = int(store.read(lambda c: c.exec_driver_sql("PRAGMA page_count").scalar_one()))
        store.read(lambda c: c.exec_driver_sql(f"PRAGMA max_page_count = {pages + 2}").scalar())
        written = 1
        with pytest.raises(RecordError, match="disk is full"):  # noqa: PT012
            while written < 400:
                store.append(case, written, answered(note="x" * 500))
                written += 1
        assert len(store.events(case)) == written
        store.read(lambda c: c.exec_driver_sql("PRAGMA max_page_count = 100000").scalar())
        # Room was made: the very answer that was refused is given again.
        store.append(case, written, answered(note="x" * 500))
    with open_store(str(path)) as store:
        assert len(store.events(case)) == written + 1
        assert verify(store).sound


def limited(size: int) -> None:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


@pytest.mark.parametrize("size", [150_000, 410_000])
def test_a_file_that_may_not_grow_loses_nothing_acknowledged(path: Path, size: int) -> None:
    # A real refusal by the system, at database, log or journal, whichever comes first.
    program = WALKER.replace("while True:", "for _ in range(200):")
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: limited(size),
    )
    assert "RecordError" in done.stderr.splitlines()[-2] + done.stderr.splitlines()[-1]
    acknowledged = {tuple(line.split()) for line in done.stdout.splitlines()}
    with open_store(str(path)) as store:
        there = {
            (case.id, str(sequence))
            for case in store.list()
            for sequence in range(1, len(store.events(case.id)))
        }
    assert acknowledged <= there


@contextlib.contextmanager
def as_an_ordinary_user() -> Iterator[None]:
    """Root may write anywhere, so for a while it is not root."""
    before = os.geteuid()
    if before == 0:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(before)


@pytest.mark.parametrize("folder_too", [False, True])
def test_a_read_only_record_can_be_read_and_says_so_when_written(folder_too: bool) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "shop" / "record.sqlite"
        with open_store(str(path)) as store:
            case = store.open_case([opened()], tree_text=TEXT)
        Path(name).chmod(0o755)
        for one in path.parent.iterdir():
            one.chmod(0o444)
        path.parent.chmod(0o555 if folder_too else 0o777)
        with as_an_ordinary_user():
            with open_store(str(path), read_only=True) as store:
                assert len(store.list()) == 1
                assert verify(store).cases == 1
            with pytest.raises(RecordError, match="read-only"), open_store(str(path)) as store:
                store.append(case, 1, answered())
        path.parent.chmod(0o755)


def test_a_record_that_may_only_be_read_says_so_at_the_write(path: Path) -> None:
    with open_store(str(path)) as store:
        case = store.open_case([opened()])
        store.read(lambda c: c.exec_driver_sql("PRAGMA query_only = ON"))
        with pytest.raises(RecordError, match="read-only"):
            store.append(case, 1, answered())
        store.read(lambda c: c.exec_driver_sql("PRAGMA query_only = OFF"))
        store.append(case, 1, answered())


# Torn files ---------------------------------------------------------------------------------


def torn(path: Path, keep: float, folder: Path) -> Path:
    """A copy of a living record whose log was cut short, as a failing disk leaves it."""
    there = folder / "torn.sqlite"
    shutil.copy(path, there)
    log = path.with_name(path.name + "-wal").read_bytes()
    there.with_name(there.name + "-wal").write_bytes(log[: int(len(log) * keep)])
    shutil.copy(journal_path(path), journal_path(there))
    return there


@pytest.mark.parametrize("keep", [0.0, 0.3, 0.62, 0.99])
def test_what_a_torn_log_lost_is_brought_back_and_named(
    path: Path, tmp_path: Path, keep: float
) -> None:
    tear_and_mend(path, tmp_path, keep)


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_wherever_a_log_is_torn(tmp_path: Path) -> None:
    for step in range(200):
        folder = tmp_path / str(step)
        folder.mkdir()
        tear_and_mend(folder / "record.sqlite", folder, step / 201)


def tear_and_mend(path: Path, tmp_path: Path, keep: float) -> None:
    with open_store(str(path)) as store:
        # The tables are on the disk proper; what follows is in the log only.
        store.read(lambda c: c.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").all())
        cases = [store.open_case([opened(f"tag {n}")], tree_text=TEXT) for n in range(5)]
        for sequence in range(1, 9):
            for case in cases:
                store.append(case, sequence, answered(outcome=f"{case}-{sequence}"))
        whole = {case: store.events(case) for case in cases}
        damaged = torn(path, keep, tmp_path)
    with sqlite3.connect(damaged) as file:
        left = file.execute("SELECT count(*) FROM events").fetchone()[0]
    file.close()
    assert left < 45
    with open_store(str(damaged), read_only=keep > 0.5) as store:
        assert {case: store.events(case) for case in cases} == whole
        assert store.brought_back
        assert all(line.startswith("case ") for line in store.brought_back)
        assert [case.number for case in store.list()] == [5, 4, 3, 2, 1]
        assert store.tree_text(HASH) == TEXT
        assert verify(store).sound
    with open_store(str(damaged)) as store:
        assert store.brought_back == ()


@pytest.mark.parametrize(("start", "length"), [(0, 60), (0.3, 0.2), (0.5, 0.5), (0.9, 0.1)])
def test_a_damaged_database_is_made_anew(path: Path, start: float, length: float) -> None:
    with open_store(str(path)) as store:
        cases = [store.open_case([opened(f"tag {n}")], tree_text=TEXT) for n in range(30)]
        for case in cases:
            for sequence in range(1, 9):
                store.append(case, sequence, answered(note=f"said {case} {sequence}" * 5))
        whole = {case: store.events(case) for case in cases}
    data = bytearray(path.read_bytes())
    first = int(start * len(data))
    many = length if isinstance(length, int) else int(length * len(data))
    data[first : first + many] = random.Random(4).randbytes(len(data[first : first + many]))
    path.write_bytes(data)
    assert is_damaged(path)
    found = salvage(path)
    assert [finding.mended for finding in found.findings if not finding.loss] == [True]
    with open_store(str(path)) as store:
        assert {case: store.events(case) for case in cases} == whole
        assert [case.number for case in store.list(oldest_first=True)] == list(range(1, 31))
        assert verify(store).sound
    assert path.with_name(f"{path.name}.aside-1").read_bytes() == bytes(data)


def test_a_journal_of_another_record_is_put_aside(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    for place, serial in ((path, "tag 99"), (other, "tag 14")):
        with open_store(str(place)) as store:
            store.open_case([opened(serial)])
    shutil.copy(journal_path(other), journal_path(path))
    with open_store(str(path)) as store:
        assert [case.serial for case in store.list()] == ["tag 99"]
        (aside,) = path.parent.glob("*.aside-1")
        assert aside.name in store.notices[0]
    assert aside.read_bytes() == journal_path(other).read_bytes()


def test_a_torn_line_of_the_journal_costs_that_line(path: Path) -> None:
    with open_store(str(path)) as store:
        case = store.open_case([opened()], tree_text=TEXT)
        store.append(case, 1, answered())
    journal = journal_path(path)
    journal.write_bytes(journal.read_bytes()[:-20])
    with open_store(str(path)) as store:
        store.append(case, 2, answered("reservoir", "low"))
        # The event of the torn line was written again before the next one.
        (found,) = verify(store).findings
        assert found.kind == "journal"
        assert ":4" in found.place
    held = [line.holds for line in entries(journal)]
    assert len(held) == 6
    assert held.count(None) == 2


def test_a_journal_that_cannot_be_written_stops_nobody(path: Path) -> None:
    journal_path(path).mkdir(parents=True)
    with open_store(str(path)) as store:
        case = store.open_case([opened()])
        store.append(case, 1, answered())
        assert len(store.events(case)) == 2


# Verify -------------------------------------------------------------------------------------


def test_what_is_drawn_from_the_events_can_be_drawn_again(path: Path) -> None:
    with open_store(str(path)) as store:
        case = store.open_case([opened()], tree_text=TEXT)
        store.append(case, 1, answered(seconds=60.0))
        before = store.case(case)
        store.write(lambda c: c.execute(text("UPDATE cases SET state='closed', steps=9")))
        store.write(lambda c: c.execute(text("UPDATE steps SET outcome='blown'")))
        found = verify(store)
        assert [(f.kind, f.mended, f.loss) for f in found.findings] == [("summary", False, False)]
        assert "state, steps" in found.findings[0].message
        assert not found.sound
        assert verify(store, repair=True).sound
        assert store.case(case) == before
        assert store.steps(case)[0].outcome == "intact"
        assert not verify(store).findings


def test_a_damaged_event_is_named_and_costs_no_other_case(path: Path) -> None:
    with open_store(str(path)) as store:
        bad = store.open_case([opened()])
        good = store.open_case([opened("tag 15")])
        store.write(lambda c: c.execute(text("DROP TRIGGER events_update_never")))
        store.write(lambda c: c.execute(text("UPDATE events SET event='{\"k' WHERE number=1")))
        store.remembered.clear()
        with pytest.raises(RecordError, match="damaged"):
            store.events(bad)
        assert len(store.events(good)) == 1
        assert [(f.kind, f.place) for f in verify(store).findings if f.loss] == [
            ("events", "case 1"),
        ]


def test_photos_are_checked_and_none_outside_their_folder_is_opened(
    path: Path, tmp_path: Path
) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    (photos / "a.jpg").write_bytes(b"picture")
    (tmp_path / "secret.txt").write_bytes(b"secret")
    good = sha256(b"picture").hexdigest()
    shots = [
        PhotoAdded(at=at(1), path="a.jpg", sha256=good),
        PhotoAdded(at=at(1), path="a.jpg", sha256="0" * 64),
        PhotoAdded(at=at(1), path="gone.jpg", sha256=good),
        PhotoAdded(at=at(1), path="../secret.txt", sha256=sha256(b"secret").hexdigest()),
        PhotoAdded(at=at(1), path="/etc/hostname"),
    ]
    with open_store(str(path)) as store:
        store.open_case([opened(), *shots])
        found = verify(store, photos=photos)
    assert found.photos == 5
    assert [f.message for f in found.findings if f.kind == "photo"] == [
        "a.jpg is not the photo that was taken",
        "gone.jpg is not here",
        "../secret.txt is not in the folder of photos",
        "/etc/hostname is not in the folder of photos",
    ]


# A server that goes away --------------------------------------------------------------------


def test_a_walk_waits_for_a_server_that_restarts(server: Server) -> None:
    with open_store(server.url(server.database())) as store:
        said: list[str] = []

        def wait(problem: RecordError, attempt: int) -> bool:
            said.append(problem.message)
            if attempt == 2:
                server.start()
            return attempt < 5

        store.wait = wait
        case = store.open_case([opened()], tree_text=TEXT)
        server.stop("immediate")
        store.append(case, 1, answered())
        store.append(case, 2, answered("reservoir", "low"))
        assert "cannot be reached" in said[0]
        assert len(store.events(case)) == 3
        assert verify(store).sound


def test_answers_given_while_the_server_is_away_are_sent_later(
    server: Server, tmp_path: Path
) -> None:
    url = server.url(server.database())
    with open_store(url, folder=tmp_path / "unsent") as store:
        case = store.open_case([opened()])
        server.stop("immediate")
        try:
            store.append(case, 1, answered())
            store.append(case, 2, answered("reservoir", "low"))
            other = store.open_case([opened("tag 15")])
            store.append(other, 1, answered())
            assert store.unsent == 4
            (kept,) = (tmp_path / "unsent").glob("unsent-*")
            assert mode(kept) == 0o600
            assert server.password not in kept.name + kept.read_text()
        finally:
            server.start()
        store.append(case, 3, Closed(at=at(9), result="unsolved"))
        assert store.unsent == 0
        assert [len(store.events(name)) for name in (case, other)] == [4, 2]
        assert not list((tmp_path / "unsent").glob("unsent-*"))


def server_process(server: Server) -> int:
    return int((server.data / "postmaster.pid").read_text().split()[0])


def frozen(server: Server, number: int) -> None:
    """Stop or continue the server's programs, as a computer that hangs does."""
    first = server_process(server)
    children = Path(f"/proc/{first}/task/{first}/children").read_text().split()
    for process in (first, *map(int, children)):
        os.kill(process, number)


def test_a_bench_goes_on_alone_when_the_server_hangs(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("faulttree.cases.store.WRITE_SECONDS", 0.5)
    asked: list[str] = []
    with open_store(server.url(server.database()), folder=tmp_path) as store:
        store.wait = lambda problem, tried: bool(asked.append(problem.message)) and False
        case = store.open_case([opened()], tree_text=TEXT)
        frozen(server, signal.SIGSTOP)
        try:
            store.append(case, 1, answered())
            assert store.unsent == 1
            assert "cannot be reached" in asked[0]
            # The next answer does not wait for the server at all.
            store.append(case, 2, answered("reservoir", "low"))
            assert store.unsent == 2
            assert len(asked) == 1
        finally:
            frozen(server, signal.SIGCONT)
        store.append(case, 3, Closed(at=at(9), result="unsolved"))
        assert store.unsent == 0
        assert len(store.events(case)) == 4
        assert verify(store).sound


def test_answers_wait_on_the_bench_while_a_table_is_locked(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faulttree.cases.backends import engines

    url = server.url(server.database())
    monkeypatch.setattr(engines, "NETWORK", {**engines.NETWORK, "options": "-c lock_timeout=200"})
    with open_store(url, folder=tmp_path) as store, open_store(url) as other:
        case = store.open_case([opened()])
        with other.engine.begin() as connection:
            connection.execute(text("LOCK TABLE events IN ACCESS EXCLUSIVE MODE"))
            store.append(case, 1, answered())
            assert store.unsent == 1
        store.append(case, 2, answered("reservoir", "low"))
        assert store.unsent == 0
        assert len(store.events(case)) == 3


def roles_in_docs() -> list[str]:
    page = (Path(__file__).parents[2] / "docs" / "record.md").read_text()
    block = page.split("```sql\n")[1].split("```")[0]
    return [one.strip() for one in block.split(";") if one.strip()]


def test_the_rights_that_the_docs_give_a_bench_suffice_and_no_more(server: Server) -> None:
    owner = server.url(server.database())
    with open_store(owner) as store:
        store.open_case([opened("tag 1")], tree_text=TEXT)
        for statement in roles_in_docs():
            store.write(lambda c, one=statement: c.exec_driver_sql(one))
    for role in ("bench_one", "front_desk"):
        with open_store(owner) as store:
            word = f"ALTER ROLE {role} PASSWORD 'gravel'"
            store.write(lambda c, one=word: c.exec_driver_sql(one))
    bench = str(
        make_url(owner).set(username="bench_one", password="gravel").render_as_string(False)
    )
    with open_store(bench) as store:
        case = store.open_case([opened("tag 2")], tree_text=TEXT)
        store.append(case, 1, answered())
        store.append(case, 2, Closed(at=at(2), result="fixed", fault="dry"))
        store.open_case([opened("tag 2", minute=60)])
        assert store.case(case).came_back
        for forbidden in ("DELETE FROM events", "DROP TABLE words", "UPDATE trees SET text = ''"):
            with pytest.raises(RecordError, match="may not be written"):
                store.write(lambda c, one=forbidden: c.exec_driver_sql(one))
    desk = make_url(owner).set(username="front_desk", password="gravel").render_as_string(False)
    with open_store(desk, read_only=True) as store:
        assert len(store.list()) == 3
    with open_store(desk) as store, pytest.raises(RecordError, match="may not be written"):
        store.open_case([opened("tag 3")])


def test_answers_left_behind_are_sent_by_the_next_session(server: Server, tmp_path: Path) -> None:
    url = server.url(server.database())
    store = open_store(url, folder=tmp_path)
    case = store.open_case([opened()])
    server.stop("immediate")
    try:
        store.append(case, 1, answered())
        store.close()
    finally:
        server.start()
    with open_store(url, folder=tmp_path) as later:
        assert later.brought_back == ("case 1: events 1 to 1",)
        assert len(later.events(case)) == 2
    assert not list(tmp_path.glob("unsent-*"))


def test_a_case_that_went_on_elsewhere_meanwhile_keeps_both_stories(
    server: Server, tmp_path: Path
) -> None:
    url = server.url(server.database())
    store = open_store(url, folder=tmp_path)
    case = store.open_case([opened()])
    server.stop("immediate")
    try:
        store.append(case, 1, answered(outcome="blown"))
        store.append(case, 2, answered("plug-pins", "open"))
    finally:
        server.start()
    with open_store(url) as elsewhere:
        elsewhere.append(case, 1, answered(outcome="intact"))
    with pytest.raises(RecordError, match="went on elsewhere") as told:
        store.append(case, 3, answered("reservoir", "low"))
    assert told.value.path is not None
    kept = [line.holds for line in entries(told.value.path)]
    assert [one.sequence for one in kept if isinstance(one, JournalEntry)] == [1, 2]
    assert store.events(case)[1] == answered(outcome="intact")
    with pytest.raises(SequenceTaken):
        store.append(case, 1, answered("reservoir", "low"))
    store.close()


@contextlib.contextmanager
def away(server: Server, url: str, folder: Path) -> Iterator[None]:
    """A server that the bench has reached before, and that is away now."""
    open_store(url, folder=folder).close()
    server.stop("immediate")
    try:
        yield
    finally:
        server.start()


def test_cases_begun_while_the_server_is_away_are_gone_on_with_and_sent_later(
    server: Server, tmp_path: Path
) -> None:
    url = server.url(server.database())
    with open_store(url) as store:
        store.open_case([opened("tag 9")])
    with away(server, url, tmp_path):
        with open_store(url, folder=tmp_path, alone=True) as alone:
            assert "cannot be reached" in alone.away
            first = alone.open_case([opened()], tree_text=TEXT)
            alone.append(first, 1, answered())
            number = alone.case(first).number
        with open_store(url, folder=tmp_path, alone=True) as alone:
            assert [alone.find(told).id for told in ("tag 14", str(number))] == [first, first]
            assert alone.tree_text(HASH) == TEXT
            alone.append(first, 2, answered("reservoir", "low"))
            second = alone.open_case([opened("tag 15", minute=5)], tree_text=TEXT)
            assert alone.case(second).number != number
            assert alone.unsent == 4
            with pytest.raises(NoSuchCase, match="begun on this bench"):
                alone.find("tag 9")
            with pytest.raises(CutOff):
                alone.merge([])
        (kept,) = tmp_path.glob("unsent-*")
        assert mode(kept) == 0o600
        assert server.password not in kept.name + kept.read_text()
    with open_store(url, folder=tmp_path) as later:
        assert later.away == ""
        numbers = [later.case(case).number for case in (first, second)]
        assert later.brought_back == tuple(
            f"case {given}: events 0 to {last}" for given, last in zip(numbers, (2, 0), strict=True)
        )
        assert [len(later.events(case)) for case in (first, second)] == [3, 1]
        assert later.tree_text(HASH) == TEXT
        assert verify(later).sound
        with pytest.raises(NoSuchCase) as told:
            later.find(str(number))
        assert "another number" in str(told.value.remedy)
    assert not list(tmp_path.glob("unsent-*"))


def test_a_server_that_was_never_reached_is_not_waited_for(server: Server, tmp_path: Path) -> None:
    url = server.url(server.database())
    server.stop("immediate")
    try:
        for folder in (tmp_path, None):
            with pytest.raises(CutOff):
                open_store(url, folder=folder, alone=True)
    finally:
        server.start()
    with away(server, url, tmp_path), pytest.raises(CutOff):
        open_store(url, folder=tmp_path)


def test_no_answer_given_without_the_server_is_lost_by_a_kill(
    server: Server, tmp_path: Path
) -> None:
    url = server.url(server.database())
    walker = WALKER.replace(
        "open_store(sys.argv[1])", "open_store(sys.argv[1], folder=sys.argv[2], alone=True)"
    )
    acknowledged: set[tuple[str, int]] = set()
    with away(server, url, tmp_path):
        for _ in range(2):
            program = [sys.executable, "-c", walker, url, str(tmp_path)]
            with subprocess.Popen(program, stdout=subprocess.PIPE, text=True) as walking:
                assert walking.stdout is not None
                told = [walking.stdout.readline() for _ in range(20)]
                walking.kill()
            acknowledged |= {(line.split()[0], int(line.split()[1])) for line in told}
    with open_store(url, folder=tmp_path) as store:
        there = {(case.id, sequence) for case in store.list() for sequence in range(1, case.events)}
        assert acknowledged <= there
        assert verify(store).sound


class Cable:
    """A connection to a server that can be pulled out: what it carried stops, without goodbye."""

    def __init__(self, port: int) -> None:
        self.to = port
        self.whole = threading.Event()
        self.whole.set()
        self.ends: list[socket.socket] = []
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self.listener.getsockname()[1])
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self) -> None:
        while True:
            try:
                near, _ = self.listener.accept()
            except OSError:
                return
            if not self.whole.is_set():
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.to))
            self.ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self.carry, args=(one, other), daemon=True).start()

    def carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(65536):
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def pull(self) -> None:
        self.whole.clear()
        for end in self.ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self.ends = []

    def remove(self) -> None:
        self.pull()
        self.listener.close()


def test_a_cable_pulled_out_mid_walk_loses_nothing(server: Server, tmp_path: Path) -> None:
    database = server.database()
    cable = Cable(server.port)
    try:
        with open_store(server.url(database, cable.port), folder=tmp_path) as store:
            case = store.open_case([opened()])
            for sequence in range(1, 31):
                if sequence % 10 == 4:
                    cable.pull()
                if sequence % 10 == 8:
                    cable.whole.set()
                store.append(case, sequence, answered(outcome=f"answer-{sequence}"))
            assert store.unsent == 0
        with open_store(server.url(database)) as direct:
            told = [e.outcome for e in direct.events(case) if isinstance(e, Answered)]
            assert told == [f"answer-{sequence}" for sequence in range(1, 31)]
    finally:
        cable.remove()


def test_whoever_answers_without_the_server_does_not_wait_each_time(
    server: Server, tmp_path: Path
) -> None:
    cable = Cable(server.port)
    waited: list[int] = []
    try:
        with open_store(server.url(server.database(), cable.port), folder=tmp_path) as store:
            store.wait = lambda _problem, tried: waited.append(tried) or tried < 3
            case = store.open_case([opened()])
            cable.pull()
            for sequence in range(1, 6):
                store.append(case, sequence, answered())
            assert waited == [1, 2, 3]
            assert store.unsent == 5
            cable.whole.set()
            assert store.send() == 5
            assert len(store.events(case)) == 6
    finally:
        cable.remove()


def test_without_a_place_to_keep_them_answers_are_refused(server: Server) -> None:
    with open_store(server.url(server.database())) as store:
        case = store.open_case([opened()])
        server.stop("immediate")
        try:
            with pytest.raises(CutOff, match="cannot be reached"):
                store.append(case, 1, answered())
        finally:
            server.start()
        store.append(case, 1, answered())


def test_no_password_is_ever_said(server: Server) -> None:
    url = server.url("record_that_is_not")
    with pytest.raises(RecordError) as told:
        open_store(url)
    wrong = url.replace(server.password, "s3cr%2Ft word".replace(" ", ""))
    with pytest.raises(RecordError) as also:
        open_store(wrong)
    for said in (str(told.value), repr(told.value), str(also.value)):
        assert server.password not in said
        assert "s3cr" not in said
    assert "***" in str(told.value)


def test_an_unknown_kind_of_record_is_named() -> None:
    for url, words in (("mysql://x/y", "no store serves"), ("sqlite://", "names no file")):
        with pytest.raises(RecordError, match=words):
            open_store(url)


def test_a_clock_that_jumps_back_disturbs_nothing(path: Path) -> None:
    with open_store(str(path)) as store:
        late = store.open_case([opened(minute=500)])
        early = store.open_case([opened("tag 15", minute=2)])
        store.append(late, 1, answered())
        assert [case.id for case in store.list()] == [early, late]
        assert store.case(late).updated == at(500)
        assert len(store.events(late)) == 2


SECRET_URLS = (
    "postgresql+psycopg://bench:{}@server/shop",
    "postgres://bench:{}@server:5432/shop?connect_timeout=1",
    "postgresql://bench:{}@127.0.0.1:1/shop",
    "postgresql://:{}@server/shop",
)


@pytest.mark.parametrize("url", SECRET_URLS)
@pytest.mark.parametrize(
    "secret", ["plain-secret", "p@ss-tail", "two@signs@tail", "a/slash", "a?mark", "a#hash", "a:b"]
)
def test_no_sign_of_a_password_is_taken_for_the_server_s_name(url: str, secret: str) -> None:
    from faulttree.cases.backends.urls import server_url, shown, to_type_again, without_secret
    from faulttree.cli.places import places_named

    whole = url.format(secret)
    parsed = make_url(server_url(whole))
    assert (parsed.password, parsed.database) == (secret, "shop")
    assert parsed.host in {"server", "127.0.0.1"}
    said = f"could not translate {parsed.host}: {secret} {whole}"
    told = (shown(whole), to_type_again(whole), places_named(record=whole))
    for text_said in (*told, without_secret(said, whole)):
        for part in (secret, *secret.split("@")):
            assert len(part) < 3 or part not in text_said, text_said
    assert make_url(to_type_again(whole)).password is None


@pytest.mark.parametrize("query", ["password=s3cret", "connect_timeout=1&PassWord=s3cret"])
def test_a_password_in_the_query_is_no_more_told_than_one_before_the_server(query: str) -> None:
    from faulttree.cases.backends.urls import has_secret, shown, to_type_again

    url = f"postgresql://bench@server/shop?{query}"
    assert has_secret(url)
    assert "s3cret" not in shown(url) + to_type_again(url)


def test_a_paused_walk_tells_how_to_go_on_without_the_password(
    server: Server,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from faulttree.cli import run

    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    url = server.url(server.database())
    for _ in range(2):  # The second also tells of the case that is open already.
        monkeypatch.setattr(sys, "stdin", io.StringIO("\n"))
        words = ["diagnose", "usb-lamp/flickers", "--plain", "--serial", "tag 3", "--model", "x"]
        words += ["--complaint", "flickers", "--even-unchecked"]
        run([*words, "--record", url])
    said = capsys.readouterr()
    assert "diagnose --resume" in said.out
    assert "already has an open case" in said.out
    assert server.password not in said.out + said.err
    assert "others on this computer can read the password" in said.err


def test_a_table_that_another_session_has_locked_is_said(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faulttree.cases.backends import engines

    url = server.url(server.database())
    monkeypatch.setattr(engines, "NETWORK", {**engines.NETWORK, "options": "-c lock_timeout=300"})
    with open_store(url) as store, open_store(url) as other:
        case = store.open_case([opened()])
        with other.engine.begin() as connection:
            connection.execute(text("LOCK TABLE events IN ACCESS EXCLUSIVE MODE"))
            with pytest.raises(RecordError, match="locked by another session"):
                store.append(case, 1, answered())
        store.append(case, 1, answered())
        assert len(store.events(case)) == 2


def test_a_damaged_event_is_taken_from_the_journal(path: Path) -> None:
    with open_store(str(path)) as store:
        cases = [store.open_case([opened(f"tag {n}")], tree_text=TEXT) for n in range(3)]
        for case in cases:
            store.append(case, 1, answered(outcome="intact"))
            store.append(case, 2, answered(outcome="later"))
        whole = {case: store.events(case) for case in cases}
    data = path.read_bytes()
    assert data.count(b'"outcome":"intact"') == 3
    # Two events are no JSON any more; the first page is damaged too, so that all is made again.
    broken = data.replace(b'"outcome":"intact"', b'"outcome"!"intact"', 2)
    path.write_bytes(b"\xa5" * 100 + broken[100:])
    assert is_damaged(path)
    assert not [finding for finding in salvage(path).findings if finding.loss]
    with open_store(str(path)) as store:
        assert {case: store.events(case) for case in cases} == whole


@pytest.mark.parametrize("wrong", ["password", "none", "database"])
def test_a_server_that_refuses_the_user_is_not_taken_for_one_that_is_away(
    wrong: str, server: Server, tmp_path: Path
) -> None:
    url = server.url(server.database())
    open_store(url, folder=tmp_path).close()
    words = {"password": f":{server.password}@", "none": f":{server.password}@", "database": "rd_"}
    instead = {"password": ":sesame@", "none": "@", "database": "rd_no_such_"}
    refused = url.replace(words[wrong], instead[wrong])
    with pytest.raises(RecordError, match="does not let this user in") as told:
        open_store(refused, folder=tmp_path, alone=True)
    assert not isinstance(told.value, CutOff)
    assert "sesame" not in str(told.value)
