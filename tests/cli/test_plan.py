"""``faulttree plan``: what it prints, writes and refuses."""

from __future__ import annotations

import json
import os
import random
import signal
import threading
import time
from pathlib import Path

import pytest

from faulttree.cli import run
from faulttree.tree import Library, examine

TABLE = """fault,weight,lamp,rail,ripple
minutes,,1,4,6
access,,,cover-off:6,cover-off
after,,,,rail
dry reservoir,4,off,low,high
open bridge,1,off,low,low
blown fuse,2,off,dead,
broken lead,2,off,dead,
dim display,1,on,,
"""


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "no-output.csv"
    path.write_text(TABLE, encoding="utf-8")
    return path


def test_the_plan_is_printed_with_what_it_saves(
    table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["plan", str(table)]) == 0
    said = capsys.readouterr().out
    assert "5 faults, 3 tests" in said
    assert "the cheapest there is" in said
    assert "blown fuse, broken lead" in said
    assert "detect 100 % of the faults" in said


def test_json_is_one_document_with_numbers_as_they_are(
    table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["plan", str(table), "--json"]) == 0
    captured = capsys.readouterr()
    document = json.loads(captured.out)
    assert captured.err == ""
    assert document["exact"] is True
    assert document["groups"] == [["blown fuse", "broken lead"]]
    # lamp, then the cover and the rail for nine in ten, then ripple for five in nine of them.
    assert document["expected_minutes"] == pytest.approx(1 + 0.9 * 10 + 0.5 * 6)
    assert document["lower_bound"] == document["expected_minutes"]
    assert document["tree"]["start"] == "lamp"


def test_the_tree_it_writes_passes_check_and_names_its_family(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "library" / "trees" / "step-ladder" / "planned.yaml"
    out.parent.mkdir(parents=True)
    assert run(["plan", str(table), "-o", str(out)]) == 0
    assert "Written to" in capsys.readouterr().err
    assert run(["check", str(out), "--fail-on", "warning"]) == 0
    tree = Library(tmp_path / "library").load("step-ladder/planned")
    assert tree.family == "step-ladder"
    assert set(tree.faults) == {
        "dry-reservoir", "open-bridge", "blown-fuse", "broken-lead", "dim-display",
    }  # fmt: skip
    assert not tree.loose
    assert tree.access["cover-off"].minutes == 6


def test_a_tree_is_planned_by_id_and_by_file(capsys: pytest.CaptureFixture[str]) -> None:
    root = Path(__file__).parent.parent.parent
    little = ["--json", "--work", "500"]
    assert run(["plan", "usb-lamp/flickers", *little, "--library", str(root)]) == 0
    by_id = json.loads(capsys.readouterr().out)
    path = root / "trees" / "usb-lamp" / "flickers.yaml"
    assert run(["plan", str(path), *little]) == 0
    by_file = json.loads(capsys.readouterr().out)
    assert by_id["expected_minutes"] == pytest.approx(by_file["expected_minutes"])
    assert by_id["expected_minutes"] <= by_id["before"]


@pytest.mark.parametrize("tree", ["bench-supply/no-output", "powered-loudspeaker/hums"])
def test_the_plan_of_a_shipped_tree_is_a_tree_without_errors(
    tree: str, capsys: pytest.CaptureFixture[str]
) -> None:
    root = Path(__file__).parent.parent.parent
    arguments = ["plan", tree, "--json", "--seconds", "0", "--library", str(root)]
    assert run(arguments) == 0
    document = json.loads(capsys.readouterr().out)
    shipped = Library(root).load(tree)
    found = examine({**shipped.bundle, "tree": document["tree"]})
    assert [one for one in found.findings if one.level == "error"] == []
    assert found.tree is not None
    assert set(found.tree.faults) == set(shipped.faults)
    assert set(found.tree.loose) == set(document["loose"])
    assert found.tree.cautions == shipped.cautions


def test_damage_is_told_by_line_and_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("fault,weight,a\nx,heavy,1\n", encoding="utf-8")
    assert run(["plan", str(path)]) == 2
    said = capsys.readouterr()
    assert "bad.csv:2:3: 'heavy' is no number" in said.err
    assert said.out == ""


def test_an_old_code_page_is_read_and_noise_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "old.csv"
    path.write_bytes("fault,weight,Prüfung\nx,1,ja\ny,1,nein\n".encode("cp1252"))
    assert run(["plan", str(path)]) == 0
    assert "Prüfung" in capsys.readouterr().out
    path.write_bytes(b"fault,weight,a\n\x81\x8d,1,2\n")
    assert run(["plan", str(path)]) == 2
    assert "old.csv:2:1: the file is not text" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["none.csv", "no-such/tree", "folder.csv"])
def test_what_is_not_there_is_said_without_a_traceback(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.csv").mkdir()
    assert run(["plan", name]) == 2
    said = capsys.readouterr().err
    assert said.startswith("faulttree: ")
    assert "Traceback" not in said


def test_the_table_itself_is_not_overwritten(
    table: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["plan", str(table), "-o", str(table)]) == 2
    assert table.read_text(encoding="utf-8") == TABLE
    assert "Name another file" in capsys.readouterr().err


def test_an_output_that_cannot_be_written_is_one_message(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["plan", str(table), "-o", str(tmp_path / "no" / "folder.yaml")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def interrupt_once_it_is_listened_for() -> None:
    """Send Ctrl-C as soon as the command has its own way of taking it."""
    usual = signal.getsignal(signal.SIGINT)

    def wait_and_send() -> None:
        while signal.getsignal(signal.SIGINT) is usual:
            time.sleep(0.001)
        os.kill(os.getpid(), signal.SIGINT)

    threading.Thread(target=wait_and_send, daemon=True).start()


def test_ctrl_c_gives_the_best_so_far(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = random.Random(4)
    tests = [f"t{i}" for i in range(60)]
    lines = [f"fault,weight,{','.join(tests)}"]
    lines += [
        f"f{i},{rng.lognormvariate(0, 1):.4f}," + ",".join(str(rng.randint(0, 1)) for _ in tests)
        for i in range(150)
    ]
    path = tmp_path / "large.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    interrupt_once_it_is_listened_for()
    # Unstopped, it would look for something better for more than a day.
    assert run(["plan", str(path), "--json", "--seconds", "100000"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert 0 < document["lower_bound"] <= document["expected_minutes"]


def test_work_instead_of_seconds_gives_the_same_plan_again(
    capsys: pytest.CaptureFixture[str],
) -> None:
    root = Path(__file__).parent.parent.parent
    said = set()
    for _ in range(2):
        arguments = ["plan", "soldering-station/does-not-heat", "--work", "20", "--json"]
        assert run([*arguments, "--library", str(root)]) == 0
        said.add(capsys.readouterr().out)
    (document,) = said
    assert not json.loads(document)["exact"]
