"""What an a.c. meter shows of a waveform that is no sine."""

from __future__ import annotations

from faulttree.reading.instruments import Instrument
from faulttree.reading.limits import Limits
from faulttree.reading.quantity import Quantity, show

SINE = 2**0.5
"""Crest factor of a sine: peak value over r.m.s. value."""

# A waveform whose crest factor lies this close to that of a sine is taken for one.
# Common practice, no source.
_NEAR = 0.02
_ALTERNATING = frozenset({"ac", "rms"})


def wrong_waveform(reading: Quantity, limits: Limits, instrument: Instrument) -> str:
    """Why this meter does not show the r.m.s. value of this waveform; empty where it does.

    A meter that responds to the average shows the r.m.s. value of a sine only: of a waveform with
    another form factor it is off by the ratio of both. A true r.m.s. meter clips where the
    peak, crest factor times reading, lies beyond the crest factor of its range times its end.

    Args:
        reading: as typed.
        limits: what it is judged by; ``crest_factor`` is that of the waveform at this place.
        instrument: what it was read with.
    """
    kind = reading.kind or limits.kind
    if kind not in _ALTERNATING or limits.crest_factor is None:
        return ""
    crest = float(limits.crest_factor)
    if instrument.responds == "average" and abs(crest / SINE - 1) > _NEAR:
        return (
            f"{instrument.id} responds to the average and shows the r.m.s. value of a sine only, "
            f"and the crest factor here is {show(limits.crest_factor)}: take a true r.m.s. meter"
        )
    if reading.value is None:
        return ""
    row = instrument.range_for(reading.value, reading.unit, kind, reading.frequency)
    if row is None or row.crest_factor is None:
        return ""
    if abs(reading.value) * limits.crest_factor <= row.crest_factor * row.full:
        return ""
    return (
        f"the peaks here are {show(limits.crest_factor)} times the reading, and {instrument.id} "
        f"takes {show(row.crest_factor)} times {show(row.full, reading.unit)} on this range: take "
        "the next larger one, or a meter with a larger crest factor"
    )


def sine_only(reading: Quantity, limits: Limits, instrument: Instrument) -> tuple[str, ...]:
    """What a verdict says of a meter that responds to the average, of an unknown waveform."""
    kind = reading.kind or limits.kind
    average = instrument.responds == "average"
    if kind not in _ALTERNATING or not average or limits.crest_factor is not None:
        return ()
    return (f"{instrument.id} responds to the average: right for a sine only",)
