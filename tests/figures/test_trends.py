"""What the review promises of trends: exact chances, stated power, stated false discoveries."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations
from math import comb

import numpy as np
import pytest

from faulttree.cases import open_store
from faulttree.figures import review
from faulttree.figures.formatting import trend_words
from faulttree.figures.rises import ClosedCases
from faulttree.figures.simulation.shop import Shop, grows, shares
from faulttree.figures.simulation.simulator import keep, simulate
from faulttree.figures.statistics import benjamini_hochberg
from faulttree.figures.tree_counts import TreeCount, bridge
from faulttree.figures.trends import Trend, trend_chance, trends
from faulttree.tree.model import Tree
from tests.figures.samples import sample_tree

NAMES = ("usb-lamp/flickers", "tool-battery/runs-short", "bench-supply/no-output")
TREES = [sample_tree(name) for name in NAMES]
CASES = 300


@pytest.mark.parametrize(("found", "others"), [(1, 6), (3, 5), (4, 4)])
def test_chances_are_those_of_every_order_of_the_cases(found: int, others: int) -> None:
    orders = list(combinations(range(found + others), found))
    pairs = [sum(order) - found * (found - 1) // 2 for order in orders]
    for seen in range(found * others + 1):
        exact = sum(one >= seen for one in pairs) / comb(found + others, found)
        assert trend_chance(seen, found, others) == pytest.approx(exact, abs=1e-12)


def test_many_cases_give_nearly_the_exact_chance() -> None:
    """Published table: n = m = 20, one-sided 2.5 %: U at most 127, of 400 pairs (from memory)."""
    assert trend_chance(400 - 127, 20, 20) <= 0.025 < trend_chance(400 - 128, 20, 20)
    exact = trend_chance(1000, 10, 149)
    near = trend_chance(1010, 10, 151)
    assert near == pytest.approx(exact, rel=0.1)


def test_false_discoveries_are_limited_as_in_the_published_example() -> None:
    """Y. Benjamini and Y. Hochberg (1995), section 4: 15 comparisons, four found at 5 %."""
    published = [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
        *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
    ]
    assert sum(benjamini_hochberg(published, 0.05)) == 4
    assert benjamini_hochberg([], 0.05) == ()


def drawn(shop: Shop, tree: Tree, dice: random.Random) -> list[str]:
    """The faults of the cases of one tree, in order."""
    found: list[str] = []
    for at in range(CASES):
        known = shares(shop, tree, at / CASES)
        found += dice.choices(list(known), list(known.values()))
    return found


def told(shop: Shop, records: dict[str, list[str]]) -> dict[tuple[str, str], Trend]:
    """The trends of the records of a shop."""
    counts, cases = [], {}
    for tree in TREES:
        counts.append(TreeCount(tree, bridges={tree.hash: bridge(tree, tree)}))
        causes = {tree.identity(name): at for at, name in enumerate(tree.faults)}
        codes = np.array([causes[tree.identity(name)] for name in records[tree.id]])
        days = ["2025-01-01"] * CASES
        names = {tree.hash: 0}
        cases[tree.family] = ClosedCases(days, np.zeros(CASES, int), codes, names, causes)
    return dict(trends(counts, cases))


def ratio_finds(shop: Shop, tree: Tree, found: list[str], draws: int) -> bool:
    """Whether a likelihood-ratio test finds the growth at 5 %, given how many cases there are.

    It knows the growing fault and the shape of its growth; its level is that of the record. Given
    the number of cases with the fault, the ratio depends on the sum of the log odds alone.
    """
    fault = grows(shop, tree)
    true = np.array([shares(shop, tree, at / CASES)[fault] for at in range(CASES)])
    odds = np.log(true / (1 - true))
    had = np.array([name == fault for name in found])
    dice = np.random.default_rng(shop.seed)
    orders = dice.permuted(np.tile(had, (draws, 1)), axis=1)
    return float(odds[had].sum()) > float(np.quantile(orders @ odds, 0.95))


def power(shops: int, draws: int) -> tuple[int, int]:
    """(growing faults that the review names, of those that the likelihood ratio finds)."""
    named = of = 0
    for seed in range(shops):
        shop, dice = Shop(seed=seed, drift=4.0), random.Random(seed)
        records = {tree.id: drawn(shop, tree, dice) for tree in TREES}
        found = told(shop, records)
        for tree in TREES:
            if not ratio_finds(shop, tree, records[tree.id], draws):
                continue
            of += 1
            named += (tree.id, grows(shop, tree)) in found
    return named, of


def steady_with_trends(shops: int) -> int:
    """Steady shops of which the review names any trend."""
    false = 0
    for seed in range(shops):
        shop, dice = Shop(seed=seed, drift=1.0), random.Random(seed)
        false += bool(told(shop, {tree.id: drawn(shop, tree, dice) for tree in TREES}))
    return false


def test_a_few_growing_faults_are_found_and_steady_shops_are_not_told_of_trends() -> None:
    named, of = power(6, 200)
    assert 3 * named >= of > 0
    assert steady_with_trends(10) <= 3


@pytest.mark.soak
def test_half_of_what_the_likelihood_ratio_finds_is_found() -> None:
    named, of = power(60, 2000)
    print(f"growing faults named: {named} of {of}")
    assert 2 * named >= of > 0
    false = steady_with_trends(40)
    print(f"steady shops with a trend: {false} of 40")
    assert false <= 6


def test_a_trend_of_the_cases_is_in_the_review() -> None:
    lamp = TREES[0]
    fault = [name for name in lamp.faults if name not in lamp.loose][1]
    with open_store(None) as store:
        for seed, factor in enumerate((1.0, 3.0, 9.0)):
            weights = {name: factor if name == fault else 1.0 for name in lamp.faults}
            shop = Shop(
                *(seed, f"202{seed + 2}-01-08", 12),
                drift=1.0, returns=0, shares={lamp.id: weights},
            )  # fmt: skip
            keep(store, simulate([lamp], shop, cases=50))
        found = review(store, [lamp], proposals=False)
    figures = next(one for one in found.trees[0].faults if one.fault == fault)
    assert figures.trend is not None
    second, first = figures.trend.second_half, figures.trend.first_half
    assert second.count > first.count
    assert first.of + second.of == found.trees[0].closed
    without_alarm = replace(figures, rise=None, change=None)
    assert trend_words(without_alarm).count(", later ") == 1
    assert trend_words(figures) == "" or figures.rise is None
    plain = next(f for f in found.as_dict()["trees"][0]["faults"] if f["fault"] == fault)
    assert plain["trend"]["chance"] == figures.trend.chance
