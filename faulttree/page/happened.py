"""What happened in a case, an event in one line, for whoever came too late."""

from __future__ import annotations

from typing import TYPE_CHECKING

from faulttree.walk import events as ev

if TYPE_CHECKING:
    from faulttree.walk.events import Event

__all__ = ["happened"]

NAMED = ("step", "fault", "caution", "outcome", "what", "value", "text", "reason", "result")


def happened(event: Event) -> str:
    """One event in words, with the device that it came from.

    Example:
        >>> happened(ev.Answered(step="fuse", outcome="blown", device="tablet"))
        'answered: fuse, blown (by tablet)'
    """
    told = [str(getattr(event, name, "") or "") for name in NAMED]
    if isinstance(event, ev.Answered) and event.reading:
        told.insert(1, str(event.reading.get("text", "")))
    by = f" (by {event.device})" if event.device else ""
    return f"{event.kind.replace('-', ' ')}: {', '.join(filter(None, told))}{by}"
