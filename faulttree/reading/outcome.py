"""What judging a reading came to, not yet in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from math import inf

from faulttree.reading.limits import Limits
from faulttree.reading.quantity import Quantity
from faulttree.reading.uncertainty import coverage_factor

__all__ = ["Judged"]


@dataclass(frozen=True, slots=True)
class Judged:
    """What judging a reading came to: all that the words of a verdict are made from.

    The fields are told at :class:`faulttree.reading.Verdict`, which adds those words.
    """

    outcome: str
    reading: Quantity
    limits: Limits
    uncertainty: float | None = None
    probability_inside: float | None = None
    likelihoods: Mapping[str, float] = field(default_factory=dict)
    rule: str = "simple acceptance"
    tired: bool = False
    advice: str = ""
    readings: tuple[Quantity, ...] = ()
    instrument: str = ""
    corrections: tuple[str, ...] = ()
    confidence: float = 0.95
    freedom: float = inf

    @property
    def lower(self) -> Decimal | None:
        """The lower limit, in the base unit."""
        return self.limits.lower

    @property
    def upper(self) -> Decimal | None:
        """The upper limit, in the base unit."""
        return self.limits.upper

    @property
    def source(self) -> str:
        """Where the limits come from."""
        return self.limits.source

    @property
    def expanded_uncertainty(self) -> float | None:
        """Uncertainty for 95.45 % [unit of the reading]: twice the standard one, and more where
        few readings gave it (GUM G.6.4).
        """
        if self.uncertainty is None:
            return None
        return coverage_factor(self.freedom) * self.uncertainty
