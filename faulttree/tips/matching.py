"""The fault of a tree that a group of remarks means."""

from __future__ import annotations

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


def match(group: Group, tree: Tree | None, thesaurus: Thesaurus) -> Match:
    """Find the fault of a tree that a group means: by designator, then by kind and words."""
    own = "designator" if group.designators else "kind" if group.kinds else "area"
    if tree is None:
        return Match("", (), own)
    scores = {
        name: score
        for name, fault in tree.faults.items()
        if (score := _score(group, fault, thesaurus))
    }
    if not scores:
        return Match("", (), own)
    best = max(scores.values())
    found = tuple(name for name, score in scores.items() if score == best)
    exactness = "designator" if best[0] else "part" if best[2] > 0 else "kind"
    if len(found) == 1:
        return Match(found[0], found, exactness)
    return Match("", found, exactness)


def _score(group: Group, fault: Fault, thesaurus: Thesaurus) -> tuple[int, int, int, int] | None:
    """Designators, kinds and words that a fault shares with a group; None for too little."""
    said = f"{fault.title}. {fault.part}. {fault.remedy}"
    words = {word.text for word in words_of(cleaned(said)).words if len(word.text) > 3}
    named = {name for one in designators_in(cleaned(said)) for name in one.designators}
    parts = len(named & set(group.designators))
    meant = extract(f"{fault.title}. {fault.part}", thesaurus)
    kinds = {thesaurus.wider.get(kind, kind) for kind in (*meant.kinds, *meant.things)}
    focus = {group.key, *(one.focus for one in group.extracted)}
    focus |= {thesaurus.wider.get(kind, kind) for kind in group.kinds if len(group.kinds) == 1}
    shared = len(kinds & focus)
    nouns = frozenset().union(*(one.nouns for one in group.extracted))
    if not parts and not shared:
        return None
    return parts, shared, len((words & nouns) - IDLE), len(words & nouns)
