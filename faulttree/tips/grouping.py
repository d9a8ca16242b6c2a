"""Remarks that mean one suspect, in one group, however they say it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faulttree.tips.extract import Extracted
from faulttree.tips.joined import Joined
from faulttree.tips.remarks import Remark
from faulttree.tips.thesaurus import Thesaurus

LOOSE = frozenset(("solder-joint", "cable", "connector", "board", "ic", "resistor"))
"""Kinds of which a unit has many: one of them is not every other."""


BY_LETTER = {"F": "fuse", "FU": "fuse", "K": "relay", "BR": "rectifier"}
"""Letters that mean one kind only, in IEEE 315 and IEC 81346-2 as boards use them."""


@dataclass(frozen=True)
class Group:
    """Remarks about one suspect.

    Attributes:
        key: designator, kind or thing that the group is about.
        numbers: the remarks, by their numbers.
        extracted: what each remark says, in the same order.
        designators: the parts that its remarks name.
        kinds: the kinds that its remarks name.
    """

    key: str
    numbers: tuple[int, ...]
    extracted: tuple[Extracted, ...]
    designators: tuple[str, ...]
    kinds: tuple[str, ...]


def group_remarks(
    remarks: Sequence[Remark], read: Sequence[Extracted], thesaurus: Thesaurus
) -> tuple[Group, ...]:
    """Put remarks about one unit into groups, one suspect each.

    Two remarks are about one suspect where they name one part, or one kind of component (a
    wider kind is the same, as ``electrolytic-capacitor`` is a ``capacitor``). A part that one
    remark names together with its kind joins both. A remark without a suspect is in no group.

    Args:
        remarks: what others said.
        read: what each of them says, in the same order: :func:`faulttree.tips.extract.extract`.
        thesaurus: the one that they were read with.
    """
    joined = Joined()
    keys: dict[int, str] = {}
    for number, one in enumerate(read):
        key = one.focus
        if not key:
            continue
        keys[number] = key
        joined.add(key)
    for one in read:
        _join_part_and_kind(one, thesaurus, joined)
    _join_by_letter(read, joined)
    groups: dict[str, list[int]] = {}
    for number, key in keys.items():
        groups.setdefault(joined.top(key), []).append(number)
    return tuple(_group(top, places, remarks, read) for top, places in groups.items())


def _join_part_and_kind(one: Extracted, thesaurus: Thesaurus, joined: Joined) -> None:
    """Join the parts of one list, and a part with the one kind that the remark names."""
    parts = [part for part in one.designators if part not in one.negated]
    kinds = {thesaurus.wider.get(kind, kind) for kind in one.kinds if kind not in one.negated}
    if not parts or one.focus not in parts:
        return
    for part in parts:
        if letters(part) == letters(one.focus):
            joined.join(part, one.focus)
    if len(kinds) == 1 and not kinds & LOOSE:
        joined.join(one.focus, *kinds)


def _join_by_letter(read: Sequence[Extracted], joined: Joined) -> None:
    """Join a part with its kind by its letters, where all such parts are one suspect already."""
    for letter, kind in BY_LETTER.items():
        parts = {p for one in read for p in one.designators if letters(p) == letter}
        if len({joined.top(part) for part in parts}) == 1:
            joined.join(parts.pop(), kind)


def letters(part: str) -> str:
    """The letters of a designator."""
    return part.rstrip("0123456789")


def _group(
    key: str, places: Sequence[int], remarks: Sequence[Remark], read: Sequence[Extracted]
) -> Group:
    chosen = tuple(read[place] for place in places)
    parts = [p for one in chosen for p in one.designators if p not in one.negated]
    kinds = [k for one in chosen for k in one.kinds if k not in one.negated]
    return Group(
        key,
        tuple(remarks[place].number for place in places),
        chosen,
        tuple(dict.fromkeys(parts)),
        tuple(dict.fromkeys(kinds)),
    )
