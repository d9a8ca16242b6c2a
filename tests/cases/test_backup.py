"""A backup is whole whatever goes on meanwhile, and can be put back."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from faulttree.cases import open_store
from faulttree.cases.journal.file import journal_path
from faulttree.cases.repair.backup import age_of_backup, back_up_record, restore_record
from faulttree.cases.repair.verify import verify
from faulttree.cli import run
from faulttree.errors import RecordError
from tests.cases.postgres import shared
from tests.cases.samples import TEXT, WALKER, answered, opened

NOW = "2026-03-01T10:00:00.000Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "record.sqlite"


def test_a_backup_holds_the_record_and_can_be_put_back(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "stick" / "record.sqlite"
    with open_store(str(path)) as store:
        first = store.open_case([opened()], tree_text=TEXT)
        store.append(first, 1, answered())
        # The record stays open.
        made = back_up_record(str(path), copy, at=NOW)
        assert (made.cases, made.events) == (1, 2)
        whole = store.events(first)
        later = store.open_case([opened("tag 15")])
    for one in (copy, journal_path(copy)):
        assert stat.S_IMODE(one.stat().st_mode) == 0o600
    assert sorted(one.name for one in copy.parent.iterdir()) == [
        "record.sqlite",
        "record.sqlite.events.jsonl",
    ]
    restored = restore_record(copy, str(path))
    with open_store(str(path)) as store:
        assert [case.id for case in store.list()] == [first]
        assert store.events(first) == whole
        assert verify(store).sound
    with open_store(restored.aside, read_only=True) as former:
        assert len(former.events(later)) == 1
    # What only the former record has comes back by an import of its journal.
    assert run(["cases", "import", f"{restored.aside}.events.jsonl", "--record", str(path)]) == 0
    with open_store(str(path)) as store:
        assert store.count() == 2


def test_a_backup_taken_while_a_walk_goes_on_is_sound(path: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-c", WALKER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as walker:
        try:
            assert walker.stdout is not None
            for turn in range(5):
                told = [walker.stdout.readline().split() for _ in range(10)]
                copy = tmp_path / f"copy-{turn}"
                back_up_record(str(path), copy, at=NOW)
                with open_store(str(copy)) as store:
                    assert verify(store).sound
                    for case, sequence in told:
                        assert len(store.events(case)) > int(sequence)
        finally:
            walker.kill()


def test_only_an_earlier_backup_of_the_record_is_replaced(path: Path, tmp_path: Path) -> None:
    copy, other = tmp_path / "copy", tmp_path / "other"
    for place in (path, other):
        open_store(str(place)).close()
    for _ in range(2):
        back_up_record(str(path), copy, at=NOW)
    before = other.read_bytes()
    with pytest.raises(RecordError, match="not a backup of this record"):
        back_up_record(str(path), other, at=NOW)
    assert other.read_bytes() == before
    with pytest.raises(RecordError, match="record itself"):
        back_up_record(str(path), path, at=NOW)


def test_a_damaged_backup_is_not_put_in_place(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    with open_store(str(path)) as store:
        store.open_case([opened()], tree_text=TEXT)
    back_up_record(str(path), copy, at=NOW)
    copy.write_bytes(copy.read_bytes()[:8000])
    before = path.read_bytes()
    with pytest.raises(RecordError):
        restore_record(copy, str(path))
    assert path.read_bytes() == before


def test_no_backup_is_put_under_an_open_walk(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faulttree.cases.backends import file_lock

    monkeypatch.setattr(file_lock, "WAIT_SECONDS", 0.1)
    copy = tmp_path / "copy"
    with open_store(str(path)) as store:
        case = store.open_case([opened()])
        back_up_record(str(path), copy, at=NOW)
        with pytest.raises(RecordError, match="open in another program"):
            restore_record(copy, str(path))
        store.append(case, 1, answered())


def test_a_backup_is_called_old_after_the_days_that_were_set(path: Path, tmp_path: Path) -> None:
    with open_store(str(path)) as store:
        assert age_of_backup(store, NOW).is_old
        back_up_record(str(path), tmp_path / "copy", at=NOW, days=3)
        assert not age_of_backup(store, "2026-03-04T10:00:00.000Z").is_old
        assert age_of_backup(store, "2026-03-05T10:00:00.000Z").is_old


def test_the_commands_tell_what_they_did(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_store(str(path)) as store:
        store.open_case([opened()], tree_text=TEXT)
    copy = tmp_path / "copy"
    assert run(["backup", str(copy), "--record", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cases"] == 1
    assert run(["restore", str(copy), "--record", str(path)]) == 0
    assert "cases import" in capsys.readouterr().err
    assert run(["restore", str(tmp_path / "none"), "--record", str(path)]) == 2
    server = shared()
    assert run(["backup", str(copy), "--record", server.url(server.database())]) == 2
    assert "pg_dump" in capsys.readouterr().err
