"""What a walk makes of the computation: what is still possible, untested, and best to do next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from faulttree.reading.instruments import USUALLY_NORMAL
from faulttree.tree.graph import TreeKey
from faulttree.tree.safety import is_guard
from faulttree.walk.events import Answered, Jumped
from faulttree.walk.prerequisites import guards_before, preparations_before
from faulttree.walk.safe_order import stop_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from faulttree.odds import (
        Against,
        FaultTable,
        Observation,
        Pair,
        Posterior,
        Ranked,
        Suspect,
        Worth,
    )
    from faulttree.tree.model import Tree
    from faulttree.walk.state import State

__all__ = [
    "Better",
    "better",
    "both",
    "choose",
    "cleared",
    "evidence",
    "likely_untested",
    "none_of_these",
    "possible",
    "ranking",
    "spoken_against",
    "untested",
    "worth",
    "worth_repeating",
]

WORTH_ASKING = 0.01
"""Bits below which a step is not worth going to: common practice, no source."""

WORTH_REPEATING = 0.03
"""How much likelier an equal outcome must make a fault for a test to be made again; as above."""

WORTH_SAYING = 3.0
"""Minutes a detour must save before it is offered: common practice, no source."""


@lru_cache(maxsize=16)
def _table_of(key: TreeKey, facts: frozenset[tuple[str, str]], usual: float | None) -> FaultTable:
    from faulttree.odds import TableError, table_from_tree

    tree = key.tree
    try:
        table = table_from_tree(tree, dict(facts))
    except TableError:
        # Steps that wait for one another cannot be put in an order, but they can be walked:
        # the fold minds what comes first, so the table may leave it out.
        steps = tree.steps.items()
        loosened = {name: replace(step, after=(), limits=None) for name, step in steps}
        table = table_from_tree(replace(tree, steps=loosened), dict(facts))
    if usual is None:
        return replace(table, normal=())
    return replace(table, usually_normal=usual)


def table_of(tree: Tree) -> FaultTable:
    """The tree's fault table, computed once for each text."""
    return _table_of(TreeKey(tree), frozenset(), USUALLY_NORMAL)


def table_for(state: State) -> FaultTable:
    """The fault table for the unit of a walk, as its case was opened.

    Checks that the facts of the unit rule out are left out. In a case that was opened before
    ``usually_normal`` was kept, every outcome is equally likely where nothing is known.
    """
    asked = {name for check in state.tree.before_power for name in check.when}
    facts = frozenset((name, value) for name, value in state.facts.items() if name in asked)
    usual = state.opened.usually_normal if state.opened else None
    return _table_of(TreeKey(state.tree), facts, usual if usual and usual < 1 else None)


def evidence(state: State, *, earlier: bool = False) -> tuple[Observation, ...]:
    """What was seen in this round, or with ``earlier`` in the rounds before it.

    While a repair is being proved, and once it has held, the round that found the fault is
    the one that tells. A test made again that gave the same outcome is seen so many times; where
    the outcomes differ the last one counts. In a case that was opened before ``usually_normal``
    was kept, each test is seen once.
    """
    from faulttree.odds import Observation

    table = table_for(state)
    proved = state.confirming is not None or state.cured is not None
    told_in = state.round - 1 if proved else state.round
    repeats = _counts_repeats(state)
    seen: dict[str, Observation] = {}
    for visit in state.visits:
        fits = visit.round < told_in if earlier else visit.round == told_in
        if not fits or visit.step not in table.test_index:
            continue
        known = set(table.outcomes[table.test_index[visit.step]])
        soft = _likelihoods(visit.event, known)
        if soft is not None or visit.outcome in known:
            last = seen.get(visit.step)
            same = repeats and last is not None and last.outcome == visit.outcome
            times = last.times + 1 if same and last is not None else 1
            seen[visit.step] = Observation(visit.step, visit.outcome, soft, times)
    return tuple(seen.values())


def _counts_repeats(state: State) -> bool:
    """Whether a test made again is evidence of its own; not in a case of an earlier version."""
    return state.opened is not None and state.opened.usually_normal is not None


def _likelihoods(event: Answered, known: set[str]) -> Mapping[str, float] | None:
    """The soft evidence of a reading near its limit, where there is any."""
    soft = (event.verdict or {}).get("likelihoods")
    if not soft or not set(soft) <= known:
        return None
    return {name: float(share) for name, share in soft.items()}


def beliefs(state: State) -> Posterior:
    """P(fault | what was seen in this round), with the priors of the day it was opened."""
    from faulttree.odds import posterior

    return posterior(
        table_for(state),
        evidence(state),
        priors=_priors(state),
        excluded=state.excluded,
    )


def worth_repeating(state: State, fault: str) -> tuple[str, float]:
    """The test to make again, and P(fault) if it gives the same; ("", 0) where none is worth it.

    Only a test of this search that nothing bars now, and none that a known property answers.
    """
    from faulttree.odds import best_to_repeat

    if not _counts_repeats(state):
        return "", 0.0
    steps, seen = state.tree.steps, evidence(state)
    open_ = [
        one.test
        for one in seen
        if steps[one.test].role == "finding" and steps[one.test].property is None
        if not _barred(state, one.test)
    ]
    test, share = best_to_repeat(
        table_for(state),
        fault,
        seen,
        among=open_,
        priors=_priors(state),
        excluded=state.excluded,
    )
    gained = share - beliefs(state).probabilities.get(fault, 0.0)
    return (test, share) if gained >= WORTH_REPEATING else ("", 0.0)


def _priors(state: State) -> dict[str, float] | None:
    """The priors of the opening, for the faults that the tree has now."""
    given = state.opened.priors if state.opened else {}
    return {fault: share for fault, share in given.items() if fault in state.tree.faults} or None


def possible(state: State) -> dict[str, float]:
    """Fault → probability, the likeliest first; a fault the walk found is certain."""
    if state.cured is not None:
        return {state.cured.fault: 1.0}
    return {fault: share for fault, share in beliefs(state).ranked if share > 0}


def spoken_against(state: State) -> dict[str, Against]:
    """Fault → the answer of this round that clears or contradicts it; the others are open."""
    from faulttree.odds import against

    if state.cured is not None:
        return {}
    table, seen = table_for(state), evidence(state)
    found = ((fault, against(table, fault, seen)) for fault in table.faults)
    return {fault: answer for fault, answer in found if answer is not None}


def none_of_these(state: State) -> float:
    """The probability of a cause that the tree does not have; 0 once a repair has held."""
    return 0.0 if state.cured is not None else beliefs(state).none


def both(state: State, *, limit: int = 3) -> tuple[Pair, ...]:
    """Two faults at once that would explain every round, once a repair did not cure it.

    One of the two is the fault repaired last without success. Rounds before its repair saw both:
    :func:`faulttree.odds.pairs`. What was seen since speaks of the other alone, so each pair
    is weighed by P(other | this round) / P(other).
    """
    from faulttree.odds import Pair, pairs, posterior

    failed = [repair.fault for repair in state.repairs if repair.held is False]
    if not failed or state.cured is not None or failed[-1] not in state.tree.faults:
        return ()
    table, known = table_for(state), _priors(state)
    before = pairs(
        table,
        evidence(state, earlier=True),
        priors=known,
        known=failed[-1:],
        limit=len(table.faults),
    )
    prior = posterior(table, (), priors=known).probabilities
    now = beliefs(state).probabilities
    weighed = []
    for pair in before:
        other = next(fault for fault in pair.faults if fault != failed[-1])
        share = pair.probability * now[other] / prior[other] if prior[other] else 0.0
        weighed.append(Pair((failed[-1], other), share))
    total = sum(pair.probability for pair in weighed)
    if not total:
        return ()
    weighed.sort(key=lambda pair: -pair.probability)
    return tuple(Pair(pair.faults, pair.probability / total) for pair in weighed[:limit])


def untested(state: State) -> tuple[Suspect, ...]:
    """The suspects still open, the cheap and likely first; none once a repair has held."""
    from faulttree.odds import untested as open_suspects

    if state.cured is not None:
        return ()

    suspects = open_suspects(
        table_for(state),
        beliefs(state),
        evidence(state),
        entered=state.access,
        done=state.holding,
    )
    return tuple(one for one in suspects if one.fault not in state.excluded)


LIKELY = 0.5
"""From this probability on a suspect is more likely than not, so "no fault" contradicts it."""


def likely_untested(state: State) -> tuple[Suspect, ...]:
    """The suspects that speak against "no fault found": likely, and a test of them is open.

    None where the walk ended at a stop by which the tree itself says that there is no fault.
    """
    end = state.end
    if end is not None and end.kind == "stop" and end.reason == "no-fault-found" and end.id:
        return ()
    return tuple(one for one in untested(state) if one.probability >= LIKELY and one.tests)


def worth(state: State, *, value: float, labour: float) -> Worth:
    """What finishing is expected to cost from here, beside what the unit is worth.

    Args:
        state: where the walk stands.
        value: of a working unit, in the currency of the bench file.
        labour: cost of one hour, in the same.

    The time is what the tests are expected to take until the fault is told; once it is told
    only its part counts. The repair itself is in no tree and not counted.
    """
    from faulttree.odds import expected_part_cost, worth_it

    costs = {name: fault.part_cost or 0.0 for name, fault in state.tree.faults.items()}
    if state.end is not None and state.end.kind == "fault":
        return worth_it(value, labour, 0.0, costs.get(state.end.id, 0.0))
    ranked = ranking(state) if state.phase == "finding" else ()
    minutes = min((one.minutes_to_go for one in ranked), default=0.0)
    return worth_it(value, labour, minutes, expected_part_cost(beliefs(state), costs))


HEARSAY = frozenset({"reported", "contradicted"})


def cleared(state: State) -> tuple[str, ...]:
    """The suspects that only somebody's word speaks for and that the last answer cleared.

    Only a step that tests the suspect itself clears it: one whose outcomes lead to it, or
    that its signs name. What merely lies on another way is less likely, not cleared. A
    suspect that an earlier answer of this round cleared already is not named again.
    """
    from faulttree.odds import tests_of

    table, told = table_for(state), evidence(state)
    if not told or not state.visits or told[-1].test != state.visits[-1].step:
        return ()
    *before, last = told
    return tuple(
        name
        for name, fault in state.tree.faults.items()
        if fault.evidence and {one.kind for one in fault.evidence} <= HEARSAY
        if last.test in tests_of(state.tree, name)
        and _speaks_against(table, name, last)
        and not any(_speaks_against(table, name, seen) for seen in before)
    )


def _speaks_against(table: FaultTable, fault: str, seen: Observation) -> bool:
    """Whether a plain outcome is one that the fault would not show; soft evidence is not."""
    entry = table.entry(fault, seen.test)
    soft = seen.likelihoods is not None and max(seen.likelihoods.values()) < 0.95
    return bool(entry) and not soft and seen.outcome not in entry


def ranking(state: State) -> tuple[Ranked, ...]:
    """The tests that could be made now, the one with the fewest minutes to go first."""
    from faulttree.odds import rank_tests

    table = table_for(state)
    done = {visit.step for visit in state.visits if visit.round == state.round}
    # A check before power comes by itself when the unit is to get power, and at no other time.
    asked = [step for step in table.tests if state.tree.steps[step].role == "finding"]
    available = [step for step in asked if step not in done and not _barred(state, step)]
    if not available:
        return ()
    return rank_tests(
        table, beliefs(state), available=available, entered=state.access, done=state.holding
    )


def _barred(state: State, step: str) -> bool:
    """Skipped, or resting on something that was. Each step is looked at once."""
    seen, open_ = {step}, [step]
    while open_:
        name = open_.pop()
        if _barred_itself(state, name):
            return True
        new = set(_rests_on(state, name)) - seen
        seen |= new
        open_ += new
    return False


def _barred_itself(state: State, step: str) -> bool:
    if step in state.skipped or step in state.unreachable:
        return True
    use = state.tree.uses.get(step)
    if use is not None:
        inside = [state.tree.steps[inner] for inner in use.steps]
        barred = state.power_barred and any(inner.live for inner in inside)
        return barred or any(inner.id in state.skipped for inner in inside)
    known = state.tree.steps.get(step)
    return known is not None and bool(
        (known.live and state.power_barred) or stop_of(known, state.facts)
    )


def _rests_on(state: State, step: str) -> tuple[str, ...]:
    """What must be done before a step. A procedure is taken as one, without what is before it."""
    known = state.tree.steps.get(step)
    if known is None or step in state.tree.uses:
        return ()
    actions = () if known.live else preparations_before(state.tree, step)
    return (*known.after, *actions, *guards_before(state.tree, step))


def choose(state: State, *, at: str = "") -> Jumped | None:
    """Where a walk goes on that was stopped by a skip or a fault already ruled out.

    To the step with the most still to be learned; when no other is worth asking, back to
    what was skipped, once. None when nothing is left.
    """
    if not state.may_go_on:
        return None
    for best in ranking(state):
        if best.bits > WORTH_ASKING:
            return Jumped(at=at, step=best.test, cause="most-to-learn")
    for step, times in state.skipped.items():
        if times == 1 and step in state.tree.steps and step not in state.unreachable:
            return Jumped(at=at, step=step, cause="skipped-before")
    return None


@dataclass(frozen=True, slots=True)
class Better:
    """Another test than the tree's next, and the minutes it is expected to save."""

    step: str
    saves: float


def better(state: State) -> Better | None:
    """A test that would be better than the one the tree asks now, if there is one.

    None that goes round a step which may find the unit unsafe: minutes do not outweigh that.
    """
    if state.ask is None or state.phase != "finding" or state.pending is not None:
        return None
    if is_guard(state.tree, state.ask):
        return None
    ranked = ranking(state)
    here = next((one for one in ranked if one.test == state.ask.id), None)
    if here is None:
        return None
    answered = {visit.step for visit in state.visits}
    best = next(
        one for one in ranked if one is here or answered.issuperset(_guards(state, one.test))
    )
    saves = here.minutes_to_go - best.minutes_to_go
    done = best.test in answered or state.outcome(best.test) is not None
    return Better(best.test, saves) if saves >= WORTH_SAYING and not done else None


def _guards(state: State, test: str) -> tuple[str, ...]:
    """What guards a test, which may be a procedure taken as one."""
    use = state.tree.uses.get(test)
    return guards_before(state.tree, use.start if use is not None else test)
