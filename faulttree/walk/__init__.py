"""One diagnosis as a pure state machine: events in, state out. No screen, no disk."""

from faulttree.walk.events import Event, from_dict
from faulttree.walk.fold import fold
from faulttree.walk.state import End, State, Visit

__all__ = ["End", "Event", "State", "Visit", "fold", "from_dict"]
