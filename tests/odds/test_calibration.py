"""Computed probabilities against what was true, on simulated cases with unknown causes.

A small sample of ``python -m benchmarks.bench_calibration``, whose figures are in docs/odds.md.
"""

from __future__ import annotations

from random import Random

import pytest

from benchmarks.bench_calibration import WORLDS, again, chains, scores
from faulttree.reading.instruments import USUALLY_NORMAL

MOST_WORSE = 1.08
"""Greatest part by which the log-loss may grow where the assumption does not hold."""


@pytest.mark.parametrize("world", WORLDS)
def test_reading_what_nobody_stated_as_usually_normal_predicts_better(world: str) -> None:
    cases = list(WORLDS[world](150, 1))
    before, now = scores(cases, None), scores(cases, USUALLY_NORMAL)
    worse = MOST_WORSE if world == "any outcome" else 1.0
    assert now.log_loss < before.log_loss * worse
    assert now.brier < before.brier * worse


def test_what_is_claimed_is_about_what_is_true() -> None:
    found = scores(chains(300, 2), USUALLY_NORMAL)
    many, claimed, true = found.curve[9]
    assert many > 100
    assert true / many == pytest.approx(claimed / many, abs=0.08)
    assert sum(found.none[True]) / len(found.none[True]) > 5 * (
        sum(found.none[False]) / len(found.none[False])
    )


@pytest.mark.soak
@pytest.mark.parametrize("world", WORLDS)
def test_the_default_is_near_the_best_of_all_settings(world: str) -> None:
    cases = list(WORLDS[world](3000, 1))
    losses = [scores(cases, usual).log_loss for usual in (None, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)]
    before, now = scores(cases, None), scores(cases, USUALLY_NORMAL)
    assert now.log_loss < min(losses) * 1.05
    if world != "any outcome":
        assert sum(now.none[True]) > sum(before.none[True])


@pytest.mark.soak
def test_a_fault_called_found_is_right_nine_times_in_ten() -> None:
    for world in ("usually normal", "half the signs deleted", "any outcome"):
        found = scores(WORLDS[world](3000, 1), USUALLY_NORMAL).reached[True]
        assert sum(found) / len(found) > 0.88


@pytest.mark.parametrize("wrong_again", [0.1, 0.5])
def test_a_test_made_again_makes_right_walks_sure_and_wrong_ones_no_surer(
    wrong_again: float,
) -> None:
    """What the odds take, 0.25, is right in neither world."""
    cases, drawn = list(WORLDS["usually normal"](400, 3)), Random(4)
    once = scores(cases, USUALLY_NORMAL)
    twice = scores([again(case, wrong_again, drawn) for case in cases], USUALLY_NORMAL)
    likely = [
        sum(one.reached[False]) / sum(map(sum, one.reached.values())) for one in (once, twice)
    ]
    right = [sum(one.reached[True]) / len(one.reached[True]) for one in (once, twice)]
    assert likely[1] < likely[0] / 2
    assert right[1] > right[0] - 0.04
