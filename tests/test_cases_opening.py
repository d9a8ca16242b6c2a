"""A record is opened and made by many programs at once, and none loses a case."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from faulttree.cases import open_store
from tests.postgres import shared

WALKS = textwrap.dedent(
    """
    import pathlib, sys, time
    from faulttree.cases import open_store
    from tests.benches import answered, opened

    url, writer, walks, folder = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
    pathlib.Path(folder, f"ready-{writer}").touch()
    while not pathlib.Path(folder, "go").exists():
        time.sleep(0.0005)
    for walk in range(walks):
        with open_store(url) as store:
            case = store.open_case([opened(f"unit {writer}-{walk}")])
            store.append(case, 1, answered())
        print(f"unit {writer}-{walk}", flush=True)
    """
)


def kept_of_a_fresh_record(url: str, folder: Path, programs: int, walks: int) -> int:
    """Start programs together on a record that is not there yet; gives the cases it has then.

    Each walk opens the record, keeps two events and closes it, as one command does.
    """
    folder.mkdir()
    command = [sys.executable, "-c", WALKS, url]
    started = [
        subprocess.Popen(
            [*command, str(writer), str(walks), str(folder)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)},
        )
        for writer in range(programs)
    ]
    while len(list(folder.glob("ready-*"))) < programs:
        assert all(one.poll() is None for one in started)
        time.sleep(0.005)
    (folder / "go").touch()
    said = [one.communicate() for one in started]
    assert [errors for _, errors in said] == [""] * programs
    told = {line for out, _ in said for line in out.splitlines()}
    with open_store(url) as store:
        assert {case.serial for case in store.list() if case.events == 2} == told
        return store.count()


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_programs_that_make_a_record_together_lose_nothing(kind: str, tmp_path: Path) -> None:
    for attempt in range(3):
        server = shared() if kind == "postgres" else None
        url = server.url(server.database()) if server else str(tmp_path / f"{attempt}.sqlite")
        assert kept_of_a_fresh_record(url, tmp_path / f"start-{attempt}", 6, 1) == 6


@pytest.mark.soak
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_eight_programs_of_ten_walks_ten_times(kind: str, tmp_path: Path) -> None:
    kept = 0
    for attempt in range(10):
        server = shared() if kind == "postgres" else None
        url = server.url(server.database()) if server else str(tmp_path / f"{attempt}.sqlite")
        kept += kept_of_a_fresh_record(url, tmp_path / f"start-{attempt}", 8, 10)
    assert kept == 800
