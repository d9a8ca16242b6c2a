"""Which events move a walk."""

from __future__ import annotations

from faulttree.walk import events as ev

__all__ = ["moves_walk"]

STILL = (ev.Noted, ev.PhotoAdded, ev.CautionRead, ev.MinutesSet)


def moves_walk(event: ev.Event) -> bool:
    """Whether an event moves the walk: a remark, a photo or a caution read does not."""
    return not isinstance(event, STILL)
