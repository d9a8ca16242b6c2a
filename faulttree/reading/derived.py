"""Quantities that follow from several readings: internal resistance, regulation, gain, ripple."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt
from typing import Any, NamedTuple

from faulttree.errors import ReadingError
from faulttree.reading.formula import Formula, read_formula
from faulttree.reading.instruments import Instrument
from faulttree.reading.quantity import Quantity
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import Written, parse_unit


class Derived(NamedTuple):
    """One quantity that is computed from readings.

    Attributes:
        formula: over the names of :attr:`takes`, in base units.
        takes: name of each reading → its unit.
        unit: of the result.
        text: what it is, with its source.
    """

    formula: str
    takes: Mapping[str, str]
    unit: str
    text: str


DERIVED: dict[str, Derived] = {
    "internal-resistance": Derived(
        "(u1 - u2) / (i2 - i1)", {"u1": "V", "i1": "A", "u2": "V", "i2": "A"}, "ohm",
        "of a source, from two points of its load line; Ohm's law",
    ),
    "load-regulation": Derived(
        "100 * (idle - loaded) / loaded", {"idle": "V", "loaded": "V"}, "%",
        "rise of the output without its load, as a share of the loaded output; common practice, "
        "no source",
    ),
    "polarisation-index": Derived(
        "r10min / r1min", {"r1min": "ohm", "r10min": "ohm"}, "",
        "insulation after 10 min over that after 1 min; IEEE 43, from memory",
    ),
    "absorption-ratio": Derived(
        "r60s / r30s", {"r30s": "ohm", "r60s": "ohm"}, "",
        "insulation after 60 s over that after 30 s; common practice, no source",
    ),
    "ripple": Derived(
        "100 * pp / level", {"pp": "V pp", "level": "V dc"}, "%",
        "peak-to-peak value as a share of the d.c. value; common practice, no source",
    ),
    "voltage-gain": Derived(
        "20 * log10(output / input)", {"input": "V", "output": "V"}, "dB",
        "20 lg of a ratio of voltages at equal impedances; IEC 60027-3",
    ),
    "power-gain": Derived(
        "10 * log10(output / input)", {"input": "W", "output": "W"}, "dB",
        "10 lg of a ratio of powers; IEC 60027-3",
    ),
}  # fmt: skip
"""Name → how it follows from readings."""


def derive(
    name: str,
    readings: Mapping[str, Sequence[Quantity]],
    *,
    unit: str = "",
    instrument: Instrument | None = None,
) -> tuple[Quantity, ...]:
    """Compute a quantity from readings.

    Args:
        name: a key of :data:`DERIVED`, or a formula over the names of the readings.
        readings: name in the formula → its readings in base units. Several of each are sets that
            were taken at the same time: each set gives one result, so that what the readings of
            a set have in common is counted (GUM H.2.4, approach 2).
        unit: of the result of a formula of your own.
        instrument: what all of them were read with. A gain error that its range declares with
            ``common`` cancels where the formula lets it. All else is taken as independent.

    Returns:
        One result for each set, with the standard uncertainty by the instrument.

    Raises:
        ReadingError: a reading is missing, over range or not wanted, the counts differ, or the
            formula cannot be worked out.

    Example:
        >>> points = {"u1": "12.60 V", "i1": "0.5 A", "u2": "11.90 V", "i2": "10.5 A"}
        >>> taken = {key: [parse_quantity(text)] for key, text in points.items()}
        >>> str(derive("internal-resistance", taken)[0])
        '70 mΩ'
    """
    known = DERIVED.get(name)
    formula = read_formula(known.formula if known else name)
    wanted = parse_unit(known.unit if known else unit)
    _check_names(name, formula.names, readings)
    return tuple(
        _one(formula, dict(zip(readings, one, strict=True)), wanted, instrument)
        for one in zip(*readings.values(), strict=True)
    )


def _one(
    formula: Formula, taken: Mapping[str, Quantity], wanted: Written, instrument: Instrument | None
) -> Quantity:
    """The result of one set of readings."""
    values = {key: read.value for key, read in taken.items() if read.value is not None}
    spread = None if instrument is None else formula.spread(_uncertain(taken, instrument))
    text = ", ".join(f"{key} {read}" for key, read in taken.items())
    result = formula.value(values)
    return Quantity(result, wanted.unit or "", wanted.kind, text=text, uncertainty=spread)


def read_named(
    name: str, typed: Sequence[str | float], names: Sequence[str] = ()
) -> dict[str, list[Quantity]]:
    """Readings typed as ``u1=12.6V``, by name.

    Args:
        name: a key of :data:`DERIVED`, whose units a number alone takes; or a formula.
        typed: the readings.
        names: the names that a formula takes.

    Raises:
        ReadingError: one has no name, or cannot be read.
    """
    known = DERIVED.get(name)
    found: dict[str, list[Quantity]] = {}
    for text in typed:
        key, sign, plain = str(text).partition("=")
        key = key.strip()
        if not sign:
            wanted = " ".join(f"{one}=…" for one in (known.takes if known else names))
            raise ReadingError(
                f"'{str(text)[:40]}' does not say which reading it is", remedy=f"Give {wanted}."
            )
        place = known.takes.get(key) if known else None
        read = parse_quantity(plain, place)
        if read.taken is not None:
            raise ReadingError(
                f"'{str(text)[:40]}' says how it was taken, which is not corrected here",
                remedy="Correct the reading first.",
            )
        found.setdefault(key, []).append(read)
    return found


def _check_names(
    name: str, names: Sequence[str], readings: Mapping[str, Sequence[Quantity]]
) -> None:
    for key in names:
        if not readings.get(key):
            raise ReadingError(
                f"{name[:60]} needs the reading {key}",
                remedy=f"It takes {', '.join(names)}.",
            )
    for key, taken in readings.items():
        if key not in names:
            raise ReadingError(
                f"{name[:60]} has no reading '{key[:40]}'",
                remedy=f"It takes {', '.join(names)}.",
            )
        if any(read.value is None for read in taken):
            raise ReadingError(f"{key} is over range", remedy="Measure it on a larger range.")
    if len({len(taken) for taken in readings.values()}) != 1:
        raise ReadingError(
            "the readings are not in sets",
            remedy="Give every reading once, or every reading as often as the others.",
        )


def _uncertain(one: Mapping[str, Quantity], instrument: Instrument) -> dict[str, Any]:
    """Each reading as an uncertain number; those on one range share its common gain error."""
    from uncertainties import ufloat

    gains: dict[tuple[str, str, Any], Any] = {}
    made: dict[str, Any] = {}
    for key, read in one.items():
        assert read.value is not None
        if not instrument.measures(read.unit, read.kind):
            made[key] = float(read.value)
            continue
        row = instrument.range_for(read.value, read.unit, read.kind)
        if row is None:
            raise ReadingError(
                f"{instrument.id} has no range for {read}",
                remedy="Name the instrument that was used, or add the range to bench.yaml.",
            )
        value, u = float(read.value), row.standard_uncertainty(float(read.value))
        shared = row.common / sqrt(3.0)
        own = sqrt(max(0.0, u * u - (shared * value) ** 2))
        place = (read.unit, read.kind, row.full)
        gain = gains.setdefault(place, ufloat(1.0, shared)) if shared else 1.0
        made[key] = value * gain + (ufloat(0.0, own) if own else 0.0)
    return made
