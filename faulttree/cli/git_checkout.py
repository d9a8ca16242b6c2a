"""A library that is a git checkout: what would be committed, and the commit once asked for."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

from faulttree.errors import TreeError

SECONDS = 60.0


def is_checkout(folder: Path) -> bool:
    """Whether a folder lies in a git checkout and git is there to ask."""
    try:
        answer = _git(folder, "rev-parse", "--is-inside-work-tree")
    except (OSError, subprocess.SubprocessError):
        return False
    return answer.returncode == 0 and answer.stdout.strip() == "true"


def commit(folder: Path, files: Sequence[Path], message: str) -> str:
    """Commit these files and nothing else, whatever else is staged; gives the new commit.

    Raises:
        TreeError: git is not there, or refuses; the files stay written.
    """
    names = [str(path.resolve()) for path in files]
    try:
        for words in (
            ("add", "--", *names),
            ("commit", "--quiet", "--only", "--file=-", "--", *names),
        ):
            done = _git(folder, *words, said=message if words[0] == "commit" else "")
            if done.returncode:
                raise _refused(folder, done.stderr or done.stdout)
        return _git(folder, "rev-parse", "--short", "HEAD").stdout.strip()
    except (OSError, subprocess.SubprocessError) as error:
        raise _refused(folder, str(error)) from None


def _git(folder: Path, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - no shell, and paths stand behind `--`
        ["git", "-C", str(folder), *words],  # noqa: S607 - the git that the user has
        input=said,
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=False,
    )


def _refused(folder: Path, why: str) -> TreeError:
    first = next((line for line in why.splitlines() if line.strip()), "no reason given")
    return TreeError(
        f"The files are written, but git did not commit them: {first.strip()}",
        path=folder,
        remedy="Commit them by hand.",
    )
