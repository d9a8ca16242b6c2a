"""From scatter and specifications to a probability that a value lies within limits."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan, cos, erfc, inf, pi, sin, sqrt

from faulttree.errors import ReadingError

SQRT2 = sqrt(2.0)


def type_a(values: Sequence[float]) -> tuple[float, float, int]:
    """Mean of repeated readings and its standard uncertainty (GUM 4.2).

    Args:
        values: two or more readings, in one unit.

    Returns:
        mean, s/√n, degrees of freedom n - 1.

    Raises:
        ReadingError: fewer than two values.
    """
    n = len(values)
    if n < 2:
        raise ReadingError("one reading has no scatter", remedy="Take at least two.")
    mean = sum(values) / n
    s = sqrt(sum((value - mean) ** 2 for value in values) / (n - 1))
    return mean, s / sqrt(n), n - 1


def effective_freedom(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a combined uncertainty, Welch-Satterthwaite (GUM G.4.1).

    Args:
        parts: (standard uncertainty, degrees of freedom) of each contribution, ``inf``
            where it is held to be known.
    """
    total = sum(u * u for u, _ in parts)
    lost = sum(u**4 / freedom for u, freedom in parts if freedom != inf and u > 0)
    return inf if lost == 0 else total * total / lost


def below(z: float, freedom: float = inf) -> float:
    """Probability that a standardised value lies below z.

    Args:
        z: distance in standard uncertainties.
        freedom: normal for ``inf``, else Student's t with the next lower whole number of
            degrees of freedom (GUM G.4.1), by its finite series (Abramowitz and Stegun,
            26.7.3 and 26.7.4).
    """
    if freedom == inf or freedom > 200:
        return 0.5 * erfc(-z / SQRT2)
    tail = 0.5 * (1.0 - _student_within(abs(z), max(int(freedom), 1)))
    return tail if z < 0 else 1.0 - tail


def coverage_factor(freedom: float = inf) -> float:
    """Factor k of an expanded uncertainty with a level of confidence of 95.45 % (GUM G.6.4).

    Args:
        freedom: degrees of freedom; 2 for ``inf``, as GUM 6.3.3 has it.

    Example:
        >>> round(coverage_factor(4), 2)
        2.87
    """
    if freedom == inf or freedom > 200:
        return 2.0
    low, high = 1.0, 64.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (low, middle) if below(-middle, freedom) < 0.02275 else (middle, high)
    return high


def _student_within(t: float, freedom: int) -> float:
    theta = atan(t / sqrt(freedom))
    c, s = cos(theta), sin(theta)
    if freedom % 2:
        term, total = c, c if freedom > 1 else 0.0
        for k in range(3, freedom - 1, 2):
            term *= c * c * (k - 1) / k
            total += term
        return 2.0 / pi * (theta + s * total)
    term = total = 1.0
    for k in range(2, freedom - 1, 2):
        term *= c * c * (k - 1) / k
        total += term
    return s * total


def conformance(
    value: float,
    uncertainty: float,
    lower: float | None,
    upper: float | None,
    freedom: float = inf,
) -> tuple[float, float, float]:
    """Probability that the true value lies below, within and above the limits (JCGM 106, 7).

    Args:
        value: the reading.
        uncertainty: its standard uncertainty, above zero, in the same unit.
        lower, upper: the limits, None where there is none.
        freedom: as in :func:`below`.
    """
    low = 0.0 if lower is None else below((lower - value) / uncertainty, freedom)
    high = 0.0 if upper is None else below((value - upper) / uncertainty, freedom)
    return low, max(0.0, 1.0 - low - high), high
