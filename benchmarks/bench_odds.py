"""How good plans are and how quick beliefs change, next to peers in the same run.

Run as ``python -m benchmarks.bench_odds``; ``--seeds`` and ``--seconds`` make it longer.
Peers are left out where they are not installed.
"""

from __future__ import annotations

import argparse
import statistics
import warnings
from collections.abc import Callable, Iterator
from itertools import accumulate, pairwise
from time import perf_counter, process_time

import numpy as np
from numpy.typing import NDArray

from faulttree.odds import Beliefs, FaultTable, Observation, make_table, plan, table_from_tree
from faulttree.odds.planning.lower_bounds import huffman_length
from faulttree.odds.planning.plan_graph import PlanGraph
from faulttree.odds.planning.planner import WORK
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Search
from faulttree.tree.library import shipped_library

COSTS = (1, 2, 3, 5, 8, 13)
PEER_SECONDS = 40.0
SIGMAS = (1.0, 2.0, 2.5)
"""Spreads of the logarithm of the weights: the more uneven, the more a plan can gain."""


def random_table(
    seed: int, faults: int, tests: int, density: float, *, equal: bool = False, sigma: float = 1.0
) -> FaultTable:
    rng = np.random.default_rng(seed)
    shows = (rng.random((faults, tests)) < density).astype(int)
    weights = rng.lognormal(0.0, sigma, faults)
    minutes = np.ones(tests) if equal else rng.choice(COSTS, tests)
    names, columns = [f"f{i}" for i in range(faults)], [f"t{j}" for j in range(tests)]
    return make_table(
        dict(zip(names, weights.tolist(), strict=True)),
        dict.fromkeys(columns, ("0", "1")),
        {
            (fault, test): (str(shows[i, j]),)
            for i, fault in enumerate(names)
            for j, test in enumerate(columns)
        },
        minutes=dict(zip(columns, minutes.tolist(), strict=True)),
    )


class PeerSearch:
    """The peer for exact plans: memoised search over sets, cut off by the Huffman bound."""

    def __init__(self, table: FaultTable, seconds: float) -> None:
        problem = PlanningProblem(table)
        self.weights = problem.weights.tolist()
        tests = sorted(zip(table.minutes, (m[-1] for m in problem.masks), strict=True))
        self.tests = [(minutes, mask) for minutes, mask in tests if mask]
        self.full = (1 << problem.n) - 1
        self.value: dict[int, float] = {}
        self.low: dict[int, float] = {}
        self.end = process_time() + seconds

    def weigh(self, mask: int) -> list[float]:
        return [w for i, w in enumerate(self.weights) if mask >> i & 1]

    def splits(self, mask: int) -> list[tuple[float, int]]:
        return [(c, mask & t) for c, t in self.tests if 0 < mask & t != mask]

    def bound(self, mask: int) -> float:
        if mask not in self.low:
            splits, weights = self.splits(mask), self.weigh(mask)
            length = huffman_length(weights) / sum(weights) if splits else 0.0
            sums = [0.0, *accumulate(c for c, _ in splits)]
            whole = min(int(length), len(splits))
            part = (length - whole) * splits[whole][0] if whole < len(splits) else 0.0
            self.low[mask] = (sums[whole] + part) * sum(weights)
        return self.low[mask]

    def solve(self, mask: int, limit: float) -> float:
        if mask in self.value:
            return self.value[mask]
        if process_time() > self.end:
            raise TimeoutError
        splits = self.splits(mask)
        if not splits:
            self.value[mask] = 0.0
            return 0.0
        whole = sum(self.weigh(mask))
        ways = sorted(
            (c * whole + self.bound(part) + self.bound(mask ^ part), c, part) for c, part in splits
        )
        best = float("inf")
        for low, c, part in ways:
            if low >= min(best, limit):
                break
            spent, other = c * whole, mask ^ part
            first = self.solve(part, min(best, limit) - spent - self.bound(other))
            total = spent + first + self.bound(other)
            if total < min(best, limit):
                total = spent + first + self.solve(other, min(best, limit) - spent - first)
            if part in self.value and other in self.value:
                best = min(best, total)
        if best < limit:
            self.value[mask] = best
            return best
        return max(limit, self.bound(mask))


def timed(work: Callable[[], object]) -> float:
    start = perf_counter()
    work()
    return perf_counter() - start


def exact(seeds: int, seconds: float) -> None:
    print(
        "1. exact plans, proved; processor seconds, median (largest); peer: memoised Huffman search"
    )
    for faults, tests, density in ((24, 40, 0.2), (30, 50, 0.2), (30, 50, 0.1)):
        took, peer, proved = [], [], 0
        for seed in range(seeds):
            table = random_table(seed, faults, tests, density)
            start = process_time()
            found = plan(table, seconds=seconds, clock=process_time)
            took.append(process_time() - start)
            proved += found.exact
            rival = PeerSearch(table, PEER_SECONDS / 4)
            try:
                start = process_time()
                rival.solve(rival.full, float("inf"))
                peer.append(process_time() - start)
            except TimeoutError:
                peer.append(float("inf"))
        print(
            f"   {faults} × {tests}, density {density}: {statistics.median(took):.2f} "
            f"({max(took):.2f}), proved {proved} of {seeds}; peer {statistics.median(peer):.2f} "
            f"({sum(p == float('inf') for p in peer)} given up after {PEER_SECONDS / 4:.0f} s); "
            f"ratio {statistics.median(peer) / statistics.median(took):.1f}",
            flush=True,
        )


def greedy_minutes(table: FaultTable) -> float:
    graph = PlanGraph(PlanningProblem(table))
    return Search(graph).value(graph.root)


def large(seeds: int, seconds: float) -> None:
    print(f"2. 500 × 500, density 0.1, {seconds:.0f} s a plan")
    for sigma in SIGMAS:
        gains = []
        for seed in range(seeds):
            table = random_table(seed, 500, 500, 0.1, sigma=sigma)
            found = plan(table, seconds=seconds, clock=process_time)
            gains.append(1 - found.expected_minutes / greedy_minutes(table))
            print(
                f"   costs {COSTS}, log-normal weights with σ {sigma:g}, seed {seed}: "
                f"{found.expected_minutes:.3f} min, {100 * gains[-1]:.2f} % below information "
                f"gain per minute, gap to the bound {100 * found.gap:.1f} %",
                flush=True,
            )
        print(f"   mean {100 * statistics.mean(gains):.2f} %, least {100 * min(gains):.2f} %")
    for seed in range(seeds):
        table = random_table(seed, 500, 500, 0.1, equal=True)
        peer = entropy_tree(table)
        if peer is None:
            print("   scikit-learn is not installed: its entropy tree is left out")
            return
        found = plan(table, seconds=seconds, clock=process_time)
        print(
            f"   equal costs, seed {seed}: {found.expected_minutes:.3f}, entropy tree of "
            f"scikit-learn {peer:.3f}: {100 * (1 - found.expected_minutes / peer):.2f} % below",
            flush=True,
        )


def shipped() -> None:
    """Plans of the shipped trees, with the work that `plan` takes by itself."""
    print("3. the shipped trees, by the work of `plan` and by a tenth of it")
    library = shipped_library()
    for work in (0, WORK // 10, WORK):
        start, minutes, before, proofs = process_time(), 0.0, 0.0, 0
        for name in library.trees():
            found = plan(table_from_tree(library.load(name)), work=work)
            minutes, before = minutes + found.expected_minutes, before + found.before
            proofs += found.exact
        print(
            f"   work {work}: {minutes:.1f} min in all, {before:.1f} as they stand, {proofs} of "
            f"{len(library.trees())} proved, {process_time() - start:.1f} s",
            flush=True,
        )


def entropy_tree(table: FaultTable) -> float | None:
    """Mean depth of scikit-learn's entropy tree on the same table; None without it."""
    try:
        from sklearn.tree import DecisionTreeClassifier
    except ImportError:
        return None
    problem = PlanningProblem(table)
    features: NDArray[np.int64] = possible_outcome(problem)
    tree = DecisionTreeClassifier(criterion="entropy", random_state=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tree.fit(features, np.arange(problem.n), sample_weight=problem.weights)
    depth = np.asarray(tree.decision_path(features).sum(axis=1)).ravel() - 1
    return float(problem.weights @ depth)


def possible_outcome(problem: PlanningProblem) -> NDArray[np.int64]:
    """(n, m) which outcome each fault shows at each test; 0 stands also for any outcome."""
    shown = np.zeros((problem.n, problem.m), dtype=np.int64)
    for test, (begin, end) in enumerate(pairwise(problem.first)):
        shown[:, test] = problem.allowed[:, begin:end].argmax(axis=1)
    return shown


def beliefs() -> None:
    print("4. beliefs after one more answer, 1000 faults × 500 tests, 400 answered before")
    table = random_table(0, 1000, 500, 0.1)
    belief = Beliefs.start(table)
    for test in table.tests[:400]:
        belief = belief.after(Observation(test, "0"))
    answer = Observation("t450", "1")
    own = min(timed(lambda: belief.after(answer).shares) for _ in range(200))
    named = min(timed(lambda: belief.after(answer).posterior) for _ in range(200))
    print(f"   {1e6 * own:.1f} µs, {1e6 * named:.1f} µs with every fault by name")
    for name, peer in elimination(table, 400):
        took = min(timed(peer) for _ in range(3))
        print(f"   {name} {1e3 * took:.1f} ms, {took / own:.0f} times as long")


def elimination(table: FaultTable, answered: int) -> Iterator[tuple[str, Callable[[], object]]]:
    """pgmpy's variable elimination on the same table; nothing without it."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from pgmpy.factors.discrete import TabularCPD
            from pgmpy.inference import VariableElimination
            from pgmpy.models import DiscreteBayesianNetwork
    except ImportError:
        print("   pgmpy is not installed: it is left out")
        return
    warnings.simplefilter("ignore")
    size, whole = len(table.faults), sum(table.weights)
    network = DiscreteBayesianNetwork([("fault", test) for test in table.tests])
    network.add_cpds(TabularCPD("fault", size, [[w / whole] for w in table.weights]))
    for test in table.tests:
        rows = [
            [0.95 if table.entry(f, test) == (o,) else 0.05 for f in table.faults] for o in "01"
        ]
        network.add_cpds(TabularCPD(test, 2, rows, ["fault"], [size]))
    engine = VariableElimination(network)
    evidence = {**dict.fromkeys(table.tests[:answered], 0), "t450": 1}
    yield "pgmpy", lambda: engine.query(["fault"], evidence=evidence, show_progress=False)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=20.0, help="for each large plan")
    options = parser.parse_args()
    beliefs()
    exact(options.seeds, 40.0)
    large(options.seeds, options.seconds)
    shipped()


if __name__ == "__main__":
    main()
