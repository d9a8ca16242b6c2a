"""Words that were erased are nowhere, and nothing brings them back."""

from __future__ import annotations

import io
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from faulttree.cases import Store, open_store
from faulttree.cases.backends import file_lock
from faulttree.cases.journal.chain import covered, digest, linked
from faulttree.cases.journal.file import JournalEntry, chained, entries, journal_path
from faulttree.cases.repair.backup import back_up_record, restore_record
from faulttree.cases.repair.erase import erase_case
from faulttree.cases.repair.verify import salvage, verify
from faulttree.cases.transfer.export import lines
from faulttree.cases.transfer.importer import load
from faulttree.cli import run
from faulttree.walk.events import (
    Answered,
    Closed,
    Event,
    FactGiven,
    Noted,
    PhotoAdded,
    RemarkKept,
    RepairTried,
    Skipped,
)
from tests.cases.old_records import DATA, restored
from tests.cases.postgres import shared
from tests.cases.samples import TEXT, at, opened

WORD = "zebrawood"
"""Stands in each free word of the case, and nowhere else."""


def worded() -> list[Event]:
    unit = {"family": "bench-supply", "serial": "tag 14", "lender": f"Jo {WORD}"}
    return [
        opened(unit=unit, complaint=f"hums, says {WORD}", owner_words=WORD, who=WORD),
        Answered(at=at(1), step="fuse", outcome="intact", note=WORD, person=WORD, device=WORD),
        FactGiven(at=at(2), name="unit.owner-words", value=f"{WORD} again", source="asked"),
        Skipped(at=at(3), step="bridge", reason=WORD),
        Noted(at=at(4), text=f"ring {WORD}"),
        RemarkKept(at=at(5), text=WORD, author=WORD, decision="contradicted", reason=WORD),
        PhotoAdded(at=at(5), path=f"photos/{WORD}.jpg", sha256="00", words=WORD),
        RepairTried(at=at(6), fault="dry", what=WORD, parts=(WORD, "capacitor")),
        Closed(at=at(7), result="found", fault="dry", note=WORD),
    ]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "record.sqlite"


def a_case(path: Path) -> str:
    with open_store(str(path)) as store:
        store.open_case([opened("tag 15", minute=30)], tree_text=TEXT)
        case = store.open_case(worded()[:4])
        for sequence, event in enumerate(worded()[4:], 4):
            store.append(case, sequence, event)
        return case


def erased(path: Path, case: str) -> tuple[str, ...]:
    with open_store(str(path)) as store:
        return erase_case(store, case, at(9)).unreached


def holding(folder: Path) -> list[str]:
    """Files below a folder that hold the word."""
    found = (one for one in folder.rglob("*") if one.is_file())
    return sorted(one.name for one in found if WORD.encode() in one.read_bytes())


def is_sound(path: Path) -> bool:
    with open_store(str(path)) as store:
        return verify(store).sound and not store.brought_back


def test_no_file_holds_an_erased_word_and_the_rest_stays(path: Path) -> None:
    case = a_case(path)
    back_up_record(str(path), path.parent / "copies" / "b.sqlite", at=at(8))
    with closing(sqlite3.connect(path)) as source:
        for name in ("before-version-6", "aside-1"):
            with closing(sqlite3.connect(f"{path}.{name}")) as copy:
                source.backup(copy)
    shutil.copy(journal_path(path), path.with_name(f"{path.name}.aside-1.events.jsonl"))
    assert len(holding(path.parent)) == 7
    assert erased(path, case) == ()
    assert holding(path.parent) == []
    with open_store(str(path)) as store:
        found = store.case(case)
        assert (found.serial, found.fault, found.events) == ("tag 14", "dry", len(worded()))
        assert [one.kind for one in store.events(case)] == [one.kind for one in worded()]
        assert store.list(words=WORD) == ()
        # The case goes on, and new words stay.
        store.append(case, len(worded()), Noted(at=at(20), text="called back"))
    assert is_sound(path)
    journal_path(path).unlink()
    assert is_sound(path)


def test_the_running_hash_stays_when_words_are_erased(path: Path) -> None:
    case = a_case(path)

    def of_case() -> list[JournalEntry]:
        held = (line.holds for line in entries(journal_path(path)))
        return [one for one in held if isinstance(one, JournalEntry) and one.case == case]

    before = of_case()
    erased(path, case)
    after = of_case()
    assert [one.chain for one in after] == [one.chain for one in before]
    chain = ""
    for old, new in zip(before, after, strict=True):
        assert chained(chain, covered(old)) == chained(chain, covered(new)) == new.chain
        chain = new.chain
    assert not any(one.salt for one in after)
    # Without the salt nobody can try which word a digest stands for.
    assert digest("", WORD) not in "".join(one.line() for one in after)


def test_a_digest_is_hmac_as_published() -> None:
    # RFC 4231, test case 2: key "Jefe".
    assert digest("Jefe", "what do ya want for nothing?") == "5bdcc146bf60754e"


def test_lines_of_earlier_versions_lose_their_words_too(path: Path) -> None:
    case = a_case(path)
    journal = journal_path(path)
    kept = [line.holds for line in entries(journal)]
    with journal.open("w") as file:
        chain = ""
        for item in kept:
            if isinstance(item, JournalEntry) and item.case == case:
                chain = chained(chain, item.event)
                item = JournalEntry(case, item.sequence, item.event, "w", item.number, chain)
            file.write(f"{item.line()}\n" if item else "")
    erased(path, case)
    assert holding(path.parent) == []
    chain = ""
    for line in entries(journal):
        if isinstance(line.holds, JournalEntry) and line.holds.case == case:
            chain = chained(chain, covered(line.holds))
            assert line.holds.chain == chain


def exported(store: Store, case: str) -> bytes:
    return "".join(f"{line}\n" for line in lines(store, [store.case(case)])).encode()


@pytest.mark.parametrize("way", ["export", "journal", "restore", "old database", "old journal"])
def test_nothing_brings_erased_words_back(way: str, path: Path, tmp_path: Path) -> None:
    case = a_case(path)
    old = tmp_path / "old"
    shutil.copytree(path.parent, old)
    with open_store(str(path)) as store:
        whole = exported(store, case)
    erased(path, case)
    if way == "export":
        with open_store(str(path)) as store:
            assert load(store, io.BytesIO(whole), "old").merged.conflicts == []
    elif way == "journal":
        with open_store(str(path)) as store, journal_path(old / path.name).open("rb") as file:
            assert load(store, file, "old").merged.conflicts == []
    elif way == "restore":
        restore_record(old / path.name, str(path))
        for aside in path.parent.glob("*.aside-*"):
            aside.unlink()
    elif way == "old database":
        shutil.copy(old / path.name, path)
    else:
        shutil.copy(journal_path(old / path.name), journal_path(path))
        salvage(path)
        for aside in path.parent.glob("*.aside-*"):
            aside.unlink()
    assert is_sound(path)
    with open_store(str(path)) as store:
        assert WORD not in exported(store, case).decode()
        assert store.case(case).events == len(worded())
    assert WORD.encode() not in journal_path(path).read_bytes()


def test_erasing_that_was_interrupted_is_completed_at_the_next_opening(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faulttree.cases.repair import erase

    case = a_case(path)

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(erase, "erase_words", killed)
    with pytest.raises(KeyboardInterrupt):
        erased(path, case)
    monkeypatch.undo()
    with open_store(str(path)) as store:
        assert WORD not in exported(store, case).decode()
    assert is_sound(path)


def test_a_mark_of_another_record_erases_nothing_here(path: Path, tmp_path: Path) -> None:
    case = a_case(path)
    there = tmp_path / "there.sqlite"
    with open_store(str(path)) as store, open_store(str(there)) as other:
        load(other, io.BytesIO(exported(store, case)), "whole")
    erased(path, case)
    with open_store(str(path)) as store:
        bare = exported(store, case)
    with open_store(str(there)) as other:
        assert load(other, io.BytesIO(bare), "bare").merged.same == 1
        assert WORD in exported(other, case).decode()
    # A record that has never had the words keeps the mark, so that they do not come in later.
    with open_store(None) as third, open_store(str(there)) as other:
        load(third, io.BytesIO(bare), "bare")
        load(third, io.BytesIO(exported(other, case)), "whole")
        assert WORD not in exported(third, case).decode()


def test_a_backup_that_cannot_be_reached_is_named(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    a_case(path)
    monkeypatch.setenv("FAULTTREE_RECORD", str(path))
    monkeypatch.setattr(file_lock, "WAIT_SECONDS", 0.1)
    copy = path.parent / "stick" / "b.sqlite"
    assert run(["backup", str(copy)]) == 0
    shutil.rmtree(copy.parent)
    assert run(["cases", "erase", "tag 14", "--yes"]) == 1
    said = capsys.readouterr().err
    assert f"Not reached: {copy}" in said
    with open_store(str(path)):
        assert run(["cases", "erase", "tag 14", "--yes"]) == 2
    assert "open in another program" in capsys.readouterr().err


def test_words_are_erased_on_a_server_and_in_what_it_kept_before_an_upgrade() -> None:
    server = shared()
    with open_store(server.url(server.database())) as store:
        case = store.open_case(worded(), tree_text=TEXT)
        for table in ("events", "cases"):
            copy = f"CREATE TABLE {table}_before_version_2 AS SELECT * FROM {table}"
            store.write(lambda c, copy=copy: c.exec_driver_sql(copy))
        erase_case(store, case, at(9))
        for table in (
            "events",
            "cases",
            "words",
            "events_before_version_2",
            "cases_before_version_2",
        ):
            wanted = f"SELECT count(*) FROM {table} AS t WHERE t::text LIKE '%%{WORD}%%'"
            assert store.read(lambda c, w=wanted: c.exec_driver_sql(w).scalar()) == 0, table
        assert verify(store).sound
        with pytest.raises(Exception, match="only ever added"):
            store.write(lambda c: c.exec_driver_sql("UPDATE events SET writer = ''"))


def test_the_words_of_an_old_record_are_erased(tmp_path: Path) -> None:
    path = restored(DATA, tmp_path)
    with open_store(str(path)) as store:
        for case in store.list():
            erase_case(store, case.id, at(9))
        assert all(case.complaint == case.who == "" for case in store.list())
    backup = next(path.parent.glob("*.before-version-*"))
    with closing(sqlite3.connect(backup)) as database:
        assert database.execute("SELECT count(*) FROM cases WHERE complaint <> ''").fetchone() == (
            0,
        )


def test_a_case_without_words_is_linked_as_it_stands() -> None:
    entry = JournalEntry("a", 0, '{"kind":"withdrawn","target":1}')
    assert linked(entry, "").chain == chained("", entry.event)
