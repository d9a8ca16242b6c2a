"""Ids of steps, faults and stops: which are reserved, and which are still free."""

from __future__ import annotations

from collections.abc import Container

RESERVED = frozenset({"back", "closing", "note", "repair", "skip"})
"""Words that mean something else at the bench: no step, fault or stop may have them as id."""

RESERVED_SINCE_2 = frozenset({"before-power", "close", "mains"})
"""Words that the format took later: trees that used them before are still read."""


def free_id(wanted: str, taken: Container[str]) -> str:
    """The requested id, or the first free one with a number appended."""
    name, turn = wanted, 1
    while name in taken or name in RESERVED | RESERVED_SINCE_2:
        turn += 1
        name = f"{wanted}-{turn}"
    return name
