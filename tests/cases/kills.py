"""Work on a record, killed at a random moment again and again; what was acknowledged must be there.

A program of its own: ``python -m tests.cases.kills JOB TIMES FOLDER``. It forks for each turn, so
that the libraries are loaded once.
"""

from __future__ import annotations

import io
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from faulttree.cases import open_store
from faulttree.cases.backends.file_lock import FileLock
from faulttree.cases.journal.file import journal_path
from faulttree.cases.repair.backup import back_up_record
from faulttree.cases.repair.verify import is_damaged, salvage, verify
from faulttree.cases.schema import VERSION
from faulttree.cases.transfer import importer
from faulttree.cases.transfer.export import lines
from faulttree.cases.transfer.importer import load
from faulttree.walk.events import Event
from tests.cases.old_records import DATA, restored
from tests.cases.samples import TEXT, answered, opened

Told = Callable[[str], None]
Events = dict[str, tuple[Event, ...]]


def events_of(path: Path) -> Events:
    with open_store(str(path)) as store:
        return {case.id: store.events(case.id) for case in store.list()}


def is_sound(path: Path) -> bool:
    with open_store(str(path)) as store:
        return verify(store).sound


def some_cases(path: Path, many: int) -> None:
    with open_store(str(path)) as store:
        for index in range(many):
            case = store.open_case([opened(f"unit {index}")], tree_text=TEXT)
            store.append(case, 1, *(answered(f"step-{at}") for at in range(6)))


class Job:
    """One kind of work. ``prepare`` makes its place, ``work`` is killed, ``check`` looks after."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "record.sqlite"

    def prepare(self, turn: int) -> None:
        """What must be there before a turn."""

    def work(self, told: Told) -> None:
        """What is killed; acknowledges with ``told``."""
        raise NotImplementedError

    def check(self, told: list[str]) -> None:
        """Nothing that was acknowledged is lost, and the work can be done to its end."""
        raise NotImplementedError


class Walk(Job):
    """Cases opened and answered in one record that grows."""

    def work(self, told: Told) -> None:
        with open_store(str(self.path)) as store:
            for _ in range(3):
                case = store.open_case([opened()], tree_text=TEXT)
                told(f"{case} 1")
                for at in range(1, 6):
                    store.append(case, at, answered(f"step-{at}"))
                    told(f"{case} {at + 1}")

    def check(self, told: list[str]) -> None:
        with open_store(str(self.path)) as store:
            for line in told:
                case, many = line.split()
                assert store.case(case).events >= int(many)
        assert is_sound(self.path)

    def prepare(self, turn: int) -> None:
        if turn % 50 == 0:
            shutil.rmtree(self.folder)
            self.folder.mkdir()


class Creation(Walk):
    """The same, in a record that is not there yet."""

    def prepare(self, turn: int) -> None:
        shutil.rmtree(self.folder)
        self.folder.mkdir()


class Upgrade(Job):
    """A record of version 1 brought up to date."""

    def prepare(self, turn: int) -> None:
        shutil.rmtree(self.folder)
        self.folder.mkdir()
        restored(DATA, self.folder)
        with open_store(str(self.path), read_only=True) as store:
            self.whole = {case.id: store.events(case.id) for case in store.list()}

    def work(self, told: Told) -> None:
        open_store(str(self.path)).close()
        told("done")

    def check(self, told: list[str]) -> None:
        assert events_of(self.path) == self.whole
        copy = self.path.with_name(f"{self.path.name}.before-version-2")
        with open_store(str(copy), read_only=True) as store:
            assert {case.id: store.events(case.id) for case in store.list()} == self.whole
        assert VERSION > 2


class Repair(Job):
    """A damaged record made again from itself and its journal."""

    def prepare(self, turn: int) -> None:
        shutil.rmtree(self.folder)
        self.folder.mkdir()
        some_cases(self.path, 6)
        self.whole = events_of(self.path)
        data = bytearray(self.path.read_bytes())
        at = random.Random(turn).randrange(len(data) // 2)
        data[at : at + 8192] = bytes(min(8192, len(data) - at))
        self.path.write_bytes(bytes(data))

    def work(self, told: Told) -> None:
        lock = FileLock(self.path, alone=True)
        if is_damaged(self.path):
            salvage(self.path)
        lock.close()
        told("done")

    def check(self, told: list[str]) -> None:
        self.work(lambda _: None)
        assert events_of(self.path) == self.whole
        assert is_sound(self.path)


class Backup(Job):
    """A backup made over an earlier one, while the record stays in use."""

    def prepare(self, turn: int) -> None:
        if turn == 0:
            some_cases(self.path, 20)
            self.whole = events_of(self.path)
            self.work(lambda _: None)

    def work(self, told: Told) -> None:
        back_up_record(str(self.path), self.folder / "copy" / "b.sqlite", at=AT)
        told("done")

    def check(self, told: list[str]) -> None:
        assert events_of(self.path) == self.whole
        copy = self.folder / "check" / "b.sqlite"
        shutil.rmtree(copy.parent, ignore_errors=True)
        shutil.copytree(self.folder / "copy", copy.parent)
        assert events_of(copy) == self.whole
        assert is_sound(copy)


class Import(Job):
    """An export brought into a record."""

    def prepare(self, turn: int) -> None:
        source = self.folder.parent / "source.sqlite"
        if turn == 0:
            some_cases(source, 60)
            importer.BATCH = 8
            self.whole = events_of(source)
            with open_store(str(source)) as store:
                self.export = "".join(f"{one}\n" for one in lines(store, store.list())).encode()
        shutil.rmtree(self.folder)
        self.folder.mkdir()

    def work(self, told: Told) -> None:
        with open_store(str(self.path)) as store:
            load(store, io.BytesIO(self.export), "export", progress=lambda done: told(str(done)))

    def check(self, told: list[str]) -> None:
        there = events_of(self.path)
        taken = self.export[: int(told[-1])].count(b"\n") if told else 0
        assert len(there) >= taken
        assert there.items() <= self.whole.items()
        self.work(lambda _: None)
        assert events_of(self.path) == self.whole
        assert is_sound(self.path)


class WriteUp(Job):
    """A solved case written into its tree, and closed."""

    def prepare(self, turn: int) -> None:
        from tests.authoring.samples import ANSWERS, CAUSE, TEST, TREE, walked_desk

        shutil.rmtree(self.folder)
        self.folder.mkdir()
        with pytest.MonkeyPatch.context() as patch, redirect_stdout(io.StringIO()):
            self.tree = walked_desk(self.folder, patch, TREE, ANSWERS)
            self.record = os.environ["FAULTTREE_RECORD"]
        self.words = ["write-up", "1", *CAUSE, *TEST, "--yes", "--record", self.record]
        self.words += ["--library", str(self.tree.parents[2])]
        self.before = self.tree.read_bytes()

    def work(self, told: Told) -> None:
        from faulttree.cli import run

        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            assert run(self.words) == 0
        told("done")

    def check(self, told: list[str]) -> None:
        from faulttree.authoring.pending import finish_write_ups

        with open_store(self.record) as store:
            list(finish_write_ups(self.tree.parents[2], store))
            closed = store.find("#1").fault == "torn-filament"
            assert closed == (self.tree.read_bytes() != self.before)
            assert closed or not told
        assert is_sound(Path(self.record))


AT = "2026-02-11T09:00:00.000Z"
JOBS: dict[str, type[Job]] = {
    "walk": Walk, "creation": Creation, "upgrade": Upgrade, "repair": Repair,
    "backup": Backup, "import": Import, "write-up": WriteUp,
}  # fmt: skip


def child(work: Callable[[Told], None], told: Path) -> int:
    """Do the work in another process; gives its id."""
    number = os.fork()
    if number:
        return number
    file = os.open(told, os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    try:
        work(lambda line: os.write(file, f"{line}\n".encode()) and None)
        os._exit(0)
    except BaseException as error:
        os.write(2, f"{error!r}\n".encode())
        os._exit(3)


def main(job: Job, times: int, seed: int) -> dict[str, Any]:
    """Kill it so often; gives what happened. Raises where something is lost."""
    chance = random.Random(seed)
    told = job.folder.parent / "told"
    longest, kills, turn, acknowledged = 0.0, 0, 0, 0
    while kills < times:
        job.prepare(turn)
        told.write_bytes(b"")
        began = time.monotonic()
        number = child(job.work, told)
        if turn:
            time.sleep(chance.random() * longest)
            os.kill(number, signal.SIGKILL)
        ended = os.waitpid(number, 0)[1]
        if not turn:
            longest = time.monotonic() - began
        assert ended in {0, signal.SIGKILL}, f"turn {turn}: the work ended with {ended}"
        kills += ended == signal.SIGKILL
        # A line that was cut by the kill acknowledges nothing.
        whole = told.read_text().split("\n")[:-1]
        acknowledged += len(whole)
        job.check(whole)
        turn += 1
    return {"kills": kills, "turns": turn, "acknowledged": acknowledged}


if __name__ == "__main__":
    place = Path(sys.argv[3]) / "job"
    place.mkdir(parents=True)
    print(main(JOBS[sys.argv[1]](place), int(sys.argv[2]), seed=len(sys.argv[1])))
    assert not journal_path(place).exists()
