"""Every word that can be typed at any point, and what it does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from faulttree.bench.doing import DOES, Does, do
from faulttree.bench.ending import give_up
from faulttree.bench.repairing import begin_repair

if TYPE_CHECKING:
    from faulttree.bench.sitting import Sitting
    from faulttree.bench.words import Typed
    from faulttree.tree.model import Step

__all__ = ["obey"]


def obey(sitting: Sitting, step: Step | None, typed: Typed) -> bool:
    """Do what a word asks; True where the walk moved by it."""
    return do(sitting, step, typed, _ALL)


def _repaired(sitting: Sitting, step: Step | None, rest: str) -> None:
    begin_repair(sitting, rest)


def _give_up(sitting: Sitting, step: Step | None, rest: str) -> None:
    give_up(sitting)


_ALL: Mapping[str, Does] = {**DOES, "repaired": _repaired, "give up": _give_up}
