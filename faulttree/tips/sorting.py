"""Remarks sorted into tests worth making: groups, what is set apart, and their order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from faulttree.odds import posterior, tests_of
from faulttree.tips.extract import Extracted, extract
from faulttree.tips.grouping import Group, group_remarks
from faulttree.tips.matching import Match, fault_texts, match
from faulttree.tips.remarks import Remark
from faulttree.tips.thesaurus import Hazard, Thesaurus
from faulttree.tips.voices import factor, shifted, voices
from faulttree.tree import Tree
from faulttree.tree.model import Step
from faulttree.walk.advisor import beliefs, spoken_against, table_of
from faulttree.walk.state import State

MINUTES: Mapping[str, float] = {"look": 1, "listen": 1, "adjust": 1, "reset": 1, "test": 2}
"""Minutes of a test that no tree describes, by its action; others take 3: common practice."""

TESTS = ("look", "test", "measure", "adjust", "reset", "reseat", "swap")
"""Actions that may tell whether a suspect is the cause, those that disturb least first."""


@dataclass(frozen=True)
class SortedGroup:
    """One suspect, with what speaks for a test of it.

    Attributes:
        suspect: what it is, in words.
        fault: the fault of the tree; None where it has none, or several fit alike.
        candidates: the faults that fit alike.
        remarks: numbers of the remarks, unsafe ones too.
        voices: independent voices for it; unsafe remarks have none.
        against: independent voices that exclude it.
        exactness: ``designator``, ``part``, ``kind`` or ``area``.
        standing: what this case or the tree says: ``cleared``, ``contradicted`` or ``open``.
        test: the cheapest test that disturbs nothing, as plain data; None where none is known.
        probability: now, voices included; ``before`` without them.
        score: expected minutes that the test saves now.
    """

    suspect: str
    fault: str | None
    candidates: tuple[str, ...]
    part: str
    module: str | None
    remarks: tuple[int, ...]
    voices: int
    against: int
    exactness: str
    standing: str
    test: Mapping[str, Any] | None
    before: float
    probability: float
    score: float
    why: str

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "suspect": self.suspect,
            "fault": self.fault,
            "candidates": list(self.candidates),
            "part": self.part,
            "module": self.module,
            "remarks": list(self.remarks),
            "voices": self.voices,
            "against": self.against,
            "exactness": self.exactness,
            "standing": self.standing,
            "probability": {"before": round(self.before, 4), "now": round(self.probability, 4)},
            "score": round(self.score, 2),
            "why": self.why,
            "test": dict(self.test) if self.test is not None else None,
        }


@dataclass(frozen=True)
class SortedRemarks:
    """All remarks of a file, sorted; each is in at least one of the lists.

    Attributes:
        groups: suspects, the one whose test saves most minutes first.
        no_test: remarks that name no part and no test.
        unsafe: number → the hazards that the remark proposes.
        questions: remarks that ask about the unit.
        unplaced: remarks with something to do, and no suspect.
    """

    remarks: tuple[Remark, ...]
    groups: tuple[SortedGroup, ...]
    no_test: tuple[int, ...]
    unsafe: Mapping[int, tuple[Hazard, ...]]
    questions: tuple[int, ...]
    unplaced: tuple[int, ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {
            "groups": [one.as_dict() for one in self.groups],
            "no_test": list(self.no_test),
            "unsafe": sorted(self.unsafe),
            "cautions": {
                str(number): [one.caution for one in found] for number, found in self.unsafe.items()
            },
            "questions": list(self.questions),
            "unplaced": list(self.unplaced),
        }


def sort_remarks(
    remarks: Sequence[Remark],
    thesaurus: Thesaurus,
    *,
    tree: Tree | None = None,
    state: State | None = None,
) -> SortedRemarks:
    """Sort remarks about one unit into tests worth making.

    Args:
        remarks: what others said.
        thesaurus: from :func:`faulttree.tips.thesaurus.thesaurus_of`.
        tree: the tree of the complaint; None for a case without a tree.
        state: the walk of the case, if there is one; ``tree`` is its tree then.

    Nothing is dropped: each remark is in a group or in a list of its own.
    """
    read = tuple(extract(one.text, thesaurus) for one in remarks)
    groups = group_remarks(remarks, read, thesaurus)
    known = {hazard.name: hazard for hazard in thesaurus.hazards}
    unsafe = {
        remark.number: tuple(known[name] for name in one.dangers)
        for remark, one in zip(remarks, read, strict=True) if one.dangers
    }  # fmt: skip
    placed = {number for group in groups for number in group.numbers} | set(unsafe)
    rest = [(one.number, said) for one, said in zip(remarks, read, strict=True)]
    no_test = tuple(n for n, said in rest if said.no_test and n not in placed)
    left = [(n, said) for n, said in rest if n not in placed and n not in no_test]
    questions = tuple(n for n, said in left if said.actions == ("ask",))
    sorting = _Sorting(remarks, read, groups, thesaurus, tree, state, frozenset(unsafe))
    unplaced = tuple(n for n, said in left if said.actions != ("ask",))
    return SortedRemarks(tuple(remarks), sorting.groups(), no_test, unsafe, questions, unplaced)


class _Sorting:
    """The groups while their order is computed."""

    def __init__(
        self,
        remarks: Sequence[Remark],
        read: Sequence[Extracted],
        groups: Sequence[Group],
        thesaurus: Thesaurus,
        tree: Tree | None,
        state: State | None,
        unsafe: frozenset[int],
    ) -> None:
        self.by_number = {one.number: one for one in remarks}
        self.read = {one.number: said for one, said in zip(remarks, read, strict=True)}
        self.found = groups
        self.thesaurus, self.tree, self.state, self.unsafe = thesaurus, tree, state, unsafe
        self.spoken = spoken_against(state) if state is not None else {}

    def groups(self) -> tuple[SortedGroup, ...]:
        """All groups, the most useful first."""
        faults = fault_texts(self.tree, self.thesaurus) if self.tree is not None else {}
        matches = {group.key: match(group, faults, self.thesaurus) for group in self.found}
        counts = {group.key: self._voices(group) for group in self.found}
        before = self._before(matches)
        factors = {}
        for key, found in matches.items():
            for name in found.candidates or (key,):
                factors[name] = factor(*counts[key], found.exactness)
        now = shifted(before, factors)
        tests = {group.key: self._test(group, matches[group.key]) for group in self.found}
        whole = self._whole(tests.values())
        made = [
            self._one(group, matches[group.key], counts[group.key], before, now, tests, whole)
            for group in self.found
        ]
        return tuple(
            sorted(made, key=lambda one: (one.standing != "open", -one.score, one.remarks))
        )

    def _voices(self, group: Group) -> tuple[int, int]:
        """Voices for a group and against it."""
        given = [self.by_number[n] for n in group.numbers if n not in self.unsafe]
        names = {group.key, *group.designators}
        against = [
            self.by_number[n] for n, said in self.read.items()
            if n not in group.numbers
            and names & {self.thesaurus.wider.get(one, one) for one in said.negated}
        ]  # fmt: skip
        return voices(given), voices(against)

    def _before(self, matches: Mapping[str, Match]) -> dict[str, float]:
        """Probabilities without the voices: of the walk, of the tree, else all alike."""
        if self.state is not None:
            return dict(beliefs(self.state).probabilities)
        if self.tree is not None:
            return dict(posterior(table_of(self.tree), ()).probabilities)
        return {key: 1 / (len(matches) + 1) for key in matches}

    def _whole(self, tests: Iterable[Mapping[str, Any] | None]) -> float:
        """Expected minutes of finding the fault without the remarks."""
        from faulttree.odds.current_order import minutes_walked

        if self.tree is not None:
            return minutes_walked(table_of(self.tree), self.tree)
        return sum(float(test["minutes"]) for test in tests if test is not None)

    def _test(self, group: Group, found: Match) -> dict[str, Any] | None:
        """The cheapest test of a group that disturbs nothing; first one that leads to it."""
        options = [
            step for name in found.candidates for step in self._steps(name)
        ] if self.tree is not None else []  # fmt: skip
        if options and self.tree is not None:
            tree = self.tree
            names = set(found.candidates)
            step = min(
                options,
                key=lambda one: (
                    not names & set(one.targets.values()),
                    bool(one.disturbs), one.live, _minutes(tree, one),
                ),
            )  # fmt: skip
            return {
                "step": step.id,
                "text": step.text,
                "minutes": _minutes(tree, step),
                "cautions": list(dict.fromkeys((*tree.cautions, *step.cautions))),
                "source": "tree",
            }
        return self._said_test(group)

    def _steps(self, fault: str) -> list[Step]:
        assert self.tree is not None
        own = tests_of(self.tree, fault)
        # In the order of the tree, so that the same remarks give the same test in every run.
        return [step for name, step in self.tree.steps.items() if name in own]

    def _said_test(self, group: Group) -> dict[str, Any] | None:
        """A test that a safe remark of the group proposes, in its own words."""
        options = [
            (TESTS.index(action), number, action)
            for number in group.numbers if number not in self.unsafe
            for action in self.read[number].actions if action in TESTS
        ]  # fmt: skip
        if not options:
            return None
        _, number, action = min(options)
        return {
            "step": None,
            "text": self.by_number[number].text,
            "action": action,
            "minutes": MINUTES.get(action, 3),
            "cautions": [],
            "source": "remark",
        }

    def _one(
        self,
        group: Group,
        found: Match,
        counts: tuple[int, int],
        before: Mapping[str, float],
        now: Mapping[str, float],
        tests: Mapping[str, Mapping[str, Any] | None],
        whole: float,
    ) -> SortedGroup:
        names = found.candidates or (group.key,)
        was = sum(before.get(name, 0.0) for name in names)
        share = sum(now.get(name, 0.0) for name in names)
        test, standing = tests[group.key], self._standing(names)
        open_one = standing == "open" and test is not None
        score = share * whole - test["minutes"] if open_one and test is not None else 0.0
        fault = self.tree.faults[found.fault] if self.tree is not None and found.fault else None
        part = fault.part if fault is not None and fault.part else ", ".join(group.designators)
        module = fault.module if fault is not None else self._module(found)
        suspect = fault.title if fault is not None else self._words(group)
        return SortedGroup(
            suspect, found.fault or None, found.candidates, part, module, group.numbers,
            *counts, found.exactness, standing, test, was, share, score,
            _why(counts, found, standing, test, was, share, score),
        )  # fmt: skip

    def _standing(self, names: Sequence[str]) -> str:
        found = [self.spoken[name] for name in names if name in self.spoken]
        return found[0].standing if found and len(found) == len(names) else "open"

    def _module(self, found: Match) -> str | None:
        """The module that all candidates share."""
        if self.tree is None:
            return None
        modules = {self.tree.faults[name].module for name in found.candidates}
        return modules.pop() if len(modules) == 1 else None

    def _words(self, group: Group) -> str:
        kind = group.kinds[0] if group.kinds else group.key
        words = kind.replace("-", " ")
        return f"{words} {', '.join(group.designators)}" if group.designators else words


def _minutes(tree: Tree, step: Step) -> float:
    """Minutes of a step from the closed unit."""
    return step.cost + tree.enter(step.access, frozenset())[0]


def _why(
    counts: tuple[int, int],
    found: Match,
    standing: str,
    test: Mapping[str, Any] | None,
    was: float,
    share: float,
    score: float,
) -> str:
    """The reason for the place of a group, in one sentence."""
    said = "1 voice" if counts[0] == 1 else f"{counts[0]} voices"
    if counts[1]:
        said += f", {counts[1]} against"
    if standing != "open":
        return f"{said}; an answer of this case has {standing} it."
    odds = f"{said} by {found.exactness}: {was:.0%} becomes {share:.0%}"
    if test is None:
        return f"{odds}; no safe test is known."
    minutes = test["minutes"]
    if score > 0:
        return f"{odds}; a test of {minutes:.3g} min saves {score:.3g} min on average."
    gained = (
        f"it is the cause with a probability of {share:.0%}, so it gains {score + minutes:.2g} min"
    )
    return f"{odds}; a test takes {minutes:.3g} min, and {gained} on average."
