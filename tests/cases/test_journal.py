"""The second copy of a record: each line is checked, gaps are filled, contents are compared."""

from __future__ import annotations

import hmac
import json
import random
import shutil
import sqlite3
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from zlib import crc32

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.cases import open_store
from faulttree.cases.journal import file
from faulttree.cases.journal.file import JournalEntry, entries, journal_path, understood
from faulttree.cases.repair.verify import verify
from faulttree.cli import run
from tests.cases.samples import TEXT, answered, opened


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def walked(path: Path, cases: int = 1) -> list[str]:
    """A record with some cases of three events each."""
    with open_store(str(path)) as store:
        names = [store.open_case([opened(f"tag {n}")], tree_text=TEXT) for n in range(cases)]
        for name in names:
            store.append(name, 1, answered(outcome="intact"))
            store.append(name, 2, answered("reservoir", "low"))
    return names


def test_each_line_has_its_checksum_and_each_event_the_running_hash(path: Path) -> None:
    walked(path, 2)
    before: dict[str, str] = {}
    for raw in journal_path(path).read_bytes().splitlines():
        head, _, rest = raw.rpartition(b',"sum":"')
        # CRC-32 of ISO 3309, by the standard library.
        assert rest.decode() == f'{crc32(head):08x}"}}'
        data = json.loads(raw)
        if "case" in data:
            # HMAC of RFC 2104, by the standard library, stands for what people wrote.
            for name in {"complaint"} & data["event"].keys():
                key, words = data["salt"].encode(), data["event"][name].encode()
                data["event"][name] = hmac.new(key, words, "sha256").hexdigest()[:16]
            event = json.dumps(data["event"], separators=(",", ":"))
            chain = sha256((before.get(data["case"], "") + event).encode()).hexdigest()[:16]
            assert data["chain"] == chain
            before[data["case"]] = chain
    assert len(before) == 2


@given(st.data())
def test_no_flipped_bit_of_a_line_is_believed(data: st.DataObject) -> None:
    line = b'{"case":"a","sequence":0,"number":1,"writer":"b","event":{}}'
    raw = bytearray(line[:-1] + f',"sum":"{crc32(line[:-1]):08x}"}}'.encode())
    assert understood(1, bytes(raw)).checked
    at = data.draw(st.integers(0, len(line) - 2))
    raw[at] ^= 1 << data.draw(st.integers(0, 7))
    found = understood(1, bytes(raw))
    assert found.holds is None


@given(
    st.recursive(
        st.none() | st.integers() | st.floats() | st.text(),
        lambda inner: (
            st.lists(inner)
            | st.dictionaries(
                st.sampled_from(
                    ["case", "sequence", "event", "tree", "text", "record", "number", "sum"]
                ),
                inner,
            )
        ),
    )
)
def test_no_json_whatever_is_more_than_a_damaged_line(data: object) -> None:
    found = understood(1, json.dumps(data).encode())
    assert found.number == 1


def test_a_damaged_line_at_the_end_makes_no_case(path: Path) -> None:
    (case,) = walked(path)
    journal = journal_path(path)
    lines = journal.read_bytes().splitlines(keepends=True)
    number = next(n for n, line in enumerate(lines) if b'"opened"' in line)
    lines.append(lines[number].replace(case[:8].encode(), b"ffffffff", 1))
    journal.write_bytes(b"".join(lines))
    with open_store(str(path)) as store:
        assert [one.id for one in store.list()] == [case]
        assert not store.brought_back


def without_events(path: Path, *sequences: int) -> None:
    """Take events out of a journal, as a program leaves it that is killed before it writes."""
    journal = journal_path(path)
    lines = journal.read_bytes().splitlines(keepends=True)
    kept = [one for one in lines if json.loads(one).get("sequence") not in sequences]
    journal.write_bytes(b"".join(kept))


@pytest.mark.parametrize("sequences", [(2,), (1, 2), (0, 1, 2)])
def test_what_a_kill_left_out_of_the_journal_is_written_at_the_next_opening(
    sequences: tuple[int, ...], path: Path
) -> None:
    (case,) = walked(path)
    without_events(path, *sequences)
    open_store(str(path)).close()
    held = [line.holds for line in entries(journal_path(path)) if hasattr(line.holds, "sequence")]
    assert sorted(one.sequence for one in held) == [0, 1, 2]  # type: ignore[union-attr]
    path.unlink()
    with open_store(str(path)) as store:
        assert len(store.events(case)) == 3
        assert verify(store).sound


def test_a_gap_older_than_the_newest_lines_is_filled_when_the_case_goes_on(path: Path) -> None:
    first = walked(path)[0]
    without_events(path, 2)
    shutil.move(journal_path(path), path.with_name("kept"))
    walked(path, 90)
    newer = journal_path(path).read_bytes().splitlines(keepends=True)[1:]
    journal_path(path).write_bytes(path.with_name("kept").read_bytes() + b"".join(newer))
    with open_store(str(path)) as store:
        store.append(first, 3, answered("fuse", "blown"))
    for one in path.parent.glob("record.sqlite*"):
        if one != journal_path(path):
            one.unlink()
    with open_store(str(path)) as store:
        assert len(store.events(first)) == 4


def test_a_journal_that_cannot_be_written_is_told_once_and_gets_all_of_it_later(
    path: Path,
) -> None:
    told: list[str] = []
    with open_store(str(path)) as store:
        store.tell = told.append
        case = store.open_case([opened()])
        journal = journal_path(path)
        journal.rename(path.with_name("aside"))
        journal.mkdir()
        store.append(case, 1, answered())
        store.append(case, 2, answered("reservoir", "low"))
        journal.rmdir()
        path.with_name("aside").rename(journal)
        store.append(case, 3, answered("fuse", "blown"))
    assert len(told) == 1
    assert "second copy" in told[0]
    held = [line.holds for line in entries(journal) if line.holds is not None]
    assert len(held) == 4


def altered(path: Path, old: str, new: str | bytes) -> None:
    """Change an event in the database, as damage that no index shows does."""
    with closing(sqlite3.connect(path)) as file:
        file.execute("DROP TRIGGER events_update_never")
        text = "CAST(replace(event, ?, ?) AS TEXT)"
        file.execute(f"UPDATE events SET event = {text} WHERE number = 2", (old, new))
        file.commit()


@pytest.mark.parametrize("new", ['"outcome":"blown"', '"outcome"!"blown"', b'"outcome":"\xf2"'])
def test_a_changed_event_is_seen_and_taken_from_the_journal(
    new: str | bytes, path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    names = walked(path, 3)
    with open_store(str(path)) as store:
        whole = {name: store.events(name) for name in names}
        identity = store.record_id
    altered(path, '"outcome":"intact"', new)
    assert run(["cases", "verify", "--record", str(path)]) in {1, 2}
    said = capsys.readouterr()
    assert "case 2: event 1" in said.out or "is damaged" in said.err
    assert run(["cases", "verify", "--repair", "--record", str(path)]) == 0
    assert run(["cases", "verify", "--record", str(path)]) == 0
    with open_store(str(path)) as store:
        assert {name: store.events(name) for name in names} == whole
        assert store.record_id == identity


def damaged(path: Path, chance: random.Random) -> None:
    """Flip a byte, cut the end off, write over a part, or remove a file."""
    data = bytearray(path.read_bytes())
    how, at = chance.choice(["flip", "cut", "noise", "gone"]), chance.randrange(len(data))
    if how == "gone":
        path.unlink()
        return
    if how == "flip":
        data[at] ^= 1 << chance.randrange(8)
    elif how == "cut":
        del data[at:]
    else:
        data[at : at + 4096] = chance.randbytes(len(data[at : at + 4096]))
    path.write_bytes(bytes(data))


def one_copy_damaged(tmp_path: Path, times: int) -> None:
    """Damage database or journal; what the other holds must be there after a repair."""
    names = walked(tmp_path / "record.sqlite", 12)
    with open_store(str(tmp_path / "record.sqlite")) as store:
        whole = {name: store.events(name) for name in names}
    chance = random.Random(14)
    for turn in range(times):
        folder = tmp_path / f"turn-{turn}"
        folder.mkdir()
        path = folder / "record.sqlite"
        shutil.copy(tmp_path / "record.sqlite", path)
        shutil.copy(journal_path(tmp_path / "record.sqlite"), journal_path(path))
        damaged(chance.choice([path, journal_path(path)]), chance)
        assert run(["cases", "verify", "--repair", "--record", str(path)]) in {0, 1}
        with open_store(str(path)) as store:
            assert {name: store.events(name) for name in names} == whole, turn
            assert verify(store).sound
        shutil.rmtree(folder)


def test_a_damaged_event_gets_no_line_with_a_right_checksum(path: Path) -> None:
    walked(path, 2)
    journal_path(path).unlink()
    altered(path, '"complaint":"no output"', '"complaint"!"no output"')
    for _ in range(2):
        with open_store(str(path)) as store:
            store.open_case([opened()])
    held = (line.holds for line in entries(journal_path(path)))
    assert not [
        one for one in held if isinstance(one, JournalEntry) and '!"no output"' in one.event
    ]
    assert run(["cases", "erase", "2", "--yes", "--record", str(path)]) == 2


def left_in(journal: Path) -> dict[str, int]:
    """Case → how many events from its opening on stand whole in a journal."""
    there: dict[str, set[int]] = {}
    for line in entries(journal):
        if isinstance(line.holds, JournalEntry):
            there.setdefault(line.holds.case, set()).add(line.holds.sequence)
    return {
        case: next(at for at in range(len(found) + 1) if at not in found)
        for case, found in there.items()
    }


def both_copies_damaged(tmp_path: Path, times: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Damage both; what stands whole in the journal is there after a repair, and nothing loops."""
    walked(tmp_path / "record.sqlite", 12)
    chance = random.Random(15)
    for turn in range(times):
        folder = tmp_path / f"turn-{turn}"
        folder.mkdir()
        path = folder / "record.sqlite"
        shutil.copy(tmp_path / "record.sqlite", path)
        shutil.copy(journal_path(tmp_path / "record.sqlite"), journal_path(path))
        damaged(path, chance)
        damaged(journal_path(path), chance)
        whole = left_in(journal_path(path)) if journal_path(path).exists() else {}
        assert run(["cases", "verify", "--repair", "--record", str(path)]) in {0, 1}, turn
        again = [run(["cases", "verify", "--record", str(path)]) for _ in range(2)]
        assert again[0] == again[1] != 2, turn
        assert "Traceback" not in capsys.readouterr().err
        with open_store(str(path)) as store:
            for case, many in whole.items():
                assert not many or len(store.events(case)) >= many, turn
        shutil.rmtree(folder)


def test_what_the_journal_holds_survives_damage_of_both(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    both_copies_damaged(tmp_path, 6, capsys)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_what_the_journal_holds_survives_a_thousand_damages_of_both(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    both_copies_damaged(tmp_path, 1000, capsys)


def test_what_one_copy_holds_survives_damage_of_the_other(tmp_path: Path) -> None:
    one_copy_damaged(tmp_path, 12)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_what_one_copy_holds_survives_a_thousand_damages(tmp_path: Path) -> None:
    one_copy_damaged(tmp_path, 1000)


def test_lines_of_earlier_versions_are_read_and_named_unchecked(path: Path) -> None:
    (case,) = walked(path)
    journal = journal_path(path)
    lines = [json.loads(line) for line in journal.read_bytes().splitlines()]
    for line in lines:
        del line["sum"]
        line.pop("chain", None)
    journal.write_text("".join(f"{json.dumps(line)}\n" for line in lines))
    with open_store(str(path)) as store:
        (found,) = verify(store).findings
        assert "no checksum" in found.message
        assert found.minor
        store.append(case, 3, answered("fuse", "blown"))
    path.unlink()
    with open_store(str(path)) as store:
        assert len(store.events(case)) == 4


@given(lines=st.lists(st.binary(max_size=12).filter(lambda raw: b"\n" not in raw), min_size=1))
@pytest.mark.parametrize("chunk", [1, 3, 64])
def test_lines_are_read_backwards_as_they_stand(
    chunk: int, lines: list[bytes], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("lines") / "file"
    path.write_bytes(b"\n".join(lines))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(file, "CHUNK", chunk)
        assert list(file.lines_backwards(path)) == lines[::-1]
