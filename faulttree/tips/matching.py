"""The fault of a tree that a group of remarks means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from faulttree.tips.designators import designators_in
from faulttree.tips.extract import extract
from faulttree.tips.grouping import Group
from faulttree.tips.plain import cleaned, words_of
from faulttree.tips.thesaurus import Thesaurus
from faulttree.tree import Fault, Tree

IDLE = frozenset(("broken", "shorted", "blown", "worn", "dirty", "loose", "faulty", "output"))
"""Words that many faults share: they only tell apart faults that fit alike."""


@dataclass(frozen=True, slots=True)
class Match:
    """What a group means in a tree.

    Attributes:
        fault: the fault; empty where none fits, or several fit alike.
        candidates: faults that fit equally well.
        exactness: ``designator``, ``part``, ``kind`` or ``area``.
    """

    fault: str
    candidates: tuple[str, ...]
    exactness: str


@dataclass(frozen=True, slots=True)
class FaultText:
    """What the text of one fault names.

    Attributes:
        designators: parts, by designator.
        kinds: kinds of component and other things; the wider kind where there is one.
        words: words of title, part and remedy.
    """

    designators: frozenset[str]
    kinds: frozenset[str]
    words: frozenset[str]


def fault_texts(tree: Tree, thesaurus: Thesaurus) -> dict[str, FaultText]:
    """Fault → what its text names, for every fault of a tree.

    Args:
        tree: the tree of the complaint.
        thesaurus: the one that the remarks are read with.
    """
    return {name: _read(fault, thesaurus) for name, fault in tree.faults.items()}


def _read(fault: Fault, thesaurus: Thesaurus) -> FaultText:
    said = cleaned(f"{fault.title}. {fault.part}. {fault.remedy}")
    meant = extract(f"{fault.title}. {fault.part}", thesaurus)
    return FaultText(
        frozenset(name for one in designators_in(said) for name in one.designators),
        frozenset(thesaurus.wider.get(kind, kind) for kind in (*meant.kinds, *meant.things)),
        frozenset(word.text for word in words_of(said).words if len(word.text) > 3),
    )


def match(group: Group, faults: Mapping[str, FaultText], thesaurus: Thesaurus) -> Match:
    """Find the fault of a tree that a group means: by designator, then by kind and words.

    Args:
        group: remarks about one suspect.
        faults: from :func:`fault_texts`; empty without a tree.
        thesaurus: the one that the remarks were read with.
    """
    own = "designator" if group.designators else "kind" if group.kinds else "area"
    scores = {
        name: score for name, fault in faults.items() if (score := _score(group, fault, thesaurus))
    }
    if not scores:
        return Match("", (), own)
    best = max(scores.values())
    found = tuple(name for name, score in scores.items() if score == best)
    exactness = "designator" if best[0] else "part" if best[2] > 0 else "kind"
    if len(found) == 1:
        return Match(found[0], found, exactness)
    return Match("", found, exactness)


def _score(
    group: Group, fault: FaultText, thesaurus: Thesaurus
) -> tuple[int, int, int, int] | None:
    """Designators, kinds and words that a fault shares with a group; None for too little."""
    parts = len(fault.designators & set(group.designators))
    focus = {group.key, *(one.focus for one in group.extracted)}
    focus |= {thesaurus.wider.get(kind, kind) for kind in group.kinds if len(group.kinds) == 1}
    shared = len(fault.kinds & focus)
    if not parts and not shared:
        return None
    nouns = frozenset().union(*(one.nouns for one in group.extracted))
    common = fault.words & nouns
    return parts, shared, len(common - IDLE), len(common)
