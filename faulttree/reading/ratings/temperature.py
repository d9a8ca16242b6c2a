"""Temperature sensors: platinum resistors and thermistors."""

from __future__ import annotations

from decimal import Decimal
from math import exp

from faulttree.errors import ReadingError
from faulttree.reading.quantity import show
from faulttree.reading.ratings.register import Figures
from faulttree.reading.tolerance import Tolerance

# IEC 60751, from memory: R(t) = R0 (1 + A t + B t² + C (t - 100) t³), C below 0 °C only.
PT_A = 3.9083e-3
PT_B = -5.775e-7
PT_C = -4.183e-12
PT_RANGE = (-200.0, 850.0)
# IEC 60751, from memory: class → (fixed part [°C], share of the size of the temperature).
PT_CLASSES = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.30, 0.005), "C": (0.6, 0.01)}

ZERO_CELSIUS = 273.15
REFERENCE = 25.0


def check_range(value: float, start: float, end: float, what: str) -> None:
    """Refuse a temperature [°C] outside the range of a function or class."""
    if not start <= value <= end:
        raise ReadingError(
            f"{what} holds from {start:g} to {end:g} °C, and {value:g} °C is outside",
            remedy="Correct the temperature, or give min and max instead.",
            key=("temperature",),
        )


def platinum_resistance(temperature: float, r0: float = 100.0) -> float:
    """Resistance [Ω] of an industrial platinum resistor (IEC 60751).

    Args:
        temperature: -200 to 850 [°C].
        r0: resistance at 0 °C [Ω]; 100 for Pt100, 1000 for Pt1000.

    Raises:
        ReadingError: the temperature is outside the range.
    """
    check_range(temperature, *PT_RANGE, "the platinum curve")
    return _platinum(temperature, r0)


def _platinum(t: float, r0: float) -> float:
    """The curve also a little beyond its ends, where the limits at an end lie."""
    below = PT_C * (t - 100.0) * t**3 if t < 0 else 0.0
    return r0 * (1.0 + PT_A * t + PT_B * t * t + below)


def platinum_tolerance(temperature: float, accuracy: str = "B") -> float:
    """Tolerance ±[°C] of a platinum resistor by :data:`PT_CLASSES` (IEC 60751).

    Args:
        temperature: [°C].
        accuracy: class ``AA``, ``A``, ``B`` or ``C``.
    """
    fixed, share = PT_CLASSES[accuracy]
    return fixed + share * abs(temperature)


def platinum_limits(temperature: Decimal, accuracy: str, r0: Decimal) -> Figures:
    """Resistance [Ω] of a Pt100 or Pt1000 at a known temperature (IEC 60751).

    Args:
        temperature: of the sensor, -200 to 850 [°C].
        accuracy: class ``AA``, ``A``, ``B`` or ``C``.
        r0: resistance at 0 °C [Ω].
    """
    t = float(temperature)
    tolerance = platinum_tolerance(t, accuracy)
    nominal = platinum_resistance(t, float(r0))
    ends = [_platinum(at, float(r0)) for at in (t - tolerance, t + tolerance)]
    return Figures(
        _milli(ends[0]),
        _milli(ends[1]),
        nominal=_milli(nominal),
        part=f"a Pt{r0} of class {accuracy}",
        notes=(f"holds at {show(temperature, 'degC')}",),
    )


def _milli(value: float) -> Decimal:
    return Decimal(str(round(value, 6)))


def ntc_beta_resistance(temperature: float, r25: float, beta: float) -> float:
    """Resistance [Ω] of a thermistor by the beta equation, R25 exp(B (1/T - 1/298.15 K)).

    Args:
        temperature: [°C], above -273.15; good within some 50 °C of 25 °C.
        r25: resistance at 25 °C [Ω].
        beta: B between 25 °C and the second temperature of the data sheet [K].
    """
    return r25 * exp(beta * (1.0 / (temperature + ZERO_CELSIUS) - 1.0 / (REFERENCE + ZERO_CELSIUS)))


def ntc_limits(
    resistance: Decimal,
    beta: Decimal,
    temperature: Decimal,
    tolerance: Tolerance,
    beta_tolerance: Tolerance,
) -> Figures:
    """Resistance [Ω] of a thermistor at a known temperature, by the beta equation.

    Args:
        resistance: at 25 °C [Ω].
        beta: [K].
        temperature: of the sensor, -55 to 155 [°C].
        tolerance: of the resistance at 25 °C.
        beta_tolerance: of B; both limits take the worse end of it.
    """
    t = float(temperature)
    check_range(t, -55.0, 155.0, "the beta equation")
    betas = [beta, *beta_tolerance.around(beta)]
    found = [Decimal(f"{ntc_beta_resistance(t, float(resistance), float(b)):.9g}") for b in betas]
    nominal = found[0]
    lower, upper = tolerance.around(min(found))[0], tolerance.around(max(found))[1]
    return Figures(
        lower,
        upper,
        nominal=nominal,
        part=f"a {show(resistance, 'ohm')} thermistor",
        notes=(f"holds at {show(temperature, 'degC')}",),
    )
