"""Readings that once gave a wrong verdict, each with two like it that a quick remedy would miss."""

from __future__ import annotations

from typing import Any

import pytest

from faulttree.errors import ReadingError
from faulttree.reading import judge_text, read_bench

LOW = {"minimum": "-20 °C", "maximum": "-16 °C"}
ESR = {
    "component": "electrolytic", "quantity": "ESR", "capacitance": "220 uF", "rated": "35 V",
}  # fmt: skip
LEAD_ACID = {"component": "battery", "chemistry": "lead-acid", "cells": "6"}


def bench(**row: str) -> Any:
    measures = {"ohm": [{"range": "6 kohm", "accuracy": "1 %", **row}]}
    return read_bench({"instruments": {"dmm": {"kind": "multimeter", "measures": measures}}})


def outcome_of(typed: str, **limits: Any) -> str:
    try:
        return judge_text(typed, **limits).outcome
    except ReadingError:
        return "refused"


# reading, limits, outcome; "refused" where no verdict may come. Physics and common practice, no
# source, but for what is noted.
VERDICTS: list[tuple[str, dict[str, Any], str]] = [
    # Direction below zero: a size counts for voltage and current only.
    ("-10 °C", {"nominal": "-18 °C", "tolerance": "2 K"}, "high"),
    ("-40 dB", {"minimum": "-70 dB", "maximum": "-60 dB"}, "high"),
    ("5 °C", LOW, "high"),
    ("-10.5 V", {"nominal": "-12 V", "tolerance": "5 %"}, "low"),
    ("-25 °C", LOW, "low"),
    # The sign of the farad is no tolerance of 1 %.
    ("32 uF", {"marking": "33uF", "tolerance": "10 %"}, "inside"),
    ("95 pF", {"marking": "100pF", "tolerance": "10 %"}, "inside"),
    ("32 uF", {"marking": "33uF"}, "refused"),
    ("97 ohm", {"marking": "100RF"}, "low"),
    # Readings that no part gives.
    ("-3 ohm", {"component": "protective-earth"}, "refused"),
    ("-5 VAC", {"minimum": "4 V ac", "maximum": "6 V ac"}, "refused"),
    ("-300 °C", {"maximum": "20 °C"}, "refused"),
    ("-50 Hz", {"nominal": "50 Hz", "tolerance": "1 %"}, "refused"),
    ("-4.7k", {"nominal": "4k7", "tolerance": "5 %"}, "refused"),
    ("-0.1 V", {"minimum": "-0.2 V", "maximum": "0.2 V"}, "inside"),
    # ESR holds at the frequency of its limit only.
    ("0.35 ohm at 120 Hz", ESR, "inside"),
    ("0.35 ohm at 100 kHz", ESR, "undecided"),
    ("0.35 ohm at 1 kHz", ESR, "undecided"),
    ("0.05 ohm", {**ESR, "tan_delta": "16"}, "refused"),
    # A fault is no slip where the limits include zero; a slip is one at a faulty place too.
    ("12 V", {"minimum": "0 V", "maximum": "0.8 V"}, "high"),
    ("230 V", {"minimum": "0 V", "maximum": "50 V"}, "high"),
    ("4k7", {"minimum": "30.6 V", "maximum": "37.4 V"}, "refused"),
    ("340 V", {"nominal": "34 V", "tolerance": "10 %"}, "refused"),
    ("12 mV", {"nominal": "12 V", "tolerance": "5 %"}, "refused"),
    # A.c. is no reading of a d.c. place.
    ("12.6 VAC", LEAD_ACID, "refused"),
    ("12.6 V", LEAD_ACID, "inside"),
    ("5 VAC", {"component": "usb-port"}, "refused"),
    ("12 Vrms", {"component": "supply-rail", "rail": "12 V", "quantity": "voltage"}, "refused"),
    # In circuit: 10 mH and 1 µF in parallel read L/(1 - ω²LC) = 16.5 mH at 1 kHz; 1 µF and 100 mH
    # read C - 1/ω²L = 0.75 µF; a shorted neighbour reads 0.
    ("16.5 mH", {"component": "inductor", "inductance": "10 mH", "in_circuit": True}, "undecided"),
    (
        "0.75 uF",
        {"component": "film-capacitor", "capacitance": "1 uF", "in_circuit": True},
        "undecided",
    ),
    (
        "0 uF",
        {"component": "film-capacitor", "capacitance": "1 uF", "in_circuit": True},
        "undecided",
    ),
    ("4.7", {"nominal": "10", "tolerance": "5 %", "in_circuit": True}, "undecided"),
    ("16.5 mH", {"component": "inductor", "inductance": "10 mH"}, "high"),
]


@pytest.mark.parametrize(("typed", "limits", "outcome"), VERDICTS)
def test_the_verdict(typed: str, limits: dict[str, Any], outcome: str) -> None:
    assert outcome_of(typed, **limits) == outcome


@pytest.mark.parametrize(
    ("limits", "outcome"),
    [
        ({"component": "insulation", "protection": "I"}, "refused"),
        ({"maximum": "10 Mohm"}, "undecided"),
        ({"minimum": "10 kohm"}, "undecided"),
        ({"maximum": "5 kohm"}, "high"),
        ({"minimum": "5 kohm"}, "inside"),
    ],
)
def test_over_range_proves_the_top_range_of_this_meter_only(
    limits: dict[str, Any], outcome: str
) -> None:
    assert outcome_of("OL", bench=bench(), instrument="dmm", **limits) == outcome


@pytest.mark.parametrize(
    "accuracy",
    ["0.5+3.5", "0.5+3", "0.0035 + 0.0005", "0.0035 % + 0.0006 %", "3 digits + 2 digits"],
)
def test_an_accuracy_with_two_readings_is_refused(accuracy: str) -> None:
    with pytest.raises(ReadingError):
        bench(accuracy=accuracy, resolution="1 ohm")
