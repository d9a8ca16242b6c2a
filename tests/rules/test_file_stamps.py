"""Unchanged files are told by their status and not read; changed ones always are."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from faulttree.rules.result_cache import FileStamp
from faulttree.rules.targets import targets_of
from faulttree.tree import Library

HOUR = 3_600_000_000_000


def later(path: Path) -> int:
    """An hour after a file was changed."""
    return path.stat().st_ctime_ns + HOUR


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "tree.yaml"
    path.write_text("one", encoding="utf-8")
    return path


def unread(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_: Path) -> bytes:
        raise AssertionError("read again")

    monkeypatch.setattr(Path, "read_bytes", refused)


def test_an_unchanged_file_is_not_read_again(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = FileStamp("", later(file))
    digest = first.digest(file)
    assert first.news
    unread(monkeypatch)
    again = FileStamp(first.kept(whole=True), later(file))
    assert again.digest(file) == digest
    assert not again.news


def test_a_change_is_noticed_whatever_size_and_time_say(file: Path) -> None:
    first = FileStamp("", later(file))
    before, status = first.digest(file), file.stat()
    file.write_text("two", encoding="utf-8")
    os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))
    again = FileStamp(first.kept(whole=True), later(file))
    assert again.digest(file) != before
    assert again.news


def test_a_file_changed_just_now_is_read_again(file: Path) -> None:
    just = FileStamp("", file.stat().st_ctime_ns + 1_000_000)
    just.digest(file)
    again = FileStamp(just.kept(whole=True), later(file))
    again.digest(file)
    assert again.news


def test_without_the_time_nothing_is_held_for_unchanged(file: Path) -> None:
    first = FileStamp("", later(file))
    first.digest(file)
    again = FileStamp(first.kept(whole=True), None)
    again.digest(file)
    assert again.news


def test_a_link_that_leads_elsewhere_is_another_file(file: Path) -> None:
    link, other = file.with_name("link.yaml"), file.with_name("other.yaml")
    other.write_text("one", encoding="utf-8")
    link.symlink_to(file)
    seen = FileStamp("", later(file))
    before = seen.digest(link)
    assert before != seen.digest(file)
    link.unlink()
    link.symlink_to(other)
    assert FileStamp(seen.kept(whole=True), later(file)).digest(link) != before


def test_one_file_looked_at_does_not_make_the_library_forgotten(file: Path) -> None:
    other = file.with_name("other.yaml")
    other.write_text("two", encoding="utf-8")
    both = FileStamp("", later(other))
    both.digest(file)
    both.digest(other)
    one = FileStamp(both.kept(whole=True), later(other))
    one.digest(file)
    assert str(other) in one.kept(whole=False)
    assert str(other) not in one.kept(whole=True)


@pytest.mark.parametrize("kept", ["", "{", "[]", "3", '{"a": 3}', '{"a": [1, 2]}', '{"a": null}'])
def test_what_was_kept_may_be_damaged(file: Path, kept: str) -> None:
    assert FileStamp(kept, later(file)).digest(file) == FileStamp().digest(file)


def test_no_plain_file_has_no_digest(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe"):
        with pytest.raises(ValueError, match="plain"):
            FileStamp().digest(path)
    with pytest.raises(OSError, match="none"):
        FileStamp().digest(tmp_path / "none")


def test_the_files_of_a_library_in_the_order_they_always_had(tmp_path: Path) -> None:
    names = [
        "trees/a/one.yaml",
        "trees/a-b/one.yaml",
        "shared/cautions.yaml",
        "shared/procedures/fuse-test.yaml",
        "bench.yaml",
        "trees/a/deep/one.yaml",
        "trees/a/two.yml",
        "trees/stray.yaml",
        "shared/odd.yml",
    ]
    for name in [*names, "trees/a/notes.txt", "other/one.yaml"]:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x", encoding="utf-8")
    (tmp_path / "trees" / "a" / "folder.yaml").mkdir()
    found = [one.path for one in targets_of([], Library(tmp_path))]
    shown = [path.relative_to(tmp_path).as_posix() for path in found if path is not None]
    assert shown == names
