"""Temperature sensors: platinum resistors, thermistors, the type K thermocouple."""

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
PT_CLASSES = {"A": (0.15, 0.002), "B": (0.30, 0.005)}

# ITS-90 reference function of type K, mV and °C; coefficients from memory, checked against
# the published table in the tests.
K_NEGATIVE = (
    0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8,
    -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
    -0.198892668780e-19, -0.163226974860e-22,
)  # fmt: skip
K_POSITIVE = (
    -0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7,
    0.318409457190e-9, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
    0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
K_BUMP = (0.118597600000, -0.118343200000e-3, 0.126968600000e3)
K_RANGE = (-270.0, 1372.0)
# IEC 60584-1, from memory: class → (fixed part [°C], share, from [°C], to [°C]).
K_CLASSES = {"1": (1.5, 0.004, -40.0, 1000.0), "2": (2.5, 0.0075, -40.0, 1200.0)}

ZERO_CELSIUS = 273.15
REFERENCE = 25.0


def _inside(value: float, ends: tuple[float, float], what: str, key: str) -> None:
    if not ends[0] <= value <= ends[1]:
        raise ReadingError(
            f"{what} holds from {ends[0]:g} to {ends[1]:g} °C, and {value:g} °C is outside",
            remedy="Correct the temperature, or give min and max instead.",
            key=(key,),
        )


def platinum_resistance(temperature: float, r0: float = 100.0) -> float:
    """Resistance [Ω] of an industrial platinum resistor (IEC 60751).

    Args:
        temperature: -200 to 850 [°C].
        r0: resistance at 0 °C [Ω]; 100 for Pt100, 1000 for Pt1000.

    Raises:
        ReadingError: the temperature is outside the range.
    """
    _inside(temperature, PT_RANGE, "the platinum curve", "temperature")
    return _platinum(temperature, r0)


def _platinum(t: float, r0: float) -> float:
    """The curve also a little beyond its ends, where the limits at an end lie."""
    below = PT_C * (t - 100.0) * t**3 if t < 0 else 0.0
    return r0 * (1.0 + PT_A * t + PT_B * t * t + below)


def platinum_tolerance(temperature: float, accuracy: str = "B") -> float:
    """Tolerance ±[°C] of a platinum resistor: A 0.15 + 0.002 |t|, B 0.30 + 0.005 |t| (IEC 60751).

    Args:
        temperature: [°C].
        accuracy: class ``A`` or ``B``.
    """
    fixed, share = PT_CLASSES[accuracy]
    return fixed + share * abs(temperature)


def platinum_limits(temperature: Decimal, accuracy: str, r0: Decimal) -> Figures:
    """Resistance [Ω] of a Pt100 or Pt1000 at a known temperature (IEC 60751).

    Args:
        temperature: of the sensor, -200 to 850 [°C].
        accuracy: class ``A`` or ``B``.
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
) -> Figures:
    """Resistance [Ω] of a thermistor at a known temperature, by the beta equation.

    Args:
        resistance: at 25 °C [Ω].
        beta: [K].
        temperature: of the sensor, -55 to 155 [°C].
        tolerance: of the resistance at 25 °C; the spread of B is not counted.
    """
    _inside(float(temperature), (-55.0, 155.0), "the beta equation", "temperature")
    nominal = Decimal(str(ntc_beta_resistance(float(temperature), float(resistance), float(beta))))
    nominal = Decimal(f"{nominal:.9g}")
    lower, upper = tolerance.around(nominal)
    return Figures(
        lower,
        upper,
        nominal=nominal,
        part=f"a {show(resistance, 'ohm')} thermistor",
        notes=(f"holds at {show(temperature, 'degC')}",),
    )


def thermocouple_k_voltage(temperature: float, reference: float = 0.0) -> float:
    """Voltage [V] of a type K thermocouple (ITS-90 reference function).

    Args:
        temperature: of the hot junction, -270 to 1372 [°C].
        reference: of the cold junction [°C].

    Raises:
        ReadingError: a temperature is outside the range.
    """
    return (_k_millivolt(temperature) - _k_millivolt(reference)) / 1000.0


def _k_millivolt(t: float) -> float:
    _inside(t, K_RANGE, "the type K reference function", "temperature")
    row = K_POSITIVE if t >= 0 else K_NEGATIVE
    total = 0.0
    for coefficient in reversed(row):
        total = total * t + coefficient
    if t >= 0:
        total += K_BUMP[0] * exp(K_BUMP[1] * (t - K_BUMP[2]) ** 2)
    return total


def thermocouple_k_tolerance(temperature: float, accuracy: str = "2") -> float:
    """Tolerance ±[°C] of a type K thermocouple (IEC 60584-1).

    Class 1 is the greater of 1.5 °C and 0.004 |t| from -40 to 1000 °C; class 2 the greater
    of 2.5 °C and 0.0075 |t| from -40 to 1200 °C.

    Args:
        temperature: [°C].
        accuracy: class ``1`` or ``2``.

    Raises:
        ReadingError: the class does not reach this temperature.
    """
    fixed, share, low, high = K_CLASSES[accuracy]
    _inside(temperature, (low, high), f"class {accuracy}", "temperature")
    return max(fixed, share * abs(temperature))


def thermocouple_k_limits(temperature: Decimal, reference: Decimal, accuracy: str) -> Figures:
    """Voltage [V] of a type K thermocouple at a known temperature.

    Args:
        temperature: of the hot junction [°C].
        reference: of the cold junction [°C].
        accuracy: class ``1`` or ``2`` (IEC 60584-1).
    """
    t, cold = float(temperature), float(reference)
    tolerance = thermocouple_k_tolerance(t, accuracy)
    low, middle, high = (
        Decimal(str(round(thermocouple_k_voltage(at, cold), 9)))
        for at in (t - tolerance, t, t + tolerance)
    )
    return Figures(
        low,
        high,
        nominal=middle,
        part=f"a type K thermocouple of class {accuracy}",
        notes=(f"holds at {t:g} °C with the cold junction at {cold:g} °C",),
    )
