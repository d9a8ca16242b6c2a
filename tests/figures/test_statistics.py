"""What the review promises of its figures: counted right, honest about how little is known."""

from __future__ import annotations

import io
import json
import random
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import binom_test, proportion_confint

from faulttree.cases import Store, open_store
from faulttree.cases.transfer.export import lines as exported_lines
from faulttree.cases.transfer.export import step_rows, to_parquet
from faulttree.diagram import count_walks
from faulttree.figures import Review, review
from faulttree.figures.counts import tally
from faulttree.figures.order_replay import CurrentOrder, ReplayCase, planned
from faulttree.figures.render.text import lines as terminal_lines
from faulttree.figures.replay import cases_of
from faulttree.figures.simulation.shop import Shop, grows, shares
from faulttree.figures.simulation.simulator import fill, keep, simulate
from faulttree.figures.statistics import (
    bootstrap_mean,
    chance_of_at_least,
    chance_of_at_most,
    holm,
    spread_of,
    tolerance_factor,
    upper_limit,
    wilson,
)
from faulttree.figures.tree_counts import bridge, gather
from faulttree.odds import guarded_table, priors
from faulttree.tree import build, shipped_library
from faulttree.tree.model import Tree
from faulttree.walk import fold, from_dict
from faulttree.walk.events import Opened
from tests.cases.postgres import shared
from tests.figures.samples import NAMES, sample_tree
from tests.support.counts import examples

LIBRARY = shipped_library()
TREES = [sample_tree(name) for name in NAMES]
CASES = 300


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    """An invented record of three trees, in memory."""
    with open_store(None) as store:
        fill(store, TREES, Shop(seed=3), cases=CASES)
        yield store


@pytest.fixture(scope="module")
def reviewed(store: Store) -> Review:
    return review(store, TREES)


# -- intervals, against what is published ------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998), from memory; statsmodels recomputes.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval_gives_the_published_figures(
    count: int, of: int, low: float, high: float
) -> None:
    assert wilson(count, of) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_interval_is_that_of_statsmodels(pair: tuple[int, int]) -> None:
    count, of = pair
    assert wilson(count, of) == pytest.approx(
        proportion_confint(count, of, method="wilson"), abs=1e-9
    )


def test_nothing_counted_tells_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)
    assert upper_limit(0) == 1.0


@given(st.integers(1, 100_000))
def test_limit_of_what_was_never_seen_is_the_exact_one(of: int) -> None:
    # scipy's beta quantile is the Clopper-Pearson limit, one-sided.
    assert upper_limit(of) == pytest.approx(float(stats.beta.ppf(0.95, 1, of)), rel=1e-9)


def test_limit_of_what_was_never_seen_follows_the_rule_of_three() -> None:
    # J. A. Hanley and A. Lippman-Hand, JAMA 249 (1983), from memory: 3/n from n = 30 on.
    for of in (30, 100, 1000):
        assert upper_limit(of) == pytest.approx(3 / of, rel=0.06)


@settings(max_examples=examples(40))
@given(st.integers(1, 200), st.floats(0.01, 0.99), st.data())
def test_exact_binomial_chances_are_those_of_statsmodels(
    of: int, share: float, data: st.DataObject
) -> None:
    count = data.draw(st.integers(0, of))
    least = binom_test(count, of, share, alternative="larger")
    most = binom_test(count, of, share, alternative="smaller")
    assert chance_of_at_least(count, of, share) == pytest.approx(least, rel=1e-6, abs=1e-12)
    assert chance_of_at_most(count, of, share) == pytest.approx(most, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    "chances",
    [[0.2], [0.01], [0.04, 0.04], [0.001, 0.02, 0.03, 0.04], [0.013, 0.012, 0.5], [0.05, 0.0, 1.0]],
)
def test_holm_rejects_what_statsmodels_rejects(chances: list[float]) -> None:
    rejected = multipletests(chances, 0.05, method="holm")[0]
    assert holm(chances) == tuple(bool(one) for one in rejected)


def test_tolerance_factor_gives_the_handbooks_example() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3, from memory: n 43, content 90 %, confidence 99 %: 2.217.
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.217, rel=2e-3)


@pytest.mark.parametrize("n", [10, 30, 200])
def test_tolerance_factor_is_howes_with_the_exact_quantile(n: int) -> None:
    z = stats.norm.ppf(0.975)
    exact = z * np.sqrt((n - 1) * (1 + 1 / n) / stats.chi2.ppf(0.05, n - 1))
    assert tolerance_factor(n) == pytest.approx(exact, rel=0.01)


@given(st.lists(st.floats(0, 1e4), min_size=1, max_size=50))
def test_median_and_quartiles_are_those_of_the_standard_library(values: list[float]) -> None:
    spread = spread_of(np.array(values))
    assert spread is not None
    assert spread.median == pytest.approx(statistics.median(values))
    if len(values) > 1:
        lower, _, upper = statistics.quantiles(values, n=4, method="inclusive")
        assert (spread.lower_quartile, spread.upper_quartile) == pytest.approx((lower, upper))


@pytest.fixture(scope="module")
def saved() -> list[float]:
    """Minutes that another order saves in each case of a simulated record."""
    tree = TREES[1]
    table = guarded_table(tree)
    order = planned(table, {})
    assert order is not None
    standing = CurrentOrder(tree, table)
    with open_store(None) as store:
        fill(store, [tree], Shop(seed=21), cases=200)
        (count,) = gather(store, tally(store), [tree])
        counted = cases_of(store, count, {})
    values = []
    for (case, _), many in counted.items():
        before, after = standing.way(case), order.way(case)
        if before.arrives == after.arrives == 1:
            values += [before.minutes - after.minutes] * many
    return values


def coverage(values: list[float], runs: int, cases: int = 150) -> float:
    """How often the bootstrap interval of some cases holds the mean of all of them.

    The cases of the record are the whole truth here; each run draws its own from them.
    """
    truth, held = statistics.fmean(values), 0
    drawn = random.Random(7)
    for run in range(runs):
        mean = bootstrap_mean(Counter(drawn.choices(values, k=cases)), resamples=600, seed=run)
        held += mean.low <= truth <= mean.high
    return held / runs


def test_bootstrap_interval_holds_the_truth_about_as_often_as_it_says(saved: list[float]) -> None:
    assert len(set(saved)) > 5
    assert coverage(saved, 100) == pytest.approx(0.95, abs=0.07)


@pytest.mark.soak
def test_bootstrap_interval_holds_the_truth_as_often_as_it_says(saved: list[float]) -> None:
    assert coverage(saved, 1000) == pytest.approx(0.95, abs=0.02)


# -- counting ----------------------------------------------------------------------------------


def exported(store: Store) -> list[Mapping[str, Any]]:
    """The record as JSON Lines, read again."""
    return [json.loads(line) for line in exported_lines(store, store.each())]


class CountedAgain:
    """An independent count over exported events, with the standard library alone."""

    def __init__(self, cases: Iterable[Mapping[str, Any]]) -> None:
        self.walked: dict[tuple[str, str, str], set[str]] = defaultdict(set)
        self.minutes: dict[tuple[str, str], list[float]] = defaultdict(list)
        self.phases: dict[tuple[str, str], list[dict[str, float]]] = defaultdict(list)
        self.confirmed, self.failed = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
        self.skipped, self.back = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
        self.undecided = Counter[tuple[str, str]]()
        self.behind = Counter[tuple[str, str, str, str]]()
        for case in cases:
            self.count(case["case"], case["events"])

    def count(self, case: str, events: list[dict[str, Any]]) -> None:
        tree, last = events[0]["tree"], events[-1]
        fixed = last["kind"] == "closed" and last["result"] == "fixed"
        self.confirmed[tree, last.get("fault", "")] += fixed
        self.failed.update((tree, e["fault"]) for e in events if e["kind"] == "not-confirmed")
        if fixed:
            self.phases[tree, last["fault"]].append(minutes_by_phase(events))
        # What was answered before any repair: nothing gone back on crosses one.
        ends = [at for at, event in enumerate(events) if event["kind"] == "repair-tried"]
        before = self.standing(tree, events[: ends[0]] if ends else events)
        if ends:
            self.standing(tree, events[ends[0] :])
        for step, outcome in set(before):
            if outcome != "undecided":
                self.walked[tree, step, outcome].add(case)
                self.behind[tree, step, outcome, last.get("fault", "")] += fixed
        self.undecided.update((tree, step) for step, outcome in before if outcome == "undecided")

    def standing(self, tree: str, events: list[dict[str, Any]]) -> list[tuple[str, str]]:
        """The answers that were not gone back on; counts the others and the skips."""
        moves: list[tuple[str, str] | None] = []
        for event in events:
            if event["kind"] == "answered":
                moves.append((event["step"], event["outcome"]))
                self.minutes[tree, event["step"]].append(event["seconds"] / 60)
            elif event["kind"] == "skipped":
                moves.append(None)
                self.skipped[tree, event["step"]] += 1
            elif event["kind"] == "went-back":
                gone = moves.pop()
                self.back.update([(tree, gone[0])] if gone else [])
        return [move for move in moves if move]


def minutes_by_phase(events: Iterable[Mapping[str, Any]]) -> dict[str, float]:
    """Minutes of one case: before the first repair, after it, and in closing checks."""
    minutes, phase = {"finding": 0.0, "repair": 0.0, "closing": 0.0}, "finding"
    for event in events:
        if event["kind"] == "repair-tried":
            phase = "repair"
        elif event["kind"] == "answered":
            at = "closing" if event["step"].startswith("closing.") else phase
            minutes[at] += event["seconds"] / 60
    return minutes


def test_minutes_are_told_apart_by_phase(store: Store, reviewed: Review) -> None:
    again = CountedAgain(exported(store))
    compared = 0
    for tree in reviewed.trees:
        for fault in tree.faults:
            cases = again.phases.get((tree.tree.id, fault.fault), [])
            for name in ("finding", "repair", "closing"):
                spread = getattr(fault.minutes, name)
                times = [case[name] for case in cases]
                assert (spread is None) == (not any(times))
                if spread is not None:
                    assert spread.median == pytest.approx(statistics.median(times))
                    compared += 1
            if fault.minutes.whole is not None:
                whole = [sum(case.values()) for case in cases]
                assert fault.minutes.whole.median == pytest.approx(statistics.median(whole))
    assert compared > 20


def test_figures_are_those_of_an_independent_count(store: Store, reviewed: Review) -> None:
    again = CountedAgain(exported(store))
    seen = 0
    for tree in reviewed.trees:
        name = tree.tree.id
        for step in tree.steps:
            assert step.skipped == again.skipped[name, step.step]
            assert step.gone_back == again.back[name, step.step]
            assert step.undecided == again.undecided[name, step.step]
            timed = again.minutes.get((name, step.step), [])
            assert (step.minutes.n if step.minutes else 0) == len(timed)
            if step.minutes:
                assert step.minutes.median == pytest.approx(statistics.median(timed))
            for branch in step.branches:
                cases = again.walked[name, step.step, branch.outcome]
                assert branch.walked.count == len(cases)
                for fault, many in branch.faults.items():
                    assert many == again.behind[name, step.step, branch.outcome, fault]
                    seen += many
        for figures in tree.faults:
            assert figures.confirmed.count == again.confirmed[name, figures.fault]
            failed = again.failed[name, figures.fault]
            assert figures.held.of - figures.held.count == failed
    assert seen > CASES
    assert reviewed.cases == store.count()


def exported_parquet(store: Store) -> list[dict[str, Any]]:
    """The rows of the exported Parquet file."""
    parquet = pytest.importorskip("pyarrow.parquet")
    file = io.BytesIO()
    to_parquet(file, step_rows(store, store.each()))
    file.seek(0)
    rows: list[dict[str, Any]] = parquet.read_table(file).to_pylist()
    return rows


def test_steps_and_faults_are_those_of_a_parquet_file(store: Store, reviewed: Review) -> None:
    walked: dict[tuple[str, str, str], set[str]] = defaultdict(set)
    minutes: dict[tuple[str, str], list[float]] = defaultdict(list)
    fixed: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in exported_parquet(store):
        if row["state"] == "closed" and row["result"] == "fixed":
            fixed[row["tree"], row["fault"]].add(row["case"])
        if row["step"] is None or row["skipped"]:
            continue
        if row["minutes"] is not None:
            minutes[row["tree"], row["step"]].append(row["minutes"])
        if row["standing"] and not row["round"]:
            walked[row["tree"], row["step"], row["outcome"]].add(row["case"])
    for tree in reviewed.trees:
        for step in tree.steps:
            timed = minutes[tree.tree.id, step.step]
            assert (step.minutes.median if step.minutes else None) == (
                pytest.approx(statistics.median(timed)) if timed else None
            )
            for branch in step.branches:
                assert branch.walked.count == len(walked[tree.tree.id, step.step, branch.outcome])
        for fault in tree.faults:
            assert fault.confirmed.count == len(fixed[tree.tree.id, fault.fault])
    assert sum(map(len, fixed.values())) > 20


def test_the_figures_of_the_shop_are_those_of_an_independent_count(
    store: Store, reviewed: Review
) -> None:
    """Over the exported Parquet file, read by pyarrow and counted by the standard library."""
    rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in exported_parquet(store):
        rows[row["case"]].append(row)
    tried, once, days, unsolved = 0, 0, [], set()
    for steps in rows.values():
        case, repairs = steps[0], max(row["round"] or 0 for row in steps)
        if case["state"] != "closed":
            continue
        if repairs or case["result"] == "fixed":
            tried += 1
            once += case["result"] == "fixed" and repairs <= 1 and not case["came_back"]
        if case["became"] == "returned":
            opened, closed = (datetime.fromisoformat(case[at]) for at in ("opened", "closed"))
            days.append((closed - opened).total_seconds() / 86_400)
        if case["result"] == "unsolved" and case["became"] != "scrapped":
            unsolved.add(case["number"])
    owner = reviewed.owner
    assert (owner.first_time_fix.count, owner.first_time_fix.of) == (once, tried)
    assert owner.days is not None
    assert owner.days.median == pytest.approx(statistics.median(days))
    assert {unit.number for unit in owner.unsolved} == unsolved
    assert unsolved


def test_a_small_record_is_one_screen_that_names_the_units_not_solved() -> None:
    trees = [LIBRARY.load(name) for name in LIBRARY.own_trees()]
    with open_store(None) as store:
        fill(store, trees, Shop(seed=20), cases=16)
        found = review(store, LIBRARY)
    told = terminal_lines(found, 100)
    assert len(told) <= 50
    for unit in found.owner.unsolved:
        assert any(f"case {unit.number}, {unit.unit}" in line for line in told)
    assert any(line.startswith("Best done next: ") for line in told)
    assert len(terminal_lines(found, 100, explain=True)) > len(told)


def test_confirmed_faults_are_those_of_the_fold(store: Store, reviewed: Review) -> None:
    """The fold sees each case whole; the review asks the tables drawn from the events."""
    for figures in reviewed.trees:
        cases = store.each(tree=figures.tree.id, result="fixed")
        counts = count_walks(fold(figures.tree, store.events(case.id)) for case in cases)
        told = {fault.fault: fault.confirmed.count for fault in figures.faults}
        assert {fault: many for fault, many in told.items() if many} == counts.confirmed


def test_a_part_of_the_record_is_counted_alone(store: Store, reviewed: Review) -> None:
    by_bench = [review(store, TREES, who=who, proposals=False).cases for who in reviewed.benches]
    assert len(by_bench) == 3
    assert sum(by_bench) == reviewed.cases
    day = "2024-12-31"
    early = review(store, TREES, until=day, proposals=False)
    late = review(store, TREES, since="2025-01-01", proposals=False)
    assert early.cases + late.cases == reviewed.cases
    assert early.last[:10] <= day < late.first[:10]
    one = review(store, TREES, family="usb-lamp", proposals=False)
    assert [tree.tree.id for tree in one.trees] == ["usb-lamp/flickers"]


def test_units_that_name_no_modules_count_where_their_tree_knows_the_module(store: Store) -> None:
    module = "series-regulator"
    found = review(store, TREES, module=module, proposals=False)
    assert [tree.tree.id for tree in found.trees] == ["bench-supply/no-output"]
    assert found.unsaid == found.cases > 0
    assert "not name their own" in "\n".join(terminal_lines(found, 100))
    assert review(store, TREES, module="no-such-thing", proposals=False).trees == ()
    # The record knows what a tree was for, also where no library has it any more.
    assert review(store, TREES[1:], module=module, proposals=False).cases == found.cases


def test_a_unit_that_names_its_modules_counts_for_these_and_no_other() -> None:
    module = "series-regulator"
    inside: Mapping[str, list[list[str]]] = {
        "bench-supply/no-output": [[module], ["mains-inlet", module], ["mains-inlet"], []],
        # Another family, whose tree knows nothing of the module that is built into some.
        "usb-lamp/flickers": [[module], [f"{module}-2"], []],
    }
    walks, wanted = [], Counter[str]()
    for at, walk in enumerate(simulate(TREES, Shop(seed=8), cases=120)):
        kinds = inside.get(walk.tree.id, [["mains-inlet"]])
        named = kinds[at % len(kinds)]
        first = walk.events[0]
        assert isinstance(first, Opened)
        opened = replace(first, unit={**first.unit, "modules": named})
        walks.append(replace(walk, events=(opened, *walk.events[1:])))
        known = module in named or (not named and walk.tree.id == "bench-supply/no-output")
        wanted.update([walk.tree.id] if known else [])
    with open_store(None) as store:
        keep(store, walks)
        found = review(store, TREES, module=module)
    assert {tree.tree.id: tree.cases for tree in found.trees} == wanted
    assert 0 < found.unsaid < found.cases


def test_an_empty_record_has_nothing_to_say() -> None:
    with open_store(None) as store:
        assert review(store, TREES).as_dict()["trees"] == []


def test_the_document_is_plain_json_with_what_was_agreed(reviewed: Review) -> None:
    document = json.loads(json.dumps(reviewed.as_dict(), allow_nan=False))
    for tree in document["trees"]:
        assert {"tree", "cases", "steps", "faults", "proposals"} <= tree.keys()
        for proposal in tree["proposals"]:
            assert proposal["what"]
            assert proposal["why"]
            assert proposal["change"]["action"]


def test_few_cases_are_said_to_be_few() -> None:
    with open_store(None) as store:
        fill(store, TREES[1:2], Shop(seed=5), cases=6)
        found = review(store, TREES)
    (tree,) = found.trees
    assert all(fault.confirmed.small for fault in tree.faults)
    assert tree.proposals == ()


def test_a_server_gives_the_same_figures_as_a_file(store: Store) -> None:
    server = shared()
    with open_store(server.url(server.database())) as there, open_store(None) as here:
        for one in (there, here):
            fill(one, TREES[1:2], Shop(seed=12), cases=60)
        (theirs,), (ours,) = (review(one, TREES).as_dict()["trees"] for one in (there, here))
    # A server writes minutes with more digits, and adds the squares of readings in its own order.
    assert flat(theirs) == pytest.approx(flat(ours), rel=1e-6)


def flat(document: Any, path: str = "") -> dict[str, Any]:
    """Every value of a document by its path, texts left out."""
    if isinstance(document, dict):
        parts = [flat(value, f"{path}/{key}") for key, value in document.items()]
    elif isinstance(document, list):
        parts = [flat(value, f"{path}/{at}") for at, value in enumerate(document)]
    else:
        return {} if document is None or isinstance(document, str) else {path: document}
    return {key: value for part in parts for key, value in part.items()}


# -- older texts -------------------------------------------------------------------------------


def changed(tree: Tree, change: Any) -> Tree:
    """The tree with its plain data changed."""
    bundle = json.loads(tree.text)
    change(bundle["tree"])
    return build(bundle)


def test_walks_of_an_older_text_are_mapped_by_id_and_content_or_left_out(
    store: Store, reviewed: Review
) -> None:
    old = TREES[1]
    first = old.start

    def rename(data: dict[str, Any]) -> None:
        data["steps"]["renamed"] = data["steps"].pop(first)
        data["start"] = "renamed"
        for step in data["steps"].values():
            for key in ("answers", "results", "exits"):
                targets = step.get(key, {})
                step.update({key: {o: "renamed" if t == first else t for o, t in targets.items()}}
                            if targets else {})  # fmt: skip

    newer = changed(old, rename)
    assert bridge(old, newer).steps[first] == "renamed"
    was = next(tree for tree in reviewed.trees if tree.tree.id == old.id)
    now = next(tree for tree in review(store, [newer]).trees if tree.tree.id == old.id)
    by_step = {step.step: step.walked for step in now.steps}
    assert by_step["renamed"] == next(step.walked for step in was.steps if step.step == first)
    assert now.older == now.cases
    assert not now.left_out

    def ask_otherwise(data: dict[str, Any]) -> None:
        rename(data)
        data["steps"]["renamed"]["ask"] = "Something else altogether?"

    other = changed(old, ask_otherwise)
    assert first not in bridge(old, other).steps
    apart = next(tree for tree in review(store, [other]).trees if tree.tree.id == old.id)
    assert apart.left_out[first] > 0


def test_a_fault_that_older_texts_did_not_know_is_not_called_rare() -> None:
    now = TREES[1]
    late = next(name for name in reversed(list(now.faults)) if name not in now.loose)

    def without(data: dict[str, Any]) -> None:
        stop = next(iter(data["stops"]))
        data["faults"].pop(late)
        data["steps"] = json.loads(json.dumps(data["steps"]).replace(f'"{late}"', f'"{stop}"'))

    older = changed(now, without)
    with open_store(None) as store:
        fill(store, [older], Shop(seed=1, drift=1.0), cases=120)
        fill(store, [now], Shop(seed=2, begins="2026-01-10", months=5, drift=1.0), cases=60)
        (told,) = review(store, [now]).trees
    (fault,) = [one for one in told.faults if one.fault == late]
    others = [one for one in told.faults if one.fault != late]
    assert all(one.confirmed.of == told.closed for one in others)
    assert 40 < fault.confirmed.of < 80
    assert fault.change is None
    named = [one for one in told.proposals if one.at == late or late in one.figures]
    assert not [one for one in named if one.kind in ("weights", "move-down")]


def test_a_name_that_the_tree_keeps_as_a_former_one_is_followed(store: Store) -> None:
    old = TREES[1]
    fault = next(name for name in old.faults if name not in old.loose)

    def rename(data: dict[str, Any]) -> None:
        text = json.dumps(data).replace(f'"{fault}"', '"called-otherwise"')
        data.clear()
        data.update(json.loads(text), renamed={fault: "called-otherwise"})
        data["faults"]["called-otherwise"].update(title="Quite another title", part="Z9")

    newer = changed(old, rename)
    assert bridge(old, newer).faults[fault] == "called-otherwise"
    told = next(one for one in review(store, [newer]).trees if one.tree.id == old.id)
    assert not told.no_longer
    (now,) = [one for one in told.faults if one.fault == "called-otherwise"]
    assert now.confirmed.count == store.count(tree=old.id, result="fixed", fault=fault)


def test_a_tree_the_library_lost_is_taken_from_the_record(store: Store, reviewed: Review) -> None:
    found = review(store, [])
    assert [tree.tree.id for tree in found.trees] == [tree.tree.id for tree in reviewed.trees]
    assert all(tree.gone and not tree.proposals for tree in found.trees)
    assert found.cases == reviewed.cases


# -- what is told of the truth -----------------------------------------------------------------


def test_a_record_made_from_known_shares_gives_them_back() -> None:
    """Of 40 shares at 95 % about two lie outside their interval; seven in 1 of 300 records."""
    outside = tested = 0
    clean = Shop(seed=11, slip=0, skip=0, back=0, unsure=0, gives_up=0, returns=0, unknown=0)
    clean = Shop(**{**clean.__dict__, "drift": 1.0})
    for tree in TREES:
        with open_store(None) as store:
            fill(store, [tree], clean, cases=250)
            (figures,) = review(store, [tree], proposals=False).trees
        truth = shares(clean, tree, 0.0)
        for fault in figures.faults:
            if not fault.loose:
                tested += 1
                outside += not fault.confirmed.low <= truth[fault.fault] <= fault.confirmed.high
    assert tested > 25
    assert outside <= 6  # Binomial, 40 at 5 %: seven or more with probability 0.003.


def test_a_fault_that_grows_is_told_and_a_steady_shop_raises_no_alarm() -> None:
    tree = TREES[1]
    growing = Shop(seed=2, drift=12.0)
    with open_store(None) as store:
        fill(store, [tree], growing, cases=500)
        (figures,) = review(store, [tree], proposals=False).trees
    assert [f.fault for f in figures.faults if f.rise] == [grows(growing, tree)]
    alarms = 0
    for seed in range(3):
        with open_store(None) as store:
            fill(store, [tree], Shop(seed=seed, drift=1.0), cases=120)
            (figures,) = review(store, [tree], proposals=False).trees
        told = [f for f in figures.faults if f.rise or (f.change and f.change.alarm)]
        alarms += bool(told)
    assert alarms <= 1


# -- proposals ---------------------------------------------------------------------------------


def test_the_trees_own_order_takes_what_the_fold_says(store: Store) -> None:
    """Minutes of the order as it stands, beside the minutes that the fold counts."""
    tree = TREES[0]
    standing = CurrentOrder(tree, guarded_table(tree))
    compared = 0
    for case in store.each(tree=tree.id, result="fixed"):
        events = store.events(case.id)
        found = next(at for at, e in enumerate(events) if e.kind == "repair-tried")
        state = fold(tree, events[:found])
        kinds = {event.kind for event in events[:found]}
        if kinds & {"skipped", "jumped", "went-back"} or state.end is None:
            continue
        seen = frozenset((visit.step, visit.outcome) for visit in state.path)
        way = standing.way(ReplayCase(state.end.id, seen))
        assert way.arrives == 1
        assert way.minutes == pytest.approx(state.minutes)
        compared += 1
    assert compared > 25


def test_a_planned_order_leads_every_fault_to_its_end() -> None:
    for tree in TREES:
        table = guarded_table(tree)
        order = planned(table, {})
        assert order is not None
        for fault in order.table.faults:
            assert order.way(ReplayCase(fault, frozenset())).arrives == pytest.approx(1.0)


def test_no_order_goes_round_a_question_that_guards_a_danger() -> None:
    tree = LIBRARY.load("tool-battery/runs-short")
    # Swelling, leak, dent: whoever answers badly here must not go on (a stop for safety).
    guard = "outside.outside"
    table = guarded_table(tree)
    others = [test for test in table.tests if tree.steps[test].role == "finding" and test != guard]
    assert all(guard in table.after[table.test_index[test]] for test in others)
    order = planned(table, {})
    assert order is not None
    assert order.first[0] == guard
    document = order.document()
    start = document["steps"][document["start"]]
    assert start["ask"] == tree.steps[guard].text
    assert set(start["answers"].values()) & document["stops"].keys()
    # Asked once, as in the tree, and every way to a fault comes by it.
    assert [step.get("ask") for step in document["steps"].values()].count(start["ask"]) == 1


@pytest.mark.parametrize("name", LIBRARY.trees())
def test_orders_of_every_shipped_tree_can_be_built_and_pass_its_guards(name: str) -> None:
    tree = LIBRARY.load(name)
    order = planned(guarded_table(tree), {})
    if order is None:
        return
    made = build({"id": tree.id, **_bundle(tree), "tree": order.document()})
    for guard, step in zip(order.guarded, list(made.steps.values()), strict=False):
        assert step.text == tree.steps[guard].text
    # Each fault that a walk of the tree can end at, a walk of the order can end at too.
    led = {target for _, _, target in tree.edges() if target in tree.faults}
    assert led <= {target for _, _, target in made.edges()}


def test_a_better_order_is_proposed_with_what_it_saves(reviewed: Review) -> None:
    tree = next(one for one in reviewed.trees if one.tree.id == "usb-lamp/flickers")
    (order,) = [proposal for proposal in tree.proposals if "document" in proposal.change]
    saved = order.figures["saved"]
    assert saved["low"] <= saved["mean"] <= saved["high"]
    assert saved["low"] > 0
    assert order.figures["minutes_before"] - order.figures["minutes_after"] == pytest.approx(
        saved["mean"]
    )
    replayed = order.figures["cases"] + order.figures["left_out"]
    assert replayed <= tree.closed
    build({"id": tree.tree.id, **_bundle(tree.tree), "tree": order.change["document"]})


def _bundle(tree: Tree) -> dict[str, Any]:
    bundle = dict(tree.bundle)
    bundle.pop("id", None)
    return bundle


def test_weights_that_the_record_contradicts_are_named() -> None:
    tree = TREES[1]
    first, *rest = [name for name in tree.faults if name not in tree.loose]
    told = {tree.id: {first: 0.9, **{name: 0.1 / len(rest) for name in rest}}}
    with open_store(None) as store:
        fill(store, [tree], Shop(seed=4, drift=1.0, shares=told), cases=200)
        (figures,) = review(store, [tree]).trees
    (proposal,) = [one for one in figures.proposals if one.kind == "weights"]
    table = guarded_table(tree)
    weights = proposal.change["weights"]
    assert weights[first] > table.weights[table.fault_index[first]]
    shares_now = priors(table, {})
    assert proposal.figures[first]["stated"] == pytest.approx(shares_now[first])
    assert proposal.figures[first]["low"] < 0.9 < proposal.figures[first]["high"]


# -- the simulator -----------------------------------------------------------------------------


def test_the_same_shop_has_the_same_record_and_says_that_it_is_invented() -> None:
    one, two = (list(simulate(TREES, Shop(seed=9), cases=40)) for _ in range(2))
    assert [(walk.case, walk.events) for walk in one] == [(w.case, w.events) for w in two]
    for walk in one:
        opened = walk.events[0].to_dict()
        assert "(invented)" in opened["who"]
        assert "(invented)" in opened["owner_words"]
        assert "(invented)" in opened["unit"]["serial"]


def test_simulated_walks_are_walks_of_the_real_rooms() -> None:
    """Every event can be written and read; every step was the one being asked."""
    kinds: Counter[str] = Counter()
    for walk in simulate(TREES, Shop(seed=6, back=0.05), cases=60):
        events = [from_dict(json.loads(json.dumps(e.to_dict()))) for e in walk.events]
        kinds.update(event.kind for event in events)
        for at, event in enumerate(events):
            if event.kind == "answered":
                state = fold(walk.tree, events[:at])
                assert state.ask is not None
                assert state.ask.id == event.to_dict()["step"]
        closed = fold(walk.tree, events).closed
        if closed is not None and closed.result == "fixed":
            assert closed.fault == walk.truth
    assert {"skipped", "confirmed", "declined", "went-back", "not-confirmed"} <= kinds.keys()


def test_every_shipped_tree_can_be_simulated() -> None:
    trees = [LIBRARY.load(name) for name in LIBRARY.trees()]
    drawn = random.Random(1)
    some = drawn.sample(trees, 8)
    walks = list(simulate(some, Shop(seed=1), cases=40))
    assert len(walks) >= 40


def test_files_written_by_hand_can_be_reviewed(tmp_path: Path) -> None:
    """A record on disk, read only, gives the same as one in memory."""
    path = str(tmp_path / "record.db")
    trees = [LIBRARY.load(NAMES[1])]
    with open_store(path) as written:
        fill(written, trees, Shop(seed=8), cases=30)
        here = review(written, trees).as_dict()
    with open_store(path, read_only=True) as read:
        assert review(read, trees).as_dict() == here
    whole = review(path, LIBRARY, tree=NAMES[1])
    assert json.dumps(whole.trees[0].as_dict()) == json.dumps(here["trees"][0])
