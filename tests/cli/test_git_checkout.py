"""A library in git: what is no checkout is told apart."""

from __future__ import annotations

from pathlib import Path

from faulttree.cli.git_checkout import is_checkout


def test_a_plain_folder_is_no_checkout(tmp_path: Path) -> None:
    assert not is_checkout(tmp_path)
