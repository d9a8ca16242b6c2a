"""The sorting of remarks against labels that others wrote: how often it is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from faulttree.tips.extract import extract
from faulttree.tips.thesaurus import thesaurus_of
from faulttree.tree import shipped_library
from tests.tips.score import Count, read, score

HERE = Path(__file__).parent
BOUNDS = {
    "remarks_tune.jsonl": {
        "designators": (0.9, 0.9), "kinds": (0.9, 0.9), "actions": (0.9, 0.9),
        "negated": (0.9, 0.9), "unsafe": (0.9, 0.95), "no_test": (0.9, 0.9), "groups": (0.95, 0.9),
    },
    "remarks_second.jsonl": {
        "designators": (0.95, 0.95), "kinds": (0.74, 0.9), "actions": (0.8, 0.77),
        "negated": (0.85, 0.82), "unsafe": (0.9, 0.95), "no_test": (0.9, 0.9),
        "groups": (0.69, 0.78),
    },
}  # fmt: skip
"""File → field → least precision and recall.

The remarks are invented; people who had not read the program labelled them. Both files have been
used to adjust the program, so the bounds keep what is reached and promise nothing for new texts.
"""


@pytest.fixture(scope="module")
def counts() -> dict[str, dict[str, Count]]:
    return {name: score(read(HERE / name)) for name in BOUNDS}


@pytest.mark.parametrize(
    ("name", "field"), [(name, field) for name, fields in BOUNDS.items() for field in fields]
)
def test_what_remarks_say_is_read_as_people_read_it(
    counts: dict[str, dict[str, Count]], name: str, field: str
) -> None:
    count = counts[name][field]
    precision, recall = BOUNDS[name][field]
    assert count.precision >= precision, count.notes
    assert count.recall >= recall, count.notes


@pytest.mark.parametrize("name", BOUNDS)
def test_each_file_holds_enough_dangerous_proposals(
    counts: dict[str, dict[str, Count]], name: str
) -> None:
    count = counts[name]["unsafe"]
    assert count.right + count.missed >= 40


@pytest.mark.parametrize(
    ("text", "unsafe"),
    [
        ("Replace the 3.15 A fuse by 10 A.", True),
        ("Replace the 10 A fuse by 3.15 A.", False),
        ("Look at the fuse by the inlet.", False),
        ("Connect the heater straight to the mains.", True),
        ("Never connect the heater straight to the mains.", False),
        ("Faites un pont sur le fusible.", True),
        ("Ne faites pas un pont sur le fusible.", False),
        ("Haz un puente en el fusible.", True),
        ("No hagas un puente en el fusible.", False),
        ("Nicht überbrücken, die Sicherung ersetzen.", False),
    ],
)
def test_a_danger_is_an_act_on_an_object_and_a_warning_is_none(text: str, unsafe: bool) -> None:
    assert extract(text, thesaurus_of(shipped_library())).unsafe is unsafe
