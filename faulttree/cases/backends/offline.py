"""A record whose server was away from the first: what is begun here waits on this bench."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NoReturn, TypeVar

from sqlalchemy import Connection

from faulttree.cases.backends.engines import in_memory
from faulttree.cases.backends.outbox import Outbox
from faulttree.cases.complete_case import CompleteCase
from faulttree.cases.errors import CutOff, NoSuchCase
from faulttree.cases.journal.file import JournalEntry, JournalItem
from faulttree.cases.queries import FIRST_ALONE
from faulttree.cases.store import Store

T = TypeVar("T")


class OfflineStore(Store):
    """Cases opened and gone on with while the server of a record is away.

    Each event is on the disk of this bench before it is acknowledged; tables in memory, drawn
    from what waits there, answer what is asked. The next store that reaches the server sends
    everything. It holds only what was begun on this bench without the server, so it is for
    walking, not for lists and reviews.

    Args:
        url: where the server is.
        folder: where what waits is kept.
        problem: why the server is away.
    """

    outbox: Outbox

    def __init__(self, url: str, folder: Path, problem: CutOff) -> None:
        super().__init__(url, in_memory())
        self.away = problem.message
        self.outbox = Outbox(folder, url, self.writer)
        self.last = FIRST_ALONE
        self._take_over()

    def merge(
        self, items: Sequence[JournalItem | CompleteCase], *, numbers: bool = False
    ) -> NoReturn:
        """Cases of other records are for the server itself.

        Raises:
            CutOff: always.
        """
        raise CutOff(self.away, remedy="Try again when the server is back.")

    def _take_over(self) -> None:
        """Go on with what stores that ended could not send."""
        left = list(self.outbox.left_behind())
        held = self._numbered([item for _, items in left for item in items])
        if held:
            # Here before it goes there: told twice is the same, told never would be lost.
            self.outbox.add(held)
        for path, _ in left:
            path.unlink(missing_ok=True)
        self._merged(held, numbers=True)

    def _numbered(self, held: Sequence[JournalItem]) -> list[JournalItem]:
        """What waits, each case with the number it has on this bench alone."""
        entries = [item for item in held if isinstance(item, JournalEntry)]
        given = {item.case: item.number for item in entries if item.number > FIRST_ALONE}
        self.last = max(self.last, *given.values(), FIRST_ALONE)
        for entry in entries:
            if entry.case not in given:
                given[entry.case] = self._wanted_number()
        return [
            replace(item, number=given[item.case]) if isinstance(item, JournalEntry) else item
            for item in held
        ]

    def _wanted_number(self) -> int:
        """The next number that no server gives."""
        self.last += 1
        return self.last

    def _record(
        self,
        work: Callable[[Connection], T],
        items: Sequence[JournalItem],
        *,
        sync: bool = False,
    ) -> T | None:
        self.outbox.add(items)
        return self.write(work)

    def send(self) -> int:
        """Nothing is sent before the server was reached at an opening."""
        return 0

    def _no_such(self, words: str) -> NoSuchCase:
        return NoSuchCase(
            f"no case {words!r} was begun on this bench while the server is away",
            remedy="What the server holds can be gone on with when it is back.",
        )
