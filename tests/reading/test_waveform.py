"""A.c. meters: accuracy by frequency, crest factor, response to the average."""

from __future__ import annotations

from typing import Any

import pytest

from faulttree.errors import ReadingError
from faulttree.reading import Verdict, judge, parse_quantity, read_bench, resolve_limits
from faulttree.tree.schema import is_valid

STRETCHES = [
    {"range": "60 V", "accuracy": "1 %", "frequency": ["45 Hz", "400 Hz"], "crest_factor": 3},
    {"range": "60 V", "accuracy": "5 %", "frequency": ["400 Hz", "5 kHz"], "crest_factor": 3},
    {"range": "600 V", "accuracy": "1 %", "frequency": ["45 Hz", "400 Hz"], "crest_factor": 3},
]
BENCH = {
    "instruments": {
        "avg": {"kind": "multimeter", "responds": "average", "measures": {"V AC": STRETCHES}},
        "true": {"kind": "multimeter", "responds": "true-rms", "measures": {"V AC": STRETCHES}},
        "plain": {
            "kind": "multimeter",
            "measures": {"V AC": [{"range": "60 V", "accuracy": "1 %"}]},
        },
    }
}
LIMITS = {"nominal": "24 V ac", "tolerance": "10 %"}


def verdict(typed: str, spec: dict[str, Any], instrument: str) -> Verdict:
    limits = resolve_limits(spec)
    held = read_bench(BENCH).instrument(instrument)
    return judge(parse_quantity(typed, limits.place), limits, instrument=held)


@pytest.mark.parametrize(
    ("typed", "more", "share"),
    [
        # ±1 % or ±5 % of 24 V as a rectangular distribution, a/√3 (GUM 4.3.7).
        ("24 V", {}, 0.01),
        ("24 V at 60 Hz", {}, 0.01),
        ("24 V at 1 kHz", {}, 0.05),
        ("24 V", {"holds_at": "1 kHz"}, 0.05),
    ],
)
def test_the_accuracy_of_the_frequency_counts(
    typed: str, more: dict[str, Any], share: float
) -> None:
    found = verdict(typed, {**LIMITS, **more}, "true").uncertainty
    assert found == pytest.approx(24 * share / 3**0.5)


def test_a_frequency_that_no_range_covers_is_refused() -> None:
    with pytest.raises(ReadingError, match=r"no range for .* at 20 kHz"):
        verdict("24 V at 20 kHz", LIMITS, "true")
    assert verdict("24 V at 20 kHz", LIMITS, "plain").outcome == "inside"


@pytest.mark.parametrize(
    ("typed", "crest", "instrument", "outcome"),
    [
        # 24 V · 2.5 is 60 V, less than 3 · 60 V; 59 V · 4 is more.
        ("24 V", 2.5, "true", "inside"),
        ("24 V", 7.4, "true", "inside"),
        ("24 V", 7.6, "true", "undecided"),
        ("24 V", 2.5, "avg", "undecided"),
        # Crest factor of a sine: √2.
        ("24 V", 1.41, "avg", "inside"),
        # A triangle has √3, a square wave 1.
        ("24 V", 1.73, "avg", "undecided"),
        ("24 V", 1, "avg", "undecided"),
        ("24 V", 2.5, "plain", "inside"),
    ],
)
def test_a_waveform_that_the_meter_does_not_show_is_not_judged(
    typed: str, crest: float, instrument: str, outcome: str
) -> None:
    found = verdict(typed, {**LIMITS, "crest_factor": crest}, instrument)
    assert found.outcome == outcome
    assert (found.rule == "waveform") == (outcome == "undecided")


def test_a_meter_that_responds_to_the_average_says_so() -> None:
    said = "right for a sine only"
    assert said in verdict("24 V", LIMITS, "avg").sentence
    assert said not in verdict("24 V", LIMITS, "true").sentence
    assert said not in verdict("24 V", {**LIMITS, "crest_factor": 1.41}, "avg").sentence


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("frequency", "50 Hz"),
        ("frequency", ["50 Hz"]),
        ("frequency", ["a", "b"]),
        ("crest_factor", 0),
    ],
)
def test_what_a_range_cannot_be_is_refused_at_its_key(key: str, value: object) -> None:
    row = {"range": "60 V", "accuracy": "1 %", key: value}
    with pytest.raises(ReadingError) as caught:
        read_bench({"instruments": {"dmm": {"kind": "multimeter", "measures": {"V AC": [row]}}}})
    assert key in caught.value.key


def test_the_response_is_one_of_two() -> None:
    with pytest.raises(ReadingError, match="no response"):
        read_bench({"instruments": {"dmm": {"kind": "multimeter", "responds": "peak"}}})


def test_the_keys_are_in_the_schema_of_a_bench() -> None:
    assert is_valid(BENCH, "bench")


def test_any_limit_of_resistance_may_be_one_of_copper() -> None:
    # IEC 60028: 12.4 Ω at 45 °C are 12.4 (234.5 + 20) / (234.5 + 45) = 11.29 Ω at 20 °C.
    spec = {"nominal": "11.3 ohm", "tolerance": "3 %", "copper_at": "20 degC"}
    limits = resolve_limits(spec)
    found = judge(parse_quantity("12.4 ohm at 45 °C", "ohm"), limits)
    assert float(found.reading.value or 0) == pytest.approx(11.291, abs=5e-4)
    assert found.outcome == "inside"
    assert judge(parse_quantity("12.4 ohm", "ohm"), limits).outcome == "high"
    for key, wrong in (("copper_at", {"max": "1 V"}), ("crest_factor", {"max": "1 ohm"})):
        with pytest.raises(ReadingError, match="belongs to"):
            resolve_limits({**wrong, key: "2"})
