"""Verdicts that could hurt someone: over range, impossible readings, direction, kind of meter."""

from __future__ import annotations

from typing import Any

import pytest

from faulttree.errors import ReadingError
from faulttree.reading import (
    Bench,
    ask_before,
    doubt,
    judge,
    judge_text,
    parse_quantity,
    read_bench,
    resolve_limits,
)
from faulttree.reading.markings import decode_marking

INSULATION = {"component": "insulation", "protection": "I"}
ESR = {
    "component": "electrolytic", "quantity": "ESR", "capacitance": "100 uF", "rated": "50 V",
}  # fmt: skip


def bench() -> Bench:
    def one(kind: str, **measures: str) -> dict[str, Any]:
        ranges = {
            unit.replace("_", " "): [{"range": top, "accuracy": "2 %"}]
            for unit, top in measures.items()
        }
        return {"kind": kind, "title": f"The {kind}", "measures": ranges}

    return read_bench(
        {
            "instruments": {
                "dmm": one("multimeter", ohm="6 kohm", V_DC="60 V"),
                "ins": one("insulation-tester", ohm="500 Mohm"),
                "small": one("insulation-tester", ohm="500 kohm"),
                "earth": one("earth-tester", ohm="20 ohm"),
                "both": one("appliance-tester", ohm="20 Mohm"),
                "esr": one("esr-meter", ohm="20 ohm"),
                "bridge": one("lcr-meter", ohm="10 kohm"),
            }
        }
    )


def outcome(typed: str, spec: dict[str, Any], instrument: str = "") -> str:
    limits = resolve_limits(spec)
    held = bench().instrument(instrument) if instrument else None
    return judge(parse_quantity(typed, limits.place), limits, instrument=held).outcome


# -- over range ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "instrument", "want"),
    [
        ({"min": "1 Mohm"}, "dmm", "undecided"),
        ({"max": "10 Mohm"}, "dmm", "undecided"),
        ({"min": "5 kohm"}, "dmm", "inside"),
        ({"min": "6 kohm"}, "dmm", "inside"),
        ({"min": "6.001 kohm"}, "dmm", "undecided"),
        ({"max": "5 kohm"}, "dmm", "high"),
        # More than 6 kΩ may be inside or high.
        ({"min": "1 kohm", "max": "10 kohm"}, "dmm", "undecided"),
        ({"max": "100 V"}, "dmm", "undecided"),
        ({"max": "50 V"}, "dmm", "high"),
        (INSULATION, "ins", "inside"),
        (INSULATION, "small", "undecided"),
        (INSULATION, "both", "inside"),
        (ESR, "esr", "high"),
        # Handheld meters end at 2 MΩ or beyond: common practice, no source.
        ({"min": "1 Mohm"}, "", "inside"),
        ({"min": "1 Gohm"}, "", "undecided"),
        ({"max": "10 Mohm"}, "", "undecided"),
        ({"max": "2 ohm"}, "", "high"),
        # A lamp or a blue LED that a diode range cannot light is no broken one.
        ({"component": "junction", "type": "blue-led"}, "", "undecided"),
        ({"component": "junction", "type": "silicon"}, "", "high"),
        (INSULATION, "", "undecided"),
        (ESR, "", "undecided"),
        # An open earth path is open for every meter.
        ({"component": "protective-earth"}, "", "high"),
    ],
)  # fmt: skip
def test_over_range_proves_more_than_the_top_range_of_the_meter_and_nothing_else(
    spec: dict[str, Any], instrument: str, want: str
) -> None:
    assert outcome("OL", spec, instrument) == want


def test_an_over_range_verdict_says_what_it_rests_on() -> None:
    limits = resolve_limits({"min": "1 Mohm"})
    over = parse_quantity("OL", "ohm")
    below = judge(over, limits, instrument=bench().instrument("dmm"))
    assert "6 kΩ, the top range of dmm" in below.sentence
    assert "reach 1 MΩ" in below.sentence
    assert below.likelihoods == {}
    assert "no instrument is declared" in judge(over, limits).sentence
    with pytest.raises(ReadingError, match="no range"):
        judge(parse_quantity("OL", "F"), resolve_limits({"max": "1 uF"}),
              instrument=bench().instrument("dmm"))  # fmt: skip


def test_over_range_in_bands_needs_a_meter_that_reaches_the_last() -> None:
    bands = [{"name": "leaky", "below": "20 Mohm"}, {"name": "sound", "from": "20 Mohm"}]
    assert outcome("OL", {"bands": bands}, "ins") == "sound"
    assert outcome("OL", {"bands": bands}, "dmm") == "undecided"
    assert outcome("OL", {"bands": bands}) == "undecided"


# -- the kind of instrument ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "instrument", "needs"),
    [
        (INSULATION, "dmm", "500 V"),
        (INSULATION, "earth", "500 V"),
        (ESR, "dmm", "a.c."),
        (ESR, "ins", "a.c."),
        ({"component": "protective-earth"}, "dmm", "test current"),
        ({"component": "protective-earth"}, "esr", "test current"),
    ],
)
def test_a_declared_instrument_of_the_wrong_kind_is_refused_with_the_reason(
    spec: dict[str, Any], instrument: str, needs: str
) -> None:
    for typed in ("0.05 ohm", "OL"):
        with pytest.raises(ReadingError) as caught:
            outcome(typed, spec, instrument)
        assert needs in caught.value.message
        assert "bench.yaml" in (caught.value.remedy or "")
    said = ask_before(resolve_limits(spec), bench(), using=instrument) or ""
    assert needs in said
    assert "Take The" in said


@pytest.mark.parametrize(
    ("typed", "spec", "instrument"),
    [
        ("5 Mohm", INSULATION, "ins"),
        ("5 Mohm", INSULATION, "both"),
        ("0.05 ohm", {"component": "protective-earth"}, "earth"),
        ("0.05 ohm", {"component": "protective-earth"}, "both"),
        ("0.05 ohm", ESR, "bridge"),
        ("100 ohm", {"max": "200 ohm"}, "dmm"),
    ],
)
def test_a_declared_instrument_of_the_right_kind_is_taken(
    typed: str, spec: dict[str, Any], instrument: str
) -> None:
    assert outcome(typed, spec, instrument) == "inside"


def test_without_an_instrument_the_verdict_says_that_its_kind_is_not_known() -> None:
    for spec, typed in ((INSULATION, "5 Mohm"), (ESR, "0.05 ohm")):
        limits = resolve_limits(spec)
        said = judge(parse_quantity(typed, limits.place), limits).sentence
        assert "the kind of meter is not declared" in said
    plain = resolve_limits({"max": "5 ohm"})
    assert "kind of meter" not in judge(parse_quantity("1 ohm", "ohm"), plain).sentence


# -- impossible readings ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "spec"),
    [
        ("-3 ohm", {"component": "protective-earth"}),
        ("-0.01 ohm", {"component": "fuse", "rated": "1 A"}),
        ("-5 ohm", ESR),
        ("-4.7k", {"nominal": "4.7 kohm", "tolerance": "5 %"}),
        ("-5 uF", {"nominal": "33 uF", "tolerance": "20 %"}),
        ("-2 mH", {"max": "10 mH"}),
        ("-50 Hz", {"nominal": "50 Hz", "tolerance": "1 %"}),
        ("-5 VAC", {"max": "10 VAC"}),
        ("-5", {"max": "10 VAC"}),
        ("-3 mVpp", {"component": "supply-rail", "quantity": "ripple", "rail": "12 V"}),
        ("-300 °C", {"max": "10 °C"}),
        ("-500 °F", {"max": "10 °C"}),
        ("-1 K", {"max": "300 K", "unit": "K"}),
        ("-0.1", {**ESR, "quantity": "tan-delta"}),
        ("-90 rpm", {"min": "100 rpm", "max": "200 rpm"}),
    ],
)
def test_a_reading_that_no_part_can_give_is_refused_with_its_likely_cause(
    typed: str, spec: dict[str, Any]
) -> None:
    limits = resolve_limits(spec)
    reading = parse_quantity(typed, limits.place)
    assert doubt(reading, limits) is None
    for readings in (reading, [reading, parse_quantity("OL", limits.place)]):
        with pytest.raises(ReadingError) as caught:
            judge(readings, limits)
        assert "impossible" in caught.value.message
        told = f"{caught.value.message} {caught.value.remedy}"
        assert any(cause in told for cause in ("voltage on the part", "null", "sensor"))


@pytest.mark.parametrize(
    ("typed", "spec", "want"),
    [
        ("-0 ohm", {"component": "protective-earth"}, "inside"),
        ("-5 V", {"max": "10 V"}, "inside"),
        ("-40 °C", {"max": "10 °C"}, "inside"),
        ("-273.15 °C", {"max": "10 °C"}, "inside"),
        ("-3 dB", {"min": "-6 dB"}, "inside"),
        ("-2 A", {"min": "-1 A"}, "low"),
    ],
)
def test_a_reading_below_zero_that_has_a_meaning_is_judged(
    typed: str, spec: dict[str, Any], want: str
) -> None:
    assert outcome(typed, spec) == want


# -- direction below zero -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "spec", "want"),
    [
        ("-10 °C", {"nominal": "-18 °C", "tolerance": "2 K"}, "high"),
        ("-21 °C", {"nominal": "-18 °C", "tolerance": "2 K"}, "low"),
        ("-15 °C", {"min": "-20 °C", "max": "-16 °C"}, "high"),
        ("+5 °C", {"min": "-20 °C", "max": "-16 °C"}, "high"),
        ("-40 dB", {"min": "-70 dB", "max": "-60 dB"}, "high"),
        ("-80 dB", {"min": "-70 dB", "max": "-60 dB"}, "low"),
        ("-30 mbar", {"min": "-60 mbar", "max": "-40 mbar"}, "high"),
        # Rails keep their rule: smaller in size is low.
        ("-10 V", {"nominal": "-12 V", "tolerance": "10 %"}, "low"),
        ("-1 A", {"min": "-3 A", "max": "-2 A"}, "low"),
    ],
)
def test_only_voltage_and_current_are_judged_by_size_below_zero(
    typed: str, spec: dict[str, Any], want: str
) -> None:
    assert outcome(typed, spec) == want


@pytest.mark.parametrize(
    ("typed", "spec", "said"),
    [
        ("-10 °C", {"nominal": "-18 °C", "tolerance": "2 K"}, "8 K above its value, limit 2 K"),
        ("-12 °C", {"min": "-20 °C", "max": "-16 °C"}, "4 K above the limit of -16 °C"),
        ("-40 dB", {"nominal": "-60 dB", "tolerance": "3 dB"}, "20 dB above its value"),
        ("20 °C", {"nominal": "25 °C", "tolerance": ["-1 K", "+3 K"]}, "limit -1 K to +3 K"),
    ],
)
def test_temperatures_and_levels_are_never_compared_in_per_cent(
    typed: str, spec: dict[str, Any], said: str
) -> None:
    limits = resolve_limits(spec)
    sentence = judge(parse_quantity(typed, limits.place), limits).sentence
    assert said in sentence
    assert "%" not in sentence


def test_a_warm_freezer_is_not_taken_for_a_forgotten_sign() -> None:
    limits = resolve_limits({"min": "-20 °C", "max": "-16 °C"})
    assert doubt(parse_quantity("5 °C", "degC"), limits) is None
    assert "-18 °C" in (doubt(parse_quantity("18 °C", "degC"), limits) or "")


# -- farad, and a.c. at d.c. places -------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [("33uF", 33e-6), ("100pF", 100e-12), ("4n7F", 4.7e-9), ("100n F", 100e-9), ("p47F", 0.47e-12)],
)
def test_the_sign_of_the_farad_is_no_tolerance(text: str, value: float) -> None:
    for unit in (None, "F"):
        found = decode_marking(text, unit)
        assert (found.unit, found.tolerance) == ("F", None)
        assert float(found.value) == pytest.approx(value)
    letter = "K" if value >= 10e-12 else "C"
    assert decode_marking(f"{text}{letter}").tolerance_text == letter
    with pytest.raises(ReadingError, match="no tolerance"):
        judge_text("32 uF", marking=text)


def test_the_letter_of_one_per_cent_stays_on_resistors() -> None:
    # IEC 60062, from memory: F is ±1 %.
    for text in ("R47F", "4K7F", "4R7F"):
        assert decode_marking(text).tolerance_text == "F"


@pytest.mark.parametrize(
    ("typed", "spec"),
    [
        ("12.6 VAC", {"component": "battery", "chemistry": "lead-acid", "cells": "6"}),
        ("5 VAC", {"component": "usb-port"}),
        ("12 Vrms", {"component": "supply-rail", "quantity": "voltage", "rail": "12 V"}),
        ("12 Vpp", {"component": "supply-rail", "quantity": "voltage", "rail": "12 V"}),
        ("0.6 VAC", {"component": "junction", "type": "silicon"}),
        ("2 mAAC", {**ESR, "quantity": "leakage"}),
    ],
)
def test_an_ac_reading_is_refused_where_the_rating_means_dc(
    typed: str, spec: dict[str, Any]
) -> None:
    limits = resolve_limits({"quantity": "voltage", **spec} if "type" not in spec else spec)
    with pytest.raises(ReadingError, match=r"d\.c\."):
        judge(parse_quantity(typed, limits.place), limits)
    with pytest.raises(ReadingError, match=r"d\.c\."):
        judge(parse_quantity(typed), limits)


def test_plain_and_dc_volts_are_taken_there_and_find_their_quantity() -> None:
    for typed in ("12.1 V", "12.1 VDC", "12.1"):
        said = judge_text(typed, component="supply-rail", quantity="voltage", rail="12 V")
        assert said.outcome == "inside"
    assert judge_text("12.1 V", component="supply-rail", rail="12 V").outcome == "inside"
    assert judge_text("20 mVpp", component="supply-rail", rail="12 V").outcome == "inside"
    pack = {"component": "battery", "chemistry": "lead-acid", "cells": "6"}
    assert judge_text("12.1 V", **pack).verdicts[0].limits.quantity == "voltage"
