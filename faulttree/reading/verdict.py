"""A verdict on a reading: what it came to, by which rule, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from faulttree.errors import ReadingError
from faulttree.reading.outcome import Judged

__all__ = ["DEFAULT_RULE", "Rule", "Verdict"]


@dataclass(frozen=True, slots=True)
class Rule:
    """How sure a verdict must be.

    Attributes:
        confidence: the probability an outcome needs, above 0.5 and below 1.
        simple: accept by the plain comparison, whatever the uncertainty.
    """

    confidence: float = 0.95
    simple: bool = False

    def __post_init__(self) -> None:
        if not 0.5 < self.confidence < 1:
            raise ReadingError(
                f"a confidence of {self.confidence} decides nothing",
                remedy="Take one above 0.5 and below 1, such as 0.95.",
            )


DEFAULT_RULE = Rule()


@dataclass(frozen=True, slots=True)
class Verdict(Judged):
    """What a reading means.

    Attributes:
        outcome: ``low``, ``inside``, ``high``, the name of a band, or ``undecided``.
        reading: as judged; the mean where several were taken.
        limits: what it was judged by.
        uncertainty: standard uncertainty of the reading, in its unit; None without an
            instrument or repeated readings.
        probability_inside: that the true value lies within the limits; None without
            uncertainty, or where there are bands.
        likelihoods: outcome → probability that the true value lies there. Empty where the
            reading proves nothing.
        rule: which rule decided: ``simple acceptance``, ``conformance probability``,
            ``over range``, ``one-sided``, ``frequency``, ``waveform``, ``in circuit``,
            ``good units`` (the limit contradicts readings of good units) or ``no limits``.
        tired: a used part beyond a new part's limit and not beyond a worn part's.
        advice: what to do, where the reading proves nothing or proves it but barely.
        readings: the single readings, where several were taken.
        instrument: id of the instrument, or empty.
        corrections: what was done to the reading before it was judged, in words.
        confidence: what the rule asked for.
        freedom: effective degrees of freedom of the uncertainty.
    """

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        from faulttree.reading.verdict_text import sentence

        return sentence(self)

    @property
    def scale(self) -> str:
        """The reading and its limits as one small line of text."""
        from faulttree.reading.verdict_text import scale

        return scale(self)

    def to_record(self) -> dict[str, Any]:
        """Plain data as an event keeps it: ``clauses`` and ``scale`` in the place of the text.

        :func:`faulttree.reading.verdict_text.verdict_text` words it when it is shown.
        """
        from faulttree.reading.verdict_text import clauses

        kept = {"clauses": [list(one) for one in clauses(self)], "scale": self.scale}
        return self._figures() | kept

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON, values in the base unit and not rounded."""
        return {**self._figures(), "text": self.sentence}

    def _figures(self) -> dict[str, Any]:
        limits = self.limits
        return {
            "verdict": self.outcome,
            "value": _number(self.reading.value),
            "unit": self.reading.unit,
            "kind": self.reading.kind,
            "over_range": self.reading.over_range,
            "lower": _number(limits.lower),
            "upper": _number(limits.upper),
            "worn_lower": _number(limits.worn_lower),
            "worn_upper": _number(limits.worn_upper),
            "uncertainty": self.uncertainty,
            "expanded_uncertainty": self.expanded_uncertainty,
            "probability_inside": self.probability_inside,
            "likelihoods": dict(self.likelihoods),
            "tired": self.tired,
            "rule": self.rule,
            "confidence": self.confidence,
            "instrument": self.instrument,
            "advice": self.advice,
            "source": limits.source,
            "basis": limits.basis,
            "corrections": list(self.corrections),
            "readings": [_number(reading.value) for reading in self.readings],
        }


def _number(value: Decimal | None) -> float | int | None:
    if value is None:
        return None
    return int(value) if value == value.to_integral_value() and abs(value) < 2**53 else float(value)
