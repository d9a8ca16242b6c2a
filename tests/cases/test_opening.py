"""A record is opened and made by many programs at once, and none loses a case."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from faulttree.cases import Store, open_store
from faulttree.cases.backends import file_lock
from faulttree.cases.backends.folder import warnings
from faulttree.cases.errors import NewerRecord
from faulttree.cases.journal.file import journal_path
from faulttree.cases.repair.verify import verify
from faulttree.cases.schema import APPLICATION_ID, MIGRATIONS, VERSION, bring_up
from faulttree.cli import run
from faulttree.errors import RecordError
from tests.cases.postgres import shared
from tests.cases.samples import TEXT, answered, opened

WALKS = textwrap.dedent(
    """
    import sys
    from faulttree.cases import open_store
    from tests.cases.samples import answered, opened

    writer, walks, *urls = sys.argv[1:]
    for number, url in enumerate(urls):
        print("ready", flush=True)
        sys.stdin.readline()
        for walk in range(int(walks)):
            with open_store(url) as store:
                case = store.open_case([opened(f"unit {writer}-{walk}")])
                store.append(case, 1, answered())
            print(number, f"unit {writer}-{walk}", flush=True)
    """
)


def kept_of_fresh_records(urls: Sequence[str], programs: int, walks: int, *, there: int = 0) -> int:
    """Programs begin together on records that are not there yet, but for a journal of some cases.

    Each walk opens the record, keeps two events and closes it, as one command does. Gives how
    many cases the records have then.
    """
    started = [
        subprocess.Popen(
            [sys.executable, "-c", WALKS, str(writer), str(walks), *urls],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent.parent)},
        )
        for writer in range(programs)
    ]
    told = [set[str]() for _ in urls]
    for _ in urls:
        ready = [told_until_ready(one, told) for one in started]
        assert ready == [True] * programs
        for one in started:
            assert one.stdin is not None
            one.stdin.write("go\n")
            one.stdin.flush()
    assert [told_until_ready(one, told) for one in started] == [False] * programs
    assert [one.communicate()[1] for one in started] == [""] * programs
    for url, cases in zip(urls, told, strict=True):
        with open_store(url) as store:
            assert {case.serial for case in store.list() if case.events == 2} == cases
            assert store.count() == len(cases) + there
    return sum(map(len, told)) + there * len(urls)


def told_until_ready(program: subprocess.Popen[str], told: list[set[str]]) -> bool:
    """Note the cases that a program says it has kept, until it waits or ends."""
    assert program.stdout is not None
    for line in program.stdout:
        if line == "ready\n":
            return True
        number, case = line.strip().split(" ", 1)
        told[int(number)].add(case)
    return False


@pytest.mark.timeout(1800)
@pytest.mark.parametrize(
    ("programs", "walks", "records"),
    [(4, 1, 3), pytest.param(8, 10, 10, marks=pytest.mark.soak)],
)
@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_programs_that_make_a_record_together_lose_nothing(
    kind: str, programs: int, walks: int, records: int, tmp_path: Path
) -> None:
    if kind == "postgres":
        urls = [shared().url(shared().database()) for _ in range(records)]
    else:
        urls = [str(tmp_path / f"{number}.sqlite") for number in range(records)]
    assert kept_of_fresh_records(urls, programs, walks) == programs * walks * records


# A record that is replaced, removed or emptied ----------------------------------------------


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "record.sqlite"


def three_cases(path: Path) -> dict[str, list[str]]:
    with open_store(str(path)) as store:
        for number in range(3):
            case = store.open_case([opened(f"tag {number}")], tree_text=TEXT)
            for sequence in (1, 2, 3):
                store.append(case, sequence, answered(outcome=f"{number}-{sequence}"))
        return held(store)


def held(store: Store) -> dict[str, list[str]]:
    return {case.id: [str(one) for one in store.events(case.id)] for case in store.list()}


def damage(path: Path) -> None:
    """Overwrite the last page of the file, as a failing disk does."""
    data = bytearray(path.read_bytes())
    data[-4096:] = b"\xa5" * 4096
    path.write_bytes(data)


def test_a_repair_waits_for_the_walk_that_has_the_record_open(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    three_cases(path)
    repair = ["cases", "verify", "--repair", "--record", str(path)]
    with open_store(str(path)) as store:
        case = store.open_case([opened("tag 9")])
        store.append(case, 1, answered())
        assert run(repair) == 2
        assert "open in another program" in capsys.readouterr().err
        store.append(case, 2, answered())
        whole = held(store)
    damage(path)
    assert run(repair) in (0, 1)
    with open_store(str(path)) as store:
        assert held(store) == whole


def test_reading_a_record_stops_no_repair(path: Path) -> None:
    whole = three_cases(path)
    with open_store(str(path), read_only=True) as store:
        assert run(["cases", "verify", "--repair", "--record", str(path)]) == 0
        assert held(store) == whole


def test_no_walk_begins_while_a_record_is_repaired(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    three_cases(path)
    monkeypatch.setattr(file_lock, "WAIT_SECONDS", 0.1)
    lock = file_lock.FileLock(path, alone=True)
    with pytest.raises(RecordError, match="being repaired"):
        open_store(str(path))
    lock.close()
    open_store(str(path)).close()


def remove(path: Path) -> None:
    for one in path.parent.iterdir():
        if one != journal_path(path):
            one.unlink()


def empty(path: Path) -> None:
    remove(path)
    path.touch()


def headless(path: Path) -> None:
    """What a first write-ahead log that was damaged leaves: a file without any table."""
    remove(path)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()


def replace(path: Path) -> None:
    """Another record takes its place; its own journal is not brought along."""
    remove(path)
    with open_store(str(path.parent.parent / "other.sqlite")) as other:
        other.open_case([opened("tag 77")])
    (path.parent.parent / "other.sqlite").rename(path)


LOSSES = pytest.mark.parametrize("lose", [remove, empty, headless])


@LOSSES
@pytest.mark.parametrize("read_only", [True, False])
def test_a_database_that_is_gone_is_made_again_from_its_journal(
    path: Path, lose: Callable[[Path], None], read_only: bool
) -> None:
    whole = three_cases(path)
    lines = journal_path(path).read_bytes()
    lose(path)
    with open_store(str(path), read_only=read_only) as store:
        assert held(store) == whole
        assert len(store.notices) == 1
        assert "3 cases with 12 events" in store.notices[0]
        assert store.brought_back == ()
    assert journal_path(path).read_bytes() == lines
    with open_store(str(path)) as store:
        assert (store.notices, store.brought_back) == ((), ())
        assert [case.number for case in store.list()] == [3, 2, 1]
        assert {finding.kind for finding in verify(store).findings} <= {"mode"}


def test_a_command_tells_that_the_database_was_made_again(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    three_cases(path)
    remove(path)
    assert run(["cases", "list", "--record", str(path)]) == 0
    said = capsys.readouterr()
    assert said.out.count("tag ") == 3
    assert said.err.count("3 cases with 12 events were made again from its journal") == 1


@pytest.mark.parametrize("lose", [remove, empty, headless, replace])
def test_nothing_is_acknowledged_into_a_file_that_is_gone(
    path: Path, lose: Callable[[Path], None]
) -> None:
    three_cases(path)
    with open_store(str(path)) as store:
        case = store.open_case([opened("tag 9")])
        store.append(case, 1, answered())
        whole = held(store)
        lose(path)
        with pytest.raises(RecordError, match="removed, replaced or emptied"):
            store.append(case, 2, answered())
        with pytest.raises(RecordError, match="removed, replaced or emptied"):
            store.open_case([opened("tag 10")])
    if lose is not replace:
        with open_store(str(path)) as store:
            assert held(store) == whole


def test_a_journal_with_a_gap_gives_every_case_up_to_it(path: Path) -> None:
    whole = three_cases(path)
    lines = journal_path(path).read_text().splitlines(keepends=True)
    gone = next(at for at, line in enumerate(lines) if '"1-2"' in line)
    journal_path(path).write_text("".join(lines[:gone] + lines[gone + 1 :]))
    remove(path)
    with open_store(str(path)) as store:
        assert "not all of it could be read" in store.notices[0]
        lengths = [case.events for case in store.list(oldest_first=True)]
        assert lengths == [4, 2, 4]
        assert all(whole[case][: len(events)] == events for case, events in held(store).items())


def test_programs_that_find_the_database_gone_together_make_it_once(path: Path) -> None:
    three_cases(path)
    remove(path)
    assert kept_of_fresh_records([str(path)], 4, 1, there=3) == 7
    with open_store(str(path)) as store:
        assert verify(store).sound


# Whose file it is, and which version ----------------------------------------------------------


def application_id(path: Path) -> int:
    """Bytes 68 to 71 of an SQLite file (https://sqlite.org/fileformat.html, 1.3)."""
    return int.from_bytes(path.read_bytes()[68:72], "big")


def test_a_record_says_in_its_header_that_it_is_one(path: Path) -> None:
    open_store(str(path)).close()
    assert application_id(path) == APPLICATION_ID
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA application_id = 0")
    # As records of earlier versions are.
    with open_store(str(path)) as store:
        store.open_case([opened()])
    assert application_id(path) == APPLICATION_ID


@pytest.mark.parametrize("made", ["CREATE TABLE loans (tool)", "PRAGMA application_id = 7"])
@pytest.mark.parametrize("read_only", [False, True])
def test_a_file_of_another_program_is_refused_and_left_as_it_is(
    made: str, path: Path, *, read_only: bool
) -> None:
    path.parent.mkdir(exist_ok=True)
    with closing(sqlite3.connect(path)) as file:
        file.execute(made)
        file.commit()
    before = path.read_bytes()
    with pytest.raises(RecordError, match="another program"):
        open_store(str(path), read_only=read_only)
    assert path.read_bytes() == before
    assert not journal_path(path).exists()


@pytest.mark.parametrize("kind", ["file", "server"])
def test_an_old_program_left_open_writes_nothing_into_an_upgraded_record(
    kind: str, path: Path
) -> None:
    url = str(path) if kind == "file" else shared().url(shared().database())
    newer = {**MIGRATIONS, VERSION + 1: lambda _: None}
    with open_store(url) as old:
        case = old.open_case([opened()])
        with open_store(url) as other:
            bring_up(other.writing, url, path if kind == "file" else None, migrations=newer)
        with pytest.raises(NewerRecord):
            old.append(case, 1, answered())
        old.remembered.clear()
        assert len(old.events(case)) == 1


@pytest.mark.parametrize("content", [b"", b"half of a backup"])
def test_a_backup_that_is_not_whole_is_made_again(content: bytes, path: Path) -> None:
    newer = {**MIGRATIONS, VERSION + 1: lambda _: None}
    backup = path.with_name(f"{path.name}.before-version-{VERSION + 1}")
    with open_store(str(path)) as store:
        case = store.open_case([opened()])
        backup.write_bytes(content)
        bring_up(store.writing, str(path), path, migrations=newer)
    with open_store(str(backup)) as store:
        assert len(store.events(case)) == 1
    assert not list(path.parent.glob("*.part"))


def test_a_record_in_memory_is_no_file_of_that_name() -> None:
    with pytest.raises(RecordError, match="names no file"):
        open_store("sqlite:///:memory:")


@pytest.mark.parametrize(
    ("kind", "network"),
    [("nfs4", True), ("cifs", True), ("fuse.remote", True), ("ext4", False), ("overlay", False)],
)
def test_a_record_on_a_network_share_is_named(tmp_path: Path, kind: str, network: bool) -> None:
    folder = tmp_path / "our shop"
    folder.mkdir()
    mounts = tmp_path / "mountinfo"
    # The form of proc(5), /proc/pid/mountinfo; a blank in a name is \\040.
    point = str(folder).replace(" ", "\\040")
    mounts.write_text(
        "22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw\n"
        f"36 22 0:30 / {point} rw,noatime master:1 - {kind} server:/shop rw,errors=continue\n"
    )
    told = list(warnings(folder / "record.sqlite", mounts))
    assert [("network share" in one, kind in one) for one in told] == [(True, True)] * network
    assert list(warnings(tmp_path / "record.sqlite", mounts)) == []
    assert list(warnings(folder / "record.sqlite", tmp_path / "none")) == []


def test_a_copy_that_a_synchronising_program_made_is_named(path: Path) -> None:
    open_store(str(path)).close()
    copy = path.with_name("record (conflicted copy of bench 2).sqlite")
    copy.write_bytes(path.read_bytes())
    with open_store(str(path)) as store:
        (told,) = store.notices
        assert copy.name in told
    copy.unlink()
    with open_store(str(path)) as store:
        assert store.notices == ()


def test_a_case_that_gets_another_number_when_it_is_brought_back_is_named(path: Path) -> None:
    with open_store(str(path)) as store:
        store.open_case([opened("tag 1")])
    old = path.read_bytes()
    with open_store(str(path)) as store:
        case = store.open_case([opened("tag 2", minute=10)])
    journal = journal_path(path).read_bytes()
    # An older copy of the database comes back without its journal, and goes on.
    journal_path(path).unlink()
    path.write_bytes(old)
    with open_store(str(path)) as store:
        store.open_case([opened("tag 3", minute=20)])
    journal_path(path).write_bytes(journal)
    with open_store(str(path)) as store:
        assert store.brought_back == ("case 3 (its number was 2): events 0 to 0",)
        assert store.case(case).serial == "tag 2"
