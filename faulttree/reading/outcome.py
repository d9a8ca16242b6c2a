"""What judging a reading came to, not yet in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from faulttree.reading.limits import Limits
from faulttree.reading.quantity import Quantity

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
        """Twice the standard uncertainty, about 95 % (GUM 6.3.3), in the unit of the reading."""
        return None if self.uncertainty is None else 2 * self.uncertainty
