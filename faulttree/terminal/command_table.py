"""Every word that can be typed at any point, and what it does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from faulttree.terminal.closing import give_up
from faulttree.terminal.commands import DOES, Does, do
from faulttree.terminal.repair import begin_repair

if TYPE_CHECKING:
    from faulttree.terminal.command_words import Typed
    from faulttree.terminal.open_case import BenchSession
    from faulttree.tree.model import Step

__all__ = ["obey"]


def obey(sitting: BenchSession, step: Step | None, typed: Typed) -> bool:
    """Do what a word asks; True where the walk moved by it."""
    return do(sitting, step, typed, _ALL)


def _repaired(sitting: BenchSession, step: Step | None, rest: str) -> None:
    begin_repair(sitting, rest)


def _give_up(sitting: BenchSession, step: Step | None, rest: str) -> None:
    give_up(sitting)


_ALL: Mapping[str, Does] = {**DOES, "repaired": _repaired, "give up": _give_up}
