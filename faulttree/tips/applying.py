"""Sorted remarks kept: as suspects of a tree, or as the tests of a first tree."""

from __future__ import annotations

import datetime as dt
from typing import Any

from faulttree.authoring.cause import Cause, Test
from faulttree.authoring.operations.new_tree import KnownTest, Start, from_known
from faulttree.authoring.operations.suspects import Statement, SuspectAddition, add_suspect
from faulttree.errors import TreeError
from faulttree.tips.sorting import SortedGroup, SortedRemarks
from faulttree.tree import Library

LONGEST = 300
"""Characters of a remark that a step quotes."""


def statement_of(found: SortedRemarks, group: SortedGroup, day: str, reason: str = "") -> Statement:
    """The source of a suspect: who said it, and on which day; unsafe remarks give none.

    Args:
        found: all sorted remarks.
        group: one suspect of them.
        day: the day where no remark has a date, as YYYY-MM-DD.
        reason: why it is contradicted; empty for a report.
    """
    said = [one for one in found.remarks if one.number in group.remarks]
    safe = [one for one in said if one.number not in found.unsafe]
    names = list(dict.fromkeys(one.author or "somebody without a name" for one in safe))
    if not names:
        remedy = "Leave this suspect, or add it by hand with `faulttree suspect add`."
        raise TreeError(f"Only unsafe remarks name `{group.suspect}`.", remedy=remedy)
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    days = sorted(one.date for one in safe if _is_day(one.date))
    source = f"remarks of {', '.join(names[:3])}{more}"
    kind = "contradicted" if reason else "reported"
    return Statement(source, days[-1] if days else day, kind, reason)


def add_group(
    library: Library,
    tree: str,
    found: SortedRemarks,
    group: SortedGroup,
    day: str,
    reason: str = "",
) -> SuspectAddition:
    """Add a suspect to a tree, or its source to the fault that it means; nothing is written yet.

    Raises:
        TreeError: only unsafe remarks name it, or the tree cannot take it.
    """
    said = statement_of(found, group, day, reason)
    if group.fault:
        return add_suspect(library, tree, Cause(fault=group.fault), said)
    cause = Cause(title=_title(group), remedy=_remedy(group), part=group.part)
    return add_suspect(library, tree, cause, said)


def first_tree(start: Start, found: SortedRemarks, day: str) -> dict[str, Any]:
    """A tree of the suspects that a safe remark gives a test for, as plain data.

    Args:
        start: id, title and symptoms.
        found: remarks sorted without a tree.
        day: the day where a remark has no date, as YYYY-MM-DD.

    Raises:
        TreeError: no remark gives a safe test.
    """
    groups = [one for one in found.groups if one.test is not None and one.voices]
    if not groups:
        remedy = "Find out how to test one of the suspects first."
        raise TreeError("No remark proposes a safe test.", remedy=remedy)
    known = [_known(one) for one in groups]
    data = from_known(start, known)
    evidence = {
        _title(one): [statement_of(found, one, day).as_data()] for one in groups
    }  # fmt: skip
    for fault in data["faults"].values():
        fault["evidence"] = evidence[fault["title"]]
    return data


def _known(group: SortedGroup) -> KnownTest:
    assert group.test is not None
    quoted = " ".join(str(group.test["text"]).split())[:LONGEST]
    test = Test(
        ask=f"Does a test show that this is at fault: {group.suspect}?",
        shows="faulty",
        fine="good",
        how=f"Unplugged and discharged. A remark says: {quoted}",
        minutes=float(group.test["minutes"]),
    )
    weight = round(group.probability * 10, 2)
    return KnownTest(Cause(title=_title(group), remedy=_remedy(group), part=group.part,
                           weight=weight), test)  # fmt: skip


def _title(group: SortedGroup) -> str:
    return f"Fault of the {group.suspect}".replace("the user setting", "setting: wrong position")


def _remedy(group: SortedGroup) -> str:
    return f"Repair or replace: {group.suspect}, as its test shows."


def _is_day(text: str) -> bool:
    try:
        return dt.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
