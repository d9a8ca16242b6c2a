"""A reading and its limits on a drawn scale."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from faulttree.reading.quantity import show

__all__ = ["Scale", "scale_of"]

WIDTH, EDGE, CLOSE = 600.0, 40.0, 170.0


@dataclass(frozen=True, slots=True)
class Scale:
    """Where to draw: positions from 0 to 600 for the limits and the reading.

    Attributes:
        lower: of the lower limit; None without one.
        upper: of the upper limit; None without one.
        value: of the reading; None where it was over range.
        spread: half the width of the band of expanded uncertainty.
        from_text: the lower limit as text.
        to_text: the upper limit as text.
        value_text: the reading as text.
    """

    lower: float | None
    upper: float | None
    value: float | None
    spread: float
    from_text: str
    to_text: str
    value_text: str

    @property
    def marks(self) -> list[tuple[float, str]]:
        """Where to write the limits; both at once where they stand too close to each other."""
        near = self.lower is not None and self.upper is not None
        if near and self.upper - self.lower < CLOSE:  # type: ignore[operator]
            middle = (self.lower + self.upper) / 2  # type: ignore[operator]
            return [(middle, f"{self.from_text} to {self.to_text}")]
        both = ((self.lower, self.from_text), (self.upper, self.to_text))
        return [(at, text) for at, text in both if at is not None]

    @property
    def inside_from(self) -> float:
        """Where the allowed part begins."""
        return 0.0 if self.lower is None else self.lower

    @property
    def inside_width(self) -> float:
        """How wide the allowed part is."""
        return (WIDTH if self.upper is None else self.upper) - self.inside_from


def scale_of(verdict: Mapping[str, Any] | None) -> Scale | None:
    """The scale of a verdict as an event keeps it; None where there is nothing to draw.

    The limits stand 40 from the ends, the reading beyond them as far as it fits.

    Example:
        >>> scale_of({"value": 5, "lower": 0, "upper": 10, "unit": "V"}).value
        300.0
    """
    if not verdict:
        return None
    low, high, value = verdict.get("lower"), verdict.get("upper"), verdict.get("value")
    known = [float(one) for one in (low, high, value) if one is not None]
    if value is None or (low is None and high is None):
        return None
    least, most = min(known), max(known)
    room = (most - least) or abs(most) or 1.0

    def at(one: float) -> float:
        return round(EDGE + (one - least) / room * (WIDTH - 2 * EDGE), 1)

    spread = float(verdict.get("expanded_uncertainty") or 0.0) / room * (WIDTH - 2 * EDGE)
    unit = str(verdict.get("unit") or "")
    return Scale(
        at(float(low)) if low is not None else None,
        at(float(high)) if high is not None else None,
        at(float(value)),
        round(min(spread, WIDTH), 1),
        _shown(low, unit),
        _shown(high, unit),
        _shown(value, unit),
    )


def _shown(value: float | None, unit: str) -> str:
    return "" if value is None else show(Decimal(str(value)), unit)
