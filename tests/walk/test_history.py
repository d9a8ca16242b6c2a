"""Promises about what counts after going back, withdrawals and corrections."""

from __future__ import annotations

import doctest
from dataclasses import replace

from hypothesis import assume, given
from hypothesis import strategies as st

from faulttree.cases import open_store
from faulttree.cases.projection import CaseProjection
from faulttree.cases.report.document import report
from faulttree.cases.report.render import as_text
from faulttree.tree import Tree
from faulttree.walk import events as ev
from faulttree.walk import history as history_module
from faulttree.walk.advisor import choose
from faulttree.walk.fold import fold
from faulttree.walk.history import counted, history
from faulttree.walk.state import State
from tests.support.any_walks import EVENTS, MANY, WORD, moved, trees

AT = "2026-02-11T09:30:00Z"
TARGET = st.integers(-1, 26)
CHANGES = st.lists(
    st.tuples(
        st.integers(0, 25),
        st.one_of(
            st.builds(ev.Corrected, target=TARGET, outcome=WORD),
            st.builds(ev.Withdrawn, target=TARGET),
        ),
    ),
    max_size=6,
)


def mixed(events: list[ev.Event], changes: list[tuple[int, ev.Event]]) -> list[ev.Event]:
    every = list(events)
    for at, change in changes:
        every.insert(at, change)
    return every


def walk(tree: Tree, draw: st.DataObject, most: int = 30) -> list[ev.Event]:
    """A walk by the rules, as long as it goes."""
    events: list[ev.Event] = []
    for _ in range(most):
        new = moved(fold(tree, events), draw)
        if not new:
            break
        events += new
    return events


def evidence(state: State) -> object:
    """All that says what is still possible: what was seen, in which round, what repairs did."""
    seen = [(visit.step, visit.outcome, visit.round) for visit in state.visits]
    return seen, state.excluded, state.repairs, state.round, state.skipped


@MANY
@given(tree=trees(), draw=st.data())
def test_a_correction_tells_what_the_right_answer_typed_at_once_would(
    tree: Tree, draw: st.DataObject
) -> None:
    events = walk(tree, draw)
    answers = [at for at, event in enumerate(events) if isinstance(event, ev.Answered)]
    assume(answers)
    at = draw.draw(st.sampled_from(answers))
    wrong = events[at]
    assert isinstance(wrong, ev.Answered)
    step = tree.steps[wrong.step]
    outcome = draw.draw(st.sampled_from([*step.targets, "undecided"]))
    right = replace(wrong, outcome=outcome)
    typed = fold(tree, [*events[:at], right, *events[at + 1 :]])
    fixed = fold(tree, [*events, ev.Corrected(target=at, outcome=outcome, reading=wrong.reading)])
    assert evidence(fixed) == evidence(typed)
    assert fixed.withdrawn == (wrong,)
    if at == answers[-1] and at == len(events) - 1:
        assert replace(fixed, withdrawn=()) == replace(typed, visits=fixed.visits)
    if fixed.phase == "finding" and fixed.ask is not None and not fixed.pending:
        known = {visit.step for visit in fixed.visits if visit.round == fixed.round}
        undecided = fixed.outcome(fixed.ask.id) == "undecided"
        on_place = at == answers[-1] or undecided or fixed.ask.kind == "do"
        assert on_place or fixed.ask.id not in known, "an answered step is not asked again"


@MANY
@given(tree=trees(), events=EVENTS, changes=CHANGES)
def test_any_corrections_fold_and_lose_no_answer(
    tree: Tree, events: list[ev.Event], changes: list[tuple[int, ev.Event]]
) -> None:
    every = mixed(events, changes)
    state = fold(tree, every)
    assert fold(tree, [ev.from_dict(event.to_dict()) for event in every]) == state
    answered = {id(event) for event in every if isinstance(event, ev.Answered)}
    kept = {id(one) for one in (*(visit.event for visit in state.visits), *state.withdrawn)}
    assert answered <= kept, "every answer counts or is withdrawn"
    choose(state)


@MANY
@given(tree=trees(), events=EVENTS, changes=CHANGES)
def test_lists_and_the_walk_agree_on_what_stands(
    tree: Tree, events: list[ev.Event], changes: list[tuple[int, ev.Event]]
) -> None:
    every = mixed([ev.Opened(tree="unit/t", tree_hash="0"), *events], changes)
    summary = CaseProjection(every)
    stands = [one for one in summary.steps if one.standing and not one.skipped]
    visits = fold(tree, every).visits
    assert [(one.step, one.outcome) for one in stands] == [(v.step, v.outcome) for v in visits]
    assert summary.row.get("steps", 0) == len(visits)
    one_by_one = CaseProjection()
    for event in every:
        one_by_one.add(event)
    assert (one_by_one.row, one_by_one.steps) == (summary.row, summary.steps)


@MANY
@given(tree=trees(), draw=st.data())
def test_withdrawing_a_repair_or_a_live_test_makes_nothing_safe_again(
    tree: Tree, draw: st.DataObject
) -> None:
    events = walk(tree, draw)
    targets = [
        at
        for at, event in enumerate(events)
        if isinstance(event, ev.RepairTried)
        or (isinstance(event, ev.Answered) and tree.steps[event.step].live)
    ]
    assume(targets)
    before = fold(tree, events)
    after = fold(tree, [*events, ev.Withdrawn(target=draw.draw(st.sampled_from(targets)))])
    assert after.holding <= before.holding
    assert after.closing.items() <= before.closing.items()


@MANY
@given(events=EVENTS)
def test_what_is_withdrawn_at_once_never_was(events: list[ev.Event]) -> None:
    said = ev.Noted(text="wrong unit")
    assert counted([*events, said, ev.Withdrawn(target=len(events))]) == counted(events)


def test_a_repair_is_withdrawn_with_what_was_concluded_of_it() -> None:
    events = [
        ev.Answered(step="a", outcome="low"),
        ev.RepairTried(fault="f"),
        ev.Answered(step="b", outcome="inside"),
        ev.Confirmed(fault="f", step="b", outcome="inside"),
    ]
    rounds = [step.round for step in CaseProjection([*events, ev.Withdrawn(target=1)]).steps]
    assert counted([*events, ev.Withdrawn(target=1)])[:2] == [events[0], events[2]]
    assert rounds == [0, 0]


def test_verdicts_that_a_changed_answer_feeds_are_taken_as_decided_then() -> None:
    events = [
        ev.Answered(step="a", outcome="inside"),
        ev.Answered(step="b", outcome="undecided", reading={"value": 4.0, "unit": "V"}),
    ]
    decided = ({"target": 1, "outcome": "low", "verdict": {"verdict": "low"}},)
    for change in (
        ev.Corrected(target=0, outcome="high", decided=decided),
        ev.FactGiven(name="supply", value="linear", decided=decided),
    ):
        last = history([*events, change]).entries[1].event
        assert isinstance(last, ev.Answered)
        assert (last.outcome, last.verdict) == ("low", {"verdict": "low"})
        assert last.reading == {"value": 4.0, "unit": "V"}


def test_the_examples_are_right() -> None:
    assert doctest.testmod(history_module).failed == 0


def test_a_report_tells_a_correction_and_what_was_recorded_first() -> None:
    with open_store(None) as store:
        number = store.open_case([ev.Opened(at=AT, tree="unit/t", tree_hash="0")])
        for sequence, event in enumerate(
            (
                ev.Answered(at=AT, step="a", outcome="low", reading={"text": "4 V", "value": 4.0}),
                ev.RepairTried(at=AT, fault="f"),
                ev.Corrected(at=AT, target=1, outcome="inside", reading={"text": "14 V"}),
                ev.Withdrawn(at=AT, target=2),
            ),
            1,
        ):
            store.append(number, sequence, event)
        document = report(store.case(number), store.events(number))
        assert [(one.outcome, one.round) for one in store.steps(number)] == [("inside", 0)]
    (entry,) = document["story"]
    assert (entry["outcome"], entry["reading"]) == ("inside", {"text": "14 V"})
    assert entry["corrected_from"]["outcome"] == "low"
    assert document["repairs"] == []
    assert "Recorded first, then corrected: 4 V" in as_text(document)


def test_a_fact_goes_with_the_answer_that_told_it() -> None:
    told = [
        ev.Answered(step="kind", outcome="linear"),
        ev.FactGiven(name="supply", value="linear", source=ev.BY_ANSWER),
        ev.Answered(step="fuse", outcome="intact"),
    ]
    for change in (ev.Corrected(target=0, outcome="sealed"), ev.Withdrawn(target=0)):
        assert told[1] not in counted([*told, change])
        assert told[2] in counted([*told, change])
    assert told[1] in counted([*told, ev.Withdrawn(target=2)])
