"""Precision and recall of the sorting of remarks over a file of labelled ones.

Run as ``python -m tests.tips.score FILE [--misses]``. One line of the file is
``{"text", "author", "date", "unit", "tree", "truth": {…}}``; see ``tests/tips/test_bounds.py``.
"""

from __future__ import annotations

import json
import sys
from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import combinations
from pathlib import Path
from typing import Any

from faulttree.tips.extract import Extracted, extract
from faulttree.tips.grouping import group_remarks
from faulttree.tips.remarks import Remark
from faulttree.tips.thesaurus import thesaurus_of
from faulttree.tree import shipped_library

FIELDS = ("designators", "kinds", "actions", "negated")


class Count:
    """True and false positives, and misses, with the texts they were made on."""

    def __init__(self) -> None:
        self.right, self.wrong, self.missed = 0, 0, 0
        self.notes: list[str] = []

    def add(self, found: Iterable[Any], true: Iterable[Any], text: str) -> None:
        given, wanted = set(found), set(true)
        self.right += len(given & wanted)
        self.wrong += len(given - wanted)
        self.missed += len(wanted - given)
        if given != wanted:
            wrong, missed = sorted(given - wanted), sorted(wanted - given)
            self.notes.append(f"wrong {wrong} missed {missed}: {text}")

    @property
    def precision(self) -> float:
        return self.right / max(1, self.right + self.wrong)

    @property
    def recall(self) -> float:
        return self.right / max(1, self.right + self.missed)

    @property
    def f1(self) -> float:
        return 2 * self.right / max(1, 2 * self.right + self.wrong + self.missed)


def read(path: Path) -> list[dict[str, Any]]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines if line.strip()]


def score(labelled: list[dict[str, Any]]) -> dict[str, Count]:
    """Counts by field, and ``unsafe``, ``no_test`` and ``groups`` (pairs of one device)."""
    thesaurus = thesaurus_of(shipped_library())
    counts: dict[str, Count] = defaultdict(Count)
    found = [extract(one["text"], thesaurus) for one in labelled]
    for one, read_as in zip(labelled, found, strict=True):
        _count(counts, one["truth"], read_as, one["text"])
    _count_groups(counts["groups"], labelled, found)
    return counts


def _count(counts: dict[str, Count], truth: Mapping[str, Any], found: Extracted, text: str) -> None:
    for field in FIELDS:
        counts[field].add(getattr(found, field), truth[field], text)
    for field in ("unsafe", "no_test"):
        counts[field].add([1] * getattr(found, field), [1] * truth[field], text)


def _count_groups(count: Count, labelled: list[dict[str, Any]], found: list[Extracted]) -> None:
    thesaurus = thesaurus_of(shipped_library())
    devices: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number, one in enumerate(labelled):
        devices[one["unit"], one["tree"]].append(number)
    for numbers in devices.values():
        remarks = [Remark(n, labelled[n]["text"], labelled[n]["author"]) for n in numbers]
        groups = group_remarks(remarks, [found[n] for n in numbers], thesaurus)
        ours = {pair for group in groups for pair in combinations(sorted(group.numbers), 2)}
        true = {
            (a, b)
            for a, b in combinations(numbers, 2)
            if labelled[a]["truth"]["group"]
            and labelled[a]["truth"]["group"] == labelled[b]["truth"]["group"]
        }
        count.right += len(ours & true)
        count.wrong += len(ours - true)
        count.missed += len(true - ours)
        for a, b in sorted(ours ^ true):
            which = "wrong" if (a, b) in ours else "missed"
            count.notes.append(f"{which}: {labelled[a]['text'][:60]} | {labelled[b]['text'][:60]}")


def main() -> None:
    path, *options = sys.argv[1:]
    for field, count in score(read(Path(path))).items():
        print(
            f"{field:12} precision {count.precision:.3f}  recall {count.recall:.3f}  "
            f"F1 {count.f1:.3f}  ({count.right} right, {count.wrong} wrong, {count.missed} missed)"
        )
        if "--misses" in options:
            print(*(f"    {note}" for note in count.notes), sep="\n")


if __name__ == "__main__":
    main()
