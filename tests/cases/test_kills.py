"""Work killed at a random moment: nothing acknowledged is lost, and it can be done to its end."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cases.kills import JOBS


def killed(job: str, times: int, folder: Path) -> None:
    program = [sys.executable, "-m", "tests.cases.kills", job, str(times), str(folder)]
    root = Path(__file__).parents[2]
    done = subprocess.run(program, capture_output=True, text=True, cwd=root, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert f"'kills': {times}" in done.stdout


@pytest.mark.parametrize("job", sorted(JOBS))
def test_what_a_kill_interrupts_loses_nothing(job: str, tmp_path: Path) -> None:
    killed(job, 2, tmp_path)


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("job", sorted(JOBS))
def test_what_five_hundred_kills_interrupt_loses_nothing(job: str, tmp_path: Path) -> None:
    killed(job, 500, tmp_path)
