"""Thermocouples of the letter types: ITS-90 reference functions and tolerance classes."""

from __future__ import annotations

from decimal import Decimal
from math import exp
from typing import NamedTuple

from faulttree.errors import ReadingError
from faulttree.reading.ratings.register import Figures
from faulttree.reading.ratings.temperature import check_range


class Stretch(NamedTuple):
    """One stretch of a reference function: a polynomial in mV and °C up to ``end`` [°C]."""

    end: float
    coefficients: tuple[float, ...]


# ITS-90 reference functions (NIST Monograph 175, IEC 60584-1), E in mV, t in °C: start of the
# range, then each stretch. Coefficients from memory; the tests check that the stretches meet and
# compare with the published table.
FUNCTIONS: dict[str, tuple[float, tuple[Stretch, ...]]] = {
    "b": (0.0, (
        Stretch(630.615, (
            0.0, -0.246508183460e-3, 0.590404211710e-5, -0.132579316360e-8, 0.156682919010e-11,
            -0.169445292400e-14, 0.629903470940e-18,
        )),
        Stretch(1820.0, (
            -0.389381686210e1, 0.285717474700e-1, -0.848851047850e-4, 0.157852801640e-6,
            -0.168353448640e-9, 0.111097940130e-12, -0.445154310330e-16, 0.989756408210e-20,
            -0.937913302890e-24,
        )),
    )),
    "e": (-270.0, (
        Stretch(0.0, (
            0.0, 0.586655087080e-1, 0.454109771240e-4, -0.779980486860e-6, -0.258001608430e-7,
            -0.594525830570e-9, -0.932140586670e-11, -0.102876055340e-12, -0.803701236210e-15,
            -0.439794973910e-17, -0.164147763550e-19, -0.396736195160e-22, -0.558273287210e-25,
            -0.346578420130e-28,
        )),
        Stretch(1000.0, (
            0.0, 0.586655087100e-1, 0.450322755820e-4, 0.289084072120e-7, -0.330568966520e-9,
            0.650244032700e-12, -0.191974955040e-15, -0.125366004970e-17, 0.214892175690e-20,
            -0.143880417820e-23, 0.359608994810e-27,
        )),
    )),
    "j": (-210.0, (
        Stretch(760.0, (
            0.0, 0.503811878150e-1, 0.304758369300e-4, -0.856810657200e-7, 0.132281952950e-9,
            -0.170529583370e-12, 0.209480906970e-15, -0.125383953360e-18, 0.156317256970e-22,
        )),
        Stretch(1200.0, (
            0.296456256810e3, -0.149761277860e1, 0.317871039240e-2, -0.318476867010e-5,
            0.157208190040e-8, -0.306913690560e-12,
        )),
    )),
    "k": (-270.0, (
        Stretch(0.0, (
            0.0, 0.394501280250e-1, 0.236223735980e-4, -0.328589067840e-6, -0.499048287770e-8,
            -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16,
            -0.198892668780e-19, -0.163226974860e-22,
        )),
        Stretch(1372.0, (
            -0.176004136860e-1, 0.389212049750e-1, 0.185587700320e-4, -0.994575928740e-7,
            0.318409457190e-9, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
            0.971511471520e-22, -0.121047212750e-25,
        )),
    )),
    "n": (-270.0, (
        Stretch(0.0, (
            0.0, 0.261591059620e-1, 0.109574842280e-4, -0.938411115540e-7, -0.464120397590e-10,
            -0.263033577160e-11, -0.226534380030e-13, -0.760893007910e-16, -0.934196678350e-19,
        )),
        Stretch(1300.0, (
            0.0, 0.259293946010e-1, 0.157101418800e-4, 0.438256272370e-7, -0.252611697940e-9,
            0.643118193390e-12, -0.100634715190e-14, 0.997453389920e-18, -0.608632456070e-21,
            0.208492293390e-24, -0.306821961510e-28,
        )),
    )),
    "r": (-50.0, (
        Stretch(1064.18, (
            0.0, 0.528961729765e-2, 0.139166589782e-4, -0.238855693017e-7, 0.356916001063e-10,
            -0.462347666298e-13, 0.500777441034e-16, -0.373105886191e-19, 0.157716482367e-22,
            -0.281038625251e-26,
        )),
        Stretch(1664.5, (
            0.295157925316e1, -0.252061251332e-2, 0.159564501865e-4, -0.764085947576e-8,
            0.205305291024e-11, -0.293359668173e-15,
        )),
        Stretch(1768.1, (
            0.152232118209e3, -0.268819888545, 0.171280280471e-3, -0.345895706453e-7,
            -0.934633971046e-14,
        )),
    )),
    "s": (-50.0, (
        Stretch(1064.18, (
            0.0, 0.540313308631e-2, 0.125934289740e-4, -0.232477968689e-7, 0.322028823036e-10,
            -0.331465196389e-13, 0.255744251786e-16, -0.125068871393e-19, 0.271443176145e-23,
        )),
        Stretch(1664.5, (
            0.132900444085e1, 0.334509311344e-2, 0.654805192818e-5, -0.164856259209e-8,
            0.129989605174e-13,
        )),
        Stretch(1768.1, (
            0.146628232636e3, -0.258430516752, 0.163693574641e-3, -0.330439046987e-7,
            -0.943223690612e-14,
        )),
    )),
    "t": (-270.0, (
        Stretch(0.0, (
            0.0, 0.387481063640e-1, 0.441944343470e-4, 0.118443231050e-6, 0.200329735540e-7,
            0.901380195590e-9, 0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14,
            0.282135219250e-16, 0.142515947790e-18, 0.487686622860e-21, 0.107955392700e-23,
            0.139450270620e-26, 0.797951539270e-30,
        )),
        Stretch(400.0, (
            0.0, 0.387481063640e-1, 0.332922278800e-4, 0.206182434040e-6, -0.218822568460e-8,
            0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
        )),
    )),
}  # fmt: skip
# Type K above 0 °C has a term more: a·exp(b (t - c)²), the same source.
K_TERM = (0.118597600000, -0.118343200000e-3, 0.126968600000e3)


class Class(NamedTuple):
    """A tolerance class: the greater of ``fixed`` [°C] and ``share`` of |t - ``above``|.

    ``above`` is zero but for class 1 of types R and S, where the share is added beyond it.
    """

    fixed: float
    share: float
    start: float
    end: float
    above: float = 0.0


# IEC 60584-1, from memory.
CLASSES: dict[str, dict[str, Class]] = {
    "b": {"2": Class(1.5, 0.0025, 600.0, 1700.0)},
    "e": {"1": Class(1.5, 0.004, -40.0, 800.0), "2": Class(2.5, 0.0075, -40.0, 900.0)},
    "j": {"1": Class(1.5, 0.004, -40.0, 750.0), "2": Class(2.5, 0.0075, -40.0, 750.0)},
    "k": {"1": Class(1.5, 0.004, -40.0, 1000.0), "2": Class(2.5, 0.0075, -40.0, 1200.0)},
    "n": {"1": Class(1.5, 0.004, -40.0, 1000.0), "2": Class(2.5, 0.0075, -40.0, 1200.0)},
    "r": {"1": Class(1.0, 0.003, 0.0, 1600.0, 1100.0), "2": Class(1.5, 0.0025, 0.0, 1600.0)},
    "s": {"1": Class(1.0, 0.003, 0.0, 1600.0, 1100.0), "2": Class(1.5, 0.0025, 0.0, 1600.0)},
    "t": {"1": Class(0.5, 0.004, -40.0, 350.0), "2": Class(1.0, 0.0075, -40.0, 350.0)},
}


def thermocouple_voltage(letter: str, temperature: float, reference: float = 0.0) -> float:
    """Voltage [V] of a thermocouple (ITS-90 reference function).

    Args:
        letter: its type, a key of :data:`FUNCTIONS`.
        temperature: of the hot junction [°C].
        reference: of the cold junction [°C].

    Raises:
        ReadingError: a temperature is outside the range of the function.

    Example:
        >>> round(thermocouple_voltage("k", 100.0) * 1000, 3)
        4.096
    """
    return (_millivolt(letter, temperature) - _millivolt(letter, reference)) / 1000.0


def _millivolt(letter: str, t: float) -> float:
    start, stretches = FUNCTIONS[letter]
    what = f"the type {letter.upper()} reference function"
    check_range(t, start, stretches[-1].end, what)
    stretch = next(one for one in stretches if t <= one.end)
    total = 0.0
    for coefficient in reversed(stretch.coefficients):
        total = total * t + coefficient
    if letter == "k" and stretch is stretches[-1]:
        total += K_TERM[0] * exp(K_TERM[1] * (t - K_TERM[2]) ** 2)
    return total


def thermocouple_tolerance(letter: str, temperature: float, accuracy: str = "2") -> float:
    """Tolerance ±[°C] of a thermocouple (IEC 60584-1, from memory).

    Args:
        letter: its type.
        temperature: [°C].
        accuracy: class ``1`` or ``2``.

    Raises:
        ReadingError: the type has no such class, or it does not reach this temperature.

    Example:
        >>> thermocouple_tolerance("k", 1000.0)
        7.5
    """
    known = CLASSES[letter].get(accuracy)
    if known is None:
        raise ReadingError(
            f"type {letter.upper()} has no class {accuracy}",
            remedy=f"Known is class {' or '.join(CLASSES[letter])}.",
            key=("accuracy",),
        )
    check_range(temperature, known.start, known.end, f"class {accuracy}")
    if known.above:
        return known.fixed + known.share * max(0.0, temperature - known.above)
    return max(known.fixed, known.share * abs(temperature))


def thermocouple_limits(
    temperature: Decimal, reference: Decimal, accuracy: str, letter: str
) -> Figures:
    """Voltage [V] of a thermocouple at a known temperature.

    Args:
        temperature: of the hot junction [°C].
        reference: of the cold junction [°C].
        accuracy: class ``1`` or ``2`` (IEC 60584-1).
        letter: its type.
    """
    t, cold = float(temperature), float(reference)
    tolerance = thermocouple_tolerance(letter, t, accuracy)
    low, middle, high = (
        Decimal(str(round(thermocouple_voltage(letter, at, cold), 9)))
        for at in (t - tolerance, t, t + tolerance)
    )
    return Figures(
        low,
        high,
        nominal=middle,
        part=f"a type {letter.upper()} thermocouple of class {accuracy}",
        notes=(f"holds at {t:g} °C with the cold junction at {cold:g} °C",),
    )
