"""Which test next, and which suspects are still open."""

from __future__ import annotations

import heapq
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from faulttree.odds.beliefs import ERROR_RATES, Observation, Posterior, chances, posterior
from faulttree.odds.planning.plan_graph import PlanGraph
from faulttree.odds.planning.problem import PlanningProblem, Prerequisites, plogp
from faulttree.odds.planning.search import Search
from faulttree.odds.table import FaultTable
from faulttree.tree.model import Tree

__all__ = [
    "Against",
    "Ranked",
    "Suspect",
    "against",
    "best_to_repeat",
    "rank_tests",
    "untested",
    "would_settle",
]

NEGLIGIBLE = 1e-4
"""Faults less likely than this, next to the likeliest, are left out when looking ahead."""

MOST_WORK = 3_000
"""Places of plans that are looked at for one ranking: about half a second."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """A test that could come next.

    Attributes:
        test: its id.
        minutes: its own and those of what must come first and does not hold yet.
        minutes_to_go: expected minutes until nothing more can be told apart, this test
            included, going on from there by information per minute.
        bits: mutual information of its outcome with the fault, "none of these" included.
        first: access states and actions it needs first, in order.
    """

    test: str
    minutes: float
    minutes_to_go: float
    bits: float
    first: tuple[str, ...] = ()

    @property
    def bits_per_minute(self) -> float:
        """Information per minute; infinite for a test that takes no time."""
        if self.minutes > 0:
            return self.bits / self.minutes
        return float("inf") if self.bits > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Against:
    """The answer that speaks against a fault.

    Attributes:
        test, outcome: what was seen.
        own: whether the test is one of the fault itself, so that the answer clears it: an
            outcome leads straight to the fault, or its signs name the test.
    """

    test: str
    outcome: str
    own: bool

    @property
    def standing(self) -> str:
        """``cleared`` by its own test, or ``contradicted`` by another one."""
        return "cleared" if self.own else "contradicted"


@dataclass(frozen=True, slots=True)
class Suspect:
    """A fault that nothing seen speaks against, and what would settle it.

    Attributes:
        fault: its id.
        probability: as believed now.
        minutes: for ``tests`` with what they need first; 0 where no test is known.
        tests: steps still open on the quickest way to it; empty for a loose suspect that
            no test is known for.
        gear: the instruments those need.
    """

    fault: str
    probability: float
    minutes: float
    tests: tuple[str, ...] = ()
    gear: tuple[str, ...] = ()


def rank_tests(
    table: FaultTable,
    posterior: Posterior,
    *,
    available: Collection[str] | None = None,
    entered: Iterable[str] = (),
    done: Iterable[str] = (),
    errors: Mapping[str, float] | None = None,
) -> tuple[Ranked, ...]:
    """Tests that would still tell something, by minutes to go, then by information.

    Args:
        table: the fault table.
        posterior: beliefs so far; tests it has seen answered are left out.
        available: tests that may be taken; all by default.
        entered, done: access states that the unit is in; what was done and still holds.
        errors: kind of test → error rate, over :data:`~faulttree.odds.beliefs.ERROR_RATES`.
    """
    answered = {seen.test for seen in posterior.seen if _counts(seen)}
    graph = _graph(table, posterior, answered, frozenset(entered), frozenset(done))
    if graph is None:
        return ()
    view, ready = graph.view(graph.root.faults, graph.root.done), graph.problem.readying.ready
    possible = set(table.tests if available is None else available)
    # A reading that cannot be made now need not be kept unspoiled.
    spoiled = {one for names in table.spoils.values() for one in names}
    telling = view.names - (spoiled - possible)
    to_go, base = _to_go(graph)
    bits_told = _bits(table, posterior, {**ERROR_RATES, **(errors or {})})
    ranked = []
    for test, name in enumerate(table.tests):
        if name in answered or name not in possible:
            continue
        readied = ready(graph.state, test, telling - {name})
        if readied is not None and bits_told[test] > 1e-12:
            minutes = table.minutes[test] + readied.minutes
            after = minutes + to_go.get(test, base)
            ranked.append(Ranked(name, minutes, after, float(bits_told[test]), readied.items))
    return tuple(sorted(ranked, key=lambda r: (round(r.minutes_to_go, 9), -r.bits)))


def _graph(
    table: FaultTable,
    posterior: Posterior,
    answered: Collection[str],
    entered: frozenset[str],
    done: frozenset[str],
) -> PlanGraph | None:
    """The plans that go on from here; None for a table without faults or tests."""
    if not table.tests or not table.faults:
        return None
    problem = PlanningProblem(table, _weights(table, posterior))
    # A fault that no test says anything of is in every place of every plan alike.
    likely = problem.weights > NEGLIGIBLE * problem.weights.max()
    rows = np.flatnonzero(likely & [any(row) for row in table.entries])
    if not len(rows):
        rows = np.arange(problem.n)
    return PlanGraph(
        problem,
        state=problem.readying.start(entered, done.union(answered)),
        faults=sum(1 << row for row in rows.tolist()),
        answered=[table.test_index[test] for test in answered if test in table.test_index],
    )


def _counts(seen: Observation) -> bool:
    return seen.likelihoods is not None or seen.outcome not in (None, "undecided")


def _weights(table: FaultTable, posterior: Posterior) -> dict[str, float]:
    """Planning weights: beliefs in the faults that nothing seen contradicts, if there are any."""
    open_now = {fault: p for fault, p in posterior.probabilities.items() if p > 0}
    fitting = {f: p for f, p in open_now.items() if against(table, f, posterior.seen) is None}
    chosen = fitting or open_now or dict.fromkeys(table.faults, 1.0)
    return {fault: chosen.get(fault, 0.0) for fault in table.faults}


def against(table: FaultTable, fault: str, seen: Sequence[Observation]) -> Against | None:
    """The answer that speaks against a fault, of several one to a test of its own; else None.

    An answer speaks against a fault that would not show it. A reading near its limit does where
    its true value more likely lies in outcomes that the fault would not show.
    """
    found: Against | None = None
    for answer in seen:
        soft = answer.likelihoods or {str(answer.outcome): 1.0}
        if not any((answer.test, outcome) in table.columns.place for outcome in soft):
            continue
        entry = table.entry(fault, answer.test)
        fits = sum(soft.get(outcome, 0.0) for outcome in entry)
        if entry and fits < sum(soft.values()) / 2:
            own = table.source is not None and answer.test in tests_of(table.source, fault)
            if own or found is None:
                found = Against(answer.test, answer.outcome or max(soft, key=soft.__getitem__), own)
            if own:
                break
    return found


def best_to_repeat(
    table: FaultTable,
    fault: str,
    seen: Sequence[Observation],
    *,
    among: Collection[str] | None = None,
    priors: Mapping[str, float] | None = None,
    excluded: Iterable[str] = (),
) -> tuple[str, float]:
    """The test that raises P(fault) most if it is made again and gives the same outcome.

    Args:
        table: the fault table.
        fault: one that the answers speak for.
        seen: the answers, each test once.
        among: tests that can be made again; all by default.
        priors, excluded: as for :func:`faulttree.odds.posterior`.

    Returns:
        The test and P(fault) after that outcome; an empty text and 0 where nothing was seen.
    """
    best, out = ("", 0.0), tuple(excluded)
    for at, answer in enumerate(seen):
        possible = answer.test in table.test_index and _counts(answer)
        if not possible or (among is not None and answer.test not in among):
            continue
        again = (*seen[:at], replace(answer, times=answer.times + 1), *seen[at + 1 :])
        share = posterior(table, again, priors=priors, excluded=out).probabilities[fault]
        best = max(best, (answer.test, share), key=lambda one: one[1])
    return best


def tests_of(tree: Tree, fault: str) -> frozenset[str]:
    """The steps whose outcomes lead straight to a fault, and those that its signs name."""
    leading = {step for step, _, target in tree.edges() if target == fault}
    return frozenset(leading | tree.faults[fault].signs.keys())


def _bits(
    table: FaultTable, posterior: Posterior, errors: Mapping[str, float]
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """(m,) mutual information of each test's outcome with the fault, in bits."""
    belief = np.array([*posterior.probabilities.values(), posterior.none])
    shown = chances(table, errors)
    heads = table.columns.first[:-1]
    marginal = belief @ shown
    told = np.add.reduceat(belief @ plogp(shown) - plogp(marginal), heads)
    return np.asarray(np.maximum(0.0, told) / math.log(2), dtype=float)


def _to_go(graph: PlanGraph) -> tuple[dict[int, float], float]:
    """Expected minutes after each test that tells the faults apart, and without any test.

    The most promising tests come first. Where the work is used up, for large tables only, the
    figure without any test stands for the others.
    """
    search, found = Search(graph), dict[int, float]()
    base = search.value(graph.root)
    for test in graph.options(graph.root).order:
        if graph.work > MOST_WORK:
            break
        ends = graph.ends(graph.root, test)
        found[test] = sum(share * search.value(end) for _, share, end in ends)
    return found, base


def untested(
    table: FaultTable,
    posterior: Posterior,
    seen: Sequence[Observation] = (),
    *,
    entered: Iterable[str] = (),
    done: Iterable[str] = (),
) -> tuple[Suspect, ...]:
    """Suspects still open, to be shown before giving up.

    A fault is open where nothing seen contradicts it, it was not ruled out, and a test that
    says something of it is left, or no test of it is known at all. First come the cheap and
    likely: by probability per minute, then the loose ones that no test is known for.

    Args:
        table: the fault table.
        posterior: beliefs so far.
        seen: answers so far; those the posterior rests on where left out.
        entered: access states that the unit is in.
        done: actions and tests that were done and still hold.
    """
    answers = tuple(seen) or posterior.seen
    given = {answer.test: answer for answer in answers if _counts(answer)}
    readying = Prerequisites(table)
    state = readying.start(frozenset(entered), frozenset({*done, *given}))
    suspects = []
    for fault in table.faults:
        probability = posterior.probabilities.get(fault, 0.0)
        if fault in posterior.excluded or probability <= 0:
            continue
        if against(table, fault, answers) is not None:
            continue
        tests = _open_tests(table, fault, given)
        if tests is not None:
            suspects.append(_suspect(table, fault, probability, tests, readying, state))
    # Half a minute is added so that a free test does not outrank any likelihood.
    return tuple(sorted(suspects, key=lambda s: (not s.tests, -s.probability / (s.minutes + 0.5))))


def _open_tests(
    table: FaultTable, fault: str, given: Mapping[str, Observation]
) -> tuple[str, ...] | None:
    """Open tests on the quickest way to a fault; () where no test is known, None where all
    of them were taken.
    """
    telling = [
        t for t, e in zip(table.tests, table.entries[table.fault_index[fault]], strict=True) if e
    ]
    if not telling:
        return ()
    left = [test for test in telling if test not in given]
    if table.source is not None:
        way = _way_to(table.source, fault, given)
        if way is not None:
            on_way = tuple(step for step in way if step in table.test_index and step not in given)
            return on_way or (None if not left else (_cheapest(table, left),))
    return (_cheapest(table, left),) if left else None


def _cheapest(table: FaultTable, tests: Sequence[str]) -> str:
    return min(tests, key=lambda test: table.minutes[table.test_index[test]])


def _way_to(tree: Tree, fault: str, given: Mapping[str, Observation]) -> list[str] | None:
    """The quickest way to a fault that goes by what was seen, steps seen taking no time."""
    heap: list[tuple[float, int, str, list[str]]] = [(0.0, 0, tree.start, [])]
    settled: set[str] = set()
    turn = 0
    while heap:
        spent, _, name, way = heapq.heappop(heap)
        if name == fault:
            return way
        if name in settled or name not in tree.steps:
            continue
        settled.add(name)
        step = tree.steps[name]
        answer = given.get(name)
        for outcome, target in step.targets.items():
            if answer is not None and answer.outcome not in (None, "undecided", outcome):
                continue
            turn += 1
            cost = 0.0 if answer is not None else step.cost
            heapq.heappush(heap, (spent + cost, turn, target, [*way, name]))
    return None


def _suspect(
    table: FaultTable,
    fault: str,
    probability: float,
    tests: Sequence[str],
    readying: Prerequisites,
    state: int,
) -> Suspect:
    minutes = 0.0
    for test in tests:
        column = table.test_index[test]
        readied = readying.ready(state, column, frozenset())
        assert readied is not None
        minutes += table.minutes[column] + readied.minutes
        state = readied.state
    gear = [name for test in tests if table.gear for name in table.gear[table.test_index[test]]]
    return Suspect(fault, probability, minutes, tuple(tests), tuple(dict.fromkeys(gear)))


def would_settle(suspects: Sequence[Suspect], minutes: float | None = None) -> str:
    """One sentence on what a few minutes would settle, or an empty text without suspects.

    Args:
        suspects: as :func:`untested` gives them.
        minutes: how long one is willing to spend; by default what the first suspect takes.

    A suspect whose steps are all among those of a suspect before it is settled with it.
    Otherwise steps that suspects share are computed for each, so that the sentence never
    promises too much.
    """
    tested = [suspect for suspect in suspects if suspect.tests]
    total = sum(suspect.probability for suspect in suspects)
    if not tested or total <= 0:
        return ""
    budget = tested[0].minutes if minutes is None else minutes
    spent = 0.0
    taken: set[str] = set()
    for suspect in tested:
        if not taken.issuperset(suspect.tests) and spent + suspect.minutes <= budget + 1e-9:
            spent += suspect.minutes
            taken.update(suspect.tests)
    settled = sum(s.probability for s in tested if taken.issuperset(s.tests))
    if not settled:
        return ""
    unit = "minute" if spent == 1 else "minutes"
    return f"{spent:.3g} {unit} would settle {100 * settled / total:.0f} % of what is left."
