"""From which figures on a voltage, a charge or an energy can hurt: published thresholds.

They say when a caution is due, never that something is safe to touch: local codes and
licensed practice decide that.
"""

from __future__ import annotations

from decimal import Decimal

from faulttree.reading.units import Kind

__all__ = ["is_hazardous_charge", "is_hazardous_energy", "is_hazardous_voltage"]

# IEC 61010-1, dry and normal conditions, from memory.
VOLTS_RMS = Decimal(30)
VOLTS_PEAK = Decimal("42.4")
VOLTS_DC = Decimal(60)
# IEC 60335-1, household appliances, from memory: the stricter, hence the default.
HOUSEHOLD_DC = Decimal("42.4")
# IEC 61010-1 and IEC 60335-1, from memory.
CHARGE = Decimal("45E-6")
HOUSEHOLD_CAPACITANCE = Decimal("0.1E-6")
HOUSEHOLD_CHARGED = (Decimal("42.4"), Decimal(450))
# IEC 60950-1 (withdrawn; IEC 62368-1 follows), from memory.
ENERGY = Decimal(20)
POWER = Decimal(240)
ENERGY_VOLTS = Decimal(2)


def is_hazardous_voltage(volts: Decimal, kind: Kind = "", *, household: bool = True) -> bool:
    """Whether a voltage is hazardous in dry and normal conditions.

    Args:
        volts: [V].
        kind: ``ac`` and ``rms`` mean r.m.s., ``pk`` peak, ``pp`` peak-to-peak, ``dc`` d.c.;
            unsaid is held against the lowest threshold.
        household: d.c. from 42.4 V (IEC 60335-1) rather than 60 V (IEC 61010-1).
    """
    size = volts.copy_abs()
    if kind == "dc":
        return size > (HOUSEHOLD_DC if household else VOLTS_DC)
    if kind == "pk":
        return size > VOLTS_PEAK
    if kind == "pp":
        return size / 2 > VOLTS_PEAK
    return size > VOLTS_RMS


def is_hazardous_charge(capacitance: Decimal, volts: Decimal, *, household: bool = True) -> bool:
    """Whether a charged capacitor is hazardous.

    Args:
        capacitance: [F].
        volts: d.c. across it [V].
        household: above 0.1 µF at 42.4 to 450 V too (IEC 60335-1), besides above 45 µC where
            the voltage is hazardous (IEC 61010-1).
    """
    if not is_hazardous_voltage(volts, "dc", household=household):
        return False
    if capacitance * volts > CHARGE:
        return True
    low, high = HOUSEHOLD_CHARGED
    return household and low < volts <= high and capacitance > HOUSEHOLD_CAPACITANCE


def is_hazardous_energy(
    volts: Decimal, *, amps: Decimal | None = None, capacitance: Decimal | None = None
) -> bool:
    """Whether a source can burn or weld at a harmless voltage.

    Args:
        volts: [V]; below 2 V nothing counts.
        amps: what it can deliver for 60 s [A]; 240 VA counts.
        capacitance: what is charged to that voltage [F]; 20 J counts.
    """
    if volts < ENERGY_VOLTS:
        return False
    if amps is not None and volts * amps >= POWER:
        return True
    return capacitance is not None and capacitance * volts * volts / 2 >= ENERGY
