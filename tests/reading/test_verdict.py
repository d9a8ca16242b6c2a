"""The decision: uncertainty, instruments, the rule, in circuit, doubts, and what is said."""

from __future__ import annotations

import json
import random
from decimal import Decimal
from math import atan, inf, pi, sqrt
from typing import Any

import pytest
import scipy.stats
from hypothesis import example, given, settings
from hypothesis import strategies as st

from faulttree.errors import ReadingError
from faulttree.reading import (
    Bench,
    Instrument,
    Limits,
    Quantity,
    Rule,
    Verdict,
    ask_before,
    doubt,
    judge,
    parse_quantity,
    read_bench,
    resolve_limits,
    show,
)
from faulttree.reading.instruments import read_accuracy
from faulttree.reading.limits import digits_for
from faulttree.reading.uncertainty import (
    below,
    conformance,
    effective_freedom,
    type_a,
)
from faulttree.tree.schema import is_valid, schema
from tests.support.counts import examples

BENCH = {
    "title": "Bench by the window",
    "labour_rate": 30,
    "currency": "EUR",
    "unit_values": {"bench-supply": 120},
    "instruments": {
        "dmm": {
            "kind": "multimeter",
            "title": "Handheld meter",
            "calibrated": "2026-03-02",
            "due": "2027-03-02",
            "measures": {
                "V DC": [
                    {"range": "60 V", "accuracy": "0.5 % + 3 digits", "resolution": "10 mV"},
                    {"range": "6 V", "accuracy": "±(0.5 % + 3)", "resolution": "1 mV"},
                ],
                "ohm": [{"range": "600 ohm", "accuracy": "0.9 % + 2", "resolution": "0.1 ohm"}],
            },
        },
        "esr-1": {
            "kind": "esr-meter",
            "title": "ESR meter",
            "measures": {"ohm": [{"range": "100 ohm", "accuracy": "2 % + 2 mohm"}]},
        },
    },
}


def bench() -> Bench:
    return read_bench(BENCH)


def limits_of(**spec: Any) -> Limits:
    return resolve_limits(spec)


def verdict_of(typed: str, limits: Limits, **given: Any) -> Verdict:
    return judge(parse_quantity(typed, limits.place), limits, **given)


def meter(u: float, unit: str = "V") -> Instrument:
    """An instrument of this standard uncertainty everywhere."""
    accuracy = f"{u * sqrt(3):.17f} {unit}"
    return read_bench(
        {"instruments": {"m": {"kind": "k", "measures": {
            unit: [{"range": 1000, "accuracy": accuracy}]
        }}}}
    ).instrument("m")  # fmt: skip


# -- uncertainty, against the published examples ------------------------------------------------


def meter_of(accuracy: str, full: str) -> Instrument:
    """A voltmeter with one range."""
    row = {"range": full, "accuracy": accuracy}
    return read_bench({"instruments": {"m": {"kind": "k", "measures": {"V": [row]}}}}).instrument(
        "m"
    )


def test_limits_of_an_error_are_taken_as_rectangular() -> None:
    # JCGM 100:2008 (GUM) 4.3.7 example 1, from memory: a = 0.40e-6 → u = 0.23e-6; 4.4.5, from
    # memory: ±4 → 2.3.
    assert meter_of("0.40 uV", "1 V").standard_uncertainty(0.5, "V") == pytest.approx(
        0.23e-6, abs=0.005e-6
    )
    assert meter_of("4 V", "100 V").standard_uncertainty(50, "V") == pytest.approx(2.3, abs=0.01)


def test_meter_specification_to_uncertainty() -> None:
    # GUM 4.3.7 example 2 and 5.1.5, from memory: 0.928 571 V on the 1 V range.
    accuracy = read_accuracy("14 ppm + 2 ppm of range", "V")
    a = accuracy.half_width(0.928571, 1.0, 0.0)
    assert a == pytest.approx(15e-6, abs=0.05e-6)
    meter = meter_of("14 ppm + 2 ppm of range", "1 V")
    assert meter.standard_uncertainty(0.928571, "V") == pytest.approx(8.7e-6, abs=0.05e-6)
    # With 12 µV for the mean of repeated readings the combined one is 15 µV.
    scatter = [Decimal("0.928571") + Decimal(step) * Decimal("12e-6") for step in (-1, 1)]
    readings = [Quantity(value, "V") for value in scatter]
    both = judge(readings, limits_of(max="1 V"), instrument=meter)
    assert both.uncertainty == pytest.approx(15e-6, abs=0.5e-6)


def test_conformance_probability_of_one_limit() -> None:
    # JCGM 106:2012, from memory: y = -5.47 V, u = 0.05 V, upper limit -5.40 V → Φ(1.4) = 0.92.
    low, inside, high = conformance(-5.47, 0.05, None, -5.40)
    assert inside == pytest.approx(0.92, abs=0.005)
    assert (low, low + inside + high) == (0.0, pytest.approx(1.0))


def test_guard_band_of_one_limit() -> None:
    # ISO 14253-1:2017, from memory: g = 1.65 u (1.6449).
    limits = limits_of(max="10 V")
    m = meter(0.1)
    assert verdict_of("9.835 V", limits, instrument=m).outcome == "inside"
    assert verdict_of("9.836 V", limits, instrument=m).outcome == "undecided"
    assert verdict_of("10.164 V", limits, instrument=m).outcome == "undecided"
    assert verdict_of("10.165 V", limits, instrument=m).outcome == "high"


def test_two_limits_are_decided_over_both() -> None:
    # Recomputed: a reading at a - 1.65 u conforms with 0.9505 at u = a/4, 0.9411 at u = a/2;
    # above u = 0.510 a no reading reaches 95 %.
    for u, p in ((0.25, 0.9505), (0.5, 0.9411)):
        assert conformance(1 - 1.65 * u, u, -1, 1)[1] == pytest.approx(p, abs=5e-5)
    assert conformance(0, 0.510, -1, 1)[1] > 0.95
    assert conformance(0, 0.511, -1, 1)[1] < 0.95
    limits = limits_of(min="-1 V", max="1 V")
    assert verdict_of("0.175 V", limits, instrument=meter(0.5)).outcome == "undecided"
    assert verdict_of("0.587 V", limits, instrument=meter(0.25)).outcome == "inside"


def test_type_a() -> None:
    # GUM 4.4.3, from memory; recomputed: 20 readings with s = 1.489 → 0.333 for the mean.
    values = [100 + step for step in range(-10, 10)]
    spread = sqrt(sum((v - 99.5) ** 2 for v in values) / 19)
    scaled = [100 + (v - 99.5) * 1.489 / spread for v in values]
    mean, u, freedom = type_a(scaled)
    assert (mean, freedom) == (pytest.approx(100), 19)
    assert u == pytest.approx(0.333, abs=5e-4)
    with pytest.raises(ReadingError):
        type_a([1.0])


@settings(max_examples=examples(200))
@example(4.9904828777e-09, 1)
@given(st.floats(-8, 8), st.integers(1, 60))
def test_probabilities_agree_with_a_reference_library(z: float, freedom: int) -> None:
    assert below(z) == pytest.approx(float(scipy.stats.norm.cdf(z)), abs=1e-12)
    # The reference itself is off by up to 2e-9 near zero, where it gives 0.5.
    reference = float(scipy.stats.t.cdf(z, freedom))
    assert below(z, freedom) == pytest.approx(reference, abs=1e-9 if abs(z) > 1e-6 else 1e-8)


@example(4.9904828777e-09)
@given(st.floats(-8, 8))
def test_one_and_two_degrees_of_freedom_have_closed_forms(z: float) -> None:
    # Student's distribution at n = 1 is Cauchy's; at n = 2 it is algebraic.
    assert below(z, 1) == pytest.approx(0.5 + atan(z) / pi, abs=1e-12)
    assert below(z, 2) == pytest.approx(0.5 + z / (2 * sqrt(2 + z * z)), abs=1e-12)


def test_effective_degrees_of_freedom() -> None:
    # Welch-Satterthwaite, GUM G.4.1: two equal parts of 4 and 4 degrees have 8.
    assert effective_freedom([(1.0, 4), (1.0, 4)]) == pytest.approx(8)
    assert effective_freedom([(1.0, inf), (1.0, 5)]) == pytest.approx(20)
    assert effective_freedom([(1.0, inf)]) == inf


# -- the decision -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "outcome"),
    [("30.6 V", "inside"), ("37.4 V", "inside"), ("30.59 V", "low"), ("37.41 V", "high"),
     ("34 V", "inside"), ("OL", "high"), ("0 V", "low"), ("-34 V", "low")],
)  # fmt: skip
def test_without_an_instrument_the_comparison_is_plain_and_inclusive(
    typed: str, outcome: str
) -> None:
    verdict = verdict_of(typed, limits_of(nominal="34 V", tolerance="10 %"))
    assert verdict.outcome == outcome
    assert verdict.uncertainty is None
    assert verdict.likelihoods[outcome] == 1.0
    if typed != "OL":
        assert "no instrument declared" in verdict.sentence


def test_over_range_is_above_every_limit() -> None:
    assert verdict_of("OL", limits_of(max="1 V")).outcome == "high"
    assert verdict_of("OL", limits_of(min="1 Mohm")).outcome == "inside"
    assert verdict_of("OL", limits_of(min="-13 V", max="-11 V")).outcome == "high"
    bands = [{"name": "shorted", "below": "1 ohm"}, {"name": "sound", "from": "1 ohm"}]
    assert verdict_of("OL", limits_of(bands=bands)).outcome == "sound"
    closed = [{"name": "a", "below": "1 V"}, {"name": "b", "from": "1 V", "below": "2 V"}]
    assert verdict_of("OL", limits_of(bands=closed)).outcome == "undecided"
    document = verdict_of("OL", limits_of(max="1 V")).as_dict()
    assert (document["value"], document["over_range"]) == (None, True)


def test_with_both_limits_negative_low_means_smaller_in_size() -> None:
    limits = limits_of(nominal="-12 V", tolerance="10 %")
    assert limits.lower is not None
    assert limits.upper is not None
    assert limits.lower < limits.upper
    assert verdict_of("-10 V", limits).outcome == "low"
    assert verdict_of("-12 V", limits).outcome == "inside"
    assert verdict_of("-14 V", limits).outcome == "high"
    unsure = verdict_of("-10.9 V", limits, instrument=meter(0.5))
    assert unsure.likelihoods["low"] > unsure.likelihoods["high"]


def test_too_close_to_call_says_so_and_what_to_do() -> None:
    limits = limits_of(nominal="34 V", tolerance="10 %")
    verdict = verdict_of("30.7 V", limits, instrument=bench().instrument("dmm"))
    assert verdict.outcome == "undecided"
    assert "too close to call" in verdict.sentence
    assert "finer meter" in verdict.advice
    # 0.5 % of 30.7 V and three digits of 10 mV, rectangular: GUM 4.3.7.
    u = (0.005 * 30.7 + 0.03) / sqrt(3)
    assert verdict.uncertainty == pytest.approx(u)
    want = scipy.stats.norm.cdf(0.1 / u) - scipy.stats.norm.cdf((30.7 - 37.4) / u)
    assert verdict.probability_inside == pytest.approx(float(want), abs=1e-9)
    assert sum(verdict.likelihoods.values()) == pytest.approx(1.0)
    assert verdict_of("30.7 V", limits, instrument=meter(0.1), rule=Rule(0.8)).outcome == "inside"
    simple = Rule(simple=True)
    assert verdict_of("30.6 V", limits, instrument=meter(0.1), rule=simple).outcome == "inside"
    with pytest.raises(ReadingError):
        Rule(0.4)


def test_several_readings_are_judged_by_their_mean() -> None:
    limits = limits_of(nominal="10 V", tolerance="1 %")
    typed = ["9.97 V", "10.02 V", "10.01 V", "9.98 V", "10.02 V"]
    readings = [parse_quantity(text) for text in typed]
    verdict = judge(readings, limits)
    values = [float(reading.value or 0) for reading in readings]
    mean, u, _ = type_a(values)
    assert verdict.reading.value == Decimal("10.00")
    assert mean == pytest.approx(10)
    assert verdict.uncertainty == pytest.approx(u)
    assert verdict.outcome == "inside"
    assert verdict.as_dict()["readings"] == values
    want = scipy.stats.t.cdf(0.1 / u, 4) - scipy.stats.t.cdf(-0.1 / u, 4)
    assert verdict.probability_inside == pytest.approx(float(want), abs=1e-9)
    with_meter = judge(readings, limits, instrument=meter(0.01))
    assert with_meter.uncertainty == pytest.approx(sqrt(u * u + 0.01**2))
    alike = judge([parse_quantity("9.9 V")] * 3, limits)
    assert alike.outcome == "inside"
    assert judge([parse_quantity("OL", "V"), parse_quantity("5 V")], limits).outcome == "high"
    for wrong in ([], [parse_quantity("5 V"), parse_quantity("5 A")]):
        with pytest.raises(ReadingError):
            judge(wrong, limits)


def test_a_reading_in_another_unit_is_not_judged() -> None:
    limits = limits_of(max="120 mVpp")
    for typed in ("5 A", "5 VDC", "80", "OL A"):
        with pytest.raises(ReadingError) as caught:
            judge(parse_quantity(typed), limits)
        assert "V p-p" in caught.value.message
    with pytest.raises(ReadingError):
        judge(parse_quantity("5 Vpp"), limits_of(max="9 V"))
    assert judge(parse_quantity("230 VAC"), limits_of(nominal="230 V", tolerance="10 %")).outcome


def test_bands_with_an_instrument() -> None:
    bands = [{"name": "dead", "below": "5 V"}, {"name": "good", "from": "5 V"}]
    limits = limits_of(bands=bands)
    sure = verdict_of("6 V", limits, instrument=meter(0.1))
    assert (sure.outcome, sure.probability_inside) == ("good", None)
    close = verdict_of("5.05 V", limits, instrument=meter(0.1))
    assert close.outcome == "undecided"
    # Φ(0.5), any table of the normal distribution.
    assert close.likelihoods["good"] == pytest.approx(0.6915, abs=1e-4)


@settings(max_examples=examples(200))
@given(
    st.decimals(-50, 50, places=3),
    st.decimals(-20, 0, places=2),
    st.decimals(0, 20, places=2),
    st.one_of(st.none(), st.floats(0.001, 5)),
)
def test_a_verdict_is_coherent(
    value: Decimal, low: Decimal, high: Decimal, u: float | None
) -> None:
    limits = resolve_limits({"min": f"{low} V", "max": f"{high} V"})
    verdict = judge(Quantity(value, "V"), limits, instrument=None if u is None else meter(u))
    assert verdict.outcome in {*limits.outcomes, "undecided"}
    assert sum(verdict.likelihoods.values()) == pytest.approx(1.0)
    if verdict.outcome != "undecided":
        assert verdict.likelihoods[verdict.outcome] >= 0.95
        plain = judge(Quantity(value, "V"), limits).outcome
        assert plain == verdict.outcome
    assert verdict.sentence.endswith(".")
    assert len(verdict.scale) < 80
    json.dumps(verdict.as_dict(), allow_nan=False)


def test_conformance_by_monte_carlo() -> None:
    # JCGM 101: 100,000 draws of the true value given the reading.
    rng = random.Random(1)
    inside = sum(-1 <= rng.gauss(0.6, 0.4) <= 1 for _ in range(100_000)) / 100_000
    assert conformance(0.6, 0.4, -1, 1)[1] == pytest.approx(inside, rel=0.01)


# -- instruments ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "a"),
    [
        ("0.5 % + 3 digits", "V", 0.05 + 0.03),
        ("±(0.5 % + 3)", "V", 0.05 + 0.03),
        ("0.5% rdg + 3 dgt", "V", 0.05 + 0.03),
        ("1 % + 0.2 pF", "F", 0.1 + 0.2e-12),
        ("1 % of range", "V", 0.2),
        ("100 ppm + 10 ppm of range", "V", 0.001 + 0.0002),
        ("2 mV", "V", 0.002),
    ],
)
def test_accuracies_as_data_sheets_print_them(text: str, unit: str, a: float) -> None:
    assert read_accuracy(text, unit).half_width(10.0, 20.0, 0.01) == pytest.approx(a)


@pytest.mark.parametrize(
    "text", ["good", "1 % + ", "1 % + 2 A", "-1 %", "", "1..2 %", "5 % of gold"]
)
def test_accuracies_that_say_nothing(text: str) -> None:
    with pytest.raises(ReadingError):
        read_accuracy(text, "V")


def test_the_smallest_range_that_shows_the_reading_is_taken() -> None:
    dmm = bench().instrument("dmm")
    near = dmm.standard_uncertainty(5, "V", "dc")
    far = dmm.standard_uncertainty(30, "V")
    assert near == pytest.approx((0.025 + 0.003) / sqrt(3))
    assert far == pytest.approx((0.15 + 0.03) / sqrt(3))
    assert dmm.standard_uncertainty(500, "V") is None
    assert dmm.standard_uncertainty(5, "V", "ac") is None
    with pytest.raises(ReadingError):
        verdict_of("500 V", limits_of(max="600 V"), instrument=dmm)


def test_resolution_counts_where_the_accuracy_has_no_digits() -> None:
    plain = read_bench(
        {"instruments": {"m": {"kind": "k", "measures": {
            "V": [{"range": 10, "accuracy": "30 mV", "resolution": "80 mV"}]
        }}}}
    ).instrument("k")  # fmt: skip
    # Two rectangular parts of ±30 mV and ±40 mV, GUM 4.3.7 and F.2.2.1.
    assert plain.standard_uncertainty(5, "V") == pytest.approx(0.05 / sqrt(3))


def test_instruments_are_named_by_id_or_by_a_kind_of_which_there_is_one() -> None:
    found = bench()
    assert found.instrument("dmm") is found.instrument("multimeter")
    assert found.instrument("dmm").overdue("2027-03-03")
    assert not found.instrument("dmm").overdue("2027-03-02")
    assert (found.labour_rate, found.currency, found.unit_values["bench-supply"]) == (
        30,
        "EUR",
        120,
    )
    with pytest.raises(ReadingError):
        found.instrument("scope")
    twice = {"instruments": {"a": {"kind": "meter"}, "b": {"kind": "meter"}}}
    with pytest.raises(ReadingError):
        read_bench(twice).instrument("meter")


@pytest.mark.parametrize(
    ("bad", "key"),
    [
        ({"instrument": {}}, ("instrument",)),
        ({"instruments": [1]}, ("instruments",)),
        ({"instruments": {"m": {}}}, ("instruments", "m")),
        ({"instruments": {"m": {"kind": "k", "colour": 1}}}, ("instruments", "m", "colour")),
        (
            {"instruments": {"m": {"kind": "k", "measures": {"furlong": []}}}},
            ("instruments", "m", "measures", "furlong"),
        ),
        (
            {"instruments": {"m": {"kind": "k", "measures": {"V": [{"range": "6 A"}]}}}},
            ("instruments", "m", "measures", "V", 0),
        ),
        (
            {"instruments": {"m": {"kind": "k", "measures": {"V": [
                {"range": "6 A", "accuracy": "1 %"}]}}}},
            ("instruments", "m", "measures", "V", 0, "range"),
        ),
        (
            {"instruments": {"m": {"kind": "k", "measures": {"V": [
                {"range": "6 V", "accuracy": "1 % + 3 digits"}]}}}},
            ("instruments", "m", "measures", "V", 0, "accuracy"),
        ),
        ({"labour_rate": "much"}, ("labour_rate",)),
        ({"labour_rate": -1}, ("labour_rate",)),
        ({"unit_values": {"x": True}}, ("unit_values", "x")),
    ],
)  # fmt: skip
def test_a_bench_that_cannot_be_understood_is_refused_at_the_key(
    bad: dict[str, Any], key: tuple[str | int, ...]
) -> None:
    with pytest.raises(ReadingError) as caught:
        read_bench(bad)
    assert caught.value.key == key


def test_the_schema_of_a_bench_takes_what_the_reader_takes() -> None:
    assert is_valid(BENCH, "bench")
    for told in schema("bench")["examples"]:
        assert is_valid(told, "bench")
        assert read_bench(told).instruments
    assert not is_valid({"instruments": {"m": {}}}, "bench")
    assert not is_valid({"instruments": {}, "labor": 3}, "bench")


def test_a_meter_that_cannot_decide_is_named_before_the_reading() -> None:
    found = bench()
    esr = resolve_limits(
        {"component": "electrolytic", "capacitance": "4700 uF", "rated": "50 V", "quantity": "ESR"}
    )
    said = ask_before(esr, found, using="dmm") or ""
    assert "Handheld meter" in said
    assert "esr-1" in said
    assert ask_before(esr, found, using="esr-1") is None
    assert ask_before(esr, found) is None
    only = [found.instrument("dmm")]
    assert "No instrument" in (ask_before(esr, only, using="dmm") or "")
    assert "No instrument" in (ask_before(esr, only) or "")
    wrong = ask_before(limits_of(max="5 A"), found, using="dmm") or ""
    assert "does not read" in wrong
    rail = limits_of(nominal="34 V", tolerance="10 %")
    assert ask_before(rail, found, using="dmm") is None
    assert ask_before(rail, found) is None
    # Above u = 0.510 a no reading reaches 95 %.
    tight = limits_of(min="-1 V", max="1 V")
    assert ask_before(tight, [meter(0.509)], using="m") is None
    assert ask_before(tight, [meter(0.512)], using="m") is not None


# -- in circuit -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "typed", "outcome"),
    [
        # Parallel paths make a resistance read low, never high: common practice, no source.
        ({"nominal": "10 kohm", "tolerance": "5 %"}, "12 kohm", "high"),
        ({"nominal": "10 kohm", "tolerance": "5 %"}, "10 kohm", "inside"),
        ({"nominal": "10 kohm", "tolerance": "5 %"}, "8 kohm", "undecided"),
        ({"max": "2 ohm"}, "9 ohm", "high"),
        ({"max": "2 ohm"}, "1 ohm", "undecided"),
        ({"min": "1 Mohm"}, "2 Mohm", "inside"),
        ({"min": "1 Mohm"}, "0.5 Mohm", "undecided"),
        ({"min": "1 Mohm"}, "OL", "inside"),
        # For capacitance it is the reverse.
        ({"nominal": "220 uF", "tolerance": "20 %"}, "130 uF", "undecided"),
        (
            {"component": "electrolytic", "quantity": "capacitance", "capacitance": "220 uF"},
            "130 uF",
            "low",
        ),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "220 uF", "inside"),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "390 uF", "undecided"),
        ({"min": "220 uF"}, "390 uF", "undecided"),
        ({"component": "junction", "type": "silicon"}, "0.6 V", "inside"),
        ({"component": "junction", "type": "silicon"}, "0.3 V", "undecided"),
        ({"nominal": "34 V", "tolerance": "10 %"}, "20 V", "low"),
    ],
)
def test_in_circuit_only_the_direction_that_proves_something_counts(
    spec: dict[str, Any], typed: str, outcome: str
) -> None:
    limits = resolve_limits(spec)
    verdict = verdict_of(typed, limits, in_circuit=True)
    assert verdict.outcome == outcome
    assert ("lift one lead and repeat" in verdict.sentence) == (outcome == "undecided")
    if outcome == "undecided":
        assert verdict.likelihoods == {}
    assert verdict_of(typed, limits, in_circuit=False).outcome != "undecided"
    assert verdict_of(typed, limits).outcome != "undecided"


def test_an_in_circuit_reading_inside_says_what_it_could_hide() -> None:
    for spec, typed, said in (
        ({"nominal": "10 kohm", "tolerance": "5 %"}, "10 kohm", "reads high alone"),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "220 uF", "reads low alone"),
        ({"nominal": "34 V", "tolerance": "10 %"}, "34 V", ""),
    ):
        limits = resolve_limits(spec)
        verdict = verdict_of(typed, limits, in_circuit=True)
        assert verdict.outcome == "inside"
        assert verdict.advice.endswith(said)
        assert bool(verdict.advice) == bool(said)
        assert not verdict_of(typed, limits).advice


def test_where_no_in_circuit_reading_counts_none_does() -> None:
    for spec, typed in (
        ({"max": "2 ohm"}, "9 ohm"),
        ({"min": "1 uF"}, "0.5 uF"),
        ({"min": "3 V"}, "1 V"),
    ):
        verdict = verdict_of(typed, resolve_limits(spec), in_circuit=True, never_in_circuit=True)
        assert verdict.outcome == "undecided"
        assert "lift one lead" in verdict.advice


def test_a_short_across_a_part_names_its_neighbours() -> None:
    limits = limits_of(min="100 ohm")
    verdict = verdict_of("0.3 ohm", limits, in_circuit=True, neighbours=["C1", "D3"])
    assert "C1, D3" in verdict.sentence


# -- did you mean ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spec", "typed", "asked"),
    [
        ({"nominal": "220 uF", "tolerance": "20 %"}, "220 nF", "220 µF"),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "220 mF", "220 µF"),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "220 F", "220 µF"),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "130", "130 µF"),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "130 nF", None),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "130 uF", None),
        ({"nominal": "1 kohm", "tolerance": "5 %"}, "1 ohm", "1 kΩ"),
        ({"nominal": "1 Mohm", "tolerance": "5 %"}, "1 ohm", "1 MΩ"),
        ({"nominal": "34 V", "tolerance": "10 %"}, "34 mV", "34 V"),
        ({"nominal": "34 V", "tolerance": "10 %"}, "34", None),
        ({"nominal": "34 V", "tolerance": "10 %"}, "21.4 V", None),
        ({"nominal": "34 V", "tolerance": "10 %"}, "0 V", None),
        ({"nominal": "34 V", "tolerance": "10 %"}, "OL", None),
        ({"nominal": "220 uF", "tolerance": "20 %"}, "0", None),
        ({"max": "49.1 mohm"}, "1.3 ohm", None),
        ({"max": "120 mV"}, "120 V", "120 mV"),
        ({"max": "120 mV"}, "80", "80 mV"),
        ({"max": 120, "unit": "mV"}, "80", None),
        ({"max": "2 min"}, "90", "90 min"),
        ({"min": "1 Mohm"}, "500 ohm", "500 MΩ"),
        ({"min": "1 Mohm"}, "300 kohm", None),
        ({"nominal": "-12 V", "tolerance": "10 %"}, "12.1", "-12.1 V"),
        ({"nominal": "-12 V", "tolerance": "10 %"}, "-12.1", None),
        ({"nominal": "-12 V", "tolerance": "10 %"}, "+12.1", None),
    ],
)
def test_did_you_mean(spec: dict[str, Any], typed: str, asked: str | None) -> None:
    limits = resolve_limits(spec)
    question = doubt(parse_quantity(typed, limits.place), limits)
    if asked is None:
        assert question is None
    else:
        assert f"Did you mean {asked}?" in (question or "")


# -- what is said -----------------------------------------------------------------------------


def test_the_document_of_a_verdict() -> None:
    limits = limits_of(nominal="34 V", tolerance="10 %", source="four good units of the shop")
    document = verdict_of("21.4 V", limits, instrument=bench().instrument("dmm")).as_dict()
    assert document["verdict"] == "low"
    assert (document["value"], document["unit"]) == (21.4, "V")
    assert (document["lower"], document["upper"]) == (30.6, 37.4)
    assert document["uncertainty"] == pytest.approx((0.107 + 0.03) / sqrt(3))
    assert document["probability_inside"] < 1e-9
    assert document["source"] == "four good units of the shop"
    assert document["instrument"] == "dmm"
    assert "four good units of the shop" in document["text"]
    assert json.loads(json.dumps(document)) == document


def test_a_reading_just_beyond_its_limit_is_never_shown_as_the_limit() -> None:
    verdict = verdict_of("37.401 V", limits_of(nominal="34 V", tolerance="10 %"))
    assert verdict.outcome == "high"
    assert "37.401 V" in verdict.sentence
    assert "10.003 %" in verdict.sentence


@pytest.mark.parametrize(
    ("typed", "mark"), [("34 V", "*"), ("30.6 V", "*"), ("5 V", "<"), ("90 V", ">"), ("OL", ">")]
)
def test_the_scale_shows_reading_and_limits_in_plain_signs(typed: str, mark: str) -> None:
    line, _, figures = verdict_of(
        typed, limits_of(nominal="34 V", tolerance="10 %")
    ).scale.partition("  ")
    assert len(line) == 31
    assert line.isascii()
    assert line.count(mark) == 1
    assert figures == "30.6 V to 37.4 V"
    if mark == "*" and typed == "34 V":
        assert line.index("[") < line.index("*") < line.index("]")


@pytest.mark.parametrize(
    ("typed", "outcome", "said"),
    [
        # 4.7 kΩ ± 5 % begins at 4.465 kΩ, which three digits would show as 4.47 kΩ.
        ("4.466 kohm", "inside", "0.996 times"),
        ("4.465 kohm", "inside", "1 times"),
        ("4.464 kohm", "low", "1.004 times"),
    ],
)
def test_a_limit_is_never_shown_on_the_other_side_of_the_reading(
    typed: str, outcome: str, said: str
) -> None:
    verdict = verdict_of(typed, limits_of(nominal="4.7 kohm", tolerance="5 %"))
    assert verdict.outcome == outcome
    assert f", {said} its tolerance" in verdict.sentence
    assert verdict.scale.endswith("4.465 kΩ to 4.935 kΩ")


@given(
    st.decimals("0.001", "9999", places=6),
    st.decimals("0.0001", "0.3", places=4),
    st.decimals("-0.4", "0.4", places=4),
)
def test_shown_limits_and_reading_stand_as_the_exact_ones_do(
    nominal: Decimal, share: Decimal, off: Decimal
) -> None:
    limits = limits_of(nominal=f"{nominal} ohm", tolerance=f"{share * 100} %")
    assert limits.lower is not None
    assert limits.upper is not None
    value = nominal * (1 + off)
    digits = digits_for(limits, value)
    for edge in (limits.lower, limits.upper):
        shown = parse_quantity(show(edge, "ohm", digits=digits)).value
        assert shown is not None
        assert (shown > value, shown < value) == (edge > value, edge < value)
