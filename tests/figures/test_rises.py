"""What the review promises of rises: exact chances, a date near the truth, silence elsewhere."""

from __future__ import annotations

import datetime as dt
import json
import math
import random
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import combinations, product
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faulttree.cases import Store, open_store
from faulttree.figures import Review, review
from faulttree.figures.cusum import CusumChart, chart_for
from faulttree.figures.render.html import page
from faulttree.figures.render.text import lines
from faulttree.figures.results import FaultFigures
from faulttree.figures.simulation.simulator import Shop, keep, simulate
from faulttree.tree import shipped_library
from faulttree.tree.model import Tree
from tests.figures.samples import sample_tree
from tests.support.counts import examples

LIBRARY = shipped_library()
LAMP = sample_tree("usb-lamp/flickers")


# -- the chart, against what is reckoned otherwise ---------------------------------------------


def highest(chart: CusumChart, cases: Sequence[bool]) -> int:
    """The highest sum, case by case as Page writes it."""
    now = best = 0
    for case in cases:
        now = max(0, now + (chart.up if case else -chart.down))
        best = max(best, now)
    return best


@pytest.mark.parametrize(
    "chart", [CusumChart(0.2, 7, 3), CusumChart(0.25, 3, 1), CusumChart(0.5, 4, 6)]
)
def test_chances_are_those_of_every_record_written_out(chart: CusumChart) -> None:
    many, share = 11, Fraction(chart.share)
    heights = {record: highest(chart, record) for record in product((False, True), repeat=many)}
    for height in (1, chart.up, chart.up + 3, 2 * chart.up + 1, 3 * chart.up):
        exact = sum(
            share ** sum(record) * (1 - share) ** (many - sum(record))
            for record, top in heights.items()
            if top >= height
        )
        assert chart.chance(height, many) == pytest.approx(float(exact), abs=1e-12)


@settings(max_examples=examples(30))
@given(
    st.sampled_from(
        [CusumChart(0.2, 7, 3), CusumChart(0.1, 9, 1), CusumChart(0.5, 4, 6), CusumChart(0.9, 1, 9)]
    ),
    st.integers(2, 10), st.data(),
)  # fmt: skip
def test_chances_in_any_order_are_those_of_every_order(
    chart: CusumChart, many: int, data: st.DataObject
) -> None:
    found = data.draw(st.integers(1, many))
    height = data.draw(st.integers(1, max(found * chart.up, 1) + 1))
    reaching = sum(
        highest(chart, [at in had for at in range(many)]) >= height
        for had in combinations(range(many), found)
    )
    exact = reaching / comb(many, found)
    assert chart.chance_given(height, many, found) == pytest.approx(exact, abs=1e-9)


@pytest.mark.parametrize("share", [0.01, 0.02, 0.05, 0.1])
@pytest.mark.parametrize("heights", [3, 5, 6])
def test_run_length_is_near_the_published_approximation(share: float, heights: int) -> None:
    """M. R. Reynolds and Z. G. Stoumbos (1999): the corrected diffusion approximation.

    Its ε(p) from memory, for 0.01 ≤ p ≤ 0.5; the chain agrees with it to 2 %.
    """
    chart = chart_for(share)
    steps = chart.up + chart.down
    gamma = chart.down / steps

    def off(risen: float) -> float:
        up = math.log(risen * (1 - share) / (share * (1 - risen)))
        return -math.log((1 - risen) / (1 - share)) - gamma * up

    low, high = share * 1.01, 0.9
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if off(middle) < 0 else (low, middle)
    r1 = -math.log((1 - low) / (1 - share))
    r2 = math.log(low * (1 - share) / (share * (1 - low)))
    ln = math.log(share)
    correction = 0.410 - 0.0842 * ln - 0.0391 * ln**3 - 0.00376 * ln**4 - 0.000008 * ln**7
    high_enough = heights + correction * math.sqrt(share * (1 - share))
    published = (math.exp(r2 * high_enough) - r2 * high_enough - 1) / abs(r2 * share - r1)
    assert chart.run_length(heights * steps) == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize(("share", "true"), [(0.05, 0.05), (0.05, 0.15), (0.3, 0.3), (0.3, 0.5)])
def test_run_length_is_that_of_simulated_charts(share: float, true: float) -> None:
    chart, dice, runs = chart_for(share), random.Random(5), []
    height = 3 * (chart.up + chart.down)
    for _ in range(600):
        now = cases = 0
        while now < height:
            cases += 1
            now = max(0, now + (chart.up if dice.random() < true else -chart.down))
        runs.append(cases)
    error = float(np.std(runs)) / math.sqrt(len(runs))
    assert abs(float(np.mean(runs)) - chart.run_length(height, true)) < 4 * error


def test_run_length_is_the_sum_of_the_chances_of_going_on() -> None:
    chart = CusumChart(0.2, 7, 3)
    whole = sum(1 - chart.chance(20, cases) for cases in range(1200))
    assert chart.run_length(20) == pytest.approx(whole, rel=1e-3)
    assert chart.run_length(20, 0.5) < chart.run_length(20)


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.sampled_from([0.05, 0.2, 0.6]))
def test_the_peak_is_where_the_sum_was_highest(cases: list[bool], share: float) -> None:
    chart = chart_for(share)
    peak = chart.peak(cases)
    assert peak.height == highest(chart, cases) == highest(chart, cases[: peak.at + 1])
    if peak.height:
        run = cases[peak.begins : peak.at + 1]
        assert sum(chart.up if case else -chart.down for case in run) == peak.height
        assert run[0]


def test_steady_records_give_small_chances_as_often_as_the_chance_says() -> None:
    dice = np.random.default_rng(3)
    for share, many in ((0.05, 200), (0.25, 120)):
        known: dict[tuple[int, int], float] = {}
        small = runs = 0
        for _ in range(400):
            had = dice.random(many) < share
            found = int(had.sum())
            if found < 5:
                continue
            chart = chart_for(found / many)
            key = (found, chart.peak(had).height)
            if key not in known:
                known[key] = chart.chance_given(key[1], many, found)
            runs += 1
            small += known[key] <= 0.1
        # 10 % and four standard errors; steps of the sum make it a little less.
        assert 0.05 < small / runs < 0.1 + 4 * math.sqrt(0.09 / runs)


def test_what_stands_in_for_a_long_reckoning_is_the_larger_chance() -> None:
    for found, many in ((12, 240), (60, 240)):
        chart = chart_for(found / many)
        for height in (2, 3, 4, 5, 6):
            steps = height * (chart.up + chart.down)
            exact = chart.chance_given(steps, many, found)
            assert chart.chance(steps, many) >= exact or exact > 0.1
    long = chart_for(0.05)
    assert long.chance_given(400, 200_000, 10_000) == long.chance(400, 200_000)


# -- in the review -----------------------------------------------------------------------------


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(None) as opened:
        yield opened


def times(store: Store, trees: Sequence[Tree], *spells: tuple[str, int, int, float]) -> str:
    """Spells of (first day, months, cases, how much commoner one fault is); gives the fault."""
    fault = [name for name in trees[0].faults if name not in trees[0].loose][1]
    for seed, (begins, months, cases, factor) in enumerate(spells):
        shares = {
            tree.id: {
                name: factor if name == fault else 1.0
                for name in tree.faults
                if name not in tree.loose
            }
            for tree in trees
        }
        shop = Shop(seed=seed, begins=begins, months=months, drift=1.0, shares=shares, returns=0)
        keep(store, simulate(trees, shop, cases=cases))
    return fault


def rising(found: Review) -> list[FaultFigures]:
    return [fault for tree in found.trees for fault in tree.faults if fault.rise is not None]


def days(text: str, other: str) -> int:
    return abs((dt.date.fromisoformat(text) - dt.date.fromisoformat(other)).days)


def test_a_rise_is_told_with_the_day_it_began(store: Store) -> None:
    fault = times(store, [LAMP], ("2024-01-08", 12, 240, 1.0), ("2025-01-08", 4, 80, 12.0))
    found = review(store, [LAMP], proposals=False)
    (one,) = rising(found)
    assert one.fault == fault
    assert one.rise is not None
    assert days(one.rise.since, "2025-01-08") < 30
    assert one.rise.until is None
    closed = found.trees[0].closed
    assert one.rise.during.of + one.rise.otherwise.of == closed
    assert one.rise.during.count + one.rise.otherwise.count == one.confirmed.count
    assert one.rise.during.low > one.rise.otherwise.high
    assert one.rise.chance < 0.001
    assert one.change is not None
    assert one.change.word == "commoner"
    assert one.rise.run_length > closed
    screen = " ".join("\n".join(lines(found, 100)).split())
    assert f"{fault} has been commoner among all cases of usb-lamp since about" in screen
    assert "gives a false alarm about once in" in screen
    assert "became commoner" not in screen
    assert "commoner among all cases of usb-lamp since about" in page(found)
    told = json.loads(json.dumps(found.as_dict(), allow_nan=False))["trees"][0]["faults"]
    assert [one["rise"]["since"] for one in told if one["rise"]] == [one.rise.since]


def test_a_bad_batch_that_came_and_went_has_an_end(store: Store) -> None:
    fault = times(
        store, [LAMP],
        ("2024-01-08", 10, 200, 1.0), ("2024-11-08", 2, 40, 14.0), ("2025-01-08", 10, 200, 1.0),
    )  # fmt: skip
    (one,) = rising(review(store, [LAMP], proposals=False))
    assert one.fault == fault
    assert one.rise is not None
    assert one.rise.until is not None
    assert days(one.rise.since, "2024-11-08") < 30
    assert days(one.rise.until, "2025-01-08") < 30


def test_a_cause_that_two_trees_of_a_family_find_is_looked_at_in_both_together(
    store: Store,
) -> None:
    trees = [LIBRARY.load(f"angle-grinder/{name}") for name in ("does-not-run", "vibrates")]
    shared = [name for name in trees[0].faults if name in trees[1].faults]
    fault = next(f for f in shared if trees[0].identity(f) == trees[1].identity(f))
    for seed, (begins, factor) in enumerate((("2024-01-08", 1.0), ("2025-01-08", 14.0))):
        shares = {
            tree.id: {name: factor if name == fault else 1.0 for name in tree.faults}
            for tree in trees
        }
        shop = Shop(seed=seed, begins=begins, months=12, drift=1.0, shares=shares, returns=0)
        keep(store, simulate(trees, shop, cases=70))
    found = review(store, trees, proposals=False)
    both = [one for one in rising(found) if one.fault == fault]
    assert len(both) == 2
    assert both[0].rise == both[1].rise
    rise = both[0].rise
    assert rise is not None
    assert rise.during.of + rise.otherwise.of == sum(tree.closed for tree in found.trees)


def test_steady_shops_are_not_told_of_rises() -> None:
    told = 0
    for seed in range(8):
        with open_store(None) as store:
            shop = Shop(seed=seed, drift=1.0)
            keep(store, simulate([LAMP], shop, cases=100))
            found = review(store, [LAMP], proposals=False)
        told += bool(rising(found))
        screen = "\n".join(lines(found, 100))
        assert bool(rising(found)) == ("gives a false alarm" in screen)
    # One shop in forty by chance: two of eight would be one time in sixty.
    assert told <= 1
