"""A write-up ends whole: the tree file and the case, or neither, wherever it is interrupted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from faulttree.authoring import pending
from faulttree.cases import Case, open_store
from faulttree.cli import run
from faulttree.errors import RecordError
from tests.authoring.samples import ANSWERS, CAUSE, TEST, TREE, walked_desk

Said = pytest.CaptureFixture[str]
WRITE_UP = ["write-up", "1", *CAUSE, *TEST, "--yes"]


class PowerCut(BaseException):
    """The program ends here and cleans nothing up."""


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return walked_desk(tmp_path, monkeypatch, TREE, ANSWERS)


def case_of(desk: Path) -> Case:
    with open_store(str(desk.parents[2] / "record.db"), read_only=True) as store:
        return store.find("#1")


def interrupted(monkeypatch: pytest.MonkeyPatch, where: str, error: BaseException) -> None:
    """Do a write-up that ends before its n-th event, or before or after the file is replaced."""
    real: dict[str, Callable[..., Any]] = {
        "write_all": pending.write_all, "record_ending": pending.record_ending,
    }  # fmt: skip

    def stop(*_: Any) -> None:
        raise error

    def after(*given: Any) -> None:
        real["write_all"](*given)
        raise error

    def some_events(store: Any, *given: Any) -> None:
        append, done = store.append, []

        def once(*event: Any) -> None:
            if len(done) == int(where):
                raise error
            done.append(event)
            append(*event)

        store.append = once
        real["record_ending"](store, *given)

    with monkeypatch.context() as patch:
        if where == "before":
            patch.setattr(pending, "write_all", stop)
        elif where == "after":
            patch.setattr(pending, "write_all", after)
        else:
            patch.setattr(pending, "record_ending", some_events)
        with pytest.raises(type(error)):
            run(WRITE_UP)


def pending_files(desk: Path) -> list[str]:
    return sorted(file.name for file in (desk.parents[2] / pending.FOLDER).glob("*"))


def test_before_the_file_is_replaced_it_is_taken_back(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupted(monkeypatch, "before", PowerCut())
    assert len(pending_files(desk)) == 1
    assert run(["write-up", "1", *CAUSE, *TEST, "--json"]) == 0
    assert "is taken back" in capsys.readouterr().err
    assert desk.read_text() == TREE
    assert case_of(desk).result == "unsolved"
    assert pending_files(desk) == []


@pytest.mark.parametrize("where", ["after", "0", "1", "2"])
def test_once_the_file_is_replaced_the_case_is_closed(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    interrupted(monkeypatch, where, PowerCut())
    new = desk.read_text()
    assert "torn-filament" in new
    assert case_of(desk).result != "fixed"
    assert run(["write-up", "1", "--json"]) == 0
    assert "completed now" in capsys.readouterr().err
    assert desk.read_text() == new
    case = case_of(desk)
    assert (case.state, case.result, case.fault) == ("closed", "fixed", "torn-filament")
    assert pending_files(desk) == []


def test_a_file_changed_meanwhile_is_left_and_both_texts_are_named(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupted(monkeypatch, "after", PowerCut())
    intended = desk.read_text()
    desk.write_text(TREE + "# another hand\n")
    assert run(["diagnose", "lamp/dark", "--answers", "walk.yaml"]) == 0
    told = " ".join(capsys.readouterr().err.split())
    assert "trees/lamp/dark.yaml was changed since" in told
    (name,) = pending_files(desk)
    assert f".write-up/{name}" in told
    assert (desk.parents[2] / ".write-up" / name).read_text() == intended
    assert desk.read_text() == TREE + "# another hand\n"
    assert case_of(desk).result == "unsolved"


def test_a_case_that_cannot_be_closed_leaves_the_file_as_it_was(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> None:
        raise RecordError("somebody closed it meanwhile")

    monkeypatch.setattr(pending, "record_ending", refuse)
    assert run(WRITE_UP) == 2
    assert "somebody closed it" in capsys.readouterr().err
    assert desk.read_text() == TREE
    assert not (desk.parents[2] / ".write-up").exists()


def test_another_record_leaves_the_write_up_for_its_own(
    desk: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    interrupted(monkeypatch, "after", PowerCut())
    assert run(["write-up", "1", "--json", "--record", "other.db"]) == 2
    assert "name the right --record" in capsys.readouterr().err
    assert len(pending_files(desk)) == 1
