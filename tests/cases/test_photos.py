"""Photos in the record: made small and harmless, kept whole, and everywhere with their case."""

from __future__ import annotations

import io
import json
import os
import random
import sqlite3
import struct
import zlib
from base64 import b64encode
from collections.abc import Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from faulttree.cases import Store, open_store
from faulttree.cases.backends import outbox
from faulttree.cases.errors import CutOff
from faulttree.cases.journal.file import JournalPhoto, entries, journal_path
from faulttree.cases.photos.case_photos import added, set_megabytes, shown
from faulttree.cases.photos.picture import (
    LONGEST_SIDE,
    MOST_PIXELS,
    Picture,
    checked,
    picture,
    picture_file,
    read_limited,
    thumbnail,
)
from faulttree.cases.repair.backup import back_up_record, restore_record
from faulttree.cases.repair.erase import erase_case
from faulttree.cases.repair.rebuild import rescue
from faulttree.cases.repair.verify import verify
from faulttree.cases.schema import VERSION
from faulttree.cases.transfer.export import Leave, lines
from faulttree.cases.transfer.importer import load
from faulttree.cli import run
from faulttree.errors import RecordError
from faulttree.walk.events import Closed, Event, PhotoAdded, Withdrawn
from tests.cases.old_records import DATA, restored
from tests.cases.postgres import Server, shared
from tests.cases.samples import TEXT, answered, at, opened

ORIENTATION, GPS = 0x0112, 0x8825
"""Tags of Exif 2.32 (CIPA DC-008), 4.6.4: which side is up, where the picture was taken."""


def file_of(image: Image.Image, kind: str = "JPEG", **more: object) -> bytes:
    file = io.BytesIO()
    image.save(file, kind, **more)
    return file.getvalue()


def noise(width: int = 60, height: int = 40, seed: int = 1) -> Image.Image:
    data = random.Random(seed).randbytes(3 * width * height)
    return Image.frombytes("RGB", (width, height), data)


def with_place(image: Image.Image, orientation: int = 1) -> bytes:
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif[GPS] = {1: "N", 2: (48.0, 8.0, 15.0), 3: "E", 4: (11.0, 34.0, 30.0)}
    return file_of(image, exif=exif, comment=b"a comment", icc_profile=b"a profile")


# What becomes of a picture -------------------------------------------------------------------


@given(
    mode=st.sampled_from(["1", "L", "LA", "P", "RGB", "RGBA", "CMYK", "I;16", "YCbCr"]),
    kind=st.sampled_from(["JPEG", "PNG", "WEBP", "BMP"]),
    width=st.integers(1, 2 * LONGEST_SIDE),
    height=st.integers(1, 40),
)
def test_any_picture_is_kept_small_in_its_shape(
    mode: str, kind: str, width: int, height: int
) -> None:
    try:
        data = file_of(Image.new(mode, (width, height)), kind)
    except (OSError, ValueError):
        return  # This kind of file has no such mode.
    kept = picture(data)
    again = Image.open(io.BytesIO(kept.data))
    assert again.size == (kept.width, kept.height)
    assert max(again.size) == min(max(width, height), LONGEST_SIDE)
    # Each side is rounded to a whole pixel.
    scale = max(again.size) / max(width, height)
    assert abs(again.height - height * scale) <= 1
    assert checked(kept.data) == kept.data
    assert picture(data) == kept
    assert max(Image.open(io.BytesIO(thumbnail(kept.data))).size) <= 320


def test_the_place_and_every_other_metadata_are_gone() -> None:
    kept = picture(with_place(noise()))
    for trace in (b"Exif", b"a comment", b"a profile", b"ICC"):
        assert trace not in kept.data
    assert dict(Image.open(io.BytesIO(kept.data)).getexif()) == {}
    text = file_of(noise(), "PNG", pnginfo=with_text())
    assert b"the bench of Ada" in text
    assert b"the bench of Ada" not in picture(text).data


def with_text() -> object:
    from PIL.PngImagePlugin import PngInfo

    info = PngInfo()
    info.add_text("Author", "the bench of Ada")
    return info


def test_a_picture_taken_sideways_is_kept_upright() -> None:
    # Exif 2.32, table 6: with orientation 6 the first row of the file is the right side.
    image = Image.new("RGB", (40, 20), "black")
    image.paste("white", (0, 0, 40, 10))
    kept = picture(with_place(image, orientation=6))
    assert (kept.width, kept.height) == (20, 40)
    pixels = Image.open(io.BytesIO(kept.data)).convert("L")
    assert pixels.getpixel((17, 20)) > 200 > 50 > pixels.getpixel((2, 20))  # type: ignore[operator]


def test_few_colours_stay_sharp_and_many_become_a_jpeg() -> None:
    drawing = Image.new("RGB", (400, 300), "white")
    drawing.paste("black", (100, 0, 101, 300))
    kept = picture(file_of(drawing, "PNG"))
    assert kept.media_type == "image/png"
    assert Image.open(io.BytesIO(kept.data)).convert("RGB").tobytes() == drawing.tobytes()
    assert picture(file_of(noise(), "PNG")).media_type == "image/jpeg"


def test_what_is_transparent_becomes_white() -> None:
    kept = picture(file_of(Image.new("RGBA", (4, 4), (200, 0, 0, 0)), "PNG"))
    assert Image.open(io.BytesIO(kept.data)).convert("RGB").getpixel((1, 1)) == (255, 255, 255)


def png(width: int, height: int) -> bytes:
    """A PNG that says to be of this size and has nothing in it (ISO/IEC 15948, 11.2.2)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        body = name + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    data = zlib.compress(bytes(1000))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    )


HOSTILE = {
    "empty": (b"", "the photo is empty"),
    "text": (b"this is no picture", "not a picture"),
    "page": (b"<html><script>alert(1)</script></html>", "not a picture"),
    "svg": (b'<svg xmlns="http://www.w3.org/2000/svg"><script/></svg>', "not a picture"),
    "gif": (file_of(Image.new("L", (4, 4)), "GIF"), "not a picture"),
    "postscript": (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", "not a picture"),
    "half a JPEG": (file_of(noise())[:1500], "damaged"),
    "only a head": (file_of(noise())[:12], "damaged"),
    "a wide bomb": (png(60_000, 60_000), "too many pixels"),
    "a long bomb": (png(1, 2_000_000_000), "too many pixels"),
    "just too many": (png(MOST_PIXELS // 1000 + 1, 1000), "too many pixels"),
    "nothing in it": (png(400, 400), "damaged"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_gets_one_clear_message(name: str) -> None:
    data, message = HOSTILE[name]
    with pytest.raises(RecordError, match=message) as caught:
        picture(data)
    assert caught.value.remedy


@given(data=st.data())
def test_a_damaged_file_is_a_picture_or_an_error(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(["JPEG", "PNG", "WEBP", "BMP"]))
    raw = bytearray(file_of(noise(), kind))
    for _ in range(data.draw(st.integers(1, 6))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    try:
        kept = picture(bytes(raw))
    except RecordError:
        return
    assert checked(kept.data)


def test_what_is_no_file_of_a_picture_is_refused(tmp_path: Path) -> None:
    pipe, large = tmp_path / "pipe", tmp_path / "large.jpg"
    os.mkfifo(pipe)
    large.write_bytes(b"\xff\xd8\xff")
    os.truncate(large, 60_000_000)
    for path, message in (
        (tmp_path / "none.jpg", "No such file"),
        (tmp_path, "not a file"),
        (pipe, "not a file"),
        (Path("/dev/zero"), "not a file"),
        (large, "more than 50 MB"),
        (tmp_path / ("a" * 300), "too long"),
        (tmp_path / "nul\x00", "null"),
    ):
        with pytest.raises(RecordError, match=message) as caught:
            picture_file(path)
        assert caught.value.path == path


def test_no_more_than_the_limit_is_ever_read() -> None:
    file = io.BytesIO(bytes(10_000_000))
    with pytest.raises(RecordError, match="too large"):
        read_limited(file, 1_000_000)
    assert file.tell() < 1_100_000


# In the record -------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def server() -> Server:
    return shared()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return str(tmp_path / "shop" / "record.sqlite")
    running: Server = request.getfixturevalue("server")
    return running.url(running.database())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "record.sqlite"


def with_photo(store: Store, seed: int = 1, *, original: bool = False) -> tuple[str, PhotoAdded]:
    """A case with one photo."""
    events: list[Event] = [opened(f"tag {seed}"), answered()]
    photo = picture(with_place(noise(seed=seed)), keep_original=original)
    events.append(added(store, events, photo, "the burnt track"))
    return store.open_case(events, tree_text=TEXT), events[-1]  # type: ignore[return-value]


def found(store: Store) -> list[tuple[str, str]]:
    return [(one.place, one.message) for one in verify(store).findings if one.kind == "photo"]


def test_a_photo_is_kept_with_its_case_in_both_stores(url: str) -> None:
    with open_store(url) as store:
        case, photo = with_photo(store, original=True)
    with open_store(url, read_only=True) as store:
        events = store.events(case)
        assert events[-1] == photo
        assert sha256(shown(store, events, photo.sha256)).hexdigest() == photo.sha256
        assert (photo.width, photo.height, photo.words) == (60, 40, "the burnt track")
        assert store.photo(photo.sha256, original=True) is None
        assert store.photo(photo.original, original=True) == with_place(noise())
        assert found(store) == []
        assert [one.id for one in store.list(words="burnt")] == [case]


def test_an_original_or_a_photo_of_another_case_is_never_shown(path: Path) -> None:
    with open_store(str(path)) as store:
        case, photo = with_photo(store, original=True)
        other, _ = with_photo(store, seed=2)
        for events, name in (
            (store.events(case), photo.original),
            (store.events(other), photo.sha256),
            (store.events(case), "../../etc/passwd"),
        ):
            with pytest.raises(RecordError, match="no such photo"):
                shown(store, events, name)
        # Also where an event of another record names the original as a picture.
        claims = [opened(), PhotoAdded(sha256=photo.original, width=1, height=1)]
        with pytest.raises(RecordError, match="not in this record"):
            shown(store, claims, photo.original)
        store.append(case, 3, Withdrawn(at=at(4), target=2))
        with pytest.raises(RecordError, match="no such photo"):
            shown(store, store.events(case), photo.sha256)


def test_the_same_photo_is_kept_once(url: str) -> None:
    with open_store(url) as store:
        names = {with_photo(store)[1].sha256 for _ in range(3)}
        assert len(names) == 1
        assert store.read(lambda c: c.exec_driver_sql("SELECT count(*) FROM photos").scalar()) == 1


def test_a_case_may_have_so_many_megabytes(path: Path) -> None:
    with open_store(str(path)) as store:
        store.write(lambda connection: set_megabytes(connection, 1))
        events: list[Event] = [opened()]
        large = [Picture(bytes([n]) * 400_000, 9, 9) for n in range(3)]
        events += [added(store, events, one) for one in large[:2]]
        with pytest.raises(RecordError, match="more than 1 MB"):
            added(store, events, large[2])
        assert store.photo(large[2].sha256) is None
        # One that the case has already needs no more room.
        assert added(store, events, large[0]).sha256 == large[0].sha256


def test_a_record_of_the_version_before_photos_is_read_and_brought_up(tmp_path: Path) -> None:
    record = restored(DATA / "version-5", tmp_path)
    with open_store(str(record), read_only=True) as store:
        (case,) = store.list()
        assert store.photo("ab" * 32) is None
        assert [one.kind for one in verify(store).findings if not one.minor] == []
        before = list(lines(store, store.each()))
    with open_store(str(record)) as store:
        assert list(lines(store, store.each())) == before
        assert store.events(case.id)[2].to_dict() == {
            "kind": "photo-added",
            "at": at(2),
            "path": "photos/board.jpg",
            "sha256": "ab" * 32,
            "step": "fuse",
        }
        with_photo(store)
        assert verify(store).sound
    with closing(sqlite3.connect(record)) as file:
        assert file.execute("PRAGMA user_version").fetchone() == (VERSION,)
    (old,) = (DATA / "version-5" / "export.jsonl").read_text().splitlines()
    (now,) = before
    assert json.loads(now) == json.loads(old) | {"format": json.loads(now)["format"]}


def test_a_missing_or_damaged_photo_is_named_by_its_case_and_put_back(path: Path) -> None:
    with open_store(str(path)) as store:
        photos = [with_photo(store, seed)[1].sha256 for seed in (1, 2)]
        kept = [store.photo(name) for name in photos]
    with closing(sqlite3.connect(path)) as file:
        with pytest.raises(sqlite3.IntegrityError, match="never changed"):
            file.execute("UPDATE photos SET data = x'00'")
        file.execute("DELETE FROM photos WHERE sha256 = ?", photos[:1])
        file.execute("DELETE FROM photos WHERE sha256 = ?", photos[1:])
        file.execute("INSERT INTO photos VALUES (?, 0, x'ffd8ff')", photos[1:])
        file.commit()
    with open_store(str(path)) as store:
        wanted = [
            ("case 1", f"the photo {photos[0][:12]}… is missing"),
            ("case 2", f"the photo {photos[1][:12]}… is damaged"),
        ]
        assert sorted(found(store)) == wanted
        assert not verify(store).sound
        assert verify(store, repair=True).sound
        assert found(store) == []
        assert [store.photo(name) for name in photos] == kept


def test_a_database_that_is_gone_is_made_again_with_its_photos(path: Path) -> None:
    with open_store(str(path)) as store:
        case, photo = with_photo(store, original=True)
    path.unlink()
    with open_store(str(path)) as store:
        assert shown(store, store.events(case), photo.sha256)
        assert store.photo(photo.original, original=True)
        assert verify(store).sound
    journal_path(path).unlink()
    rescue(path)
    with open_store(str(path)) as store:
        assert shown(store, store.events(case), photo.sha256)
        assert verify(store, repair=True).sound
        assert sum(isinstance(one.holds, JournalPhoto) for one in entries(journal_path(path))) == 2


def test_a_photo_that_a_torn_database_lost_comes_back_at_the_opening(path: Path) -> None:
    with open_store(str(path)) as store:
        store.open_case([opened()], tree_text=TEXT)
    before = path.read_bytes()
    with open_store(str(path)) as store:
        case, photo = with_photo(store)
    path.write_bytes(before)
    for side in ("-wal", "-shm"):
        path.with_name(path.name + side).unlink(missing_ok=True)
    with open_store(str(path)) as store:
        assert store.brought_back
        assert shown(store, store.events(case), photo.sha256)


def test_a_backup_holds_the_photos(path: Path, tmp_path: Path) -> None:
    with open_store(str(path)) as store:
        case, photo = with_photo(store)
    back_up_record(str(path), tmp_path / "copy.sqlite", at=at())
    for one in (path, journal_path(path)):
        one.unlink()
    restore_record(tmp_path / "copy.sqlite", str(path))
    with open_store(str(path)) as store:
        assert shown(store, store.events(case), photo.sha256)
        assert verify(store).sound


def test_a_photo_taken_while_the_server_is_away_is_sent_later(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = server.url(server.database())
    open_store(url, folder=tmp_path).close()
    with open_store(url, folder=tmp_path) as store:
        case = store.open_case([opened()], tree_text=TEXT)
        with monkeypatch.context() as patch:
            patch.setattr(store, "write", cut_off)
            patch.setattr(store, "read", cut_off)
            photo = added(store, [opened()], picture(file_of(noise())))
            store.append(case, 1, photo)
        assert outbox.Outbox(tmp_path, url, store.writer).path.exists()
    with open_store(url, folder=tmp_path) as store:
        assert shown(store, store.events(case), photo.sha256)


def cut_off(*_: object, **__: object) -> None:
    raise CutOff("away")


def test_the_pictures_of_an_erased_case_are_gone_for_good(path: Path, tmp_path: Path) -> None:
    copy, export = tmp_path / "copy.sqlite", tmp_path / "cases.jsonl"
    with open_store(str(path)) as store:
        case, photo = with_photo(store, original=True)
        _, shared_photo = with_photo(store, seed=2)
        store.append(case, 3, shared_photo)
        pictures = [store.photo(photo.sha256), store.photo(photo.original, original=True)]
        export.write_bytes(exported(store))
    back_up_record(str(path), copy, at=at())

    def held(*traces: bytes) -> list[str]:
        files = [one for one in tmp_path.rglob("*") if one.is_file() and one != export]
        return [one.name for one in files if any(trace in one.read_bytes() for trace in traces)]

    traces = [trace[200:1200] for trace in pictures if trace]
    lines_of = [b64encode(trace[:3000])[300:1500] for trace in pictures if trace]
    assert len(held(*traces, *lines_of)) == 4
    with open_store(str(path)) as store:
        assert erase_case(store, case, at(9)).unreached == ()
    assert held(*traces, *lines_of) == []
    with open_store(str(path)) as store:
        assert store.photo(photo.sha256) is None
        assert store.photo(shared_photo.sha256)
        assert verify(store).sound
        # Neither an export from before nor the backup brings them back.
        with export.open("rb") as file:
            load(store, file, "cases.jsonl")
        assert store.photo(photo.sha256) is None
    restore_record(copy, str(path))
    with open_store(str(path)) as store:
        assert store.photo(photo.sha256) is None
        assert store.photo(shared_photo.sha256)
        assert verify(store).sound
    rescue(path)
    with open_store(str(path)) as store:
        assert store.photo(photo.original, original=True) is None


# Between records -----------------------------------------------------------------------------


@pytest.fixture
def stores() -> Iterator[tuple[Store, Store]]:
    with open_store(None) as here, open_store(None) as there:
        yield here, there


def exported(store: Store, leave: Leave | None = None) -> bytes:
    return "".join(f"{line}\n" for line in lines(store, store.each(), leave)).encode()


def test_an_export_brings_the_photos_once(stores: tuple[Store, Store]) -> None:
    here, there = stores
    case, photo = with_photo(here, original=True)
    with_photo(here)
    for photos in (2, 0):
        done = load(there, io.BytesIO(exported(here)), "cases.jsonl")
        assert (done.merged.photos, done.damaged, done.merged.conflicts) == (photos, [], [])
    assert shown(there, there.events(case), photo.sha256)
    assert there.photo(photo.original, original=True) == with_place(noise())
    assert found(there) == []
    assert exported(there) == exported(here)


def test_a_journal_brings_the_photos(path: Path, stores: tuple[Store, Store]) -> None:
    with open_store(str(path)) as store:
        case, photo = with_photo(store)
    with journal_path(path).open("rb") as file:
        load(stores[1], file, "journal")
    assert shown(stores[1], stores[1].events(case), photo.sha256)


@pytest.mark.parametrize(
    ("leave", "photos", "words"),
    [
        (Leave(), 2, True),
        (Leave(names=True), 0, False),
        (Leave(serials=True), 0, True),
        (Leave(photos=True, pictures=True), 0, False),
        (Leave(serials=True, pictures=True), 1, True),
        (Leave(names=True, pictures=True), 1, False),
    ],
)
def test_what_is_left_out_takes_the_pictures_with_it(
    stores: tuple[Store, Store], leave: Leave, photos: int, words: bool
) -> None:
    here, there = stores
    with_photo(here, original=True)
    data = exported(here, leave)
    assert load(there, io.BytesIO(data), "cases.jsonl").merged.photos == photos
    assert (b"burnt" in data) is words
    assert (b'"original"' in data) is (not leave)
    # That a picture was not sent is told, but is no fault of the record.
    assert verify(there).sound


def line_of(data: bytes) -> bytes:
    return f"{JournalPhoto(sha256(data).hexdigest(), data).line()}\n".encode()


@pytest.mark.parametrize(
    "data",
    [
        b"<script>alert(1)</script>",
        file_of(Image.new("L", (4, 4)), "GIF"),
        file_of(Image.new("L", (LONGEST_SIDE + 1, 1)), "PNG"),
        png(60_000, 60_000),
        with_place(noise()),
        file_of(noise(), "PNG", pnginfo=with_text()),
    ],
)
def test_only_pictures_as_a_record_keeps_them_are_imported(
    stores: tuple[Store, Store], data: bytes
) -> None:
    done = load(stores[1], io.BytesIO(line_of(data)), "hostile.jsonl")
    assert (done.merged.photos, len(done.damaged)) == (0, 1)


def test_a_photo_that_is_not_what_its_hash_says_is_not_imported(
    stores: tuple[Store, Store],
) -> None:
    photo = picture(file_of(noise()))
    line = JournalPhoto("0" * 64, photo.data).line()
    for raw in (line, line_of(photo.data).decode().replace('"data":"', '"data":"%')):
        done = load(stores[1], io.BytesIO(raw.encode()), "hostile.jsonl")
        assert (done.merged.photos, len(done.damaged)) == (0, 1)


# Commands ------------------------------------------------------------------------------------


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    status = run(list(words))
    return status, capsys.readouterr().out


def test_a_report_shows_its_photos(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with open_store(str(path)) as store:
        case, photo = with_photo(store)
        store.append(case, 3, Closed(at=at(5), result="unsolved", became="waiting"))
    status, page = said(capsys, "cases", "show", "1", "--as", "html", "--record", str(path))
    assert status == 0
    assert "img-src data:" in page
    assert '<img src="data:image/jpeg;base64,' in page
    assert 'alt="the burnt track' in page
    status, text = said(capsys, "cases", "show", "1", "--record", str(path))
    assert "the burnt track" in text
    assert photo.sha256[:12] in text
    status, told = said(capsys, "cases", "show", "1", "--json", "--record", str(path))
    (kept,) = json.loads(told)["photos"]
    assert (kept["sha256"], kept["width"], kept["words"]) == (photo.sha256, 60, "the burnt track")
    assert "picture" not in kept


def test_the_photos_of_a_case_are_written_to_files(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_store(str(path)) as store:
        _, photo = with_photo(store, original=True)
    folder, where = tmp_path / "out", ("--record", str(path))
    words = ("cases", "photos", "1", "-o", str(folder), "--originals", "--json", *where)
    status, told = said(capsys, *words)
    assert status == 0
    assert json.loads(told)["photos"][0]["file"] == str(folder / "case-1-photo-1.jpg")
    assert sha256((folder / "case-1-photo-1.jpg").read_bytes()).hexdigest() == photo.sha256
    assert (folder / "case-1-photo-1-original.jpg").read_bytes() == with_place(noise())
    assert said(capsys, *words)[0] == 2
    assert said(capsys, "cases", "photos", "--per-case", "7", "--json", *where)[1].count("7") == 1
    assert said(capsys, "cases", "photos", *where)[0] == 2
    with closing(sqlite3.connect(path)) as file:
        file.execute("DELETE FROM photos")
        file.commit()
    assert said(capsys, "cases", "photos", "1", *where)[0] == 1
