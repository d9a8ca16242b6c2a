"""What became of remarks: which were right, wrong or not tested, and what decided it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from faulttree.cases.report.render import reading_text
from faulttree.convert import Plain
from faulttree.odds import Against, against
from faulttree.tips.keeping import NO_TEST
from faulttree.tips.remarks import quoted
from faulttree.tips.sorting import SortedGroup, SortedRemarks
from faulttree.walk.advisor import evidence, table_for
from faulttree.walk.state import State

SAID = {
    "right": "right",
    "wrong": "not so",
    "not-tested": "not tested",
    "no-test": NO_TEST,
    "unsafe": "not safe, not tried",
}
"""Result → its words."""


@dataclass(frozen=True, slots=True)
class RemarkResult(Plain):
    """What became of one remark.

    Attributes:
        number: its number in the file.
        author: who made it; empty where nobody is named.
        result: ``right``, ``wrong``, ``not-tested``, ``no-test`` or ``unsafe``.
        decided: what decided it, in words.
    """

    number: int
    author: str
    text: str
    result: str
    decided: str


def results_of(
    found: SortedRemarks, state: State, contradicted: Mapping[int, str] | None = None
) -> tuple[RemarkResult, ...]:
    """What became of each remark in a case.

    A remark is right only where a repair of its fault was proved, and wrong only where an answer
    of the case speaks against it, or another repair held, or somebody
    marked the remark as contradicted. Unsafe remarks are never right.

    Args:
        found: remarks sorted with the tree and the state of the case.
        state: the walk of the case.
        contradicted: number of a remark → why it was marked as contradicted.
    """
    groups = {number: group for group in found.groups for number in group.remarks}
    spoken = _spoken_against(found, state)
    told = []
    for one in found.remarks:
        group = groups.get(one.number)
        if one.number in found.unsafe:
            result, decided = "unsafe", found.unsafe[one.number][0].caution
        elif group is None:
            result, decided = "no-test", "It names no part that can be tested."
        else:
            result, decided = _decided(group, state, spoken)
            reason = (contradicted or {}).get(one.number)
            if result == "not-tested" and reason:
                result, decided = "wrong", reason
        told.append(RemarkResult(one.number, one.author, one.text, result, decided))
    return tuple(told)


def _spoken_against(found: SortedRemarks, state: State) -> dict[str, Against]:
    """Fault that a remark may mean → the answer of the case against it, in a cured case too."""
    table, seen = table_for(state), evidence(state)
    meant = dict.fromkeys(name for group in found.groups for name in group.candidates)
    answers = ((name, against(table, name, seen)) for name in meant if name in table.fault_index)
    return {name: answer for name, answer in answers if answer is not None}


def _decided(group: SortedGroup, state: State, spoken: Mapping[str, Against]) -> tuple[str, str]:
    cured = state.cured.fault if state.cured is not None else ""
    if cured and cured in group.candidates:
        title = state.tree.fault_title(cured)
        if len(group.candidates) == 1:
            return "right", f"{title}: its repair held."
        return "right", f"{title}, one of what it may mean: its repair held."
    if group.candidates and set(group.candidates) <= state.excluded:
        return "wrong", "Its repair did not cure the unit."
    answers = [spoken[name] for name in group.candidates if name in spoken]
    if answers and len(answers) == len(group.candidates):
        return "wrong", _seen(state, answers[0].test, answers[0].outcome)
    if cured and group.candidates:
        title = state.tree.fault_title(cured)
        return "wrong", f"The repair of another fault held: {title}."
    if not group.candidates:
        return "not-tested", "The tree has no test of it yet."
    return "not-tested", "No answer of the case decides it."


def _seen(state: State, step: str, outcome: str) -> str:
    text = state.tree.steps[step].text if step in state.tree.steps else step
    reading = next(
        (visit.event.reading for visit in reversed(state.visits)
         if visit.step == step and visit.event.reading), None,
    )  # fmt: skip
    return f"{text}: {outcome}{in_brackets(reading)}."


def in_brackets(reading: Mapping[str, Any] | None) -> str:
    """What the meter showed, in brackets after a blank; empty without a reading."""
    shown = reading_text(reading)
    return f" ({shown})" if shown else ""


def by_author(results: tuple[RemarkResult, ...], *, names: bool = True) -> dict[str, Any]:
    """Results by author as plain data, with the counts of each; without names on request."""
    authors: dict[str, list[RemarkResult]] = {}
    for one in results:
        authors.setdefault(one.author, []).append(one)
    listed = []
    for place, (author, several) in enumerate(authors.items(), 1):
        shown = author if names else f"person {place}"
        counts = {name: sum(one.result == name for one in several) for name in SAID}
        listed.append({
            "author": shown,
            "counts": counts,
            "remarks": [{**one.as_dict(), "author": shown} for one in several],
        })  # fmt: skip
    return {"authors": listed}


def letters_to(told: dict[str, Any]) -> Iterator[str]:
    """Words that can be sent back, a block an author; nothing of the owner stands in them."""
    for one in told["authors"]:
        yield f"To {one['author'] or 'those without a name'}: thank you for your remarks."
        for remark in one["remarks"]:
            yield f'- "{quoted(remark["text"])}": {SAID[remark["result"]]}. {remark["decided"]}'
        yield ""
