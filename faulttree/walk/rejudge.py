"""Readings judged again because something they were judged by has changed.

It is done once, at the moment of the change; the event of the change keeps what it came to.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from faulttree.errors import FaulttreeError
from faulttree.walk import events as ev
from faulttree.walk.answer import TypedAnswer, answer, ratings_of
from faulttree.walk.fold import fold
from faulttree.walk.folding.route import sources_of
from faulttree.walk.history import history

if TYPE_CHECKING:
    from collections.abc import Sequence

    from faulttree.reading import Bench
    from faulttree.tree.model import Tree

__all__ = ["judged_again", "with_decided"]


def with_decided(
    tree: Tree, events: Sequence[ev.Event], fact: ev.FactGiven, bench: Bench | None = None
) -> ev.FactGiven:
    """A fact with the answers that it changes, judged by the ratings as they are with it.

    Args:
        tree: what is walked.
        events: the case before the fact.
        fact: what somebody said of the unit.
        bench: the instruments on this bench.
    """
    before, after = fold(tree, events), fold(tree, [*events, fact])
    old, new = ratings_of(before), ratings_of(after)
    changed = {name for name in {*old, *new} if old.get(name) != new.get(name)}
    if not changed:
        return fact
    standing = {one.sequence: one.event for one in history([*events, fact]).standing}
    # The readings are judged by what is known now: the fact counts from the opening on.
    told = standing.pop(len(events))
    same = [at for at, one in standing.items() if getattr(one, "name", "") == fact.name]
    for at in same:
        del standing[at]
    standing = {-1: standing.pop(0), 0: told, **standing}
    return replace(fact, decided=tuple(judged_again(tree, standing, changed, 0, bench)))


def judged_again(
    tree: Tree,
    standing: dict[int, ev.Event],
    changed: Iterable[str],
    after: int,
    bench: Bench | None = None,
) -> Iterator[Mapping[str, Any]]:
    """The later readings that a change decides otherwise, as ``decided`` of an event holds them.

    Args:
        tree: what is walked.
        standing: sequence → event, those that count; takes in what is decided here.
        changed: the steps and ratings that changed.
        after: the sequence after which readings are looked at.
        bench: the instruments on this bench.
    """
    names = set(changed)
    for sequence, event in list(standing.items()):
        step = tree.steps.get(event.step) if isinstance(event, ev.Answered) else None
        if sequence <= after or step is None or not names.intersection(sources_of(step)):
            continue
        assert isinstance(event, ev.Answered)
        if not event.reading:
            continue
        again = _again(tree, [one for at, one in standing.items() if at < sequence], event, bench)
        values = {name: getattr(again, name) for name in ("outcome", "reading", "verdict")}
        if (again.outcome, again.verdict) == (event.outcome, event.verdict):
            continue
        standing[sequence] = replace(event, **values)
        names.add(step.id)
        yield {"target": sequence, **values}


def _again(
    tree: Tree, before: list[ev.Event], event: ev.Answered, bench: Bench | None
) -> ev.Answered:
    """A reading judged as if it was typed now; undecided where that is not possible here."""
    assert event.reading is not None
    entry = TypedAnswer(
        typed=tuple(str(event.reading["text"]).split(", ")),
        instrument=event.instrument,
        in_circuit=event.in_circuit,
        sure=True,
    )
    try:
        again = answer(fold(tree, before), tree.steps[event.step], entry, bench=bench)
    except FaulttreeError as error:
        verdict = {"verdict": "undecided", "clauses": [["result", f"not judged: {error.message}"]]}
        return replace(event, outcome="undecided", verdict=verdict)
    assert isinstance(again, ev.Answered)
    return again
