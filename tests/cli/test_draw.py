"""``faulttree draw`` as it is typed."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from faulttree.cases import open_store
from faulttree.cli import run
from faulttree.diagram.picture import KINDS
from faulttree.tree import shipped_library
from faulttree.walk.events import Answered, Opened

ROOT = Path(__file__).parent.parent.parent
TREE = "usb-lamp/flickers"
LIBRARY = ("--library", str(ROOT))


def draw(*arguments: str) -> int:
    return run(["draw", *arguments])


@pytest.fixture
def record(tmp_path: Path) -> str:
    """A record with one case of the bench supply."""
    path = str(tmp_path / "record.db")
    tree = shipped_library().load("bench-supply/no-output")
    with open_store(path) as store:
        opened = Opened(
            at="2026-04-01T09:00:00Z", tree=tree.id, tree_hash=tree.hash, unit={"serial": "tag 14"}
        )
        fuse = Answered(at="2026-04-01T09:02:00Z", step="fuse", outcome="intact")
        low = Answered(
            at="2026-04-01T09:06:00Z", step="reservoir", outcome="low", reading={"text": "21.4 V"}
        )
        store.open_case([opened, fuse, low], tree_text=tree.text)
    return path


@pytest.mark.parametrize(
    ("kind", "start"),
    [
        ("svg", b"<svg "),
        ("html", b"<!DOCTYPE html>"),
        ("dot", b"digraph "),
        ("mermaid", b"flowchart "),
        ("sheet", b"<!DOCTYPE html>"),
    ],
)
def test_text_kinds_go_to_standard_output(
    kind: str, start: bytes, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert draw(TREE, "--as", kind, *LIBRARY) == 0
    out, err = capfdbinary.readouterr()
    assert out.startswith(start)
    assert err == b""


def test_the_kind_goes_by_the_ending_of_the_file(tmp_path: Path) -> None:
    for ending, start in ((".svg", b"<svg "), (".dot", b"digraph"), (".mmd", b"flowchart")):
        path = tmp_path / f"lamp{ending}"
        assert draw(TREE, "-o", str(path), *LIBRARY) == 0
        assert path.read_bytes().startswith(start)


def test_a_sheet_is_a_pdf_where_the_file_says_so(tmp_path: Path) -> None:
    pytest.importorskip("typst")
    path = tmp_path / "sheet.pdf"
    assert draw(TREE, "--as", "sheet", "-o", str(path), *LIBRARY) == 0
    assert path.read_bytes().startswith(b"%PDF-")


def test_pages_of_a_png_are_numbered_files(tmp_path: Path) -> None:
    pytest.importorskip("resvg_py")
    path = tmp_path / "lamp.png"
    status = draw(TREE, "--pages", "-o", str(path), *LIBRARY)
    if status == 0:
        assert (tmp_path / "lamp-1.png").read_bytes().startswith(b"\x89PNG")
        assert (tmp_path / "lamp-2.png").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("no-such/tree",), "There is no tree"),
        ((TREE, "-o", "lamp.docx"), "does not end like a picture"),
        ((TREE, "--as", "pdf"), "cannot be printed"),
        ((TREE, "--case", "tag 1"), "one thing at a time"),
        (("--counts",), "needs a tree"),
        (("--case", "tag 99"), "tag 99"),
        ((TREE, "-o", "no/such/folder/lamp.svg"), "No such file or directory"),
        ((TREE, "--as", "jpeg"), "jpeg"),
    ],
)
def test_what_cannot_be_drawn_is_said_in_one_message_with_exit_2(
    arguments: tuple[str, ...],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FAULTTREE_RECORD", str(tmp_path / "none.db"))
    assert draw(*arguments, *LIBRARY) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert said in err
    assert "Traceback" not in err


def test_a_case_is_drawn_on_the_tree_as_it_was_then(
    record: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    # A library that knows the tree no longer: the record holds the text of that day.
    (tmp_path / "trees").mkdir()
    assert draw("--case", "tag 14", "--record", record, "--library", str(tmp_path)) == 0
    drawn = ElementTree.fromstring(capfd.readouterr().out)
    said = " ".join(drawn.itertext())
    assert "21.4 V → low" in said
    assert "tag 14" in said
    assert "2026-04-01" in said


def test_counts_come_from_the_record(record: str, capfd: pytest.CaptureFixture[str]) -> None:
    tree = "bench-supply/no-output"
    assert draw(tree, "--counts", "--record", record, *LIBRARY) == 0
    assert "1 case counted" in capfd.readouterr().out


def test_a_missing_record_reads_as_empty(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "none.db"
    assert draw(TREE, "--counts", "--record", str(path), *LIBRARY) == 0
    assert "0 cases counted" in capfd.readouterr().out
    assert not path.exists()


def test_two_files_are_compared(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    source = ROOT / "trees" / f"{TREE}.yaml"
    changed = tmp_path / "changed.yaml"
    text = source.read_text()
    title = next(line for line in text.splitlines() if line.startswith("    title:"))
    changed.write_text(text.replace(title, f"{title} and more", 1))
    assert draw("--compare", str(source), str(changed), *LIBRARY) == 0
    assert ">changed<" in capfd.readouterr().out


def test_a_broken_tree_is_drawn_as_far_as_it_goes_and_said_so(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "broken.yaml"
    path.write_text(
        "title: Broken\nfamily: usb-lamp\nstart: lamp\n"
        "steps:\n  lamp: {ask: Does it light?, answers: {'yes': nowhere, 'no': dead}}\n"
        "faults:\n  dead: {title: Dead, remedy: Replace it.}\nstops: {}\n"
    )
    assert draw(str(path), *LIBRARY) == 0
    out, err = capfd.readouterr()
    assert "not in this tree" in out
    assert "error" in err


def test_without_a_tree_the_whole_library_is_drawn(capfd: pytest.CaptureFixture[str]) -> None:
    assert draw("--whole", *LIBRARY) == 0
    assert "families, trees, modules" in capfd.readouterr().out


def test_every_kind_is_offered() -> None:
    assert set(KINDS) == {"svg", "png", "pdf", "html", "dot", "mermaid", "sheet"}
