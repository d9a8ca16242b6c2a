"""The sorting of remarks against labels that others wrote: how often it is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tips.score import Count, read, score

TUNE = Path(__file__).parent / "remarks_tune.jsonl"
"""Invented remarks with what they say, labelled by people who had not read the matcher."""


@pytest.fixture(scope="module")
def counts() -> dict[str, Count]:
    return score(read(TUNE))


@pytest.mark.parametrize("field", ["designators", "kinds", "actions", "negated"])
def test_what_remarks_say_is_read_as_people_read_it(counts: dict[str, Count], field: str) -> None:
    count = counts[field]
    assert count.precision >= 0.9, count.notes
    assert count.recall >= 0.9, count.notes


def test_dangerous_proposals_are_recognised(counts: dict[str, Count]) -> None:
    count = counts["unsafe"]
    assert count.right + count.missed >= 40
    assert count.recall >= 0.95, count.notes
    assert count.precision >= 0.8, count.notes


def test_remarks_without_a_test_are_recognised(counts: dict[str, Count]) -> None:
    assert counts["no_test"].f1 >= 0.9, counts["no_test"].notes


def test_remarks_about_one_suspect_come_together(counts: dict[str, Count]) -> None:
    assert counts["groups"].f1 >= 0.9, counts["groups"].notes
