"""CUSUM chart that finds when the share of a fault began to rise.

Each case with the fault moves the sum up, each without it a little down, never below zero
(E. S. Page, Biometrika 41, 1954). For yes-or-no cases: M. R. Reynolds and Z. G. Stoumbos,
J. Quality Technology 31 (1999). The sum moves by whole numbers, so that its chances are those of
a Markov chain with a state for each, and exact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ODDS_RATIO = 2.0
"""The rise that a chart is best at: the odds of the fault doubled (common practice, no source)."""

FINEST = 250
"""States for one case with the fault at most; for a rarer fault the chart is best at a rise that
is larger."""

WORK = 20_000_000
"""States times cases up to which a chance is computed with the number found as a state."""

HARDLY = 1e-9
"""Below this a chance is replaced by its upper bound."""

SELDOM = 1e6
"""Cases between false alarms above which a lower bound is enough: solving the chain takes long."""

STEADY = 1e-12
"""How little the chance of going on may still change from case to case, taken as constant then."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Peak:
    """The highest point that the sum came to.

    Attributes:
        height: the sum there, in the chart's steps.
        begins: index of the first case after the sum was last zero: the best estimate of
            where the rise begins.
        at: index of the case with the highest sum; the last such case if the rise is over.
        over: whether the sum has lost half of its height or more since.
    """

    height: int
    begins: int
    at: int
    over: bool


@dataclass(frozen=True, slots=True)
class CusumChart:
    """A Bernoulli CUSUM for a rise of a share.

    Attributes:
        share: in control, 0 to 1.
        up, down: steps of the sum for a case with the fault, and for one without.
    """

    share: float
    up: int
    down: int

    def peak(self, cases: Sequence[bool] | NDArray[np.bool_]) -> Peak:
        """The highest point of the sum over cases, oldest first; the first of several."""
        steps = np.where(np.asarray(cases, dtype=bool), self.up, -self.down)
        total = np.concatenate(([0], np.cumsum(steps)))
        sums = total - np.minimum.accumulate(total)
        at = int(np.argmax(sums))
        zeros = np.flatnonzero(sums[: at + 1] == 0)
        over = bool(np.min(sums[at:]) * 2 <= sums[at])
        return Peak(int(sums[at]), int(zeros[-1]), max(at - 1, 0), over)

    def chance(self, height: int, cases: int) -> float:
        """The chance that the sum reaches a height within some cases if the share is unchanged.

        Below one in a thousand million, its upper bound n·e^(−δh), with δ the :attr:`decay`: from
        each of the n cases on the sum comes so high with a chance of at most e^(−δh).
        """
        if height <= 0:
            return 1.0
        most = cases * math.exp(-self.decay * height)
        if most < HARDLY:
            return most
        state = np.zeros(height)
        state[0] = 1.0
        left = before = 1.0
        for done in range(cases):
            state = self._after(state)
            left, previous = float(state.sum()), left
            going = left / previous if previous else 0.0
            if done > height and abs(going - before) < STEADY:
                # From here on the chance that a case ends the run is constant.
                left *= going ** (cases - done - 1)
                break
            before = going
        return min(max(1.0 - left, 0.0), 1.0)

    def chance_given(self, height: int, cases: int, found: int) -> float:
        """The same where so many of the cases had the fault, each order of them equally likely.

        Exact, by the chain with the number found so far as a second state; how common the fault
        is falls out. Where that would take long, :meth:`chance` stands for it, which is the larger
        one wherever it is small: there a rise counts against itself, as part of what is usual.
        """
        if height <= 0:
            return 1.0
        hardly = cases * math.exp(-self.decay * height) < HARDLY
        if hardly or cases * (found + 1) * height > WORK:
            return self.chance(height, cases)
        p = found / cases
        held = np.zeros((found + 1, height))
        held[0, 0] = 1.0
        for _ in range(cases):
            held = self._after_given(held, p)
        # The chance of this very number found, without a height: binomial, by logarithms.
        number = math.lgamma(cases + 1) - math.lgamma(found + 1) - math.lgamma(cases - found + 1)
        number += found * math.log(p) + (cases - found) * math.log1p(-p) if 0 < p < 1 else 0.0
        return min(max(1.0 - float(held[found].sum()) / math.exp(number), 0.0), 1.0)

    def run_length(self, height: int, share: float | None = None) -> float:
        """Mean number of cases until the sum first reaches a height, starting at zero.

        In control, where it is more than a million, its lower bound e^(δh) with δ the
        :attr:`decay` (G. Lorden, Annals of Mathematical Statistics 42, 1971).

        Args:
            height: where the chart alarms.
            share: the true share; None for that in control, so that the run is a false alarm's.
        """
        p = self.share if share is None else share
        if share is None and math.exp(min(self.decay * height, 700.0)) > SELDOM:
            return math.exp(min(self.decay * height, 700.0))
        here = np.arange(height)
        moves = np.eye(height)
        moves[here, np.maximum(here - self.down, 0)] -= 1 - p
        onward = here + self.up < height
        moves[here[onward], here[onward] + self.up] -= p
        return float(np.linalg.solve(moves, np.ones(height))[0])

    def _after_given(self, held: Floats, p: float) -> Floats:
        """The chances of (number found, sum) after one more case, without alarms."""
        after = np.zeros_like(held)
        if self.up < held.shape[1]:
            after[1:, self.up :] = p * held[:-1, : -self.up]
        after[:, : -self.down] += (1 - p) * held[:, self.down :]
        after[:, 0] += (1 - p) * held[:, : self.down].sum(axis=1)
        return after

    @property
    def decay(self) -> float:
        """The δ above 0 with p·e^(δ·up) + (1 − p)·e^(−δ·down) = 1: the sum rises by chance to a
        height h before it comes back to nought in e^(−δh) of all times, or less (A. Wald).
        """
        low, high = 1e-9, 1.0
        while self._growth(high) < 1:
            high *= 2
        while high - low > 1e-12 * high:
            middle = (low + high) / 2
            low, high = (middle, high) if self._growth(middle) < 1 else (low, middle)
        return low

    def _growth(self, tilt: float) -> float:
        p = self.share
        return p * math.exp(tilt * self.up) + (1 - p) * math.exp(-tilt * self.down)

    def likelihood(self, height: int) -> float:
        """About how many times as likely a run to this height is with the odds risen."""
        return math.exp(min(height / (self.up + self.down) * math.log(ODDS_RATIO), 700.0))

    def _after(self, state: Floats) -> Floats:
        """The chance of each sum after one more case, without alarms."""
        after = np.zeros_like(state)
        if self.up < state.size:
            after[self.up :] = self.share * state[: -self.up]
        after[: -self.down] += (1 - self.share) * state[self.down :]
        after[0] += (1 - self.share) * state[: self.down].sum()
        return after


def chart_for(share: float) -> CusumChart:
    """The chart that is best at the doubled odds of a share.

    The step down over both steps is γ = ln(1 + p(θ − 1)) / ln θ, with p the share and θ the
    ratio of odds, rounded to few steps: to 1/m for a rare fault, else to tenths.

    Args:
        share: in control, above 0 and below 1.
    """
    gamma = math.log1p(share * (ODDS_RATIO - 1)) / math.log(ODDS_RATIO)
    if gamma < 0.2:
        whole = min(max(round(1 / gamma), 2), FINEST)
        return CusumChart(share, whole - 1, 1)
    down = min(max(round(gamma * 10), 2), 9)
    return CusumChart(share, 10 - down, down)
