"""Remarks kept with a case: the events that hold them, with what was decided on each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from faulttree.tips.remarks import Remark
from faulttree.tips.sorting import SortedGroup, SortedRemarks
from faulttree.walk.events import Event, RemarkKept
from faulttree.walk.history import counted

NOT_SAFE = "not safe"
NO_TEST = "no test in it"
NO_SUSPECT = "no suspect named"


def kept(
    found: SortedRemarks,
    events: Iterable[Event],
    *,
    at: str,
    since: Mapping[int, str] | None = None,
    contradicted: Mapping[int, str] | None = None,
    left: Iterable[int] = (),
) -> tuple[RemarkKept, ...]:
    """Events for the remarks that a case does not hold yet, or with a new decision on them.

    Args:
        found: the remarks sorted with the tree of the case.
        events: the events of the case.
        at: the time, UTC, ISO 8601.
        since: number of a remark → the fault that it means, for faults that the tree has got
            since the case was opened.
        contradicted: suspect, from 1 in the order of ``found.groups`` → why it is not so.
        left: suspects left alone, by the same numbers.
    """
    held = {(one.author, one.text): one.decision for one in events_kept(events)}
    contradicted, left = contradicted or {}, frozenset(left)
    groups: dict[int, tuple[int, SortedGroup]] = {}
    for place, group in enumerate(found.groups, 1):
        for number in group.remarks:
            groups.setdefault(number, (place, group))
    new = []
    for one in found.remarks:
        placed = groups.get(one.number)
        decision, fault, reason = _decision(
            one.number, found, placed, since or {}, contradicted, left
        )
        before = held.get((one.author, one.text))
        told = placed is not None and (placed[0] in contradicted or placed[0] in left)
        if not one.text.strip() or (before is not None and (not told or before == decision)):
            continue
        held[one.author, one.text] = decision
        new.append(RemarkKept(at=at, text=one.text, author=one.author, said=one.date,
                              decision=decision, fault=fault, reason=reason))  # fmt: skip
    return tuple(new)


def _decision(
    number: int,
    found: SortedRemarks,
    placed: tuple[int, SortedGroup] | None,
    since: Mapping[int, str],
    contradicted: Mapping[int, str],
    left: frozenset[int],
) -> tuple[str, str, str]:
    """What is decided on one remark, the fault, and the reason."""
    if number in found.unsafe:
        return "left", "", NOT_SAFE
    if placed is None:
        return "left", "", NO_TEST if number in found.no_test else NO_SUSPECT
    place, group = placed
    if place in contradicted:
        return "contradicted", group.fault or "", contradicted[place]
    if place in left:
        return "left", "", "left by decision"
    if group.fault:
        return "attached", group.fault, ""
    if number in since:
        return "added", since[number], ""
    return "left", "", "several faults fit" if group.candidates else "the tree has no such fault"


def events_kept(events: Iterable[Event]) -> tuple[RemarkKept, ...]:
    """The newest event of each remark that a case holds; those with erased words are left out."""
    newest: dict[tuple[str, str], RemarkKept] = {}
    for one in counted(events):
        if isinstance(one, RemarkKept) and one.text.strip():
            newest[one.author, one.text] = one
    return tuple(newest.values())


def remarks_kept(events: Iterable[Event]) -> tuple[Remark, ...]:
    """The remarks that a case holds, in their order.

    Example:
        >>> remarks_kept([RemarkKept(text="It is the fuse.", author="ann")])
        (Remark(number=0, text='It is the fuse.', author='ann', date='', unit=''),)
    """
    return tuple(
        Remark(number, one.text, one.author, one.said)
        for number, one in enumerate(events_kept(events))
    )


def reasons_kept(events: Iterable[Event]) -> dict[int, str]:
    """Number of a remark → why it was marked as contradicted."""
    return {
        number: one.reason
        for number, one in enumerate(events_kept(events))
        if one.decision == "contradicted"
    }
