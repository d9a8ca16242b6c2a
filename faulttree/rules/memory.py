"""What was found before, by content: an unchanged file is not looked at again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from faulttree.rules.checking import Target
    from faulttree.rules.examining import Looked

__all__ = ["Memory"]


class Memory:
    """Results by content."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder

    def __enter__(self) -> Memory:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        return None

    def recall(self, targets: Sequence[Target]) -> list[Looked | None]:
        """What is known of each target."""
        return [None] * len(targets)

    def keep(self, looked: Mapping[int, Looked]) -> None:
        """Keep what is new."""
