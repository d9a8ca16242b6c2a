"""Frequency of ESR, slips that are asked about, accuracies, and the physics in circuit."""

from __future__ import annotations

from math import pi
from typing import Any

import pytest

from faulttree.errors import ReadingError
from faulttree.reading import (
    Verdict,
    ask_before,
    doubt,
    judge,
    parse_quantity,
    read_bench,
    resolve_limits,
)
from faulttree.reading.instruments import read_accuracy

ESR = {
    "component": "electrolytic", "quantity": "ESR", "capacitance": "220 uF", "tan_delta": "0.16",
}  # fmt: skip


def verdict(typed: str, spec: dict[str, Any], **given: Any) -> Verdict:
    limits = resolve_limits(spec)
    return judge(parse_quantity(typed, limits.place), limits, **given)


# -- frequency ----------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["0.02 ohm", "0.35 ohm", "5 ohm"])
@pytest.mark.parametrize("read_at", ["100 kHz", "1 kHz", "50 Hz", "151 Hz"])
def test_a_limit_at_one_frequency_gives_no_verdict_at_another(typed: str, read_at: str) -> None:
    said = verdict(typed, {**ESR, "frequency": read_at})
    assert said.outcome == "undecided"
    assert "120 Hz" in said.advice
    table = {**ESR, "tan_delta": None, "rated": "35 V", "frequency": read_at}
    assert verdict(typed, {k: v for k, v in table.items() if v}).outcome == "undecided"


@pytest.mark.parametrize(
    ("more", "at"),
    [
        ({}, 120),
        ({"frequency": "120 Hz"}, 120),
        ({"frequency": "100 Hz"}, 100),
        ({"frequency": "100 kHz", "holds_at": "100 kHz"}, 100e3),
        ({"frequency": "100 kHz", "holds_at": "120 kHz"}, 120e3),
    ],
)
def test_where_both_frequencies_meet_the_limit_follows_from_tan_delta(
    more: dict[str, str], at: float
) -> None:
    # IEC 60384-1: tan δ = 2π f C · ESR.
    limit = 0.16 / (2 * pi * at * 220e-6)
    limits = resolve_limits({**ESR, **more})
    assert float(limits.upper or 0) == pytest.approx(limit)
    assert verdict(f"{limit * 0.9:.9f} ohm", {**ESR, **more}).outcome == "inside"
    assert verdict(f"{limit * 2.1:.9f} ohm", {**ESR, **more}).outcome == "high"
    assert "Hz and 20 °C" in verdict("1 ohm", {**ESR, **more}).sentence


def test_the_frequency_of_the_instrument_counts_where_the_limits_name_none() -> None:
    def meter(**more: str) -> Any:
        one = {"kind": "esr-meter", "measures": {"ohm": [{"range": 20, "accuracy": "1 %"}]}}
        return read_bench({"instruments": {"m": {**one, **more}}}).instrument("m")

    assert verdict("5 ohm", ESR, instrument=meter(frequency="100 kHz")).outcome == "undecided"
    assert verdict("5 ohm", ESR, instrument=meter(frequency="100 Hz")).outcome == "high"
    assert verdict("5 ohm", ESR, instrument=meter()).outcome == "high"
    tan = {"component": "electrolytic", "quantity": "tan-delta", "capacitance": "220 uF"}
    assert "120 Hz" in verdict("0.05", {**tan, "rated": "35 V"}).sentence
    with pytest.raises(ReadingError) as caught:
        meter(frequency="0 Hz")
    assert caught.value.key == ("instruments", "m", "frequency")


SHEET = {"max": "500 mohm", "holds_at": "100 kHz"}


@pytest.mark.parametrize("typed", ["0.3 ohm", "0.3 ohm at 100 kHz", "0.3 ohm @ 120kHz"])
def test_any_limit_may_name_the_frequency_at_which_it_holds(typed: str) -> None:
    said = verdict(typed, SHEET)
    assert said.outcome == "inside"
    assert "holds at 100 kHz" in said.sentence
    assert verdict(typed.replace("0.3", "0.9"), SHEET).outcome == "high"


@pytest.mark.parametrize(
    ("typed", "spec"),
    [
        ("0.3 ohm at 1 kHz", SHEET),
        ("0.9 ohm at 1 kHz", SHEET),
        ("OL at 1 kHz", SHEET),
        ("4.7 mH at 1 kHz", {"nominal": "4.7 mH", "tolerance": "10 %", "holds_at": "100 kHz"}),
        ("0.3 ohm at 1 kHz", {**ESR, "holds_at": "100 kHz", "frequency": "100 kHz"}),
        ("4.7 mH at 1 kHz", {"component": "inductor", "quantity": "inductance",
                             "inductance": "4.7 mH", "holds_at": "100 kHz"}),
        ("5", {"bands": [{"name": "poor", "below": 10}, {"name": "good", "from": 10}],
               "holds_at": "1 kHz"}),
    ],
)  # fmt: skip
def test_a_reading_typed_with_another_frequency_is_undecided(
    typed: str, spec: dict[str, Any]
) -> None:
    typed = typed if " at " in typed else f"{typed} at 100 Hz"
    said = verdict(typed, spec)
    assert (said.outcome, said.rule) == ("undecided", "frequency")


def test_without_a_frequency_a_limit_holds_at_any() -> None:
    spec = {"nominal": "4.7 mH", "tolerance": "10 %"}
    assert verdict("4.7 mH at 1 kHz", spec).outcome == "inside"
    assert "Hz" not in verdict("4.7 mH", spec).sentence


def test_a_meter_with_several_frequencies_needs_the_one_that_was_set() -> None:
    bridge = {
        "kind": "lcr-meter",
        "frequency": ["120 Hz", "1 kHz", "100 kHz"],
        "measures": {"ohm": [{"range": 20, "accuracy": "1 %"}]},
    }
    meter = read_bench({"instruments": {"bridge": bridge}}).instrument("bridge")
    assert [float(one) for one in meter.frequencies] == [120, 1000, 100_000]
    unsaid = verdict("0.3 ohm", SHEET, instrument=meter)
    assert unsaid.outcome == "undecided"
    assert "set it to 100 kHz" in unsaid.advice
    assert verdict("0.3 ohm at 100 kHz", SHEET, instrument=meter).outcome == "inside"
    assert verdict("0.3 ohm at 1 kHz", SHEET, instrument=meter).outcome == "undecided"
    other = resolve_limits({**SHEET, "holds_at": "10 kHz"})
    assert "10 kHz" in (ask_before(other, [meter], using=meter) or "")


def test_readings_at_different_frequencies_have_no_common_verdict() -> None:
    limits = resolve_limits(SHEET)
    both = [parse_quantity(f"0.3 ohm at {at}", "ohm") for at in ("100 kHz", "1 kHz")]
    assert judge(both, limits).outcome == "undecided"


@pytest.mark.parametrize("tail", ["100", "-1 kHz", "0 Hz", "OL", "half"])
def test_what_is_no_test_frequency_is_refused(tail: str) -> None:
    with pytest.raises(ReadingError, match="no test frequency"):
        parse_quantity(f"0.3 ohm at {tail}", "ohm")


@pytest.mark.parametrize(
    ("spec", "key"),
    [
        ({"max": "1 ohm", "holds_at": "0 Hz"}, "holds_at"),
        ({"max": "1 ohm", "holds_at": "20 °C"}, "holds_at"),
        # The table of tan δ holds at 120 Hz only: common practice, no source.
        ({"component": "electrolytic", "quantity": "ESR", "capacitance": "220 uF",
          "rated": "35 V", "holds_at": "100 kHz"}, "holds_at"),
    ],
)  # fmt: skip
def test_a_frequency_that_a_limit_cannot_have_is_refused(spec: dict[str, Any], key: str) -> None:
    with pytest.raises(ReadingError) as caught:
        resolve_limits(spec)
    assert caught.value.key == (key,)


def test_a_tan_delta_in_per_cent_is_refused() -> None:
    for text in ("16", "1.01"):
        with pytest.raises(ReadingError, match="per cent"):
            resolve_limits({**ESR, "tan_delta": text})


# -- slips --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "typed", "asked"),
    [
        # Limits that include zero: every fault fits after a shift.
        ({"min": "0 V", "max": "0.8 V"}, "12 V", None),
        ({"min": "-1 V", "max": "1 V"}, "5 V", None),
        ({"min": "-1 V", "max": "1 V"}, "-30 V", None),
        ({"min": "0 V", "max": "0.8 V"}, "800 V", "800 mV"),
        # °C, % and rpm take no prefix.
        ({"min": "20 °C", "max": "30 °C"}, "25000 °C", None),
        ({"min": "0.01 %", "max": "0.02 %"}, "15 %", None),
        # More than any handheld meter takes.
        ({"nominal": "34 V", "tolerance": "10 %"}, "4k7", "4.7 kV"),
        ({"max": "5 V"}, "2000 V", "2 kV"),
        ({"nominal": "3 kV", "tolerance": "10 %"}, "4 kV", None),
        # A lost decimal point.
        ({"nominal": "34 V", "tolerance": "10 %"}, "338 V", "33.8 V"),
        ({"nominal": "5 V", "tolerance": "5 %"}, "503", "5.03 V"),
        ({"nominal": "5 V", "tolerance": "5 %"}, "50.3 V", None),
        ({"min": "1 V", "max": "10 V"}, "50 V", None),
        ({"nominal": "1 kohm", "tolerance": "5 %"}, "10000 ohm", None),
    ],
)
def test_a_slip_is_asked_about_and_a_fault_is_not(
    spec: dict[str, Any], typed: str, asked: str | None
) -> None:
    limits = resolve_limits(spec)
    question = doubt(parse_quantity(typed, limits.place), limits)
    if asked is None:
        assert question is None
    else:
        assert f"Did you mean {asked}" in (question or "")


# -- accuracies ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("0.5+3", "whole"),
        ("0.0035 + 0.0005", "whole"),
        ("0.0035 % + 0.0006 %", "twice"),
        ("1 % + 2 % rdg", "twice"),
        ("3 + 2 digits", "twice"),
        ("1 mV + 2 mV", "twice"),
        ("1.5 digits", "whole"),
    ],
)
def test_an_accuracy_that_can_be_read_in_two_ways_is_refused(text: str, why: str) -> None:
    with pytest.raises(ReadingError, match=why) as caught:
        read_accuracy(text, "V")
    assert "of range" in (caught.value.remedy or "")


def test_a_range_ends_at_its_name_unless_it_is_the_last() -> None:
    ranges = [{"range": "6 V", "accuracy": "1 mV"}, {"range": "60 V", "accuracy": "10 mV"}]
    held = read_bench({"instruments": {"m": {"kind": "k", "measures": {"V": ranges}}}})
    instrument = held.instrument("m")
    for value, full in ((6, 6), (6.3, 60), (61, 60)):
        row = instrument.range_for(value, "V")
        assert row is not None
        assert row.full == full
    assert instrument.range_for(67, "V") is None


# -- in circuit ---------------------------------------------------------------------------------


def test_what_a_neighbour_does_to_an_inductance_and_a_capacitance() -> None:
    # Parallel impedances, any text book on a.c. circuits: 10 mH with 1 µF at 1 kHz reads
    # L/(1 - ω²LC) = 16.5 mH, and 1 µF with 100 mH reads C - 1/ω²L = 0.75 µF.
    omega = 2 * pi * 1000
    inductance = 10e-3 / (1 - omega**2 * 10e-3 * 1e-6)
    capacitance = 1e-6 - 1 / (omega**2 * 100e-3)
    assert inductance == pytest.approx(16.5e-3, rel=0.01)
    assert capacitance == pytest.approx(0.75e-6, rel=0.01)
    coil = {"nominal": "10 mH", "tolerance": "20 %"}
    assert verdict(f"{inductance:.6f} H", coil, in_circuit=True).outcome == "undecided"
    part = {"component": "run-capacitor", "capacitance": "1 uF"}
    assert verdict(f"{capacitance:.9f} F", part, in_circuit=True).outcome == "undecided"


@pytest.mark.parametrize(
    ("typed", "spec", "outcome", "said"),
    [
        ("5 mH", {"nominal": "10 mH", "tolerance": "20 %"}, "undecided", "lift one lead"),
        ("10 mH", {"nominal": "10 mH", "tolerance": "20 %"}, "inside", "could hide"),
        ("5 mH", {"max": "10 mH"}, "undecided", "lift one lead"),
        ("0.7 uF", {"nominal": "1 uF", "tolerance": "10 %"}, "undecided", "a winding or a low"),
        ("0 uF", {"nominal": "1 uF", "tolerance": "10 %"}, "undecided", "short"),
        ("2 nF", {"min": "1 uF"}, "undecided", "short"),
        ("20", {"nominal": "47", "tolerance": "10 %"}, "undecided", "name the unit"),
    ],
)
def test_in_circuit_says_what_a_reading_does_not_prove(
    typed: str, spec: dict[str, Any], outcome: str, said: str
) -> None:
    found = verdict(typed, spec, in_circuit=True)
    assert found.outcome == outcome
    assert said in found.sentence


def test_a_limit_names_the_parts_across_the_same_two_points() -> None:
    part = {"component": "electrolytic", "quantity": "capacitance", "capacitance": "100 uF"}
    named = {**part, "neighbours": ["C2", "C3"]}
    assert verdict("100 uF", part, in_circuit=True).outcome == "inside"
    hidden = verdict("100 uF", named, in_circuit=True)
    assert hidden.outcome == "undecided"
    assert "(C2, C3)" in hidden.sentence
    assert verdict("100 uF", named).outcome == "inside"
    for wrong in ("C2", [1], {"C2": "C3"}):
        with pytest.raises(ReadingError, match="list of parts"):
            resolve_limits({**part, "neighbours": wrong})


def test_a_shorted_neighbour_is_named_at_a_capacitor_too() -> None:
    spec = {"nominal": "1 uF", "tolerance": "10 %"}
    assert "C7, D3" in verdict("0 uF", spec, in_circuit=True, neighbours=["C7", "D3"]).sentence


@pytest.mark.parametrize(
    ("spec", "typed", "asked"),
    [
        ({"nominal": "32 V", "tolerance": "5 %"}, "3.2 V", "3.2 V x10"),
        ({"nominal": "-32 V", "tolerance": "5 %"}, "-3.2 V", "-3.2 V x10"),
        ({"nominal": "32 V", "tolerance": "5 %"}, "3.2 V x10", None),
        ({"nominal": "32 V", "tolerance": "5 %"}, "4.7 V", None),
        # Limits so far apart that a multiple falls between them by chance.
        ({"min": "10 V", "max": "20 V"}, "1.5 V", None),
        # Peak and peak-to-peak value of a sine: √2 and 2√2 times its r.m.s. value.
        ({"component": "mains"}, "325 V", "229.8 V a.c."),
        ({"component": "mains"}, "650 V", "229.8 V a.c."),
        ({"component": "mains"}, "400 V", None),
        ({"nominal": "230 V dc", "tolerance": "10 %"}, "325 V", None),
        ({"nominal": "2 A ac", "tolerance": "10 %"}, "2.83 A", "2.001 A a.c."),
    ],
)
def test_a_probe_and_a_peak_value_are_asked_about(
    spec: dict[str, Any], typed: str, asked: str | None
) -> None:
    limits = resolve_limits(spec)
    question = doubt(parse_quantity(typed, limits.place), limits)
    assert (question.meant if question else None) == asked
    if asked:
        assert judge(parse_quantity(asked, limits.place), limits).outcome == "inside"
