"""Statistics of counts: intervals, limits and tests, each with formula and source."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from faulttree.convert import Plain

LEVEL = 0.95
"""The level of every interval and limit."""

FEW = 20
"""Number of cases below which a figure is marked as few: common practice, no source."""

RESAMPLES = 2000
SEED = 20260211


@lru_cache(maxsize=65_536)
def wilson(count: int, of: int) -> tuple[float, float]:
    """The Wilson score interval of a share, at 95 %.

    ``(p + z²/2n ± z·√(p(1−p)/n + z²/4n²)) / (1 + z²/n)`` with p = count/of, n = of.
    E. B. Wilson, J. Am. Stat. Assoc. 22 (1927); compared by R. G. Newcombe, Statistics in
    Medicine 17 (1998). With n = 0 it is 0 to 1.
    """
    if of == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + LEVEL) / 2)
    share, square = count / of, z * z
    middle = share + square / (2 * of)
    half = z * math.sqrt(share * (1 - share) / of + square / (4 * of * of))
    whole = 1 + square / of
    low = 0.0 if count == 0 else (middle - half) / whole
    return low, 1.0 if count == of else (middle + half) / whole


def upper_limit(of: int) -> float:
    """The upper limit at 95 % of the share of something never seen in ``of`` cases.

    The exact binomial limit ``1 − 0.05^(1/n)`` (C. J. Clopper and E. S. Pearson, Biometrika
    26 (1934)), near ``3/n`` for large n: the rule of three (J. A. Hanley and A.
    Lippman-Hand, JAMA 249 (1983)).
    """
    return 1.0 if of == 0 else float(-math.expm1(math.log1p(-LEVEL) / of))


@dataclass(frozen=True, slots=True)
class Share(Plain):
    """A count of a total, with the Wilson interval of its share at 95 %."""

    COMPUTED: ClassVar[tuple[str, ...]] = ("share", "low", "high", "small")

    count: int
    of: int

    @property
    def share(self) -> float | None:
        """The share, 0 to 1; None if the total is 0."""
        return self.count / self.of if self.of else None

    @property
    def low(self) -> float:
        """The lower end of the interval."""
        return wilson(self.count, self.of)[0]

    @property
    def high(self) -> float:
        """The upper end of the interval."""
        return wilson(self.count, self.of)[1]

    @property
    def small(self) -> bool:
        """Whether the total is below :data:`FEW`."""
        return self.of < FEW


def share_of(count: int, of: int) -> Share:
    """A share of at most 1, even if something was counted twice in one case."""
    return Share(min(count, of), of)


@dataclass(frozen=True, slots=True)
class Spread(Plain):
    """A distribution of times: median and quartiles, in minutes, over ``n`` times."""

    n: int
    median: float
    lower_quartile: float
    upper_quartile: float
    least: float
    most: float


def spread_of(values: NDArray[np.float64]) -> Spread | None:
    """Median and quartiles, by linear interpolation between ordered values (R. J. Hyndman and
    Y. Fan, The American Statistician 50 (1996), definition 7); None without values.
    """
    if not len(values):
        return None
    least, lower, median, upper, most = np.quantile(values, [0, 0.25, 0.5, 0.75, 1]).tolist()
    return Spread(len(values), median, lower, upper, least, most)


@dataclass(frozen=True, slots=True)
class PhaseMinutes(Plain):
    """Minutes of the same cases by phase; None for a phase that no case was timed in.

    Attributes:
        finding: before the first repair.
        repair: after it, closing checks apart.
        closing: in closing checks.
        whole: all three; it has a key of its own beside these.
    """

    LEFT_OUT: ClassVar[frozenset[str]] = frozenset({"whole"})

    finding: Spread | None
    repair: Spread | None
    closing: Spread | None
    whole: Spread | None


@dataclass(frozen=True, slots=True)
class Mean(Plain):
    """A mean with its bootstrap interval at 95 %, over ``n`` cases."""

    n: int
    mean: float
    low: float
    high: float


def bootstrap_mean(
    counted: Mapping[float, int], *, resamples: int = RESAMPLES, seed: int = SEED
) -> Mean:
    """The mean of many values with its percentile bootstrap interval.

    Drawing n values again from n counted ones is one multinomial draw over the distinct
    values, so a large record costs no more than a small one. B. Efron and R. J. Tibshirani,
    An Introduction to the Bootstrap (1993), 13.3. With few cases it is too narrow.

    Args:
        counted: value → how often; at least one.
        resamples: how many means are drawn.
        seed: seed of the random numbers, for equal results each time.
    """
    values = np.array(list(counted), dtype=float)
    counts = np.array(list(counted.values()), dtype=np.int64)
    n = int(counts.sum())
    drawn = np.random.default_rng(seed).multinomial(n, counts / n, size=resamples)
    low, high = np.quantile(drawn @ values / n, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]).tolist()
    return Mean(n, float(counts @ values / n), low, high)


def chance_of_at_least(count: int, of: int, share: float) -> float:
    """P(X ≥ count) of a binomial X with ``of`` trials at ``share``, exactly."""
    return min(1.0, math.fsum(_chance(k, of, share) for k in range(count, of + 1)))


def chance_of_at_most(count: int, of: int, share: float) -> float:
    """P(X ≤ count) of a binomial X with ``of`` trials at ``share``, exactly."""
    return min(1.0, math.fsum(_chance(k, of, share) for k in range(count + 1)))


def _chance(count: int, of: int, share: float) -> float:
    if share <= 0 or share >= 1:
        return float(count == (of if share >= 1 else 0))
    ways = math.lgamma(of + 1) - math.lgamma(count + 1) - math.lgamma(of - count + 1)
    return math.exp(ways + count * math.log(share) + (of - count) * math.log1p(-share))


def holm(chances: Sequence[float], level: float = 1 - LEVEL) -> tuple[bool, ...]:
    """Which of several tests are significant, with ``level`` as chance of any false alarm.

    S. Holm, Scandinavian Journal of Statistics 6 (1979).
    """
    order = sorted(range(len(chances)), key=lambda at: chances[at])
    stands = [False] * len(chances)
    for rank, at in enumerate(order):
        if chances[at] > level / (len(chances) - rank):
            break
        stands[at] = True
    return tuple(stands)


def benjamini_hochberg(chances: Sequence[float], level: float = 1 - LEVEL) -> tuple[bool, ...]:
    """Which of several tests are significant, with ``level`` as mean part of false ones.

    Y. Benjamini and Y. Hochberg, J. Royal Statistical Society B 57 (1995).
    """
    ordered = sorted(chances)
    parts = [level * rank / len(ordered) for rank in range(1, len(ordered) + 1)]
    limit = max((p for p, part in zip(ordered, parts, strict=True) if p <= part), default=-1.0)
    return tuple(chance <= limit for chance in chances)


def tolerance_factor(n: int, content: float = 0.95, confidence: float = LEVEL) -> float:
    """The k for which mean ± k·s holds ``content`` of a normal population with ``confidence``.

    ``z · √((n−1)(1+1/n) / χ²)`` with z the normal quantile of (1 + content)/2 and χ² the
    (1 − confidence) quantile with n−1 degrees of freedom. W. G. Howe, J. Am. Stat. Assoc. 64
    (1969); NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3. The quantile of χ² by
    E. B. Wilson and M. M. Hilferty, PNAS 17 (1931): good to 1 % from n = 10 on.
    """
    free = n - 1
    z = NormalDist().inv_cdf((1 + content) / 2)
    below = NormalDist().inv_cdf(1 - confidence)
    chi = free * (1 - 2 / (9 * free) + below * math.sqrt(2 / (9 * free))) ** 3
    return z * math.sqrt(free * (1 + 1 / n) / chi)


def counted(values: Iterable[float]) -> dict[float, int]:
    """Distinct values and how often each came."""
    found: dict[float, int] = {}
    for value in values:
        found[value] = found.get(value, 0) + 1
    return found
