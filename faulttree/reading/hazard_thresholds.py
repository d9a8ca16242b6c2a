"""From which figures on a voltage, a charge or an energy can hurt: published thresholds.

They say when a caution is due, never that something is safe to touch: local codes and
licensed practice decide that. All of them are from memory of the standard named beside each.
"""

from __future__ import annotations

from decimal import Decimal

from faulttree.reading.units import Kind

__all__ = [
    "CHARGE",
    "ENERGY",
    "POWER",
    "is_hazardous_charge",
    "is_hazardous_energy",
    "is_hazardous_voltage",
]

# IEC 61010-1, dry and normal conditions.
VOLTS_RMS = Decimal(30)
VOLTS_PEAK = Decimal("42.4")
VOLTS_DC = Decimal(60)
# IEC 60335-1, household appliances: the stricter, hence the default.
HOUSEHOLD_DC = Decimal("42.4")
CHARGE = Decimal("45E-6")
"""Charge [C] above which a capacitor at a hazardous voltage is hazardous (IEC 61010-1)."""
# IEC 60335-1. At 450 V this capacitance holds 45 µC, so above 450 V the charge alone decides.
HOUSEHOLD_CAPACITANCE = Decimal("0.1E-6")
HOUSEHOLD_UP_TO = Decimal(450)
ENERGY = Decimal(20)
"""Energy [J] from which on a source is hazardous (IEC 60950-1; IEC 62368-1 follows)."""
POWER = Decimal(240)
"""Power [VA], held for 60 s, from which on a source is hazardous (IEC 60950-1)."""
ENERGY_VOLTS = Decimal(2)


def is_hazardous_voltage(volts: Decimal, kind: Kind = "", *, household: bool = True) -> bool:
    """Whether a voltage is hazardous in dry and normal conditions.

    Args:
        volts: [V], of either sign.
        kind: ``ac`` and ``rms`` mean r.m.s., ``pk`` peak, ``pp`` peak-to-peak, ``dc`` d.c.;
            a voltage that nobody calls a.c. counts as d.c.
        household: d.c. from 42.4 V (IEC 60335-1) instead of 60 V (IEC 61010-1).

    Example:
        >>> is_hazardous_voltage(Decimal(34), "ac"), is_hazardous_voltage(Decimal(34), "dc")
        (True, False)
    """
    size = volts.copy_abs()
    if kind in {"ac", "rms"}:
        return size > VOLTS_RMS
    if kind in {"pk", "pp"}:
        return (size / 2 if kind == "pp" else size) > VOLTS_PEAK
    return size > (HOUSEHOLD_DC if household else VOLTS_DC)


def is_hazardous_charge(capacitance: Decimal, volts: Decimal, *, household: bool = True) -> bool:
    """Whether a charged capacitor is hazardous.

    Args:
        capacitance: [F].
        volts: d.c. across it [V].
        household: above 0.1 µF at 42.4 to 450 V too (IEC 60335-1), besides above 45 µC where
            the voltage is hazardous (IEC 61010-1).

    Example:
        >>> is_hazardous_charge(Decimal("0.12E-6"), Decimal(325))
        True
        >>> is_hazardous_charge(Decimal("0.01E-6"), Decimal(1000))  # 10 µC
        False
    """
    if not is_hazardous_voltage(volts, "dc", household=household):
        return False
    if capacitance * volts.copy_abs() > CHARGE:
        return True
    return household and volts.copy_abs() <= HOUSEHOLD_UP_TO and capacitance > HOUSEHOLD_CAPACITANCE


def is_hazardous_energy(
    volts: Decimal, *, amps: Decimal | None = None, capacitance: Decimal | None = None
) -> bool:
    """Whether a source can burn or weld at a harmless voltage.

    Args:
        volts: [V]; below 2 V nothing counts.
        amps: what it can deliver for 60 s [A]; 240 VA counts.
        capacitance: what is charged to that voltage [F]; ½CV² of 20 J counts.

    Example:
        >>> is_hazardous_energy(Decimal(18), amps=Decimal("13.4"))
        True
    """
    if volts < ENERGY_VOLTS:
        return False
    if amps is not None and volts * amps.copy_abs() >= POWER:
        return True
    return capacitance is not None and capacitance * volts * volts / 2 >= ENERGY
