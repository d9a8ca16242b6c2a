"""Corrections of a reading for how it was taken. Each is told in the verdict.

What a correction takes is typed behind the reading (``null 0.2 ohm``, ``at 45 °C``, ``x10``),
declared in ``bench.yaml`` (input resistance, burden) or said by the limit (resistance of the
node, driving voltage, temperature of the limit).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.instruments import Instrument
from faulttree.reading.limits import Limits
from faulttree.reading.quantity import EXACT, Quantity, Taken, show

COPPER = Decimal("234.5")
"""Copper resistance is proportional to 234.5 + t, t in °C (IEC 60028, IEC 60034-1)."""

USUAL_INPUT = Decimal("1E7")
"""Input resistance [Ω] of almost every handheld digital voltmeter. Common practice, no source."""

_TEN = Decimal(10)


@dataclass(frozen=True, slots=True)
class Corrected:
    """A reading after its corrections.

    Attributes:
        reading: with the corrected value, or the corrected bound.
        gain: derivative of the corrected value by the one that was read.
        null: what was subtracted for the leads [Ω]; it has the meter's uncertainty too.
        texts: each correction in words.
    """

    reading: Quantity
    gain: float = 1.0
    null: Decimal | None = None
    texts: tuple[str, ...] = ()


def corrected(reading: Quantity, limits: Limits, instrument: Instrument | None = None) -> Corrected:
    """Correct a reading for how it was taken.

    Args:
        reading: as typed. One over range stays as it is.
        limits: what it will be judged by.
        instrument: what it was read with, where declared.

    Raises:
        ReadingError: what was typed behind the reading belongs to another quantity, or is
            impossible with it.

    Example:
        >>> from faulttree.reading import parse_quantity, resolve_limits
        >>> limits = resolve_limits({"max": "0.2 ohm"})
        >>> done = corrected(parse_quantity("0.35 ohm null 0.2 ohm"), limits)
        >>> str(done.reading), done.texts
        ('150 mΩ', ('350 mΩ read, null of the leads 200 mΩ subtracted',))
    """
    taken = reading.taken or Taken()
    _refuse_strangers(reading, taken, limits)
    size = reading.value
    if size is None:
        size = reading.below if reading.above is None else reading.above
    if size is None:
        return Corrected(reading)
    gain, texts, value = 1.0, [], size
    for result, slope, text in _steps(reading, value, taken, limits, instrument):
        value, gain = result, gain * slope
        texts.append(text)
    if not texts:
        return Corrected(reading)
    place = (
        {"value": value}
        if reading.value is not None
        else {"below" if reading.above is None else "above": value}
    )
    done = replace(reading, **place)  # type: ignore[arg-type]
    return Corrected(done, gain, taken.null, tuple(texts))


def _refuse_strangers(reading: Quantity, taken: Taken, limits: Limits) -> None:
    """Refuse what does not belong to this quantity."""
    unit = limits.unit or reading.unit
    for given, name, wants, means in (
        (taken.null is not None, "null", "ohm", "the resistance of the leads"),
        (taken.four_wire, "four-wire", "ohm", "a resistance"),
        (taken.temperature is not None, "a temperature", "ohm", "the resistance of a winding"),
        (taken.tenfold, "a ×10 probe", "V", "a voltage"),
        (taken.input is not None, "the input of the meter", "V", "a voltage"),
        (taken.burden is not None, "burden", "A", "a current"),
    ):
        if given and unit != wants:
            raise ReadingError(
                f"'{reading.text[:60]}': {name} belongs to {means}", remedy="Leave it out here."
            )
    for value, name, missing, key in (
        (taken.temperature, "the temperature", limits.copper_at, "copper_at"),
        (taken.input, "the input of the meter", limits.source_resistance, "source_resistance"),
        (taken.burden, "burden", limits.driving_voltage, "driving_voltage"),
    ):
        if value is not None and missing is None:
            raise ReadingError(
                f"'{reading.text[:60]}': {name} corrects nothing here, because the limit has no "
                f"{key}",
                remedy=f"Leave it out, or give {key} in the limit.",
            )
    if taken.four_wire and taken.null is not None:
        raise ReadingError(
            "a four-wire reading has no lead in it, and no null", remedy="Leave one out."
        )


def _steps(
    reading: Quantity,
    value: Decimal,
    taken: Taken,
    limits: Limits,
    instrument: Instrument | None,
) -> Iterator[tuple[Decimal, float, str]]:
    """Each correction: value after it, its slope, its words."""
    unit, kind = reading.unit, reading.kind or limits.kind
    if taken.tenfold:
        text = f"{show(value, unit, kind)} shown through a ×10 probe, which hides its own tolerance"
        value = EXACT.multiply(value, _TEN)
        yield value, 10.0, text
    if taken.four_wire:
        yield value, 1.0, "four-wire: no lead is in the reading"
    if taken.null is not None:
        text = f"{show(value, unit)} read, null of the leads {show(taken.null, unit)} subtracted"
        value = EXACT.subtract(value, taken.null)
        if value < 0:
            raise ReadingError(
                f"'{reading.text[:60]}' is below its null: a resistance cannot be below zero",
                remedy="Touch the leads together again, then repeat both readings.",
            )
        yield value, 1.0, text
    if taken.temperature is not None and limits.copper_at is not None:
        value, slope, text = _copper(value, taken.temperature, limits.copper_at)
        yield value, slope, text
    if unit == "V" and limits.source_resistance is not None:
        yield _loading(value, taken, limits.source_resistance, kind, instrument)
    if unit == "A" and limits.driving_voltage is not None:
        burden = _burden(value, taken, kind, instrument)
        if burden is not None:
            measured = taken.burden is not None
            yield _without_burden(value, burden, limits.driving_voltage, kind, measured=measured)


def _copper(value: Decimal, at: Decimal, wanted: Decimal) -> tuple[Decimal, float, str]:
    """Resistance [Ω] of copper at another temperature: R2 = R1 (234.5 + t2) / (234.5 + t1)."""
    if min(at, wanted) <= -COPPER:
        raise ReadingError("no winding is so cold", remedy="Correct the temperature.")
    ratio = EXACT.divide(EXACT.add(COPPER, wanted), EXACT.add(COPPER, at))
    text = (
        f"{show(value, 'ohm')} read at {show(at, 'degC')}, calculated for copper at "
        f"{show(wanted, 'degC')}"
    )
    return EXACT.multiply(value, ratio), float(ratio), text


def _loading(
    value: Decimal, taken: Taken, source: Decimal, kind: str, instrument: Instrument | None
) -> tuple[Decimal, float, str]:
    """Voltage [V] without the meter: U = Um (Ri + Rs) / Ri, by the voltage divider."""
    declared = instrument.input_resistance if instrument is not None else None
    given = taken.input or declared or USUAL_INPUT
    ratio = EXACT.divide(EXACT.add(given, source), given)
    assumed = "" if taken.input or declared else ", which is assumed"
    text = (
        f"{show(value, 'V', kind)} read; the meter, {show(given, 'ohm')}{assumed}, loads the node "
        f"of {show(source, 'ohm')}"
    )
    return EXACT.multiply(value, ratio), float(ratio), text


def _burden(
    value: Decimal, taken: Taken, kind: str, instrument: Instrument | None
) -> Decimal | None:
    """The voltage [V] across the ammeter at this reading; None where nobody says."""
    if taken.burden is not None:
        return taken.burden
    row = instrument.range_for(value, "A", kind) if instrument is not None else None
    if row is None or row.burden is None:
        return None
    return EXACT.divide(EXACT.multiply(value.copy_abs(), row.burden), row.full)


def _without_burden(
    value: Decimal, burden: Decimal, driving: Decimal, kind: str, *, measured: bool
) -> tuple[Decimal, float, str]:
    """Current [A] without the meter: I = Im U / (U - Ub), a resistive load at U."""
    rest = EXACT.subtract(driving, burden)
    if rest <= 0:
        raise ReadingError(
            f"the burden of {show(burden, 'V')} is all of the driving voltage, "
            f"{show(driving, 'V')}",
            remedy="Take a larger range, or correct the figures.",
        )
    ratio = EXACT.divide(driving, rest)
    text = (
        f"{show(value, 'A', kind)} read; the meter takes {show(burden, 'V')} of the "
        f"{show(driving, 'V')} that drive the current"
    )
    # A burden that follows from the reading grows with it; a measured one does not.
    return EXACT.multiply(value, ratio), float(ratio if measured else ratio * ratio), text
