"""Limits of resistors, fuses, junctions, windings, cells, rails and safety paths."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.quantity import show
from faulttree.reading.ratings.register import Figures
from faulttree.reading.tolerance import Tolerance

__all__ = [
    "cell_spread",
    "cell_voltage",
    "commutator_bar",
    "earth_path",
    "fuse_resistance",
    "insulation",
    "junction_voltage",
    "loudspeaker_resistance",
    "mains_voltage",
    "matched",
    "power_good_delay",
    "ripple_limit",
    "supply_rail",
    "usb_voltage",
    "within",
]

# Forward voltage [V] on a meter's diode range. Common practice, no source.
JUNCTIONS: dict[str, tuple[Decimal, Decimal]] = {
    "silicon": (Decimal("0.5"), Decimal("0.8")),
    "schottky": (Decimal("0.15"), Decimal("0.45")),
    "germanium": (Decimal("0.2"), Decimal("0.4")),
    # A large die carries the current of the meter with less voltage.
    "large-rectifier": (Decimal("0.35"), Decimal("0.7")),
    "red-led": (Decimal("1.6"), Decimal("2.0")),
    # Yellow-green; the bright green of later parts is made like blue.
    "green-led": (Decimal("1.8"), Decimal("2.5")),
    "bright-green-led": (Decimal("2.4"), Decimal("3.3")),
    "blue-led": (Decimal("2.6"), Decimal("3.3")),
    "white-led": (Decimal("2.6"), Decimal("3.3")),
}

# Largest voltage drop [V] at rated current [A] of quick acting fuses 5 x 20 mm, warmed up.
# IEC 60127-2, sheet 2, from memory. Time-lag fuses have less, and a cold fuse has less than a
# warm one, so that drop ÷ current accuses no good fuse.
FUSE_DROPS: dict[Decimal, Decimal] = {
    Decimal(rated): Decimal(drop)
    for rated, drop in (
        ("0.2", "1.7"), ("0.25", "1.4"), ("0.315", "1.3"), ("0.4", "1.1"), ("0.5", "1"),
        ("0.63", "0.65"), ("0.8", "0.24"), ("1", "0.2"), ("1.25", "0.2"), ("1.6", "0.19"),
        ("2", "0.17"), ("2.5", "0.17"), ("3.15", "0.15"), ("4", "0.13"), ("5", "0.13"),
        ("6.3", "0.13"),
    )
}  # fmt: skip

# Voltage [V] of one cell, by chemistry and charge. Common practice, no source.
CELLS: dict[str, dict[str, tuple[Decimal, Decimal]]] = {
    "li-ion": {
        "any": (Decimal("2.5"), Decimal("4.20")),
        "full": (Decimal("4.10"), Decimal("4.20")),
        "nominal": (Decimal("3.6"), Decimal("3.7")),
        "empty": (Decimal("2.5"), Decimal("3.0")),
    },
    "li-iron-phosphate": {
        "any": (Decimal("2.0"), Decimal("3.65")),
        "full": (Decimal("3.3"), Decimal("3.4")),
        "nominal": (Decimal("3.2"), Decimal("3.3")),
        "empty": (Decimal("2.0"), Decimal("2.5")),
    },
    "nimh": {
        "any": (Decimal("1.0"), Decimal("1.4")),
        "full": (Decimal("1.3"), Decimal("1.4")),
    },
    "alkaline": {
        "any": (Decimal("1.0"), Decimal("1.65")),
        "full": (Decimal("1.5"), Decimal("1.65")),
        "half": (Decimal("1.2"), Decimal("1.35")),
        "empty": (Decimal("0.8"), Decimal("1.1")),
    },
    "lithium-coin": {
        "any": (Decimal("2.7"), Decimal("3.4")),
        "full": (Decimal("3.0"), Decimal("3.4")),
        "empty": (Decimal("2.0"), Decimal("2.7")),
    },
    "lead-acid": {
        "any": (Decimal("11.8") / 6, Decimal("12.8") / 6),
        "full": (Decimal("12.6") / 6, Decimal("12.8") / 6),
        "half": (Decimal("12.1") / 6, Decimal("12.2") / 6),
    },
}
CELL_NOTES = {
    "li-ion": "below 2.0 V a cell, never recharge",
    "lead-acid": "holds at rest, hours after charge or load",
    "nimh": "full holds at rest after charge",
    "li-iron-phosphate": "full holds at rest after charge; the voltage hardly changes with charge",
    "alkaline": "holds at rest; a worn cell recovers, so measure under load too",
    "lithium-coin": "holds at rest; a worn cell fails under load first",
}

# Desktop power supply design guide for the ATX form factor, from memory; editions differ.
RIPPLE: dict[Decimal, Decimal] = {
    Decimal("12"): Decimal("0.12"),
    Decimal("-12"): Decimal("0.12"),
    Decimal("5"): Decimal("0.05"),
    Decimal("3.3"): Decimal("0.05"),
}
POWER_GOOD: dict[str, Decimal] = {"older": Decimal("0.5"), "newer": Decimal("0.25")}

# USB 2.0 specification, from memory: port → (lower, upper) [V].
USB_PORTS: dict[str, tuple[Decimal, Decimal]] = {
    "high-power": (Decimal("4.75"), Decimal("5.25")),
    "high-power-later": (Decimal("4.75"), Decimal("5.5")),
    "low-power": (Decimal("4.40"), Decimal("5.25")),
}

# In-service practice of one country; codes differ. Common practice, no source.
INSULATION: dict[str, Decimal] = {"I": Decimal("1E6"), "II": Decimal("2E6")}
LOCAL_CODE = "a licensed person signs where the code requires it"


def within(nominal: Decimal, tolerance: Tolerance, part: str = "", note: str = "") -> Figures:
    """A marked value and its tolerance.

    Args:
        nominal: in the base unit.
        tolerance: as marked.
        part, note: words for the verdict.
    """
    lower, upper = tolerance.around(nominal)
    return Figures(lower, upper, nominal=nominal, part=part, notes=(note,) if note else ())


def resistor(resistance: Decimal, tolerance: Tolerance) -> Figures:
    """Resistance [Ω] of a resistor by its marking (IEC 60062).

    Args:
        resistance: [Ω].
        tolerance: of it.
    """
    return within(resistance, tolerance, f"a {show(resistance, 'ohm')} resistor")


def inductor(inductance: Decimal, tolerance: Tolerance) -> Figures:
    """Inductance [H] of an inductor by its marking.

    Args:
        inductance: [H].
        tolerance: of it. Cored parts change with level, frequency and bias.
    """
    note = "holds at the frequency and level of the data sheet, without bias"
    return within(inductance, tolerance, f"a {show(inductance, 'H')} inductor", note)


def winding(resistance: Decimal, tolerance: Tolerance, temperature: Decimal) -> Figures:
    """D.c. resistance [Ω] of a winding, against a good one or its data sheet.

    Args:
        resistance: of the good one [Ω]; copper gains 0.393 % a kelvin at 20 °C (IEC 60028).
        tolerance: of it.
        temperature: of the good one [°C].
    """
    note = (
        f"holds at {show(temperature, 'degC')}: copper gains 0.39 % a kelvin, so give the "
        "temperature of the winding behind the reading"
    )
    figures = within(resistance, tolerance, f"a {show(resistance, 'ohm')} winding", note)
    return replace(figures, copper_at=temperature)


def winding_voltage(primary: Decimal, ratio: Decimal, tolerance: Tolerance) -> Figures:
    """Open-circuit voltage [V a.c.] of a transformer's secondary.

    Args:
        primary: voltage on the primary [V a.c.].
        ratio: secondary turns over primary turns, plain number.
        tolerance: of the result.
    """
    return within(primary * ratio, tolerance, f"a winding of ratio {show(ratio)}")


def fuse_resistance(rated: Decimal, drop: Decimal | None = None) -> Figures:
    """Largest cold resistance [Ω] of a miniature fuse: largest voltage drop ÷ rated current.

    Args:
        rated: rated current [A].
        drop: largest voltage drop at rated current, from its standard sheet [V]; None takes
            :data:`FUSE_DROPS`.

    Source: IEC 60127-2, from memory.

    Raises:
        ReadingError: no drop is given and none is known.
    """
    found = drop if drop is not None else FUSE_DROPS.get(rated)
    if found is None:
        raise ReadingError(
            f"the voltage drop of a {show(rated, 'A')} fuse is not known here",
            remedy="Give drop from its standard sheet or data sheet.",
        )
    return Figures(upper=found / rated, part=f"a {show(rated, 'A')} fuse", notes=("measured cold",))


def junction_voltage(type: str) -> Figures:  # noqa: A002 - the key of the tree file
    """Forward voltage [V] of a junction on a meter's diode range.

    Args:
        type: a key of :data:`JUNCTIONS`.

    Source: common practice, no source. About 1 mA, 20 °C; silicon falls 2 mV a kelvin.
    """
    lower, upper = JUNCTIONS[type]
    return Figures(lower, upper, part=f"a {type} junction", notes=("holds near 1 mA and 20 °C",))


def cell_voltage(chemistry: str, cells: Decimal, charge: str) -> Figures:
    """Voltage [V] of a battery at rest, by chemistry, cell count and charge.

    Args:
        chemistry: a key of :data:`CELLS`.
        cells: cells in series, a whole number.
        charge: ``any`` (from empty to full), or a state known for this chemistry.

    Source: common practice, no source. At rest, 20 °C.

    Raises:
        ReadingError: the count is no whole number, or that state is not known.
    """
    if cells < 1 or cells != cells.to_integral_value():
        raise ReadingError(
            "cells is no whole number", remedy="Give how many are in series.", key=("cells",)
        )
    known = CELLS[chemistry]
    if charge not in known:
        raise ReadingError(
            f"no figure is known for a {charge} {chemistry} cell",
            remedy=f"Known are {', '.join(known)}.",
            key=("charge",),
        )
    lower, upper = ((edge * cells).quantize(Decimal("1E-12")).normalize() for edge in known[charge])
    note = CELL_NOTES.get(chemistry, "holds at rest")
    return Figures(
        lower,
        upper,
        part=f"{cells:f} {chemistry} {'cell' if cells == 1 else 'cells'}",
        notes=(note,),
    )


def cell_spread(spread: Decimal) -> Figures:
    """Largest difference [V] between the cells of a pack at rest.

    Args:
        spread: 0.1 V for li-ion is common practice, no source.
    """
    return Figures(upper=spread, part="one pack", notes=("holds at rest",))


def supply_rail(rail: Decimal, tolerance: Tolerance | None) -> Figures:
    """Voltage [V d.c.] of a supply rail.

    Args:
        rail: nominal, with its sign [V].
        tolerance: None takes 5 %, and 10 % for -12 V, as the desktop power supply design
            guide for the ATX form factor does (from memory; editions differ).
    """
    if not rail:
        raise ReadingError("a rail of zero has no limits", remedy="Correct `rail`.", key=("rail",))
    if tolerance is None:
        share = Decimal("0.1") if rail == -12 else Decimal("0.05")
        tolerance = Tolerance(-share, share, relative=True)
    return within(rail, tolerance, f"the {show(rail, 'V')} rail")


def ripple_limit(rail: Decimal, limit: Decimal | None) -> Figures:
    """Largest ripple [V p-p] on a desktop supply's rail.

    Args:
        rail: its nominal voltage [V].
        limit: the supply's own figure [V p-p]; None takes 120 mV on ±12 V and 50 mV on 5 V
            and 3.3 V. 10 Hz to 20 MHz, with 0.1 µF and 10 µF across the connector.

    Source: desktop power supply design guide for the ATX form factor, from memory.
    """
    found = limit if limit is not None else RIPPLE.get(rail)
    if found is None:
        raise ReadingError(
            f"the ripple a {show(rail, 'V')} rail may have is not known here",
            remedy="Give limit from its data sheet.",
        )
    note = "10 Hz to 20 MHz, with 0.1 µF and 10 µF across the connector"
    return Figures(upper=found, part=f"the {show(rail, 'V')} rail", notes=(note,))


def power_good_delay(edition: str) -> Figures:
    """Delay [s] of a desktop supply's power-good signal: 100 to 500 ms, newer at most 250 ms.

    Args:
        edition: ``older`` or ``newer`` design guide.

    Source: desktop power supply design guide for the ATX form factor, from memory.
    """
    part = f"the {edition} design guide"
    return Figures(Decimal("0.1"), POWER_GOOD[edition], part=part)


def usb_voltage(port: str) -> Figures:
    """Voltage [V d.c.] at a USB port (USB 2.0 specification, from memory).

    Args:
        port: ``high-power``, ``high-power-later`` (later editions allow 5.5 V) or
            ``low-power``.
    """
    lower, upper = USB_PORTS[port]
    return Figures(lower, upper, part=f"a {port} port")


def mains_voltage(nominal: Decimal) -> Figures:
    """Voltage [V a.c.] of the public mains at the supply terminals: ±10 % (IEC 60038).

    Args:
        nominal: that of the bench unless said.
    """
    tenth = Tolerance(Decimal("-0.1"), Decimal("0.1"), relative=True)
    return within(nominal, tenth, "the public mains", "at the supply terminals")


def loudspeaker_resistance(impedance: Decimal) -> Figures:
    """D.c. resistance [Ω] of a loudspeaker: 65 to 90 % of its rated impedance.

    Args:
        impedance: rated [Ω].

    Source: common practice, no source. A capacitor in series reads open.
    """
    return Figures(
        impedance * Decimal("0.65"),
        impedance * Decimal("0.90"),
        part=f"a {show(impedance, 'ohm')} loudspeaker",
        notes=("a capacitor in series reads open",),
    )


def matched(other: Decimal, tolerance: Tolerance) -> Figures:
    """Resistance [Ω] of one field coil against the other.

    Args:
        other: the other coil [Ω].
        tolerance: 10 % is common practice, no source.
    """
    return within(other, tolerance, "the other coil")


def commutator_bar(mean: Decimal, tolerance: Tolerance) -> Figures:
    """Resistance [Ω] between neighbouring commutator bars against their mean.

    Args:
        mean: of all neighbouring pairs [Ω].
        tolerance: 10 % is common practice, no source.
    """
    return within(mean, tolerance, "the mean of the bars", "half the mean suggests a shorted coil")


def insulation(protection: str, limit: Decimal | None) -> Figures:
    """Least insulation resistance [Ω] of a repaired appliance at 500 V d.c., its switch on.

    Args:
        protection: class ``I`` (1 MΩ) or ``II`` (2 MΩ).
        limit: the local code's figure [Ω]; None takes the one above.

    Source: common practice; heating elements may have less. The local code decides.
    """
    found = limit if limit is not None else INSULATION[protection]
    return Figures(
        lower=found, part=f"a class {protection} appliance", notes=(LOCAL_CODE, "switch on")
    )


def earth_path(lead: Decimal, limit: Decimal) -> Figures:
    """Largest resistance [Ω] of a protective-earth path: 0.1 Ω plus the lead's own.

    Args:
        lead: resistance of the mains lead's earth conductor [Ω].
        limit: of the path itself [Ω]; 0.1 is one country's in-service practice, 0.3 Ω up to
            5 m and 1.5 mm² EN 50678 after repair.

    Source: common practice. The local code decides.
    """
    return Figures(upper=lead + limit, part="a protective-earth path", notes=(LOCAL_CODE,))


__all__ += ["inductor", "resistor", "winding", "winding_voltage"]
