"""What a rule yields: the matter, its place inside a document, and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass

from faulttree.tree.model import Where

__all__ = ["RawFinding"]


@dataclass(frozen=True, slots=True)
class RawFinding:
    """What a rule yields: the place inside a document, not yet a line of a file.

    Attributes:
        where: document and keys.
        message: one sentence that names the matter.
        mend: what to do about it.
        of_key: the last key itself is meant, not its value.
    """

    where: Where
    message: str
    mend: str
    of_key: bool = False
