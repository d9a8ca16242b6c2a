"""What a step's own figures say can hurt: voltage, charge, energy, heat, motion, light, gas."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from faulttree.errors import ReadingError
from faulttree.reading.hazard_thresholds import (
    CHARGE,
    ENERGY,
    POWER,
    is_hazardous_charge,
    is_hazardous_energy,
    is_hazardous_voltage,
)

if TYPE_CHECKING:
    from faulttree.reading import Limits
    from faulttree.reading.units import Kind
    from faulttree.tree.model import Step


HOT = Decimal(60)
"""Degrees Celsius of a surface that cannot be held for five seconds: common practice, no source."""
INSULATION_TEST = Decimal(500)
"""Volts d.c. of the usual insulation test: common practice and codes that differ."""

Keys = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Hazard:
    """One hazard that a step's own figures or words name.

    Attributes:
        kind: as ``covers`` of a caution has it: ``voltage``, ``charge``, ``energy``, …
        said: the figure or word, for the message.
        keys: where in the step it stands; empty for the step as a whole.
    """

    kind: str
    said: str
    keys: Keys = ()


@dataclass(frozen=True, slots=True)
class _Volts:
    value: Decimal
    kind: Kind
    keys: Keys

    @property
    def hazardous(self) -> bool:
        return is_hazardous_voltage(self.value, self.kind)

    @property
    def said(self) -> str:
        from faulttree.reading import show

        return show(self.value, "V", self.kind)


def electric(step: Step, limits: Limits | None) -> Iterator[Hazard]:
    """Hazardous voltage, charge and energy by the step's own figures.

    A rating that a part merely carries (``rated: 400 V`` of a capacitor measured unpowered)
    is no voltage at the step.
    """
    volts = [*_limit_volts(step, limits), *_applied_volts(step), *_text_volts(step)]
    worst = max((v for v in volts if v.hazardous), key=lambda v: abs(v.value), default=None)
    if worst is not None:
        yield Hazard("voltage", worst.said, worst.keys)
    yield from _charge_and_energy(step, limits)


# -- voltage ---------------------------------------------------------------------------

AC = re.compile(r"\b(a\.?c\.?|alternating|r\.?m\.?s\.?)(?![a-z])|\bmains voltage\b", re.IGNORECASE)
DC = re.compile(r"\b(d\.?c\.?|direct voltage)(?![a-z])", re.IGNORECASE)
PEAK_TO_PEAK = re.compile(r"\b(p-?p|peak[- ]to[- ]peak)\b", re.IGNORECASE)
PEAK = re.compile(r"\bpeak\b", re.IGNORECASE)


def _kind(said: Kind, text: str) -> Kind:
    """Which value of a voltage is meant: as the unit says, else as the text does."""
    if said:
        return said
    if PEAK_TO_PEAK.search(text):
        return "pp"
    alternating, direct = AC.search(text), DC.search(text)
    if alternating and not (direct and direct.start() < alternating.start()):
        return "ac"
    if direct:
        return "dc"
    return "pk" if PEAK.search(text) else ""


def figures(limits: Limits) -> Iterator[tuple[Decimal, Keys]]:
    """Every figure of some limits with the keys that lead to it."""
    single = (
        (limits.nominal, ("nominal",)),
        (limits.lower, ("min",)),
        (limits.upper, ("max",)),
    )
    for value, keys in single:
        if value is not None:
            yield value, keys
    for number, band in enumerate(limits.bands):
        for value, key in ((band.lower, "from"), (band.upper, "below")):
            if value is not None:
                yield value, ("bands", number, key)


def _in_file(step: Step, keys: Keys) -> Keys:
    """The place of a figure in the step, or of what it was worked out from."""
    written = step.limits or {}
    if keys[0] in written:
        return ("limits", *keys)
    first = "nominal" if "nominal" in written else "component" if "component" in written else None
    return ("limits", first) if first else ("limits",)


def _limit_volts(step: Step, limits: Limits | None) -> Iterator[_Volts]:
    if limits is None or limits.unit != "V":
        return
    kind = _kind(limits.kind, step.text)
    for value, keys in figures(limits):
        yield _Volts(value, kind, _in_file(step, keys))


APPLIED: Mapping[tuple[str, str], tuple[str, Kind]] = {
    ("electrolytic", "leakage"): ("rated", "dc"),
    ("transformer", "secondary-voltage"): ("primary", "ac"),
}
"""Ratings whose test puts the voltage of a parameter on the part."""


def _part(step: Step) -> tuple[str, str]:
    """Component and quantity of a rating, as text whatever the file has there."""
    written = step.limits or {}
    return str(written.get("component")), str(written.get("quantity"))


def _applied_volts(step: Step) -> Iterator[_Volts]:
    written, part = step.limits or {}, _part(step)
    if part == ("insulation", "resistance"):
        yield _Volts(INSULATION_TEST, "dc", ("limits", "component"))
    if part in APPLIED:
        key, kind = APPLIED[part]
        value = _read(written.get(key), "V")
        if value is not None:
            yield _Volts(value, kind, ("limits", key))


FIGURE = r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s*(k|m|µ|μ|u)?V\b"
VOLTS = re.compile(FIGURE)
AT_ONLY = re.compile(rf"\bat\s+{FIGURE}")
RATING_BEFORE = re.compile(r"\b(rated|marked|rating|range|for|up to|an?)\W*$", re.IGNORECASE)
RATING_AFTER = re.compile(
    r"^\W*(d\.?c\.?|a\.?c\.?)?\s*(part|type|range|rating|capacitor|model|version|fuse|scale)\b",
    re.IGNORECASE,
)
PUTS_ON = re.compile(
    r"\b(apply|feed|supply|charge|raise|connect|energi[sz]e|power|turn it up|set the supply)\b",
    re.IGNORECASE,
)


def _text_volts(step: Step) -> Iterator[_Volts]:
    """Voltages that the step's text puts on something or finds there."""
    text = step.text
    if "V" not in text:
        return
    live = step.live or (step.kind == "do" and PUTS_ON.search(text) is not None)
    if not live and step.kind != "measure":
        return
    for match in (VOLTS if live else AT_ONLY).finditer(text):
        begin, end = match.span(1)[0], match.end()
        rated = RATING_BEFORE.search(text[:begin]) or RATING_AFTER.match(text[end:])
        if rated and match.re is not AT_ONLY:
            continue
        value = _read(f"{match[1]} {match[2] or ''}V", "V")
        if value is not None:
            yield _Volts(value, _kind("", text[end:]) or _kind("", text), (step.kind,))


def _read(text: Any, unit: str) -> Decimal | None:
    """The value of a written quantity in base units; None where it is none."""
    from faulttree.reading import parse_quantity

    if not isinstance(text, str | int | float) or isinstance(text, bool):
        return None
    try:
        return parse_quantity(text, unit).value
    except ReadingError:
        return None


# -- charge and energy -----------------------------------------------------------------

FARADS = re.compile(r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s*(m|µ|μ|u|n|p)F\b")
AMPERES = re.compile(r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s*(k|m|µ|μ|u)?A\b")


def _charge_and_energy(step: Step, limits: Limits | None) -> Iterator[Hazard]:
    yield from _limit_energy(step, limits)
    capacitor = _charged_capacitor(step)
    if capacitor is not None:
        capacitance, volts, keys = capacitor
        if is_hazardous_charge(capacitance, volts):
            yield Hazard("charge", _shown(capacitance * volts, "coulomb"), keys)
        if is_hazardous_energy(volts, capacitance=capacitance):
            yield Hazard("energy", _shown(capacitance * volts * volts / 2, "J"), keys)
    yield from _source_power(step, limits)


def _limit_energy(step: Step, limits: Limits | None) -> Iterator[Hazard]:
    thresholds = {
        "coulomb": ("charge", CHARGE, False),
        "J": ("energy", ENERGY, True),
        "VA": ("energy", POWER, True),
    }
    if limits is None or limits.unit not in thresholds:
        return
    kind, most, inclusive = thresholds[limits.unit]
    value, keys = max(figures(limits), key=lambda item: abs(item[0]), default=(Decimal(0), ("",)))
    if abs(value) > most or (inclusive and abs(value) == most):
        yield Hazard(kind, _shown(value, limits.unit), _in_file(step, keys))


def _charged_capacitor(step: Step) -> tuple[Decimal, Decimal, Keys] | None:
    """Capacitance, voltage and place of a capacitor that is charged at this step."""
    written = step.limits or {}
    if _part(step) == ("electrolytic", "leakage"):
        capacitance, volts = (
            _read(written.get("capacitance"), "F"),
            _read(written.get("rated"), "V"),
        )
        if capacitance is not None and volts is not None:
            return capacitance, volts, ("limits", "rated")
    if step.kind != "do" or "F" not in step.text or "V" not in step.text:
        return None
    farads, voltage = FARADS.search(step.text), VOLTS.search(step.text)
    if farads is None or voltage is None:
        return None
    capacitance = _read(f"{farads[1]} {farads[2]}F", "F")
    volts = _read(f"{voltage[1]} {voltage[2] or ''}V", "V")
    if capacitance is None or volts is None:
        return None
    return capacitance, volts, ("do",)


def _source_power(step: Step, limits: Limits | None) -> Iterator[Hazard]:
    """What a source can give: a current limit beside a voltage in the text."""
    if "V" not in step.text:
        return
    voltage = VOLTS.search(step.text)
    volts = _read(f"{voltage[1]} {voltage[2] or ''}V", "V") if voltage else None
    if volts is None:
        return
    currents: list[tuple[Decimal, Keys]] = []
    if limits is not None and limits.unit == "A":
        currents = [(value, _in_file(step, keys)) for value, keys in figures(limits)]
    if step.live or step.kind == "do":
        for match in AMPERES.finditer(step.text):
            value = _read(f"{match[1]} {match[2] or ''}A", "A")
            if value is not None:
                currents.append((value, (step.kind,)))
    for value, keys in currents:
        if is_hazardous_energy(volts, amps=value):
            yield Hazard("energy", _shown(abs(value) * volts, "VA"), keys)
            return


def _shown(value: Decimal, unit: str) -> str:
    from faulttree.reading import show

    return show(value, unit)


# -- heat, motion, light, gas ----------------------------------------------------------


def by_figures(step: Step, limits: Limits | None) -> Iterator[Hazard]:
    """A temperature that burns, a part that turns: by the unit and figure of the reading."""
    if limits is None or limits.unit not in ("degC", "rpm"):
        return
    value, keys = max(figures(limits), key=lambda item: item[0], default=(Decimal(0), ("",)))
    if limits.unit == "degC" and value >= HOT:
        yield Hazard("heat", _shown(value, "degC"), _in_file(step, keys))
    if limits.unit == "rpm" and value > 0:
        yield Hazard("motion", _shown(value, "rpm"), _in_file(step, keys))


WORDS: Mapping[str, re.Pattern[str]] = {
    "motion": re.compile(
        r"\b(blades?|fan|grinding wheel|spindle|chuck|impeller|drive belt|saw|"
        r"motor (runs|running|turns|turning|starts))\b",
        re.IGNORECASE,
    ),
    "heat": re.compile(
        r"\b(heater|heating element|soldering tip|tip temperature|hot air)\b", re.IGNORECASE
    ),
    "light": re.compile(r"\b(laser|emitter beam|ultraviolet|UV lamp)\b", re.IGNORECASE),
    "gas": re.compile(
        r"\b(refrigerant|propane|butane|isobutane|gas (valve|cylinder))\b", re.IGNORECASE
    ),
}
"""Words that name a hazard where the unit is powered. Common practice, no source."""


def by_words(step: Step, entering: str) -> Iterator[Hazard]:
    """Hazards that the words of a powered step, or of how the unit is opened for it, name."""
    if not step.live:
        return
    for kind, words in WORDS.items():
        match = words.search(step.text) or words.search(entering)
        if match:
            yield Hazard(kind, f"`{match.group().lower()}`")
