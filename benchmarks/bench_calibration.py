"""How true the computed probabilities are, on simulated cases with unknown causes.

Run as ``python -m benchmarks.bench_calibration``; ``--cases`` makes it longer. Four kinds of
simulated cases: walks of shipped trees where an outcome that nobody stated is usually normal;
the same with half of the signs deleted from the tree that is believed; walks where such an
outcome is any of the step's outcomes; and signal chains, whose outcomes follow from which
stage feeds which, so that nothing there is built on what the odds assume.
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

from faulttree.odds import (
    ERROR_RATES,
    Beliefs,
    FaultTable,
    Observation,
    against,
    best_to_repeat,
    make_table,
    posterior,
)
from faulttree.odds.table_from_tree import table_from_tree
from faulttree.tree.library import shipped_library
from faulttree.tree.model import Tree

NO_ERRORS = dict.fromkeys(ERROR_RATES, 0.0)

UNKNOWN_CAUSES = 0.1
"""Part of the simulated units whose cause the table does not have."""

ABNORMAL = 0.15
"""P(an outcome that is not normal) at a step, for a cause that the tree does not have."""


@dataclass(frozen=True)
class Case:
    """What was seen of one unit, and its cause; None for one that the table does not have.

    ``reached`` is the fault that the walk ended at, if it did; ``wrong`` are the tests whose
    outcome was not what the unit showed.
    """

    table: FaultTable
    cause: str | None
    seen: tuple[Observation, ...]
    reached: str = ""
    wrong: frozenset[str] = frozenset()


@dataclass
class Scores:
    """Sums over cases: log-loss in bits, Brier score, and claims against what was true."""

    cases: int = 0
    log_loss: float = 0.0
    brier: float = 0.0
    right: int = 0
    curve: dict[int, list[float]] = field(default_factory=dict)
    none: dict[bool, list[float]] = field(default_factory=lambda: {True: [], False: []})
    reached: dict[bool, list[int]] = field(default_factory=lambda: {True: [], False: []})

    def add(self, case: Case, threshold: float) -> None:
        beliefs = Beliefs.start(case.table)
        for answer in case.seen:
            beliefs = beliefs.after(answer)
        shares = beliefs.shares
        index = case.table.fault_index
        true = len(index) if case.cause is None else index[case.cause]
        top = int(shares.argmax())
        self.cases += 1
        self.log_loss -= math.log2(max(float(shares[true]), 1e-12))
        self.brier += float((shares**2).sum() - 2 * shares[true] + 1)
        self.right += top == true
        met = self.curve.setdefault(min(int(shares[top] * 10), 9), [0, 0, 0])
        met[:] = [met[0] + 1, met[1] + float(shares[top]), met[2] + (top == true)]
        self.none[case.cause is None].append(float(shares[-1]))
        if case.reached:
            found = bool(shares[index[case.reached]] >= threshold)
            self.reached[found].append(case.reached == case.cause)

    def text(self) -> str:
        """One line of figures."""
        n, means = self.cases, {one: sum(p) / max(len(p), 1) for one, p in self.none.items()}
        found, likely = self.reached[True], self.reached[False]
        text = (
            f"log-loss {self.log_loss / n:.2f} bit, Brier {self.brier / n:.3f}, likeliest right "
            f"{100 * self.right / n:.0f} %, none of these {100 * means[True]:.0f} % if true, "
            f"{100 * means[False]:.0f} % if not; claimed/true "
        )
        text += " ".join(
            f"{claimed / many:.2f}/{true / many:.2f}"
            for _, (many, claimed, true) in sorted(self.curve.items())
            if many >= 30
        )
        if found and likely:
            right = sum(found) + sum(likely)
            text += (
                f"; at faults: found {len(found)}, right {100 * sum(found) / len(found):.0f} %; "
                f"likely {100 * sum(likely) / max(right, 1):.0f} % of right walks"
            )
        return text


@cache
def shipped() -> tuple[tuple[Tree, FaultTable], ...]:
    library = shipped_library()
    trees = [library.load(name) for name in library.trees()]
    return tuple((tree, table_from_tree(tree)) for tree in trees)


def walks(
    cases: int, seed: int, *, any_outcome: bool = False, signs_deleted: float = 0.0
) -> Iterator[Case]:
    """Walks of shipped trees, from the start to a fault or stop, with slips at the error rates."""
    drawn = random.Random(seed)
    for _ in range(cases):
        tree, truth = drawn.choice(shipped())
        believed = truth
        if signs_deleted:
            believed = table_from_tree(without_signs(tree, signs_deleted, drawn))
        stated = [f for f, row in zip(truth.faults, truth.entries, strict=True) if any(row)]
        weights = [truth.weights[truth.fault_index[fault]] for fault in stated]
        cause = None if drawn.random() < UNKNOWN_CAUSES else drawn.choices(stated, weights)[0]
        seen, end, wrong = walk(tree, truth, cause, drawn, any_outcome=any_outcome)
        yield Case(believed, cause, tuple(seen), end if end in tree.faults else "", wrong)


def without_signs(tree: Tree, part: float, drawn: random.Random) -> Tree:
    faults = {
        name: replace(
            fault,
            signs={step: gives for step, gives in fault.signs.items() if drawn.random() >= part},
        )
        for name, fault in tree.faults.items()
    }
    return replace(tree, faults=faults)


def walk(
    tree: Tree, truth: FaultTable, cause: str | None, drawn: random.Random, *, any_outcome: bool
) -> tuple[list[Observation], str, frozenset[str]]:
    seen: dict[str, Observation] = {}
    wrong: set[str] = set()
    node = tree.start
    while node in tree.steps and node not in seen:
        step = tree.steps[node]
        outcome = str(step.normal_outcome)
        seen[node] = Observation(node)
        if node in truth.test_index:
            outcomes = truth.outcomes[truth.test_index[node]]
            outcome = shown(truth, cause, node, outcomes, drawn, any_outcome=any_outcome)
            if drawn.random() < ERROR_RATES[step.kind]:
                outcome = drawn.choice([one for one in outcomes if one != outcome])
                wrong.add(node)
            seen[node] = Observation(node, outcome)
        node = step.targets[outcome]
    return list(seen.values()), node, frozenset(wrong)


def shown(
    truth: FaultTable,
    cause: str | None,
    test: str,
    outcomes: Sequence[str],
    drawn: random.Random,
    *,
    any_outcome: bool,
) -> str:
    stated = truth.entry(cause, test) if cause is not None else ()
    if stated or any_outcome:
        return drawn.choice(stated or outcomes)
    # Not the table's own idea of a normal outcome: the first that ends no walk early.
    assert truth.source is not None
    step = truth.source.steps[test]
    on = [one for one in outcomes if step.targets[one] not in truth.source.stops]
    normal = "inside" if "inside" in outcomes else step.normal or (on or outcomes)[0]
    if cause is None and drawn.random() < ABNORMAL:
        return drawn.choice([one for one in outcomes if one != normal])
    return normal


def chains(cases: int, seed: int, *, stages: int = 12, tests: int = 14) -> Iterator[Case]:
    """Units of stages that feed later stages: a fault shows wherever its signal goes.

    The table lacks some of the stages as causes, and states what a fault shows at some tests
    only, an abnormal outcome more often than a good one.
    """
    drawn, words = random.Random(seed), ("good", "low", "high")
    for _ in range(cases):
        fed = [
            {s for s in range(max(0, at - 4), at) if drawn.random() < 0.45} for at in range(stages)
        ]
        fed = [before or ({at - 1} if at else set()) for at, before in enumerate(fed)]
        probes = [drawn.randrange(stages) for _ in range(tests)]
        behaviour = [chain_outcomes(at, fed, probes, drawn) for at in range(stages)]
        weights = [math.exp(drawn.gauss(0, 0.8)) for _ in range(stages)]
        known = [at for at in range(stages) if drawn.random() > 0.15] or [0]
        entries = {
            (f"f{at}", f"t{probe}"): (outcome,)
            for at in known
            for probe, outcome in enumerate(behaviour[at])
            if drawn.random() < (0.6 if outcome == "good" else 0.9)
        }
        table = make_table(
            {f"f{at}": weights[at] for at in known},
            {f"t{probe}": words for probe in range(tests)},
            entries,
            normal=("good",) * tests,
            kinds=("measure",) * tests,
        )
        cause = drawn.choices(range(stages), weights)[0]
        seen = []
        for probe in drawn.sample(range(tests), drawn.randint(4, tests)):
            outcome = behaviour[cause][probe]
            if drawn.random() < ERROR_RATES["measure"]:
                outcome = drawn.choice([word for word in words if word != outcome])
            seen.append(Observation(f"t{probe}", outcome))
        yield Case(table, f"f{cause}" if cause in known else None, tuple(seen))


def chain_outcomes(
    fault: int, fed: Sequence[set[int]], probes: Sequence[int], drawn: random.Random
) -> list[str]:
    """What a fault in one stage shows at each probe."""
    reached, side = {fault}, drawn.choice(("low", "high"))
    for at in range(fault + 1, len(fed)):
        if fed[at] & reached:
            reached.add(at)
    found = []
    for probe in probes:
        other = side if drawn.random() < 0.8 else drawn.choice(("low", "high"))
        found.append(other if probe in reached and drawn.random() < 0.85 else "good")
    return found


WORLDS: dict[str, Callable[[int, int], Iterable[Case]]] = {
    "usually normal": walks,
    "half the signs deleted": lambda cases, seed: walks(cases, seed, signs_deleted=0.5),
    "any outcome": lambda cases, seed: walks(cases, seed, any_outcome=True),
    "signal chains": chains,
}


def scores(cases: Iterable[Case], usually_normal: float | None, threshold: float = 0.8) -> Scores:
    """Scores of the odds with one setting; None for every outcome equally likely."""
    found = Scores()
    for case in cases:
        table = (
            replace(case.table, normal=())
            if usually_normal is None
            else replace(case.table, usually_normal=usually_normal)
        )
        found.add(replace(case, table=table), threshold)
    return found


def again(case: Case, wrong_again: float, drawn: random.Random, threshold: float = 0.8) -> Case:
    """The case with the best test made again where the fault that it came to is only likely.

    A wrong outcome is wrong again with that probability. Where the outcome is another one now,
    the walk goes on elsewhere: it has come to no fault.
    """
    table, seen = case.table, case.seen
    if not case.reached or posterior(table, seen).probabilities[case.reached] >= threshold:
        return case
    test, _ = best_to_repeat(table, case.reached, seen)
    at = next(at for at, answer in enumerate(seen) if answer.test == test)
    slip = ERROR_RATES[table.kind(table.test_index[test])]
    if drawn.random() < (1 - wrong_again if test in case.wrong else slip):
        return replace(case, seen=(*seen[:at], *seen[at + 1 :]), reached="")
    return replace(case, seen=(*seen[:at], replace(seen[at], times=2), *seen[at + 1 :]))


def shortest_ways(tree: Tree) -> Iterator[tuple[str, tuple[Observation, ...]]]:
    """A shortest walk by each outcome that leads to a fault, without skips or jumps."""
    ways: dict[str, tuple[Observation, ...]] = {tree.start: ()}
    waiting = [tree.start]
    for node in waiting:
        for outcome, target in tree.steps[node].targets.items():
            if outcome == "undecided":
                continue
            way = (*ways[node], Observation(node, outcome))
            if target in tree.faults:
                yield target, way
            elif target in tree.steps and target not in ways:
                ways[target] = way
                waiting.append(target)


def likely_ways(usually_normal: float | None, threshold: float = 0.8) -> tuple[int, Counter[str]]:
    """How many right walks there are, and why those below the threshold are.

    The reason is what, taken away, raises the probability most: wrong answers (error rates of
    0), causes that the tree does not have (no prior for them), or what nobody stated (other
    faults surely show the normal outcome).
    """
    whole, why = 0, Counter[str]()
    for tree, drawn in shipped():
        table = replace(drawn, normal=()) if usually_normal is None else drawn
        table = replace(table, usually_normal=usually_normal or drawn.usually_normal)
        for fault, way in shortest_ways(tree):
            whole += 1
            if posterior(table, way).probabilities[fault] >= threshold:
                continue
            without = {
                "an answer may be wrong": posterior(table, way, errors=NO_ERRORS),
                "a cause the tree does not have": posterior(table, way, none_prior=0),
                "not stated for other faults": posterior(replace(drawn, usually_normal=0.999), way),
            }
            best = max(without, key=lambda one: without[one].probabilities[fault])
            own = against(table, fault, way) is not None
            why["its own signs speak against the way" if own else best] += 1
    return whole, why


def likely_again(threshold: float = 0.8) -> tuple[int, int]:
    """How many right walks are below the threshold, with no and with one test made again."""
    first = second = 0
    for _, table in shipped():
        for fault, way in shortest_ways(table.source):  # type: ignore[arg-type]
            if posterior(table, way).probabilities[fault] < threshold:
                first += 1
                second += best_to_repeat(table, fault, way)[1] < threshold
    return first, second


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=3000, help="simulated cases of each kind")
    options = parser.parse_args()
    for usual in (None, 0.7):
        whole, why = likely_ways(usual)
        said = "equally likely" if usual is None else f"normal with {usual}"
        print(f"likely at the end of {why.total()} of {whole} right walks, {said}: {dict(why)}")
    first, second = likely_again()
    print(f"likely at first {first}, after one test made again with the same outcome {second}")
    for name, world in WORLDS.items():
        cases = list(world(options.cases, 1))
        for part in (0.1, 0.25, 0.5) if name != "signal chains" else ():
            drawn = random.Random(2)
            made = scores([again(case, part, drawn) for case in cases], 0.7)
            print(f"{name}, made again, {part} of wrong ones wrong again: {made.text()}")
        for usual in (None, 0.6, 0.7, 0.8, 0.9, 0.95):
            said = "equally likely" if usual is None else f"normal with {usual}"
            print(f"{name}, {said}: {scores(cases, usual).text()}", flush=True)


if __name__ == "__main__":
    main()
