"""Limits from a part's rating, markings and sensors, against published figures."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from math import pi
from pathlib import Path
from typing import Any

import pytest
from eseries import E24, E96, series
from hypothesis import given, settings
from hypothesis import strategies as st

from faulttree.errors import ReadingError
from faulttree.reading import RATINGS, Limits, judge, parse_quantity, resolve_limits
from faulttree.reading.hazard_thresholds import (
    is_hazardous_charge,
    is_hazardous_energy,
    is_hazardous_voltage,
)
from faulttree.reading.markings import decode_marking
from faulttree.reading.ratings import temperature as sensors
from faulttree.reading.ratings import thermocouples
from faulttree.reading.ratings.capacitors import esr_of, largest_tan_delta
from faulttree.reading.ratings.entries import ratings_page
from tests.support.counts import examples


def rated(component: str, quantity: str | None = None, **given: Any) -> Limits:
    spec = {"component": component, **given}
    return resolve_limits(spec if quantity is None else {**spec, "quantity": quantity})


def outcome(limits: Limits, typed: str) -> str:
    return judge(parse_quantity(typed, limits.place), limits).outcome


# -- electrolytic capacitors --------------------------------------------------------------------


def test_largest_tan_delta_by_rated_voltage() -> None:
    # General-purpose aluminium electrolytics at 120 Hz: common practice, no source.
    table = {
        "6.3": "0.22", "10": "0.19", "16": "0.16", "25": "0.14",
        "35": "0.12", "50": "0.10", "63": "0.09", "100": "0.08",
    }  # fmt: skip
    for volts, loss in table.items():
        limits = rated("electrolytic", "tan-delta", capacitance="220 uF", rated=f"{volts} V")
        assert limits.upper == Decimal(loss)
    assert largest_tan_delta(Decimal(50), Decimal("4700E-6")) == Decimal("0.174")
    for volts in ("4", "160", "400"):
        with pytest.raises(ReadingError) as caught:
            largest_tan_delta(Decimal(volts), Decimal("220E-6"))
        assert caught.value.key == ("rated",)


def test_esr_from_tan_delta() -> None:
    # tan δ = 2π f C · ESR, IEC 60384-1; 4700 µF 50 V → 49.1 mΩ.
    limits = rated("electrolytic", "ESR", capacitance="4700 µF", rated="50 V")
    assert float(limits.upper or 0) == pytest.approx(49.1e-3, abs=0.05e-3)
    assert float(limits.upper or 0) == pytest.approx(0.174 / (2 * pi * 120 * 4700e-6), rel=1e-12)
    assert float(esr_of(Decimal(100), Decimal("1E-3"), Decimal("0.1"))) == pytest.approx(0.159155)


def test_a_bad_electrolytic_as_found_on_a_bench_is_bad_on_both_counts() -> None:
    # 47 µF ±20 % reading 20 µF with 16 Ω, one lead lifted: common practice, no source.
    value = rated("electrolytic", "capacitance", capacitance="47 uF", rated="25 V")
    low = judge(parse_quantity("20 uF", "F"), value)
    assert low.outcome == "low"
    assert "57 % below its value, limit 20 %" in low.sentence
    esr = rated("electrolytic", "ESR", capacitance="47 uF", rated="25 V")
    high = judge(parse_quantity("16 ohm", "ohm"), esr)
    assert high.outcome == "high"
    assert "4 times the largest ESR of a 47 µF 25 V part" in high.sentence


# How the figures of the bad electrolytic above can be spelt, after NFKC: one kind of micro sign.
GAP = r"(?:[\s_-]|&nbsp;){0,8}"
MICRO = (
    r"(?:[uU\u03bc]|\\u00b5|\\u03bc|\\xb5|&micro;)(?:[fF](?:arads?)?)?"
    r"|[mM]icro(?:-?farads?)?|M[fF][dD]?|mfd"
)
OHM = r"\u03a9|\\u03a9|\\u2126|&Omega;|&ohm;|[oO]hms?|OHMS?|[rR]0?"
BEFORE, WHOLE, AFTER = r"(?<![\d.,])", r"(?:[.,]0+)?", r"(?![A-Za-z])"
FIGURES = re.compile(
    rf"{BEFORE}(?:47|20|51){WHOLE}(?:{GAP}(?:{MICRO})|[eE]-0?6){AFTER}"
    rf"|{BEFORE}16{WHOLE}{GAP}(?:{OHM}){AFTER}"
    rf"|{BEFORE}(?:57{GAP}(?:%|per{GAP}cent)|330{GAP}times)"
)
ROOT = Path(__file__).parent.parent.parent
FOLDERS = ("docs", "faulttree", "schemas", "trees", "shared", "tests", "benchmarks")


def spelt_in(text: str) -> list[str]:
    return FIGURES.findall(unicodedata.normalize("NFKC", text))


def texts() -> Iterator[tuple[str, str]]:
    """Every text of the project but this one, with its path from the root; git is not asked."""
    inside = (path for name in FOLDERS for path in (ROOT / name).rglob("*"))
    for path in sorted([*ROOT.glob("*.md"), *inside]):
        name = path.relative_to(ROOT).as_posix()
        if path.is_file() and path != Path(__file__) and "__pycache__" not in path.parts:
            try:
                yield name, path.read_text(encoding="utf-8")
            except UnicodeDecodeError:
                continue  # a picture or other binary file


@pytest.mark.parametrize(
    "spelling",
    [
        *(
            "47u",
            "47 uF",
            "47\u00b5F",
            "47 \u03bcF",
            "47\u202f\u00b5F",
            "47 UF",
            "47 MFD",
            "47 mfd",
        ),
        *("20u", "20 uf", "20 micro", "20 microfarad", "20.0 uF", "20,0 uF", "20\nuF", "20E-6"),
        *("51u", "51 \u00b5F", "51&nbsp;&micro;F", r"51 \u00b5F", "51_uF", "51e-06"),
        *("16 ohm", "16ohms", "16 \u03a9", "16 \u2126", "16R", "16R0", "16.0 ohm", "16 Ohm"),
        *("57 % below", "57% below", "57 per cent", "330 times"),
    ],
)
def test_the_figures_of_that_electrolytic_are_recognised(spelling: str) -> None:
    assert spelt_in(f"it reads {spelling}, lifted")


@pytest.mark.parametrize(
    "other",
    [
        *("4.7 uF", "470 uF", "4700 uF", "147u", "47 kohm", "47n", "20 uA", "20 us", "20 mF"),
        *("16 kohm", "16 V", "116 ohm", "1.16 ohm", "16 rails", "57 s", "330 uF", "1330 times"),
    ],
)
def test_other_figures_are_not_taken_for_those(other: str) -> None:
    assert not spelt_in(f"it reads {other}, lifted")


def test_the_figures_of_that_electrolytic_are_used_nowhere_else() -> None:
    # One part's figures, repeated in examples, would look like findings on many units.
    read = dict(texts())
    assert "README.md" in read
    assert any(name.startswith("trees/") for name in read)
    found = {name: spelt_in(text) for name, text in read.items()}
    assert {name: figures for name, figures in found.items() if figures} == {}


def test_worn_is_not_yet_faulty() -> None:
    # End of an endurance test: tan δ at most 200 %, C within ±20 %: common practice, no source.
    given = {"capacitance": "220 uF", "rated": "35 V"}
    esr = rated("electrolytic", "ESR", **given)
    assert esr.upper is not None
    assert esr.worn_upper == esr.upper * 2
    verdict = judge(parse_quantity(f"{esr.upper * Decimal('1.1'):f} ohm"), esr)
    assert (verdict.outcome, verdict.tired) == ("inside", True)
    assert "tired, not yet the fault" in verdict.sentence
    assert outcome(esr, f"{esr.upper * Decimal('2.1'):f} ohm") == "high"
    new = rated("electrolytic", "ESR", state="new", **given)
    assert outcome(new, f"{esr.upper * Decimal('1.1'):f} ohm") == "high"
    value = rated("electrolytic", "capacitance", **given)
    tired = judge(parse_quantity("170 uF"), value)
    assert (tired.outcome, tired.tired) == ("inside", True)
    assert not judge(parse_quantity("190 uF"), value).tired


def test_esr_at_another_frequency_is_not_judged_without_saying_so() -> None:
    at = rated("electrolytic", "ESR", capacitance="220u", rated="35 V", frequency="100 kHz")
    assert "120 Hz" in judge(parse_quantity("0.5 ohm"), at).sentence
    own = rated("electrolytic", "ESR", capacitance="220u", tan_delta="0.2", frequency="100 Hz")
    assert float(own.upper or 0) == pytest.approx(0.2 / (2 * pi * 100 * 220e-6))


def test_leakage() -> None:
    # 0.01·C·V or 3 µA, whichever is greater, after 2 min, up to 100 V: common practice.
    big = rated("electrolytic", "leakage", capacitance="1000 uF", rated="25 V")
    assert big.upper == Decimal("250E-6")
    small = rated("electrolytic", "leakage", capacitance="1 uF", rated="50 V")
    assert small.upper == Decimal("3E-6")
    assert "2 min" in judge(parse_quantity("1 uA"), big).sentence
    with pytest.raises(ReadingError):
        rated("electrolytic", "leakage", capacitance="220 uF", rated="400 V")


@pytest.mark.parametrize(
    ("component", "given", "lower", "upper"),
    [
        ("film-capacitor", {"capacitance": "100 nF", "tolerance": "J"}, "95E-9", "105E-9"),
        ("film-capacitor", {"capacitance": "100 nF"}, "90E-9", "110E-9"),
        ("ceramic-capacitor", {"capacitance": "10 nF", "tolerance": "Z"}, "8E-9", "18E-9"),
        ("ceramic-capacitor", {"capacitance": "4p7", "tolerance": "C"}, "4.45E-12", "4.95E-12"),
        # Run capacitors ±5 or ±10 %, start types −0/+20 to +25 %: common practice, no source.
        ("run-capacitor", {"capacitance": "8 uF", "tolerance": "5 %"}, "7.6E-6", "8.4E-6"),
        ("start-capacitor", {"capacitance": "100 uF"}, "100E-6", "125E-6"),
    ],
)
def test_other_capacitors(component: str, given: dict[str, str], lower: str, upper: str) -> None:
    limits = rated(component, **given)
    assert (limits.lower, limits.upper) == (Decimal(lower), Decimal(upper))


# -- other parts ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("component", "quantity", "given", "lower", "upper", "unit"),
    [
        ("resistor", None, {"resistance": "4k7", "tolerance": "1 %"}, "4653", "4747", "ohm"),
        # Cold fuse: largest voltage drop ÷ rated current, IEC 60127-2, from memory.
        ("fuse", None, {"rated": "250 mA"}, None, "5.6", "ohm"),
        ("fuse", None, {"rated": "1 A"}, None, "0.2", "ohm"),
        ("fuse", None, {"rated": "2 A", "drop": "170 mV"}, None, "0.085", "ohm"),
        # Junctions on a diode range: common practice, no source.
        ("junction", None, {"type": "silicon"}, "0.5", "0.8", "V"),
        ("junction", None, {"type": "schottky"}, "0.15", "0.45", "V"),
        ("junction", None, {"type": "germanium"}, "0.2", "0.4", "V"),
        ("junction", None, {"type": "red-led"}, "1.6", "2.0", "V"),
        ("junction", None, {"type": "blue-led"}, "2.6", "3.3", "V"),
        ("junction", None, {"type": "green-led"}, "1.8", "2.5", "V"),
        ("junction", None, {"type": "large-rectifier"}, "0.35", "0.7", "V"),
        # Quick acting fuses, IEC 60127-2 sheet 2, from memory: 170 mV at 2 A.
        ("fuse", None, {"rated": "2 A"}, None, "0.085", "ohm"),
        ("inductor", None, {"inductance": "100 uH"}, "80E-6", "120E-6", "H"),
        ("winding", None, {"resistance": "10 ohm"}, "9", "11", "ohm"),
        ("transformer", None, {"primary": "230 V", "ratio": "0.1"}, "20.7", "25.3", "V"),
        # Loudspeaker: 65 to 90 % of rated impedance: common practice, no source.
        ("loudspeaker", None, {"impedance": "8 ohm"}, "5.2", "7.2", "ohm"),
        # Universal motor, 10 %: common practice, no source.
        ("universal-motor", "field-coil", {"other": "3 ohm"}, "2.7", "3.3", "ohm"),
        ("universal-motor", "commutator-bar", {"mean": "1 ohm"}, "0.9", "1.1", "ohm"),
        # Cells: common practice, no source.
        ("battery", "voltage", {"chemistry": "li-ion", "cells": 5}, "12.5", "21", "V"),
        ("battery", "voltage", {"chemistry": "li-ion", "charge": "nominal"}, "3.6", "3.7", "V"),
        ("battery", "voltage", {"chemistry": "li-iron-phosphate"}, "2", "3.65", "V"),
        ("battery", "voltage", {"chemistry": "nimh", "charge": "full"}, "1.3", "1.4", "V"),
        (
            "battery", "voltage", {"chemistry": "lead-acid", "cells": 6, "charge": "full"},
            "12.6", "12.8", "V",
        ),
        (
            "battery", "voltage", {"chemistry": "lead-acid", "cells": 6, "charge": "half"},
            "12.1", "12.2", "V",
        ),
        ("battery", "voltage", {"chemistry": "li-ion", "charge": "full"}, "4.1", "4.2", "V"),
        ("battery", "voltage", {"chemistry": "li-iron-phosphate", "charge": "full"}, "3.3", "3.4",
         "V"),
        ("battery", "voltage", {"chemistry": "alkaline", "cells": 4, "charge": "full"}, "6", "6.6",
         "V"),
        ("battery", "voltage", {"chemistry": "lithium-coin", "charge": "full"}, "3", "3.4", "V"),
        ("battery", "spread", {}, None, "0.1", "V"),
        # Desktop supply rails, ATX design guide, from memory; editions differ.
        ("supply-rail", "voltage", {"rail": "12 V"}, "11.4", "12.6", "V"),
        ("supply-rail", "voltage", {"rail": "5 V"}, "4.75", "5.25", "V"),
        ("supply-rail", "voltage", {"rail": "3.3 V"}, "3.135", "3.465", "V"),
        ("supply-rail", "voltage", {"rail": "-12 V"}, "-13.2", "-10.8", "V"),
        ("supply-rail", "voltage", {"rail": "24 V", "tolerance": "2 %"}, "23.52", "24.48", "V"),
        ("supply-rail", "ripple", {"rail": "12 V"}, None, "0.12", "V"),
        ("supply-rail", "ripple", {"rail": "-12 V"}, None, "0.12", "V"),
        ("supply-rail", "ripple", {"rail": "5 V"}, None, "0.05", "V"),
        ("supply-rail", "power-good-delay", {"edition": "older"}, "0.1", "0.5", "s"),
        ("supply-rail", "power-good-delay", {}, "0.1", "0.25", "s"),
        # USB 2.0 specification, from memory.
        ("usb-port", None, {}, "4.75", "5.25", "V"),
        ("usb-port", None, {"port": "high-power-later"}, "4.75", "5.5", "V"),
        ("usb-port", None, {"port": "low-power"}, "4.40", "5.25", "V"),
        # Public mains, IEC 60038.
        ("mains", None, {}, "207", "253", "V"),
        # Common practice and codes that differ.
        ("insulation", None, {"protection": "I"}, "1E6", None, "ohm"),
        ("insulation", None, {"protection": "II"}, "2E6", None, "ohm"),
        ("insulation", None, {"protection": "I", "limit": "300 kohm"}, "3E5", None, "ohm"),
        ("protective-earth", None, {"lead": "0.12 ohm"}, None, "0.22", "ohm"),
        ("protective-earth", None, {"limit": "0.3 ohm"}, None, "0.3", "ohm"),
    ],
)  # fmt: skip
def test_published_figures(
    component: str,
    quantity: str | None,
    given: dict[str, Any],
    lower: str | None,
    upper: str | None,
    unit: str,
) -> None:
    limits = rated(component, quantity, **given)
    want = tuple(None if edge is None else Decimal(edge) for edge in (lower, upper))
    assert (limits.lower, limits.upper, limits.unit) == (*want, unit)


def test_safety_figures_defer_to_the_local_code() -> None:
    for limits in (rated("insulation", protection="I"), rated("protective-earth")):
        assert "local code" in judge(parse_quantity("5 ohm"), limits).sentence


def test_kinds_of_voltage_are_kept_apart_in_ratings() -> None:
    ripple = rated("supply-rail", "ripple", rail="12 V")
    assert ripple.place == "V pp"
    with pytest.raises(ReadingError):
        parse_quantity("80 mVrms", ripple.place)
    with pytest.raises(ReadingError):
        parse_quantity("230 VDC", rated("mains").place)


@pytest.mark.parametrize("entry", RATINGS.values(), ids=lambda e: f"{e.component}-{e.quantity}")
def test_every_entry_tells_what_it_takes_and_whence(entry: Any) -> None:
    assert entry.source
    assert entry.validity
    doc = entry.function.__doc__ or ""
    assert "[" in doc, "the docstring gives no unit"
    page = ratings_page()
    assert f"## {entry.component}: {entry.quantity}\n" in page
    for parameter in entry.parameters:
        assert parameter.text
        assert re.search(rf"^\| `{parameter.name}` \|", page, re.MULTILINE)
    assert set(entry.outcomes) <= {"low", "inside", "high"}


# -- sensors --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temperature", "resistance"),
    [(-100, 60.26), (0, 100.00), (100, 138.51), (200, 175.86)],
)
def test_platinum_resistance(temperature: float, resistance: float) -> None:
    # IEC 60751, from memory.
    assert sensors.platinum_resistance(temperature) == pytest.approx(resistance, abs=0.005)
    assert sensors.platinum_resistance(temperature, 1000) == pytest.approx(
        10 * resistance, abs=0.05
    )


def test_platinum_classes() -> None:
    # Class AA ±(0.1 + 0.0017 t), A ±(0.15 + 0.002 t), B ±(0.30 + 0.005 t), C ±(0.6 + 0.01 t):
    # IEC 60751, from memory.
    assert sensors.platinum_tolerance(100, "AA") == pytest.approx(0.27)
    assert sensors.platinum_tolerance(100, "C") == pytest.approx(1.6)
    assert sensors.platinum_tolerance(100, "A") == pytest.approx(0.35)
    assert sensors.platinum_tolerance(-100, "B") == pytest.approx(0.80)
    limits = rated("pt100", temperature="100 °C", accuracy="A")
    assert float(limits.lower or 0) == pytest.approx(sensors.platinum_resistance(99.65), abs=1e-6)
    assert outcome(limits, "138.5 ohm") == "inside"
    assert outcome(limits, "138.7 ohm") == "high"
    for wrong in (900, -250):
        with pytest.raises(ReadingError):
            sensors.platinum_resistance(wrong)


# ITS-90 tables, mV by °C with the cold junction at 0 °C (NIST Monograph 175), from memory.
THERMOCOUPLES = {
    "b": {100: 0.033, 500: 1.242, 1000: 4.834, 1500: 10.099, 1800: 13.591, 1820: 13.820},
    "e": {-270: -9.835, -200: -8.825, -100: -5.237, 100: 6.319, 500: 37.005, 1000: 76.373},
    "j": {-210: -8.095, -100: -4.633, 100: 5.269, 500: 27.393, 760: 42.919, 1200: 69.553},
    "k": {
        -200: -5.891, -100: -3.554, 0: 0, 100: 4.096, 200: 8.138, 300: 12.209, 400: 16.397,
        500: 20.644, 600: 24.905, 700: 29.129, 800: 33.275, 900: 37.326, 1000: 41.276,
        1100: 45.119, 1200: 48.838, 1300: 52.410,
    },
    "n": {-270: -4.345, -200: -3.990, -100: -2.407, 100: 2.774, 500: 16.748, 1300: 47.513},
    "r": {-50: -0.226, 100: 0.647, 500: 4.471, 1000: 10.506, 1500: 17.451, 1768: 21.101},
    "s": {-50: -0.236, 100: 0.646, 500: 4.233, 1000: 9.587, 1500: 15.582, 1768: 18.693},
    "t": {-270: -6.258, -200: -5.603, -100: -3.379, 100: 4.279, 200: 9.288, 400: 20.872},
}  # fmt: skip


@pytest.mark.parametrize("letter", THERMOCOUPLES)
def test_thermocouples_against_the_published_table(letter: str) -> None:
    for celsius, millivolt in THERMOCOUPLES[letter].items():
        found = thermocouples.thermocouple_voltage(letter, celsius) * 1000
        assert found == pytest.approx(millivolt, abs=0.00051), celsius


@pytest.mark.parametrize("letter", THERMOCOUPLES)
def test_the_stretches_of_a_reference_function_meet(letter: str) -> None:
    # A wrong digit in a coefficient would show as a step here, or in the table above.
    _, stretches = thermocouples.FUNCTIONS[letter]
    for stretch in stretches[:-1]:
        below, above = (
            thermocouples.thermocouple_voltage(letter, stretch.end + step) for step in (-1e-7, 1e-7)
        )
        assert (above - below) * 1000 == pytest.approx(0, abs=2e-7)


def test_thermocouple_classes() -> None:
    # IEC 60584-1, from memory.
    for letter, celsius, accuracy, tolerance in (
        ("k", 100, "1", 1.5), ("k", 1000, "1", 4.0), ("k", 1000, "2", 7.5), ("t", 100, "1", 0.5),
        ("s", 1000, "1", 1.0), ("s", 1400, "1", 1.9), ("r", 1000, "2", 2.5), ("b", 1000, "2", 2.5),
    ):  # fmt: skip
        found = thermocouples.thermocouple_tolerance(letter, celsius, accuracy)
        assert found == pytest.approx(tolerance)
    for letter, celsius, accuracy in (("k", 1100, "1"), ("b", 1000, "1"), ("b", 100, "2")):
        with pytest.raises(ReadingError):
            thermocouples.thermocouple_tolerance(letter, celsius, accuracy)
    limits = rated("thermocouple-k", temperature="100 °C")
    assert outcome(limits, "4.1 mV") == "inside"
    assert outcome(limits, "4.3 mV") == "high"
    # Cold junction at 25 °C: 5.269 mV - 1.277 mV, from the table of type J.
    limits = rated("thermocouple-j", temperature="100 °C", reference="25 °C")
    assert float(limits.nominal or 0) == pytest.approx(3.992e-3, abs=1e-6)


def test_thermistor_by_beta() -> None:
    # 10 kΩ at 25 °C, B 3950 K; beta equation, computed.
    for celsius, ohms in ((0, 33_620), (50, 3588), (85, 1087)):
        found = sensors.ntc_beta_resistance(celsius, 10_000, 3950)
        assert found == pytest.approx(ohms, rel=5e-4)
    limits = rated("ntc", resistance="10k", beta="3950 kelvin", temperature="50 °C")
    assert outcome(limits, "3.6 kohm") == "inside"
    assert outcome(limits, "10 kohm") == "high"


def test_the_tolerance_of_b_counts_where_it_is_given() -> None:
    part = {"resistance": "10k", "beta": "3950 kelvin", "tolerance": "1 %"}
    # 1 % of B at 50 °C: exp(39.5 (1/298.15 - 1/323.15)) = 1.0103; computed.
    wide = rated("ntc", **part, temperature="50 °C", beta_tolerance="1 %")
    narrow = rated("ntc", **part, temperature="50 °C")
    ends = [float(edge or 0) for edge in (wide.upper, narrow.upper, narrow.lower, wide.lower)]
    assert ends[0] / ends[1] == pytest.approx(1.0103, abs=1e-4)
    assert ends[2] / ends[3] == pytest.approx(1.0103, abs=1e-4)
    # At 25 °C the B value has no effect.
    assert rated("ntc", **part, temperature="25 °C", beta_tolerance="3 %").upper == 10_100


# -- markings -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value", "unit", "tolerance"),
    [
        # IEC 60062 letter codes.
        ("4K7", "4700", "ohm", None),
        ("4R7", "4.7", "ohm", None),
        ("R47", "0.47", "ohm", None),
        ("6p8", "6.8E-12", "F", None),
        ("2n2", "2.2E-9", "F", None),
        ("10M", "10E6", "ohm", None),
        ("M47", "470E3", "ohm", None),
        ("p47", "0.47E-12", "F", None),
        ("4K7J", "4700", "ohm", "0.05"),
        ("2n2K", "2.2E-9", "F", "0.1"),
        ("47k 5%", "47000", "ohm", "0.05"),
        ("100 nF K", "100E-9", "F", "0.1"),
        # Colour bands, IEC 60062, from memory.
        ("yellow violet red gold", "4700", "ohm", "0.05"),
        ("brown-black-black-gold-brown", "10", "ohm", "0.01"),
        ("Brown, Black, Orange", "10000", "ohm", "0.2"),
        ("red red black black brown red", "220", "ohm", "0.01"),
    ],
)
def test_markings(text: str, value: str, unit: str, tolerance: str | None) -> None:
    found = decode_marking(text)
    assert (found.value, found.unit) == (Decimal(value), unit)
    share = None if found.tolerance is None else found.tolerance.high
    assert share == (None if tolerance is None else Decimal(tolerance))


def test_letter_codes_agree_with_a_reference_library() -> None:
    from rkm_codes import from_rkm

    for text in ("4K7", "4R7", "R47", "6p8", "2n2", "10M", "1k5", "47n", "3M3"):
        assert float(decode_marking(text).value) == pytest.approx(float(from_rkm(text)), rel=1e-12)


@pytest.mark.parametrize(
    "text",
    ["104", "104K", "473", "4700", "brown black red grey", "abc", "", "red red", "104X", "R"],
)
def test_markings_that_could_be_two_things_are_asked_about(text: str) -> None:
    with pytest.raises(ReadingError) as caught:
        decode_marking(text)
    assert caught.value.remedy


def test_three_digits_once_the_kind_of_part_is_known() -> None:
    assert decode_marking("104", "F").value == Decimal("100E-9")
    assert decode_marking("104", "ohm").value == Decimal("100E3")
    assert decode_marking("104K", "F").value == Decimal("100E-9")
    assert decode_marking("104K", "F").tolerance_text == "K"
    assert decode_marking("229", "F").value == Decimal("2.2E-12")
    assert decode_marking("104J").unit == "F"


# Digits and powers of ten in their order: IEC 60062, from memory.
COLOURS = ["black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white"]


@pytest.mark.parametrize(("values", "tolerance"), [(series(E24), "5 %"), (series(E96), "1 %")])
def test_colour_bands_of_all_preferred_values(values: list[float], tolerance: str) -> None:
    # IEC 60063 through the `eseries` package.
    for value in values:
        for power in range(7):
            resistance = Decimal(str(value)).scaleb(power)
            bands = [COLOURS[int(digit)] for digit in str(value)]
            bands += [COLOURS[power], "gold" if tolerance == "5 %" else "brown"]
            found = decode_marking(" ".join(bands))
            assert found.value == resistance
            assert found.tolerance_text == tolerance


@settings(max_examples=examples(300))
@given(st.text(alphabet="0123456789RKkMnpuµFJ %.bdlackrewhitgonv -", max_size=24))
def test_no_marking_raises_anything_but_a_reading_error(text: str) -> None:
    for unit in (None, "F", "ohm"):
        try:
            assert decode_marking(text, unit).value >= 0
        except ReadingError:
            continue


# -- hazards ----------------------------------------------------------------------------------


def test_hazard_thresholds() -> None:
    # IEC 61010-1 and IEC 60335-1, from memory: above 30 V r.m.s., 42.4 V peak or 60 V d.c.;
    # household 42.4 V d.c.
    volts = Decimal
    assert not is_hazardous_voltage(volts(30), "rms")
    assert is_hazardous_voltage(volts("30.1"), "ac")
    assert not is_hazardous_voltage(volts("42.4"), "pk")
    assert is_hazardous_voltage(volts("84.9"), "pp")
    assert is_hazardous_voltage(volts(-60), "dc")
    assert is_hazardous_voltage(volts("42.5"))
    assert not is_hazardous_voltage(volts(34))
    assert not is_hazardous_voltage(volts(60), "dc", household=False)
    assert is_hazardous_voltage(volts("60.1"), "dc", household=False)
    # Above 45 µC where the voltage is hazardous; household, 42.4 to 450 V: above 0.1 µF.
    assert is_hazardous_charge(volts("0.12E-6"), volts(325))
    assert not is_hazardous_charge(volts("0.12E-6"), volts(325), household=False)
    assert is_hazardous_charge(volts("0.15E-6"), volts(325), household=False)
    assert not is_hazardous_charge(volts("4700E-6"), volts(34))
    # Above 450 V the charge alone decides: 0.01 µF at 1000 V holds 10 µC, 0.046 µF 46 µC.
    assert not is_hazardous_charge(volts("0.01E-6"), volts(1000))
    assert is_hazardous_charge(volts("0.046E-6"), volts(1000))
    # IEC 60950-1, from memory: 20 J or 240 VA at 2 V or more; 18 V passes at 13.3 A.
    assert is_hazardous_energy(volts(18), amps=volts("13.34"))
    assert not is_hazardous_energy(volts(18), amps=volts("13.3"))
    assert is_hazardous_energy(volts(34), capacitance=volts("0.0347"))
    assert not is_hazardous_energy(volts("1.9"), amps=volts(1000))


def test_tan_delta_rises_with_capacitance_and_falls_with_voltage() -> None:
    losses = [largest_tan_delta(Decimal(v), Decimal("100E-6")) for v in (10, 16, 25, 50, 100)]
    assert all(one > other for one, other in pairwise(losses))
    assert largest_tan_delta(Decimal(40), Decimal("1E-6")) == Decimal("0.12")
