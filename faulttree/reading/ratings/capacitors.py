"""Limits of capacitors from their rating."""

from __future__ import annotations

from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.limits import same_frequency
from faulttree.reading.quantity import EXACT, show
from faulttree.reading.ratings.register import Figures
from faulttree.reading.tolerance import Tolerance

__all__ = [
    "TAN_DELTA",
    "capacitance_limits",
    "electrolytic_capacitance",
    "electrolytic_esr",
    "electrolytic_leakage",
    "electrolytic_tan_delta",
    "esr_of",
    "largest_tan_delta",
]

# Largest tan δ at 120 Hz and 20 °C of a new general-purpose aluminium electrolytic, by
# rated voltage [V]. Common practice, no source.
TAN_DELTA: tuple[tuple[Decimal, Decimal], ...] = tuple(
    (Decimal(volts), Decimal(loss))
    for volts, loss in (
        ("6.3", "0.22"),
        ("10", "0.19"),
        ("16", "0.16"),
        ("25", "0.14"),
        ("35", "0.12"),
        ("50", "0.10"),
        ("63", "0.09"),
        ("100", "0.08"),
    )
)
TABLE_FREQUENCY = Decimal(120)
TWO_PI = Decimal("6.283185307179586476925286766559005768394")
THOUSAND_MICROFARAD = Decimal("1000E-6")
STEP_ABOVE = Decimal("0.02")
# End of a general-purpose endurance test. Common practice, no source.
WORN_LOSS = Decimal(2)
WORN_CHANGE = Decimal("0.2")
LEAKAGE_FACTOR = Decimal("0.01")
LEAKAGE_FLOOR = Decimal("3E-6")


def esr_of(frequency: Decimal, capacitance: Decimal, tan_delta: Decimal) -> Decimal:
    """ESR [Ω] from tan δ: the same relation (IEC 60384-1) the other way round.

    Args:
        frequency: [Hz].
        capacitance: [F].
        tan_delta: plain number.
    """
    return EXACT.divide(
        tan_delta, EXACT.multiply(EXACT.multiply(TWO_PI, frequency), capacitance)
    ).quantize(Decimal("1E-24"), context=EXACT)


def largest_tan_delta(rated: Decimal, capacitance: Decimal) -> Decimal:
    """Largest tan δ at 120 Hz of a new general-purpose aluminium electrolytic.

    Args:
        rated: rated voltage, 6.3 to 100 [V]; between two rows of the table the row of the
            lower voltage counts, which accuses no good part.
        capacitance: rated [F]; above 1000 µF add 0.02 for each further 1000 µF, linearly.

    Raises:
        ReadingError: the rated voltage is outside the table.

    Source: common practice, no source. New part, 20 °C.
    """
    if rated < TAN_DELTA[0][0]:
        raise ReadingError(
            f"the table of tan δ begins at 6.3 V, and the part is rated {show(rated, 'V')}",
            remedy="Give tan_delta from its data sheet.",
            key=("rated",),
        )
    if rated > TAN_DELTA[-1][0]:
        raise ReadingError(
            f"above 100 V makers differ, and the part is rated {show(rated, 'V')}",
            remedy="Give tan_delta from its data sheet; usual are 0.15 to 0.20 from 160 to 250 V "
            "and 0.20 to 0.25 from 350 to 450 V.",
            key=("rated",),
        )
    loss = [loss for volts, loss in TAN_DELTA if volts <= rated][-1]
    further = max(capacitance - THOUSAND_MICROFARAD, Decimal(0)) / THOUSAND_MICROFARAD
    return loss + STEP_ABOVE * further


def _part(capacitance: Decimal, rated: Decimal | None = None) -> str:
    """The part as its sleeve says it: thousands of microfarads stay microfarads."""
    micro = capacitance.scaleb(6)
    value = f"{micro.normalize():f} µF" if micro >= 1000 else show(capacitance, "F")
    volts = f" {show(rated, 'V')}" if rated is not None else ""
    return f"a {value}{volts} part"


def capacitance_limits(
    capacitance: Decimal, tolerance: Tolerance, rated: Decimal | None = None
) -> Figures:
    """Capacitance [F] of a film, ceramic or other capacitor that does not wear by design.

    Args:
        capacitance: rated [F].
        tolerance: of the rated value (IEC 60062 letters or the marked figure).
        rated: rated voltage [V], only named in the verdict.

    Valid at 20 °C and without bias; class 2 ceramics lose capacitance with bias and age.
    """
    lower, upper = tolerance.around(capacitance)
    return Figures(lower, upper, nominal=capacitance, part=_part(capacitance, rated))


def electrolytic_capacitance(
    capacitance: Decimal, tolerance: Tolerance, rated: Decimal | None, state: str
) -> Figures:
    """Capacitance [F] of an aluminium electrolytic.

    Args:
        capacitance: rated [F].
        tolerance: of the rated value.
        rated: rated voltage [V], only named in the verdict.
        state: ``used`` or ``new``. A used part may have come 20 % further, which is how a
            general-purpose endurance test ends; its initial value is not known, so the 20 %
            are counted from the limits of the new part.

    Source: common practice, no source. 20 °C.
    """
    new = capacitance_limits(capacitance, tolerance, rated)
    assert new.lower is not None
    assert new.upper is not None
    worn = state == "used"
    return Figures(
        new.lower,
        new.upper,
        new.lower * (1 - WORN_CHANGE) if worn else None,
        new.upper * (1 + WORN_CHANGE) if worn else None,
        capacitance,
        new.part,
    )


def _refuse_per_cent(tan_delta: Decimal | None) -> None:
    if tan_delta is not None and tan_delta > 1:
        raise ReadingError(
            f"a tan_delta of {show(tan_delta)} is too large: the figure looks like per cent",
            remedy=f"Write it as a plain number, such as {show(tan_delta / 100)}.",
            key=("tan_delta",),
        )


def _loss(capacitance: Decimal, rated: Decimal | None, tan_delta: Decimal | None) -> Decimal:
    if tan_delta is not None:
        return tan_delta
    if rated is None:
        raise ReadingError(
            "neither rated voltage nor tan_delta is given", remedy="Give rated.", key=()
        )
    return largest_tan_delta(rated, capacitance)


def electrolytic_esr(
    capacitance: Decimal,
    rated: Decimal | None,
    tan_delta: Decimal | None,
    frequency: Decimal | None,
    holds_at: Decimal | None,
    state: str,
) -> Figures:
    """Largest ESR [Ω] of an aluminium electrolytic, from tan δ (IEC 60384-1).

    Args:
        capacitance: rated [F].
        rated: rated voltage [V], 6.3 to 100 unless ``tan_delta`` is given.
        tan_delta: from the data sheet, at ``holds_at``; None takes the table at 120 Hz.
        frequency: at which ESR is read [Hz], None where nobody said.
        holds_at: frequency of ``tan_delta`` [Hz]. None takes 120 Hz, or ``frequency`` where
            that is 120 Hz within 25 % (data sheets say 100 Hz or 120 Hz). ESR falls with
            frequency, so a reading at another one is not judged by this limit.
        state: ``used`` (twice the limit is worn, not yet faulty) or ``new``.

    Source of the table: common practice, no source. 20 °C.
    """
    _refuse_per_cent(tan_delta)
    loss = _loss(capacitance, rated, tan_delta)
    at = holds_at if holds_at is not None and tan_delta is not None else TABLE_FREQUENCY
    if tan_delta is not None and holds_at is None and frequency is not None:
        at = frequency if same_frequency(frequency, at) else at
    limit = esr_of(at, capacitance, loss)
    notes = [f"holds at {show(at, 'Hz')} and 20 °C; a cold part reads more"]
    return Figures(
        upper=limit,
        worn_upper=limit * WORN_LOSS if state == "used" else None,
        part=_part(capacitance, rated),
        notes=tuple(notes),
        holds_at=at,
        read_at=frequency,
    )


def electrolytic_tan_delta(capacitance: Decimal, rated: Decimal, state: str) -> Figures:
    """Largest tan δ (plain number) of an aluminium electrolytic at 120 Hz and 20 °C.

    Args:
        capacitance: rated [F].
        rated: rated voltage, 6.3 to 100 [V].
        state: ``used`` (200 % of the limit is worn) or ``new``.

    Source: common practice, no source.
    """
    limit = largest_tan_delta(rated, capacitance)
    return Figures(
        upper=limit,
        worn_upper=limit * WORN_LOSS if state == "used" else None,
        part=_part(capacitance, rated),
        notes=("holds at 120 Hz and 20 °C",),
        holds_at=TABLE_FREQUENCY,
    )


def electrolytic_leakage(capacitance: Decimal, rated: Decimal) -> Figures:
    """Largest leakage current [A] of an aluminium electrolytic after 2 min at rated voltage.

    The greater of 0.01·C·V (µF, V → µA) and 3 µA.

    Args:
        capacitance: rated [F].
        rated: rated voltage, up to 100 [V].

    Source: common practice, no source.
    """
    if rated > 100:
        raise ReadingError(
            f"the leakage rule holds up to 100 V, and the part is rated {show(rated, 'V')}",
            remedy="Give max from its data sheet instead.",
            key=("rated",),
        )
    limit = max(LEAKAGE_FACTOR * capacitance * rated, LEAKAGE_FLOOR)
    return Figures(
        upper=limit,
        part=_part(capacitance, rated),
        notes=("holds after 2 min at rated voltage; a part long stored reads more at first",),
    )
