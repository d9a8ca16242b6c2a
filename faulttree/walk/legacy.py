"""What events of earlier record versions say in words, read as data. Nothing else parses words.

Version 1 kept why a step was gone to as a sentence in ``reason``, and the step that a guard
was put before at the end of that sentence. Events are never changed, so they are read here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from faulttree.walk.events import Cause, Jumped

__all__ = ["Purpose", "jump_purpose"]

GUARD = "it may find the unit unsafe, before "
"""Version 1: the step that was asked for follows."""

CAUSES: Mapping[str, Cause] = {
    "chosen at the bench": "asked",
    "gone on by eye": "asked",
    "asked for, and what comes first has let it pass": "guard-passed",
    "an open suspect, before giving up": "suspect",
    "most still to be learned here": "most-to-learn",
    "skipped before": "skipped-before",
    "back from another step": "back",
    "the proof, after all": "proof",
    "the failed closing check again": "closing",
}
"""Version 1: the sentence → the cause it stands for."""


class Purpose(NamedTuple):
    """Why a step was gone to, and the step that the walk continues to after it."""

    cause: Cause | str
    then: str = ""


def jump_purpose(jump: Jumped) -> Purpose:
    """Why a step was gone to, whichever version recorded it; an empty cause is not known.

    Example:
        >>> jump_purpose(Jumped(step="fuse", reason="it may find the unit unsafe, before rail"))
        Purpose(cause='guard', then='rail')
        >>> jump_purpose(Jumped(step="rail", cause="asked"))
        Purpose(cause='asked', then='')
    """
    if jump.cause:
        return Purpose(jump.cause, jump.then)
    if jump.reason.startswith(GUARD):
        return Purpose("guard", jump.reason.removeprefix(GUARD))
    return Purpose(CAUSES.get(jump.reason, ""))
