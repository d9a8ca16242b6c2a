"""What is still possible, what to test next, and which suspects are not to be forgotten."""

from __future__ import annotations

import contextlib
import itertools
import math
import random
import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.odds import (
    Beliefs,
    FaultTable,
    Observation,
    TableError,
    against,
    expected_part_cost,
    make_table,
    pairs,
    posterior,
    priors,
    rank_tests,
    table_from_csv,
    table_from_tree,
    untested,
    worth_it,
    would_settle,
)
from faulttree.tree.model import Access, Fault, Step, Stop, Tree, Use
from tests.work import calls

FIVE_TESTS = """fault,weight,t1,t2,t3,t4,t5
s0,0.70,0,0,0,0,0
s1,0.01,0,1,0,0,1
s2,0.02,0,0,1,1,0
s3,0.10,1,0,0,1,1
s4,0.05,1,1,0,0,0
s5,0.12,1,1,1,1,0
"""
CERTAIN = {"ask": 0.0, "measure": 0.0, "use": 0.0}


def step(name: str, kind: str, targets: dict[str, str], **more: object) -> Step:
    return Step(name, kind, name, targets, **more)  # type: ignore[arg-type]


def supply() -> Tree:
    """A bench supply of the tool library, with a procedure, a deed and loose suspects."""
    steps = [
        step("fuse", "ask", {"intact": "reservoir", "blown": "shorted-bridge"}, minutes=2),
        step(
            "reservoir",
            "measure",
            {"low": "discharge", "inside": "hand-over", "high": "wrong-tap", "undecided": "again"},
            minutes=4,
            access=("cover-off",),
            live=True,
        ),
        step("again", "ask", {"same": "wrong-tap", "gone": "hand-over"}),
        step("discharge", "do", {"done": "esr"}, minutes=2),
        step("esr", "measure", {"inside": "bridge.a", "high": "dry"}, minutes=5, needs=("meter",)),
        step(
            "bridge.a",
            "measure",
            {"inside": "bridge.b", "high": "open-bridge"},
            leaves={"high": (("bridge", "bad"),)},
            use="bridge",
        ),
        step(
            "bridge.b",
            "measure",
            {"inside": "hand-over", "high": "open-bridge"},
            leaves={"inside": (("bridge", "good"),), "high": (("bridge", "bad"),)},
            use="bridge",
        ),
        step(
            "closing.soak.run",
            "ask",
            {"fine": "closing.soak:good", "not": "closing.soak:bad"},
            role="closing",
        ),
    ]
    faults = [
        Fault("dry", "Reservoir dried out", "Replace it.", weight=4, signs={"fuse": ("intact",)}),
        Fault("shorted-bridge", "Bridge shorted", "Replace it."),
        Fault("open-bridge", "Bridge open", "Replace it.", module="bridge-and-reservoir"),
        Fault("wrong-tap", "Wrong tap", "Set it.", weight=0),
        Fault("bad-joint", "Bad joint", "Solder it.", signs={"bridge": ("good",)}),
        Fault("moth", "A moth", "Put it outside."),
    ]
    return Tree(
        "bench-supply/no-output",
        "Linear bench supply, no output",
        "bench-supply",
        "fuse",
        {one.id: one for one in steps},
        {one.id: one for one in faults},
        {"hand-over": Stop("hand-over", "Beyond this tree", "out-of-scope")},
        uses={
            "bridge": Use(
                "bridge",
                "diode-test",
                "bridge.a",
                {"good": "hand-over", "bad": "open-bridge"},
                ("bridge.a", "bridge.b"),
            )
        },
        access={"cover-off": Access("cover-off", 6.0)},
    )


# -- the table a tree implies ---------------------------------------------------------------


def test_a_fault_shows_what_leads_to_it() -> None:
    table = table_from_tree(supply())
    assert table.entry("dry", "reservoir") == ("low",)
    assert table.entry("dry", "esr") == ("high",)
    assert table.entry("shorted-bridge", "fuse") == ("blown",)
    assert table.entry("shorted-bridge", "reservoir") == ()
    # Two ways lead to it: straight from a, or by b.
    assert table.entry("open-bridge", "bridge.a") == ()
    assert table.entry("open-bridge", "bridge.b") == ("high",)


def test_undecided_is_no_outcome_and_closing_steps_are_left_out() -> None:
    table = table_from_tree(supply())
    assert table.outcomes[table.test_index["reservoir"]] == ("low", "inside", "high")
    assert table.entry("wrong-tap", "reservoir") == ("high",)
    assert table.entry("wrong-tap", "again") == ("same",)
    assert not any(test.startswith("closing.") for test in table.tests)


def test_signs_speak_for_steps_off_the_path_and_for_exits() -> None:
    table = table_from_tree(supply())
    # The exit "good" is only taken by way of bridge.a inside and bridge.b inside.
    assert table.entry("bad-joint", "bridge.a") == ("inside",)
    assert table.entry("bad-joint", "bridge.b") == ("inside",)
    assert table.entry("bad-joint", "fuse") == ()
    assert not any(table.entries[table.fault_index["moth"]])


def test_deeds_come_before_the_tests_behind_them() -> None:
    table = table_from_tree(supply())
    assert table.actions["discharge"].minutes == 2
    assert table.after[table.test_index["esr"]] == ("discharge",)
    assert table.after[table.test_index["bridge.b"]] == ("discharge",)
    assert table.after[table.test_index["reservoir"]] == ()


def test_a_loop_in_a_tree_opens_no_way() -> None:
    tree = supply()
    looped = dict(tree.steps)
    looped["again"] = step("again", "ask", {"same": "wrong-tap", "gone": "fuse"})
    table = table_from_tree(Tree("a/b", "t", "a", "fuse", looped, tree.faults, tree.stops))
    assert table.entry("dry", "reservoir") == ("low",)
    assert table.entry("wrong-tap", "again") == ("same",)


def test_identities_and_weights_come_along() -> None:
    table = table_from_tree(supply())
    assert table.identities["open-bridge"] == ("bridge-and-reservoir", "open-bridge")
    assert table.identities["dry"] == ("bench-supply", "dry")
    assert table.weights[0] == 4
    assert table.weights[3] > 0


# -- the table a file holds -----------------------------------------------------------------


def test_a_spreadsheet_with_semicolons_and_decimal_commas_is_understood() -> None:
    table = table_from_csv(
        "\ufeffFault;Weight;a;b\nminutes;;1,5;2\naccess;;lid:3,5:top;lid|out:1\nafter;;;a\n"
        "x;2,5;0;0|1\ny;;1;\nz;1;2;1\n;;;\n"
    )
    assert table.weights == (2.5, 1.0, 1.0)
    assert table.minutes == (1.5, 2.0)
    assert table.access == (("lid",), ("lid", "out"))
    assert (table.states["lid"].minutes, table.states["lid"].group) == (3.5, "top")
    assert table.after == ((), ("a",))
    assert table.entry("y", "b") == ()
    # Either of all there are says nothing.
    assert table.entry("x", "b") == ()


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("", 1, 1),
        ("name,weight,a\nx,1,0\n", 1, 1),
        ("fault,mass,a\nx,1,0\n", 1, 7),
        ("fault,weight\nx,1\n", 1, 13),
        ("fault,weight,a,a\nx,1,0,0\n", 1, 16),
        ("fault,weight,a,,b\nx,1,0,0,0\n", 1, 16),
        ("fault,weight,a\n", 1, 1),
        ("fault,weight,a\nx,one,0\n", 2, 3),
        ("fault,weight,a\nx,0,0\n", 2, 3),
        ("fault,weight,a\nx,nan,0\n", 2, 3),
        ("fault,weight,a\nminutes,,-1\nx,1,0\n", 2, 10),
        ("fault,weight,a\nx,1,0\nx,1,1\n", 3, 1),
        ("fault,weight,a\nx,1\n", 2, 4),
        ("fault,weight,a\nx,1,0,9\n", 2, 7),
        ("fault,weight,a\n,1,0\n", 2, 1),
        ("fault,weight,a\nx,1,0|\n", 2, 5),
        ('fault,weight,a\n"x,1,0\n', 2, 1),
        ("fault,weight,a\naccess,,lid\nx,1,0\n", 2, 9),
        ("fault,weight,a\naccess,,lid:2:b:c\nx,1,0\n", 2, 9),
        ("fault,weight,a,b\naccess,,lid:2,lid:3\nx,1,0,0\n", 2, 15),
        ("fault,weight,a\nafter,,b\nx,1,0\n", 2, 8),
        ("fault,weight,a\nx,1,\0\n", 2, 5),
    ],
)
def test_damage_is_named_by_line_and_column_with_its_mend(
    text: str, line: int, column: int
) -> None:
    with pytest.raises(TableError) as caught:
        table_from_csv(text, "table.csv")
    assert (caught.value.line, caught.value.column) == (line, column)
    assert caught.value.remedy
    assert str(caught.value).startswith(f"table.csv:{line}:{column}: ")


@given(st.text(max_size=200))
def test_any_text_is_a_table_or_one_message(text: str) -> None:
    with contextlib.suppress(TableError):
        assert table_from_csv(text).faults


# -- beliefs --------------------------------------------------------------------------------


def test_the_five_test_example_after_one_answer() -> None:
    # Pattipati and Alexandridis (1990), from memory; recomputed.
    table = table_from_csv(FIVE_TESTS)
    found = posterior(table, [Observation("t2", "0")], none_prior=0.0, errors=CERTAIN)
    assert found.probabilities["s0"] == pytest.approx(0.8537, abs=5e-5)
    assert found.probabilities["s2"] == pytest.approx(0.0244, abs=5e-5)
    assert found.probabilities["s3"] == pytest.approx(0.1220, abs=5e-5)
    assert found.none == 0
    assert found.entropy == pytest.approx(0.6957, abs=5e-5)


def random_table(rng: random.Random, faults: int, tests: int, vague: float = 0.2) -> FaultTable:
    names = [f"f{i}" for i in range(faults)]
    outcomes = {f"t{j}": [chr(97 + o) for o in range(rng.randint(2, 4))] for j in range(tests)}
    return make_table(
        {f: rng.lognormvariate(0, 1) for f in names},
        outcomes,
        {
            (f, t): rng.sample(outcomes[t], rng.choice([0, 2]) if rng.random() < vague else 1)
            for f, t in itertools.product(names, outcomes)
        },
        kinds=tuple(rng.choice(["ask", "measure"]) for _ in outcomes),
    )


def random_answers(rng: random.Random, table: FaultTable) -> list[Observation]:
    chosen = rng.sample(table.tests, rng.randint(0, len(table.tests)))
    return [Observation(t, rng.choice(table.outcomes[table.test_index[t]])) for t in chosen]


@given(st.integers(0, 10**6))
def test_beliefs_add_up_and_do_not_depend_on_the_order(seed: int) -> None:
    rng = random.Random(seed)
    table = random_table(rng, rng.randint(1, 8), rng.randint(1, 8))
    answers = random_answers(rng, table)
    found = posterior(table, answers)
    assert sum(found.probabilities.values()) + found.none == pytest.approx(1.0)
    shuffled = posterior(table, rng.sample(answers, len(answers)))
    assert shuffled.probabilities == pytest.approx(found.probabilities)


@pytest.mark.filterwarnings("ignore::DeprecationWarning:pgmpy")
@pytest.mark.filterwarnings("ignore::FutureWarning:pgmpy")
def test_beliefs_equal_variable_elimination() -> None:
    # pgmpy's variable elimination on the same network: one fault node, one node for each
    # test that hangs on it.
    pytest.importorskip("pgmpy", reason="a peer that `make test` installs")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.inference import VariableElimination
        from pgmpy.models import DiscreteBayesianNetwork

    for seed in range(12):
        rng = random.Random(seed)
        table = random_table(rng, rng.randint(2, 7), rng.randint(1, 6))
        answers = random_answers(rng, table)
        rates = {"ask": rng.choice([0.0, 0.1]), "measure": 0.03}
        none = rng.choice([0.02, 0.2])
        size = len(table.faults) + 1
        whole = sum(table.weights)
        prior = [[w / whole * (1 - none)] for w in table.weights] + [[none]]
        network = DiscreteBayesianNetwork([("fault", t) for t in table.tests])
        network.add_cpds(TabularCPD("fault", size, prior))
        for at, test in enumerate(table.tests):
            names, rate = table.outcomes[at], rates[table.kinds[at]]
            rows = [
                [chance(table.entry(f, test) or names, o, names, rate) for f in table.faults]
                + [1 / len(names)]
                for o in names
            ]
            network.add_cpds(TabularCPD(test, len(names), rows, ["fault"], [size]))
        evidence = {
            a.test: table.outcomes[table.test_index[a.test]].index(str(a.outcome)) for a in answers
        }
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            expected = VariableElimination(network).query(
                ["fault"], evidence=evidence, show_progress=False
            )
        found = posterior(table, answers, none_prior=none, errors=rates)
        assert [*found.probabilities.values(), found.none] == pytest.approx(
            list(expected.values), abs=1e-9
        )


def chance(entry: tuple[str, ...], outcome: str, outcomes: tuple[str, ...], rate: float) -> float:
    if len(entry) == len(outcomes):
        return 1 / len(outcomes)
    if outcome in entry:
        return (1 - rate) / len(entry)
    return rate / (len(outcomes) - len(entry))


def test_none_of_these_grows_where_all_are_contradicted() -> None:
    table = table_from_csv("fault,weight,a,b\nx,1,0,0\ny,1,0,1\nz,1,1,1\n")
    first = posterior(table, [])
    assert first.none == pytest.approx(0.05)
    # z alone shows 1 at a, and it shows 1 at b: (1, 0) fits no fault.
    nobody = posterior(table, [Observation("a", "1"), Observation("b", "0")])
    assert nobody.none > 3 * first.none
    assert (
        posterior(table, [Observation("a", "1"), Observation("b", "0")], errors=CERTAIN).none == 1
    )


def test_what_was_not_decided_counts_as_nothing_seen() -> None:
    table = table_from_csv(FIVE_TESTS)
    nothing = [Observation("t1"), Observation("t2", "undecided"), Observation("elsewhere", "x")]
    assert posterior(table, nothing).probabilities == posterior(table, []).probabilities


def test_a_reading_near_its_limit_weighs_by_its_likelihoods() -> None:
    table = table_from_csv("fault,weight,a\nx,1,low\ny,1,inside\n")
    soft = posterior(
        table,
        [Observation("a", "low", {"low": 0.75, "inside": 0.25})],
        none_prior=0.0,
        errors=CERTAIN,
    )
    assert soft.probabilities == pytest.approx({"x": 0.75, "y": 0.25})
    hard = posterior(table, [Observation("a", "low", {"low": 1.0})], errors=CERTAIN)
    assert (
        hard.probabilities
        == posterior(table, [Observation("a", "low")], errors=CERTAIN).probabilities
    )


def test_hundreds_of_answers_do_not_underflow() -> None:
    tests = {f"t{i}": ("0", "1") for i in range(800)}
    entries = {("x", t): ("0",) for t in tests} | {("y", t): ("1",) for t in tests}
    table = make_table({"x": 1.0, "y": 1.0}, tests, entries)
    answers = [Observation(t, "0" if i % 2 else "1") for i, t in enumerate(tests)]
    found = posterior(table, answers)
    assert found.probabilities["x"] == pytest.approx(found.probabilities["y"])
    assert found.probabilities["x"] + found.probabilities["y"] + found.none == pytest.approx(1)


def test_an_excluded_fault_is_out_and_the_rest_adds_up() -> None:
    table = table_from_csv(FIVE_TESTS)
    found = posterior(table, [], excluded=["s0"])
    assert found.probabilities["s0"] == 0
    assert found.none == pytest.approx(0.05)
    assert sum(found.probabilities.values()) == pytest.approx(0.95)
    assert posterior(table, [], excluded=table.faults).none == 1


def test_an_unknown_outcome_is_refused_by_name() -> None:
    with pytest.raises(TableError, match="no outcome 'maybe'") as caught:
        posterior(table_from_csv(FIVE_TESTS), [Observation("t1", "maybe")])
    assert caught.value.remedy == "Use one of: 0, 1."


def test_cases_of_a_module_count_wherever_it_is_built_in() -> None:
    table = table_from_tree(supply())
    before = priors(table, {})
    after = priors(table, {("bridge-and-reservoir", "open-bridge"): 5, ("other", "dry"): 9})
    assert sum(after.values()) == pytest.approx(1)
    # Dirichlet mean: (pseudo · weight share + count) / (pseudo + cases), pseudo 5.
    assert after["open-bridge"] == pytest.approx((5 * before["open-bridge"] + 5) / 10)
    assert after["dry"] == pytest.approx(before["dry"] / 2)


def test_two_faults_together_explain_what_one_cannot() -> None:
    table = table_from_csv("fault,weight,a,b,c\nx,1,1,0,0\ny,1,0,1,0\nz,1,0,0,1\n")
    seen = [Observation("a", "1"), Observation("b", "1"), Observation("c", "0")]
    best, *others = pairs(table, seen, errors=CERTAIN)
    assert set(best.faults) == {"x", "y"}
    assert all(best.probability > other.probability for other in others)
    with_z = pairs(table, seen, known=["z"])
    assert with_z
    assert all("z" in pair.faults for pair in with_z)
    assert pairs(table_from_csv("fault,weight,a\nx,1,0\n"), []) == ()


def test_one_more_answer_takes_no_more_work_however_many_came_before() -> None:
    rng = np.random.default_rng(1)
    faults = {f"f{i}": 1.0 for i in range(1000)}
    tests = {f"t{i}": ("0", "1") for i in range(500)}
    shows = rng.integers(0, 2, (1000, 500))
    entries = {
        (f, t): (str(shows[i, j]),) for i, f in enumerate(faults) for j, t in enumerate(tests)
    }
    beliefs = Beliefs.start(make_table(faults, tests, entries))

    def work() -> int:
        """Calls for one more answer, once the table's own figures are computed."""
        return calls(lambda: beliefs.after(Observation("t450", "0")).shares)[1]

    beliefs.after(Observation("t450", "0"))
    first = work()
    for test in list(tests)[:400]:
        beliefs = beliefs.after(Observation(test, "1"))
    assert work() == first < 200


# -- the next test --------------------------------------------------------------------------


def test_the_best_next_test_of_the_five_test_example() -> None:
    table = table_from_csv(FIVE_TESTS)
    ranked = rank_tests(table, posterior(table, [], none_prior=0.0), errors=CERTAIN)
    # t2 or t4 first can be carried on to 2.18, the least there is; t1 is what greed takes.
    assert {one.test for one in ranked[:2]} == {"t2", "t4"}
    assert ranked[0].minutes_to_go == pytest.approx(2.18)
    by_test = {one.test: one for one in ranked}
    assert by_test["t1"].bits == pytest.approx(-sum(p * math.log2(p) for p in (0.27, 0.73)))
    assert max(ranked, key=lambda one: one.bits_per_minute).test == "t1"


def test_access_is_reckoned_once_and_not_again_when_open() -> None:
    table = table_from_tree(supply())
    belief = posterior(table, [])
    shut = {one.test: one for one in rank_tests(table, belief)}
    wide = {one.test: one for one in rank_tests(table, belief, entered=["cover-off"])}
    assert shut["reservoir"].minutes == 10
    assert shut["reservoir"].first == ("cover-off",)
    assert wide["reservoir"].minutes == 4
    assert shut["esr"].first == ("discharge",)
    assert shut["esr"].minutes == 7
    done = {one.test: one for one in rank_tests(table, belief, done=["discharge"])}
    assert done["esr"].minutes == 5


def test_tests_that_were_answered_or_are_not_available_are_not_offered() -> None:
    table = table_from_tree(supply())
    belief = posterior(table, [Observation("fuse", "intact")])
    assert "fuse" not in {one.test for one in rank_tests(table, belief)}
    only = rank_tests(table, belief, available=["esr"])
    assert [one.test for one in only] == ["esr"]


def test_a_test_waits_for_one_that_still_tells_something() -> None:
    table = table_from_csv("fault,weight,a,b\nafter,,,a\nx,1,0,0\ny,1,1,0\nz,1,1,1\n")
    assert [one.test for one in rank_tests(table, posterior(table, []))] == ["a"]
    later = rank_tests(table, posterior(table, [Observation("a", "1")]), done=["a"])
    assert [one.test for one in later] == ["b"]


@given(st.integers(0, 10**6))
def test_ranking_gives_finite_figures_for_any_table(seed: int) -> None:
    rng = random.Random(seed)
    table = random_table(rng, rng.randint(1, 7), rng.randint(1, 7), vague=0.5)
    for one in rank_tests(table, posterior(table, random_answers(rng, table))):
        assert 0 <= one.minutes <= one.minutes_to_go < math.inf
        assert one.bits > 0


# -- before giving up -----------------------------------------------------------------------


def test_open_suspects_come_cheap_and_likely_first_and_loose_ones_are_named() -> None:
    table = table_from_tree(supply())
    seen = [Observation("fuse", "intact"), Observation("reservoir", "low")]
    belief = posterior(table, seen)
    suspects = untested(table, belief, seen, entered=["cover-off"], done=["fuse", "reservoir"])
    names = [one.fault for one in suspects]
    assert names[0] == "dry"
    assert "shorted-bridge" not in names
    assert "wrong-tap" not in names
    dry = suspects[0]
    assert (dry.tests, dry.minutes, dry.gear) == (("esr",), 7, ("meter",))
    assert suspects[-1].fault == "moth"
    assert suspects[-1].tests == ()
    said = would_settle(suspects)
    assert said.startswith("7 minutes would settle ")
    assert said.endswith(" % of what is left.")


def test_a_repaired_fault_is_no_suspect() -> None:
    table = table_from_tree(supply())
    belief = posterior(table, [], excluded=["dry"])
    assert "dry" not in {one.fault for one in untested(table, belief)}


def test_nothing_open_gives_no_sentence() -> None:
    table = table_from_csv("fault,weight,a\nx,1,0\ny,1,1\n")
    belief = posterior(table, [Observation("a", "0")])
    assert untested(table, belief) == ()
    assert would_settle(()) == ""


def test_worth_is_a_figure_and_no_verdict() -> None:
    table = table_from_csv("fault,weight,a\nx,3,0\ny,1,1\n")
    belief = posterior(table, [], none_prior=0.0)
    parts = expected_part_cost(belief, {"x": 4.0})
    assert parts == pytest.approx(3.0)
    found = worth_it(40, 30, 50, parts)
    assert found.cost == pytest.approx(28.0)
    assert (found.margin, found.worth_it) == (pytest.approx(12.0), True)
    with pytest.raises(TableError):
        worth_it(-1, 30, 50)


def test_what_nobody_stated_is_usually_normal_for_faults_and_for_none_of_these() -> None:
    words = ("good", "low", "high")
    table = make_table(
        {"x": 1, "y": 1}, {"a": words, "b": words}, {("x", "a"): ["low"]},
        normal=("good", ""), usually_normal=0.8, kinds=("ask", "ask"),
    )  # fmt: skip
    assert table.shows("y", "a") == pytest.approx({"good": 0.8, "low": 0.1, "high": 0.1})
    assert table.shows("y", "b") == pytest.approx(dict.fromkeys(words, 1 / 3))
    # By hand: prior 0.475 each and 0.05; x shows low with 0.95, nothing known shows it with 0.1.
    low = posterior(table, [Observation("a", "low")], errors={"ask": 0.05})
    weights = [0.475 * 0.95, 0.475 * 0.1, 0.05 * 0.1]
    assert [*low.probabilities.values(), low.none] == pytest.approx(
        [weight / sum(weights) for weight in weights]
    )


def test_none_of_these_grows_as_everything_known_is_cleared() -> None:
    names = [f"f{at}" for at in range(5)]
    tests = {f"t{at}": ("good", "bad") for at in range(5)}
    stated = {(f"f{at}", f"t{at}"): ["bad"] for at in range(5)}
    normal = dict.fromkeys(names, 1.0), tests, stated
    usual, none = make_table(*normal, normal=("good",) * 5), [0.05]
    beliefs = Beliefs.start(usual)
    for test in tests:
        beliefs = beliefs.after(Observation(test, "good"))
        none.append(beliefs.posterior.none)
    assert none == sorted(none)
    assert none[-1] > 0.4
    equal = Beliefs.start(make_table(*normal))
    for test in tests:
        equal = equal.after(Observation(test, "good"))
    assert equal.posterior.none < none[-1]


@pytest.mark.parametrize("usual", [0.0, 1.0, float("nan")])
def test_a_normal_outcome_that_is_certain_or_impossible_is_refused(usual: float) -> None:
    with pytest.raises(TableError, match="no probability of the normal outcome"):
        make_table({"x": 1}, {"a": ("0", "1")}, {}, usually_normal=usual)


def test_the_normal_outcome_of_a_tree_is_the_named_one_else_inside_else_leads_to_no_fault() -> None:
    table = table_from_tree(supply())
    normal = dict(zip(table.tests, table.normal, strict=True))
    assert normal["reservoir"] == "inside"
    assert normal["fuse"] == "intact"
    # Its first outcome leads straight to a fault, the other one to the next step.
    assert normal["again"] == "gone"


def test_an_answer_speaks_against_what_would_not_show_it_and_its_own_test_clears() -> None:
    table = table_from_tree(supply())
    seen = [Observation("fuse", "intact"), Observation("reservoir", "inside")]
    blown = against(table, "shorted-bridge", seen)
    assert blown is not None
    assert (blown.test, blown.outcome, blown.standing) == ("fuse", "intact", "cleared")
    dry = against(table, "dry", [Observation("fuse", "blown"), Observation("esr", "inside")])
    assert dry is not None
    assert (dry.test, dry.standing) == ("fuse", "cleared")  # its signs name the fuse
    bridge = against(table, "open-bridge", [Observation("reservoir", "low")])
    assert bridge is None or bridge.standing == "contradicted"
    assert against(table, "moth", seen) is None
    soft = Observation("reservoir", "inside", {"low": 0.6, "inside": 0.4})
    assert against(table, "dry", [soft]) is None
    near = Observation("reservoir", "low", {"low": 0.4, "inside": 0.6})
    assert against(table, "dry", [near]) is not None
