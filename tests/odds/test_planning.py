"""Plans: the cheapest there is, never below a bound, and trees that lead to every fault."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import faulttree.odds.planning.search as planning_search
from faulttree.odds import FaultTable, TableError, make_table, plan, sequence, table_from_csv
from faulttree.odds.planning.lower_bounds import (
    LowerBounds,
    huffman_length,
    root_bounds,
)
from faulttree.odds.planning.plan_graph import Place, PlanGraph
from faulttree.odds.planning.problem import PlanningProblem
from faulttree.odds.planning.search import Search
from faulttree.tree import build
from faulttree.tree.model import Access

# K. R. Pattipati and M. G. Alexandridis, IEEE Trans. SMC 20 (1990), from memory; optimum,
# greedy figure and bounds recomputed by exhaustive search.
FIVE_TESTS = """fault,weight,t1,t2,t3,t4,t5
s0,0.70,0,0,0,0,0
s1,0.01,0,1,0,0,1
s2,0.02,0,0,1,1,0
s3,0.10,1,0,0,1,1
s4,0.05,1,1,0,0,0
s5,0.12,1,1,1,1,0
"""


PROOF = 1_000_000
"""Work enough to prove the plan of any small table here."""


def graph_of(table: FaultTable) -> PlanGraph:
    return PlanGraph(PlanningProblem(table))


def greedy_minutes(table: FaultTable) -> float:
    graph = graph_of(table)
    return Search(graph).value(graph.root)


def random_table(
    rng: random.Random,
    faults: int,
    tests: int,
    *,
    vague: float = 0.0,
    access: bool = False,
    after: bool = False,
    most_outcomes: int = 3,
) -> FaultTable:
    names = [f"f{i}" for i in range(faults)]
    outcomes = {
        f"t{j}": [chr(97 + o) for o in range(rng.randint(2, most_outcomes))] for j in range(tests)
    }
    entries = {}
    for f, t in itertools.product(names, outcomes):
        size = 1
        if rng.random() < vague:
            size = rng.choice([0, min(2, len(outcomes[t]))])
        entries[f, t] = rng.sample(outcomes[t], size)
    states = {"open": Access("open", 6.0), "out": Access("out", 2.5)} if access else {}
    return make_table(
        {f: rng.choice([0.1, 0.5, 1, 1, 2, 4, 9]) for f in names},
        outcomes,
        entries,
        minutes={t: rng.choice([0.5, 1, 2, 3, 5, 8]) for t in outcomes},
        access={t: rng.sample(list(states), rng.randint(0, len(states))) for t in outcomes},
        after={
            t: rng.sample([f"t{i}" for i in range(j)], 1)
            for j, t in enumerate(outcomes)
            if after and j and rng.random() < 0.4
        },
        states=states,
        normal=tuple(rng.choice(["", words[0]]) for words in outcomes.values()),
        usually_normal=rng.choice([0.6, 0.9]),
    )


def chances(table: FaultTable, fault: str, test: str) -> dict[str, float]:
    """What a fault shows at a test: one of its entry, else usually the normal outcome."""
    at = table.test_index[test]
    outcomes, normal, usual = table.outcomes[at], table.normal[at], table.usually_normal
    entry = table.entry(fault, test)
    if entry or not normal:
        return dict.fromkeys(entry or outcomes, 1 / len(entry or outcomes))
    rest = (1 - usual) / (len(outcomes) - 1)
    return {outcome: usual if outcome == normal else rest for outcome in outcomes}


def brute_force(table: FaultTable) -> float:
    """Least expected minutes by trying every order; knows nothing of the planner.

    A state is (possible faults, tests done, access states entered), each the bits of a whole
    number, and the outcomes seen. What cannot matter any more is left out of it. A test that
    cannot rule out any fault is only ever tried where one that can waits for it. Orders that
    cost more than the best before they are through are broken off.
    """
    columns, rows = range(len(table.tests)), range(len(table.faults))
    shown = [[chances(table, f, t) for f in table.faults] for t in table.tests]
    showing = [
        [(o, sum(1 << f for f in rows if o in shown[t][f])) for o in table.outcomes[t]]
        for t in columns
    ]
    states = {name: 1 << i for i, name in enumerate(table.states)}
    opening = [sum(table.states[s].minutes for s in states if held & states[s])
               for held in range(1 << len(states))]  # fmt: skip
    needs = [sum(states[s] for s in table.access[t]) for t in columns]
    earlier = [sum(1 << table.test_index[e] for e in table.after[t]) for t in columns]
    before = list(earlier)
    for _ in columns:
        before = [joined(before, e) | e for e in before]

    @cache
    def differing(alive: int) -> tuple[int, int]:
        """Tests that could rule out a fault, and those at which the weights change."""
        some = [f for f in rows if alive >> f & 1]
        telling = sum(1 << t for t in columns if len({frozenset(shown[t][f]) for f in some}) > 1)
        uneven = sum(1 << t for t in columns if any(shown[t][f] != shown[t][some[0]] for f in some))
        return telling, uneven

    @cache
    def masses(alive: int, seen: frozenset[tuple[int, str]]) -> dict[int, float]:
        raw = {
            f: table.weights[f] * math.prod(shown[t][f][o] for t, o in seen)
            for f in rows
            if alive >> f & 1
        }
        whole = sum(raw.values())
        return {f: mass / whole for f, mass in raw.items()}

    def least(alive: int, done: int, entered: int, seen: frozenset[tuple[int, str]]) -> float:
        telling, uneven = differing(alive)
        left = telling & ~done
        if not left:
            return 0.0
        needed = joined(before, left)
        useful = (left | needed) & ~done
        return tried(alive, done & (telling | uneven | needed), entered & joined(needs, useful),
                     useful, frozenset((t, o) for t, o in seen if uneven >> t & 1))  # fmt: skip

    @cache
    def tried(
        alive: int, done: int, entered: int, useful: int, seen: frozenset[tuple[int, str]]
    ) -> float:
        best, mass = math.inf, masses(alive, seen)
        for t in sorted(columns, key=lambda t: table.minutes[t]):
            if not useful >> t & 1 or earlier[t] & ~done:
                continue
            total = table.minutes[t] + opening[needs[t] & ~entered]
            for outcome, kept in showing[t]:
                if total >= best or not kept & alive:
                    continue
                share = sum(mass[f] * shown[t][f][outcome] for f in mass if kept >> f & 1)
                left, more = kept & alive, seen | {(t, outcome)}
                total += share * least(left, done | 1 << t, entered | needs[t], more)
            best = min(best, total)
        return best

    return least((1 << len(rows)) - 1, 0, 0, frozenset())


def joined(sets: Sequence[int], chosen: int) -> int:
    """The union of the chosen of some sets, all as bits of whole numbers."""
    union = 0
    for at, one in enumerate(sets):
        if chosen >> at & 1:
            union |= one
    return union


def sizes(count: int, most: tuple[int, int]) -> Iterator[tuple[random.Random, int, int]]:
    for seed in range(count):
        rng = random.Random(seed)
        yield rng, rng.randint(1, most[0]), rng.randint(1, most[1])


def equals_brute_force(count: int, most: tuple[int, int], kinds: tuple[int, ...]) -> None:
    for rng, faults, tests in sizes(count, most):
        kind = rng.choice(kinds)
        table = random_table(
            rng,
            faults,
            tests,
            vague=[0.0, 0.25, 0.0, 0.0, 0.2][kind],
            access=kind in (2, 4),
            after=kind in (3, 4),
        )
        found = plan(table, work=PROOF)
        assert found.exact
        assert found.ended_by == "proof"
        assert found.expected_minutes == pytest.approx(brute_force(table), rel=1e-9, abs=1e-12)
        assert found.lower_bound == found.expected_minutes
        assert walked_minutes(table, found.tree) == pytest.approx(found.expected_minutes)


def walked_minutes(table: FaultTable, tree: Mapping[str, Any]) -> float:
    """Expected minutes of a plan's tree, by walking it with every fault."""
    steps, whole, spent = tree["steps"], sum(table.weights), 0.0
    weights = dict(zip(table.faults, table.weights, strict=True))
    stack = [(tree["start"], weights, frozenset[str]())]
    while stack:
        at, left, entered = stack.pop()
        if at not in steps or not left:
            continue
        step = steps[at]
        name = step["ask"].split("“")[1].split("”")[0]
        mass = sum(left.values())
        needed = frozenset(step.get("access", ()))
        minutes = step["minutes"] + sum(table.states[s].minutes for s in needed - entered)
        spent += mass * minutes
        if name not in table.test_index:
            continue
        for outcome, target in step["answers"].items():
            stack.append((target, showing(table, left, name, outcome), entered | needed))
    return spent / whole


def showing(table: FaultTable, left: dict[str, float], test: str, outcome: str) -> dict[str, float]:
    shares = {f: w * table.shows(f, test).get(outcome, 0.0) for f, w in left.items()}
    return {f: share for f, share in shares.items() if share}


def test_the_five_test_example_comes_out_at_its_published_minutes() -> None:
    found = plan(table_from_csv(FIVE_TESTS))
    assert found.exact
    assert found.expected_minutes == pytest.approx(2.18, abs=1e-12)


def test_one_step_information_gain_is_not_enough_there() -> None:
    assert greedy_minutes(table_from_csv(FIVE_TESTS)) == pytest.approx(2.86)


def test_the_five_test_example_after_t2_leaves_its_published_weights() -> None:
    rows = [line for line in FIVE_TESTS.splitlines() if line.split(",")[3] != "1"]
    problem = PlanningProblem(table_from_csv("\n".join(rows)))
    assert problem.weights == pytest.approx([0.8537, 0.0244, 0.1220], abs=5e-5)


def test_the_whole_five_test_example_has_its_published_bounds() -> None:
    graph = graph_of(table_from_csv(FIVE_TESTS))
    for bounds in (LowerBounds(graph).at_root(), root_bounds(graph, None)):
        assert bounds["entropy"] == pytest.approx(1.4549, abs=5e-5)
        assert bounds["huffman"] == pytest.approx(1.59)


def test_huffman_length_of_the_worked_example() -> None:
    # Huffman (1952); entropy 2.1219 bit.
    assert huffman_length([0.4, 0.2, 0.2, 0.1, 0.1]) == pytest.approx(2.2)
    assert huffman_length([1, 1, 1], 3) == 3
    assert huffman_length([1]) == 0


def test_plans_equal_brute_force() -> None:
    equals_brute_force(60, (12, 14), (0, 1, 2, 3, 4))
    # Small tables with everything at once find what large ones hide.
    equals_brute_force(200, (5, 5), (4,))


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_a_thousand_plans_equal_brute_force() -> None:
    equals_brute_force(1000, (12, 14), (0, 1, 2, 3, 4))


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.3]), st.booleans())
def test_no_bound_is_above_what_is_found(seed: int, vague: float, more: bool) -> None:
    rng = random.Random(seed)
    table = random_table(
        rng, rng.randint(1, 9), rng.randint(1, 9), vague=vague, access=more, after=more
    )
    found = plan(table, work=0)
    graph = graph_of(table)
    bounds = root_bounds(graph, LowerBounds(graph))
    slack = 1e-9 + found.expected_minutes * 1e-9
    assert 0 <= bounds["entropy"] <= bounds["huffman"] + slack
    assert all(bound <= found.expected_minutes + slack for bound in bounds.values())
    assert found.lower_bound <= found.expected_minutes
    best = plan(table, work=PROOF)
    assert all(bound <= best.expected_minutes + slack for bound in bounds.values())


def test_a_search_cut_short_still_gives_a_plan_and_a_true_bound() -> None:
    rng = random.Random(5)
    table = random_table(rng, 14, 14, most_outcomes=2)
    best = plan(table, work=PROOF)
    turns = itertools.count()
    cut = plan(table, stopped=lambda: next(turns) > 4)
    assert best.exact
    assert cut.ended_by == "stop"
    assert cut.lower_bound <= best.expected_minutes + 1e-9
    assert cut.expected_minutes >= best.expected_minutes - 1e-9


@pytest.mark.parametrize("size", [(60, 40), (130, 80)])
def test_the_same_work_gives_the_same_plan_however_fast_the_machine_is(
    size: tuple[int, int],
) -> None:
    table = random_table(random.Random(3), *size, most_outcomes=2)
    hours = itertools.count(step=3600)
    # One machine on which the clock stands, one on which hours pass between two looks at it.
    quick = plan(table, work=400, clock=lambda: 0.0)
    slow = plan(table, work=400, clock=lambda: float(next(hours)))
    assert quick.ended_by == "work"
    assert slow == quick
    assert slow.tree == quick.tree
    # Seconds given besides are a limit all the same, and the plan says so.
    cut = plan(table, work=400, seconds=1, clock=lambda: float(next(hours)))
    assert cut.ended_by == "stop"
    assert cut.expected_minutes >= quick.expected_minutes


def test_progress_never_gets_worse() -> None:
    table = random_table(random.Random(8), 16, 14, most_outcomes=2)
    told: list[tuple[float, float]] = []
    found = plan(table, work=PROOF, progress=lambda best, low: told.append((best, low)))
    assert told[-1][0] == pytest.approx(found.expected_minutes)
    assert told[-1][1] == pytest.approx(found.lower_bound)
    assert all(a[0] >= b[0] - 1e-12 and a[1] <= b[1] + 1e-12 for a, b in itertools.pairwise(told))


def test_faults_that_no_test_tells_apart_are_a_group_and_all_reachable() -> None:
    text = "fault,weight,a,b\nx,1,0,0\ny,3,0,0\nz,1,1,0\nlast,1,1,1\n"
    found = plan(table_from_csv(text))
    assert found.groups == (("x", "y"),)
    tree = found.tree
    assert set(reached(tree)) >= {"x", "y", "z", "last"}
    # The likelier of the group is repaired first.
    first = next(s for name, s in tree["steps"].items() if name.startswith("try-"))
    assert first["answers"]["gone"] == "y"
    (one,) = found.wanted
    assert set(one.sides[0] + one.sides[1]) == {"x", "y"}
    assert one.bits == pytest.approx(4 / 6 * (0.25 * 2 + 0.75 * math.log2(4 / 3)))


def reached(tree: Mapping[str, Any]) -> set[str]:
    found: set[str] = set()
    stack = [tree["start"]]
    while stack:
        at = stack.pop()
        if at not in found:
            found.add(at)
            stack += tree["steps"].get(at, {}).get("answers", {}).values()
    return found


def test_testability_of_a_table_worked_by_hand() -> None:
    text = "fault,weight,a,b\nx,1,0,0\ny,3,0,0\nz,2,1,0\nlast,2,1,1\n"
    figures = plan(table_from_csv(text)).testability
    assert figures.detected == 1
    assert figures.isolated_to_one == pytest.approx(4 / 8)
    assert figures.isolated_to_two == 1
    assert figures.mean_group_size == pytest.approx((4 * 2 + 4 * 1) / 8)


def test_isolation_by_a_test_that_shows_the_fault_is_told_apart_from_elimination() -> None:
    """By hand: “blown” shows itself at the fuse; “wire” is what is left after two good readings."""
    outcomes = {"fuse": ("good", "open"), "cap": ("good", "low")}
    entries = {
        ("blown", "fuse"): ("open",), ("wire", "fuse"): ("good",), ("dry", "fuse"): ("good",),
        ("dry", "cap"): ("low",), ("wire", "cap"): ("good",),
    }  # fmt: skip
    table = make_table({"blown": 2, "dry": 1, "wire": 1}, outcomes, entries)
    figures = plan(replace(table, normal=("good", "good"))).testability
    assert figures.isolated_to_one == 1
    assert figures.shown_by_test == pytest.approx(3 / 4)
    assert plan(table).testability.shown_by_test == 1  # without normal outcomes nothing is known


@pytest.mark.parametrize(
    "text",
    [
        FIVE_TESTS,
        "fault,weight,a\nonly one,1,x\n",
        "fault,weight,a\nBack,1,x\nback,1,x\nnote,2,y\n",
        "fault,weight,Ünï test,a b\n1,1,yes,no\n2,1,no,\n3,1,no,yes\n",
        "fault,weight,a,b\nminutes,,1,0\naccess,,open:3,open\nafter,,,a\nx,1,0,0\ny,1,0,1\nz,1,1,\n",
    ],
)
def test_every_plan_is_a_tree_that_can_be_built(text: str) -> None:
    found = plan(table_from_csv(text, "some table.csv"))
    bundle = {"id": "some-table/plan", "tree": found.tree, "procedures": {}}
    tree = build({**bundle, "cautions": {}, "instruments": {}})
    assert not tree.loose
    assert set(tree.steps) == set(found.tree["steps"])


def test_a_table_without_telling_tests_needs_no_minutes() -> None:
    found = plan(table_from_csv("fault,weight,a\nx,1,0\ny,1,0\n"))
    assert (found.expected_minutes, found.exact, found.groups) == (0, True, (("x", "y"),))


def test_access_is_paid_once_and_precedence_kept() -> None:
    text = (
        "fault,weight,a,b,c\nminutes,,1,1,1\naccess,,,lid:10,lid\nafter,,,,b\n"
        "w,1,0,0,0\nx,1,0,0,1\ny,1,0,1,0\nz,1,1,0,0\n"
    )
    found = plan(table_from_csv(text))
    assert found.exact
    # a first (1); else the lid (10) and b (1); else c (1): 1 + 3/4 · 11 + 2/4 · 1.
    assert found.expected_minutes == pytest.approx(1 + 0.75 * 11 + 0.5)
    assert found.tree["steps"]["c"]["after"] == ["b"]


def test_the_order_as_it_stands_is_the_columns_from_left_to_right() -> None:
    assert plan(table_from_csv(FIVE_TESTS)).before == pytest.approx(
        # t1, then t2 and t3 or t4 where they tell something; reckoned by hand.
        1 + 0.73 * 1 + 0.72 * 1 + 0.27 * 1 + 0.17 * 1
    )


def test_tests_that_wait_for_one_another_are_refused() -> None:
    with pytest.raises(TableError, match="wait for one another") as caught:
        table_from_csv("fault,weight,a,b\nafter,,b,a\nx,1,0,0\ny,1,1,0\n")
    assert caught.value.remedy


# -- checks that each find or clear one fault ------------------------------------------------


def test_falling_p_over_c_of_the_worked_example() -> None:
    # Smith (1956), Mitten (1960); enumerated.
    found = sequence({"1": 0.5, "2": 0.3, "3": 0.2}, {"1": 6, "2": 2, "3": 1})
    assert found.order == ("3", "2", "1")
    assert found.minutes == pytest.approx(5.6)


def test_chains_are_composed() -> None:
    # Garey, Discrete Mathematics 4 (1973); enumerated. Greedy gives 6.4.
    found = sequence({"A": 0.1, "B": 0.6, "C": 0.3}, {"A": 4, "B": 1, "C": 3}, {"B": ["A"]})
    assert found.order == ("A", "B", "C")
    assert found.minutes == pytest.approx(5.8)


def test_inferring_the_last_suspect_needs_the_planner() -> None:
    # p .9 .1, c 2 1: 2.0 in p/c order, 1.0 reversed, the last one inferred; enumerated.
    found = plan(table_from_csv("fault,weight,x,y\nminutes,,2,1\na,9,1,0\nb,1,0,1\n"))
    assert found.expected_minutes == pytest.approx(1.0)


@given(st.integers(0, 10**6), st.sampled_from(["none", "forest", "general"]))
def test_the_sequence_equals_every_permutation_tried(seed: int, kind: str) -> None:
    rng = random.Random(seed)
    names = "abcdef"[: rng.randint(1, 6)]
    chances = {c: rng.choice([0.0, 0.1, 0.5, 1, 3]) for c in names}
    minutes = {c: rng.choice([0.0, 1, 2, 5]) for c in names}
    most = {"none": 0, "forest": 1, "general": 2}[kind]
    after = {c: rng.sample(names[:i], rng.randint(0, min(most, i))) for i, c in enumerate(names)}
    whole = sum(chances.values())
    best = math.inf
    for order in itertools.permutations(names):
        if all(order.index(e) < order.index(c) for c in names for e in after[c]):
            spent = list(itertools.accumulate(minutes[c] for c in order))
            cost = sum(chances[c] * s for c, s in zip(order, spent, strict=True))
            best = min(best, cost / whole if whole else spent[-1])
    found = sequence(chances, minutes, after)
    assert found.exact
    assert found.minutes == pytest.approx(best)
    assert all(found.order.index(e) < found.order.index(c) for c in names for e in after[c])


def test_long_sequences_keep_general_precedence() -> None:
    rng = random.Random(3)
    names = [f"c{i}" for i in range(30)]
    after = {c: rng.sample(names[:i], min(2, i)) for i, c in enumerate(names)}
    found = sequence(dict.fromkeys(names, 1.0), {c: rng.random() for c in names}, after)
    assert not found.exact
    assert all(found.order.index(e) < found.order.index(c) for c in names for e in after[c])


def test_a_long_row_of_checks_needs_no_deep_recursion() -> None:
    # One test for each fault: a plan as deep as the table is long.
    faults = {f"f{i}": 1.0 for i in range(300)}
    tests = {f"t{i}": ("clear", "found") for i in range(300)}
    entries = {
        (f, t): ("found" if f[1:] == t[1:] else "clear",)
        for f, t in itertools.product(faults, tests)
    }
    found = plan(make_table(faults, tests, entries), work=0)
    # The last is inferred: n(n + 1)/2 − 1 tests over n faults.
    assert found.expected_minutes == pytest.approx((300 * 301 / 2 - 1) / 300)
    assert len(found.tree["steps"]) == 299


LARGE = [
    # faults, tests, share of entries that are not the usual outcome, outcomes, minutes
    pytest.param(150, 120, 0.1, 2, (1, 2, 3, 5, 8, 13), id="rare outcomes"),
    pytest.param(150, 30, 0.5, 3, (0, 2, 3, 4, 5, 9), id="three outcomes, some tests free"),
    pytest.param(200, 12, 0.2, 2, (1, 5), id="few tests, many faults alike"),
]


@pytest.mark.parametrize(("faults", "tests", "share", "outcomes", "minutes"), LARGE)
def test_large_plans_beat_information_per_minute_and_come_true(
    faults: int, tests: int, share: float, outcomes: int, minutes: tuple[int, ...]
) -> None:
    rng = random.Random(faults + tests)
    names = {f"f{i}": rng.lognormvariate(0, 1) for i in range(faults)}
    columns = {f"t{j}": tuple("abc"[:outcomes]) for j in range(tests)}
    entries = {
        (f, t): (rng.choice("abc"[1:outcomes]) if rng.random() < share else "a",)
        for f, t in itertools.product(names, columns)
    }
    table = make_table(names, columns, entries, minutes={t: rng.choice(minutes) for t in columns})
    found = plan(table, work=4_000)
    greedy = greedy_minutes(table)
    assert found.expected_minutes < greedy or found.ended_by == "all tried"
    assert found.expected_minutes <= greedy
    assert found.lower_bound <= found.expected_minutes
    assert walked_minutes(table, found.tree) == pytest.approx(found.expected_minutes)


def places_of(graph: PlanGraph) -> list[Place]:
    """Every place that any order of tests comes by."""
    found, waiting = dict[Place, None](), [graph.root]
    while waiting:
        place = waiting.pop()
        if place not in found:
            found[place] = None
            for test in graph.options(place).minutes:
                waiting += [end for _, _, end in graph.ends(place, test)]
    return list(found)


@given(st.integers(0, 10**6), st.sampled_from([0.0, 0.3]), st.booleans())
def test_the_graph_of_places_adds_up(seed: int, vague: float, more: bool) -> None:
    rng = random.Random(seed)
    table = random_table(
        rng, rng.randint(1, 5), rng.randint(1, 5), vague=vague, access=more, after=more
    )
    graph = graph_of(table)
    for place in places_of(graph):
        options = graph.options(place)
        assert sorted(options.order) == sorted(options.minutes)
        for test, minutes in options.minutes.items():
            ends = graph.ends(place, test)
            assert minutes >= table.minutes[test]
            assert math.fsum(share for _, share, _ in ends) == pytest.approx(1)
            assert all(end.depth > place.depth for _, _, end in ends)


@given(st.integers(0, 10**6), st.lists(st.integers(1, 5), max_size=3), st.booleans())
def test_look_ahead_is_never_dearer_than_greedy_nor_cheaper_than_the_best(
    seed: int, widths: list[int], more: bool
) -> None:
    rng = random.Random(seed)
    table = random_table(rng, rng.randint(2, 8), rng.randint(1, 8), access=more, after=more)
    graph = graph_of(table)
    search = Search(graph)
    search.look_ahead(*widths)
    found = search.draft()
    slack = 1e-9 * (1 + found.total)
    assert found.total <= greedy_minutes(table) + slack
    assert found.total >= plan(table, work=PROOF).expected_minutes - slack
    # Where the plan ends, nothing more can be told apart.
    ends = {end for place, test in found.tests.items() for _, _, end in graph.ends(place, test)}
    assert not any(graph.options(end).order for end in ends - found.tests.keys())


def test_a_table_that_says_next_to_nothing_is_refused_or_planned() -> None:
    rng = random.Random(2)
    table = random_table(rng, 12, 12, vague=0.95)
    found = plan(table, work=0)
    assert 0 < found.lower_bound <= found.expected_minutes


def test_dozens_of_tests_with_unknown_outcomes_are_planned() -> None:
    # 3 outcomes each, all unknown of one fault: the product of 70 counts is past 2⁶³.
    tests = {f"t{i}": ("a", "b", "c") for i in range(70)}
    entries = {(f, t): (o,) for f, o in (("x", "a"), ("y", "b")) for t in tests}
    graph = graph_of(make_table({"x": 1, "y": 1, "z": 1}, tests, entries))
    every = sum(1 << 3 * test for test in range(69))
    view = graph.view(0b101, every)  # y shows none of these outcomes
    assert view.shares.sum() == pytest.approx(1)
    assert view.tests.tolist() == [69]


@pytest.mark.parametrize(
    ("text", "said", "line"),
    [
        ("fault;weight;a\nx;1.000;0\ny;2;1\n", "two readings", 2),
        ("fault;weight;a\nminutes;;2,500\nx;1;0\ny;2;1\n", "two readings", 2),
        ("fault,weight,a\nx,1,bad\ny,2,\n", "tells nothing apart", 3),
        ("fault,weight,a\nx,1e300,0\ny,1,1\n", "too large", 2),
    ],
)
def test_a_table_with_two_meanings_is_refused(text: str, said: str, line: int) -> None:
    with pytest.raises(TableError, match=said) as told:
        table_from_csv(text)
    assert told.value.line == line
    assert told.value.remedy


def test_a_table_of_a_spreadsheet_is_read() -> None:
    text = "sep=;\nfault;weight;a;b\nminutes;;0,500;12,5\nx;0,25;0;0\ny;3;1;1\n"
    table = table_from_csv(text)
    assert (table.minutes, table.weights) == ((0.5, 12.5), (0.25, 3.0))


def test_a_search_keeps_time_free_for_what_follows_it() -> None:
    table = random_table(random.Random(3), 60, 40, most_outcomes=2)
    hours = itertools.count()
    at: list[float] = []

    def clock() -> float:
        at.append(float(next(hours)))
        return at[-1]

    found = plan(table, seconds=40, clock=clock)
    assert found.ended_by == "stop"
    assert at[-1] < 40


def test_a_long_search_looks_at_more_places_than_one_plan_may_have(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(planning_search, "MOST_PLACES", 150)
    table = random_table(random.Random(3), 60, 40, most_outcomes=2)
    ticks = itertools.count()
    found = plan(table, seconds=300, clock=lambda: float(next(ticks)))
    assert found.ended_by == "stop"
    assert found.expected_minutes < greedy_minutes(table)
    monkeypatch.setattr(planning_search, "MOST_PLACES", 20)
    with pytest.raises(TableError, match="more than 20 places"):
        plan(table)


@pytest.mark.parametrize("seconds", [None, 0.0])
def test_a_large_half_blank_table_is_refused_in_one_line(
    seconds: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planning_search, "MOST_CELLS", 3_000_000)
    monkeypatch.setattr(planning_search, "SOON", 1_000_000)
    dice = random.Random(1)
    tests = [f"t{at}" for at in range(100)]
    rows = [
        ",".join(("" if dice.random() < 0.5 else str(dice.randint(0, 1))) for _ in tests)
        for _ in range(100)
    ]
    text = f"fault,weight,{','.join(tests)}\nminutes,,{','.join('1' for _ in tests)}\n"
    text += "".join(f"f{at},1,{row}\n" for at, row in enumerate(rows))
    told = "more than 300 places" if seconds is None else "no plan was complete"
    with pytest.raises(TableError, match=told):
        plan(table_from_csv(text), seconds=seconds)
