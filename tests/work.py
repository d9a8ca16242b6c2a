"""Work counted instead of timed: the same on every machine, busy or not."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any, TypeVar

__all__ = ["HANG", "calls"]

T = TypeVar("T")

HANG = 300.0
"""Seconds after which a wait counts as a hang. It only ends a test that would never end."""


def calls(work: Callable[[], T]) -> tuple[T, int]:
    """What some work gives, and how many calls of functions it took.

    Calls of Python and of C functions count one each. Loops inside a C function count nothing.
    """
    count = 0

    def note(frame: FrameType, event: str, argument: Any) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        done = work()
    finally:
        sys.setprofile(before)
    return done, count
