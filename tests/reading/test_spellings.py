"""Readings in random spellings: none misread, nearly all of the clearly meant ones taken."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from faulttree.errors import ReadingError
from faulttree.reading import Quantity, parse_quantity
from tests.reading.spellings import Spelling, spellings

# °F give recurring decimals, which are kept to 20 places.
NEARLY = Fraction(1, 10**18)


def is_as_meant(read: Quantity, meant: Spelling) -> bool:
    """Whether value, unit and side are what the writer meant. No unclear spelling is."""
    if not meant.clear or (meant.side == "over") != (
        read.over_range and read.above is None and read.below is None
    ):
        return False
    if meant.side == "over":
        return True
    value: Decimal | None = {"": read.value, ">": read.above, "<": read.below}[meant.side]
    return value is not None and abs(Fraction(value) - meant.value) <= NEARLY * max(
        1, abs(meant.value)
    )


@pytest.mark.parametrize(
    ("count", "seed"), [(500, 1), pytest.param(20_000, 2, marks=pytest.mark.soak)]
)
def test_no_spelling_is_misread_and_few_clear_ones_are_refused(count: int, seed: int) -> None:
    misread, clear, refused = [], 0, []
    for meant in spellings(count, seed):
        clear += meant.clear
        try:
            read = parse_quantity(meant.text, meant.unit)
        except ReadingError:
            refused += [meant] if meant.clear else []
            continue
        if not is_as_meant(read, meant):
            misread.append((meant, read))
    assert clear > 0.8 * count
    assert misread == []
    assert len(refused) <= 0.01 * clear, refused[:20]
