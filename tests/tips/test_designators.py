"""Designators in free text."""

from __future__ import annotations

import pytest

from faulttree.tips.designators import designators_in


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Measure ESR on C12-C15", ["C12", "C13", "C14", "C15"]),
        ("Q7 to Q10 for a short", ["Q7", "Q8", "Q9", "Q10"]),
        ("D1 bis D4 prüfen", ["D1", "D2", "D3", "D4"]),
        ("K1/2 and 3", ["K1", "K2", "K3"]),
        ("C3 and C4", ["C3", "C4"]),
        ("u2 or q1", ["U2", "Q1"]),
        ("suppressor cap C1 (0,1uF X2)", ["C1"]),
        ("connector X2 is loose", ["X2"]),
        ("a 10 A fuse, 4k7, 230 V, M4 screw, IP44", []),
        ("type 1X5407 and LM100", []),
        ("C1, 2 V across it", ["C1"]),
        ("C9-C2", ["C9", "C2"]),
    ],
)
def test_lists_and_ranges_are_written_out(text: str, expected: list[str]) -> None:
    found = [name for one in designators_in(text) for name in one.designators]
    assert found == expected


def test_a_range_that_nobody_can_mean_is_two_parts() -> None:
    (one, other) = designators_in("C1-C900")
    assert (*one.designators, *other.designators) == ("C1", "C900")
