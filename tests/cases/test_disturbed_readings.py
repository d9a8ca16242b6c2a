"""The record says of a reading what was done to its part before it was taken."""

from __future__ import annotations

from faulttree.cases import open_store
from faulttree.cases.report.document import report
from faulttree.cases.report.render import as_text
from faulttree.walk import events as ev
from tests.tree.samples import tree_of

AT = "2026-05-04T08:00:00Z"

TREE = """\
title: Lamp, dark
family: lamp
start: ripple
steps:
  ripple: {measure: Ripple of the rail, limits: {max: 1 V}, results: {inside: board, high: dry}}
  board: {ask: Is the board whole?, answers: {whole: resolder, burnt: burnt}}
  resolder: {do: Resolder C1, disturbs: [heat], of: [C1], then: again}
  again: {measure: Ripple at C1, limits: {max: 1 V}, results: {inside: rail, high: burnt}}
  rail: {measure: Rail, limits: {min: 5 V}, results: {inside: switch, low: dry}}
  switch: {measure: Its switch, limits: {max: 1 ohm}, results: {inside: out, high: worn}}
faults:
  dry: {title: C1 dried out, part: C1, remedy: Replace it.}
  burnt: {title: Board burnt, remedy: Replace it.}
  worn: {title: Switch worn, part: S1, remedy: Replace it.}
stops: {out: {title: Beyond, reason: out-of-scope}}
"""


def test_a_reading_of_a_part_that_was_heated_before_is_marked() -> None:
    tree = tree_of(TREE)
    taken = (
        ev.Answered(at=AT, step="ripple", outcome="inside"),
        ev.Answered(at=AT, step="board", outcome="whole"),
        ev.Answered(at=AT, step="resolder", outcome="done"),
        ev.WentBack(at=AT, steps=1),  # the heat has been there all the same
        ev.Answered(at=AT, step="again", outcome="inside"),
        ev.Answered(at=AT, step="rail", outcome="inside"),
        ev.Answered(at=AT, step="switch", outcome="high"),
    )
    with open_store(None) as store:
        number = store.open_case([ev.Opened(at=AT, tree=tree.id, tree_hash=tree.hash), *taken])
        document = report(store.case(number), store.events(number), tree)
    marked = {
        one["step"]: [by["step"] for by in one.get("read_after", ())] for one in document["path"]
    }
    assert marked == {
        "ripple": [],
        "board": [],
        "again": ["resolder"],  # its text names the part
        "rail": ["resolder"],  # it leads to the fault of the part
        "switch": [],
    }
    assert as_text(document).count("Read after heat: Resolder C1 [resolder]") == 2
