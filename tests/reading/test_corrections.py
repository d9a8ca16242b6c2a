"""Corrections of a reading, one-sided readings, good units, basis, and the kind of instrument."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal
from math import sqrt
from typing import Any

import pytest
import scipy.stats

from faulttree.errors import ReadingError
from faulttree.reading import Bench, Instrument, Verdict, judge, parse_quantity, read_bench
from faulttree.reading import resolve_limits as resolved
from faulttree.tree.schema import is_valid

BENCH = {
    "instruments": {
        "dmm": {
            "kind": "multimeter",
            "input_resistance": "1 Mohm",
            "measures": {
                "ohm": [{"range": "600 ohm", "accuracy": "2 % + 20 mohm"}],
                "V DC": [{"range": "60 V", "accuracy": "0.5 % + 30 mV"}],
                "A DC": [{"range": "100 mA", "accuracy": "1 % + 0.1 mA", "burden": "200 mV"}],
            },
        }
    }
}


def dmm() -> Instrument:
    return read_bench(BENCH).instrument("dmm")


def verdict(typed: str, spec: dict[str, Any], **more: Any) -> Verdict:
    limits = resolved(spec)
    return judge(parse_quantity(typed, limits.place), limits, **more)


# -- the corrections, one by one -----------------------------------------------------------------

WINDING = {"component": "winding", "resistance": "10 ohm", "tolerance": "2 %"}


@pytest.mark.parametrize(
    ("typed", "spec", "value", "said"),
    [
        ("0.35 ohm null 0.2 ohm", {"max": "0.2 ohm"}, 0.15, "null of the leads 200 mΩ"),
        ("0.15 ohm four-wire", {"max": "0.2 ohm"}, 0.15, "no lead is in the reading"),
        ("3.3 V x10", {"nominal": "33 V", "tolerance": "5 %"}, 33, "×10 probe"),
        # A divider of 10 MΩ and 1 MΩ: 4.5 V at the meter are 4.95 V without it. Ohm's law.
        ("4.5 V input 10 Mohm", {"min": "4.75 V", "source_resistance": "1 Mohm"}, 4.95, "loads"),
        ("4.5 V", {"min": "4.75 V", "source_resistance": "1 Mohm"}, 4.95, "which is assumed"),
        # 0.5 V of 5 V across the meter: 50 Ω and 5 Ω carry 90.9 mA, 50 Ω alone 100 mA.
        ("90 mA burden 0.5 V", {"min": "95 mA", "driving_voltage": "5 V"}, 0.1, "500 mV of the"),
        ("13.93 ohm at 120 °C", WINDING, 10.0, "copper at 20 °C"),
    ],
)
def test_each_correction_is_made_and_told(
    typed: str, spec: dict[str, Any], value: float, said: str
) -> None:
    found = verdict(typed, spec)
    assert float(found.reading.value or 0) == pytest.approx(value, rel=2e-3)
    assert found.outcome == "inside"
    assert said in found.sentence
    assert found.as_dict()["corrections"]


@pytest.mark.parametrize(("t1", "t2"), [(20, 75), (20, 21), (80, 25), (-10, 40)])
def test_copper_follows_its_constant(t1: int, t2: int) -> None:
    # IEC 60034-1: R2/R1 = (234.5 + t2)/(234.5 + t1); IEC 60028: 0.393 %/K at 20 °C.
    spec = {"component": "winding", "resistance": "10 ohm", "temperature": f"{t2} degC"}
    found = verdict(f"7 ohm at {t1} °C", spec).reading.value
    assert float(found or 0) == pytest.approx(7 * (234.5 + t2) / (234.5 + t1), rel=1e-12)
    if (t1, t2) == (20, 21):
        assert float(found or 0) / 7 - 1 == pytest.approx(0.00393, abs=5e-6)


def test_a_warm_winding_is_not_called_bad() -> None:
    # 30 K above the limit's temperature read as +11.8 %.
    assert verdict("11.18 ohm", WINDING).outcome == "high"
    assert verdict("11.18 ohm at 50 °C", WINDING).outcome == "inside"


@pytest.mark.parametrize(
    ("typed", "spec"),
    [
        ("0.1 ohm null 0.2 ohm", {"max": "1 ohm"}),
        ("5 V null 0.2 ohm", {"max": "9 V"}),
        ("5 ohm x10", {"max": "9 ohm"}),
        ("5 ohm at 40 °C", {"max": "9 ohm"}),
        ("5 V input 10 Mohm", {"max": "9 V"}),
        ("5 mA burden 0.2 V", {"max": "9 mA"}),
        ("90 mA burden 6 V", {"min": "95 mA", "driving_voltage": "5 V"}),
        ("5 ohm four-wire null 0.1 ohm", {"max": "9 ohm"}),
        ("5 ohm null", {"max": "9 ohm"}),
        ("5 ohm null 0.2 V", {"max": "9 ohm"}),
        ("5 ohm at -300 °C", WINDING),
    ],
)
def test_what_cannot_be_corrected_is_refused(typed: str, spec: dict[str, Any]) -> None:
    with pytest.raises(ReadingError) as told:
        verdict(typed, spec)
    assert told.value.remedy


def test_a_limit_is_no_reading_that_was_taken_somehow() -> None:
    for spec in (
        {"max": "5 ohm null 0.2 ohm"},
        {"max": "5 ohm", "source_resistance": "1 Mohm"},
        {"max": "5 A", "driving_voltage": "-5 V"},
        {"max": "5 V", "basis": "rumour"},
        {"max": "5 V", "good": ["OL"]},
        {"max": "5 V", "requires": "500 V"},
    ):
        with pytest.raises(ReadingError):
            resolved(spec)


# -- the uncertainty of a corrected reading ------------------------------------------------------


def of_range(typed: str, instrument: Instrument) -> float:
    read = parse_quantity(typed)
    assert read.value is not None
    kind = {"V": "dc", "A": "dc"}.get(read.unit, "")
    return instrument.standard_uncertainty(read.value, read.unit, kind) or 0.0


def test_the_uncertainty_follows_the_correction() -> None:
    # First order, GUM 5.1.2: the null has the meter's uncertainty too; a factor scales it.
    meter = dmm()
    nulled = verdict("0.35 ohm null 0.2 ohm", {"max": "0.2 ohm"}, instrument=meter)
    both = sqrt(of_range("0.35 ohm", meter) ** 2 + of_range("0.2 ohm", meter) ** 2)
    assert nulled.uncertainty == pytest.approx(both)
    probe = verdict("3.3 V x10", {"nominal": "33 V", "tolerance": "5 %"}, instrument=meter)
    assert probe.uncertainty == pytest.approx(10 * of_range("3.3 V", meter))
    loaded = verdict("4 V", {"min": "3 V", "source_resistance": "1 Mohm"}, instrument=meter)
    assert loaded.uncertainty == pytest.approx(2 * of_range("4 V", meter))
    spec = {"min": "50 mA", "driving_voltage": "1 V"}
    # The burden at 90 mA on the 100 mA range is 180 mV: dI/dIm = (1/0.82)², by derivation.
    burdened = verdict("90 mA", spec, instrument=meter)
    assert float(burdened.reading.value or 0) == pytest.approx(0.09 / 0.82)
    assert burdened.uncertainty == pytest.approx(of_range("90 mA", meter) / 0.82**2)


def drawn(rng: random.Random) -> tuple[str, dict[str, Any], float, float]:
    """A reading with a correction, its limits, and the corrected value with its uncertainty."""
    meter, kind = dmm(), rng.choice(["null", "copper", "probe", "loading", "burden", "none"])
    if kind == "probe":
        read = round(rng.uniform(1, 5), 3)
        return f"{read} V x10", {}, 10 * read, 10 * of_range(f"{read} V", meter)
    if kind == "loading":
        read, source = round(rng.uniform(1, 50), 3), rng.randint(1, 900)
        gain = 1 + source / 1000
        spec = {"source_resistance": f"{source} kohm"}
        return f"{read} V", spec, gain * read, gain * of_range(f"{read} V", meter)
    if kind == "burden":
        read, drive = round(rng.uniform(1, 99), 3), round(rng.uniform(0.5, 9), 2)
        gain = drive / (drive - read / 100 * 0.2)
        u = gain * gain * of_range(f"{read} mA", meter)
        return f"{read} mA", {"driving_voltage": f"{drive} V"}, gain * read / 1000, u
    read = round(rng.uniform(2, 500), 3)
    u = of_range(f"{read} ohm", meter)
    if kind == "null":
        null = round(rng.uniform(0.05, 1), 3)
        both = sqrt(u * u + of_range(f"{null} ohm", meter) ** 2)
        return f"{read} ohm null {null} ohm", {}, read - null, both
    if kind == "copper":
        at = rng.randint(-20, 120)
        gain = (234.5 + 20) / (234.5 + at)
        spec = {
            "component": "winding",
            "resistance": f"{gain * read * rng.uniform(0.8, 1.2):.4f} ohm",
        }
        return f"{read} ohm at {at} °C", spec, gain * read, gain * u
    return f"{read} ohm", {}, read, u


def conform(count: int) -> None:
    """Conformance probabilities of random judgements against scipy's normal distribution."""
    rng, meter = random.Random(7), dmm()
    for _ in range(count):
        typed, spec, value, u = drawn(rng)
        if "component" not in spec:
            unit = parse_quantity(typed).unit
            middle, half = value + rng.gauss(0, 3) * u, rng.uniform(0.5, 6) * u
            spec = {
                **spec,
                "min": f"{max(middle - half, 0):.9f} {unit}",
                "max": f"{middle + half:.9f} {unit}",
            }
            if float(spec["max"].split()[0]) <= float(spec["min"].split()[0]):
                continue
        found = verdict(typed, spec, instrument=meter)
        limits = found.limits
        assert found.reading.value is not None
        assert float(found.reading.value) == pytest.approx(value, rel=1e-9)
        assert found.uncertainty == pytest.approx(u, rel=1e-9)
        low, high = float(limits.lower or 0), float(limits.upper or 0)
        normal = scipy.stats.norm(value, u)
        inside = float(normal.cdf(high) - normal.cdf(low))
        assert found.probability_inside == pytest.approx(inside, abs=1e-7)
        wanted = {"inside": inside, "low": float(normal.cdf(low)), "high": float(normal.sf(high))}
        sure = [name for name, p in wanted.items() if p > 0.95 + 1e-6]
        assert not sure or found.outcome == sure[0]
        if all(p < 0.95 - 1e-6 for p in wanted.values()):
            assert found.outcome == "undecided"


def test_corrected_readings_conform_as_scipy_says() -> None:
    conform(150)


@pytest.mark.soak
def test_corrected_readings_conform_as_scipy_says_at_length() -> None:
    conform(3000)


# -- one-sided readings --------------------------------------------------------------------------

BANDS = {
    "bands": [
        {"name": "shorted", "below": "1 ohm"},
        {"name": "worn", "from": "1 ohm", "below": "1 kohm"},
        {"name": "open", "from": "1 kohm"},
    ]
}


@pytest.mark.parametrize(
    ("typed", "spec", "outcome"),
    [
        ("> 999 Mohm", {"min": "1 Mohm"}, "inside"),
        (">999 kΩ", {"min": "1 Mohm"}, "undecided"),
        ("> 1 Mohm", {"min": "1 Mohm"}, "inside"),
        ("< 0.1 ohm", {"max": "0.3 ohm"}, "inside"),
        ("<0.1 Ω", {"max": "0.05 ohm"}, "undecided"),
        ("< 0.1 ohm", {"min": "0.1 ohm"}, "low"),
        ("< 0.1 ohm", {"min": "10 ohm", "max": "20 ohm"}, "low"),
        ("< 15 ohm", {"min": "10 ohm", "max": "20 ohm"}, "undecided"),
        ("above 6 kΩ", {"min": "10 ohm", "max": "20 ohm"}, "high"),
        ("above 15 ohm", {"min": "10 ohm", "max": "20 ohm"}, "undecided"),
        ("more than 6 kohm", {"max": "9 kohm"}, "undecided"),
        ("below 4 V", {"min": "0 V", "max": "5 V"}, "undecided"),
        ("below 4 VAC", {"min": "0 VAC", "max": "5 VAC"}, "inside"),
        ("> -10 V", {"min": "-13 V", "max": "-11 V"}, "low"),
        ("< -14 V", {"min": "-13 V", "max": "-11 V"}, "high"),
        ("> 2 kohm", BANDS, "open"),
        ("> 2 ohm", BANDS, "undecided"),
        ("< 0.5 ohm", BANDS, "shorted"),
    ],
)
def test_a_one_sided_reading_is_judged_where_that_decides(
    typed: str, spec: dict[str, Any], outcome: str
) -> None:
    found = verdict(typed, spec)
    assert found.outcome == outcome
    assert found.rule == "one-sided"
    assert found.reading.value is None
    assert ("a bound, not a value" in found.advice) == (outcome == "undecided")
    # Whatever the value is, it would have given this outcome.
    edge = found.reading.above if found.reading.above is not None else found.reading.below
    assert edge is not None
    tiny = abs(edge) * Decimal("1e-6") * (1 if found.reading.above is not None else -1)
    near = replace(found.reading, value=edge + tiny, above=None, below=None, over_range=False)
    if outcome != "undecided":
        assert judge(near, found.limits).outcome == outcome


def test_a_bound_is_corrected_too() -> None:
    assert verdict("< 0.3 ohm null 0.2 ohm", {"max": "0.1 ohm"}).outcome == "inside"
    assert "below 100 mΩ" in verdict("< 0.3 ohm null 0.2 ohm", {"max": "0.1 ohm"}).sentence


# -- good units and basis ------------------------------------------------------------------------

GOOD = {"min": "40 ohm", "max": "60 ohm", "good": ["45 ohm", "70 ohm"]}


@pytest.mark.parametrize(
    ("typed", "outcome"),
    [("50 ohm", "inside"), ("65 ohm", "undecided"), ("70 ohm", "undecided"), ("71 ohm", "high"),
     ("39 ohm", "low")],
)  # fmt: skip
def test_a_reading_that_good_units_give_is_never_called_bad(typed: str, outcome: str) -> None:
    found = verdict(typed, GOOD)
    assert found.outcome == outcome
    assert ("the tree contradicts itself" in found.sentence) == (outcome == "undecided")
    if outcome == "undecided":
        assert (found.likelihoods, found.rule) == ({}, "good units")
        assert "45 Ω to 70 Ω" in found.sentence


def test_a_rail_below_zero_contradicts_itself_in_the_same_way() -> None:
    spec = {"min": "-13 V", "max": "-11 V", "good": ["-10 V"]}
    assert verdict("-10.5 V", spec).outcome == "undecided"
    assert verdict("-9 V", spec).outcome == "low"


@pytest.mark.parametrize(
    ("basis", "said"),
    [("standard", "a published standard"), ("formula", "a formula"),
     ("practice", "common practice"), ("asked", "a value that was asked for"),
     ("shop", "the shop's own figures")],
)  # fmt: skip
def test_a_verdict_says_what_its_limit_rests_on(basis: str, said: str) -> None:
    assert f"rests on {said}." in verdict("5 V", {"max": "9 V", "basis": basis}).sentence
    spec = {"max": "9 V", "basis": basis, "source": "page 4"}
    assert f"rests on {said}: page 4." in verdict("5 V", spec).sentence


# -- the kind of instrument ----------------------------------------------------------------------

INSULATION = {"component": "insulation", "protection": "I"}
ESR = {"component": "electrolytic", "quantity": "ESR", "capacitance": "220 uF", "rated": "35 V"}


@pytest.mark.parametrize(
    ("spec", "kind", "offers", "fits"),
    [
        (INSULATION, "multimeter", {}, False),
        (INSULATION, "multimeter", None, False),
        (INSULATION, "insulation-tester", None, True),
        (INSULATION, "insulation-tester", {"test_voltage": ["500 V"]}, True),
        (INSULATION, "insulation-tester", {"test_voltage": ["1 kV"]}, False),
        (INSULATION, "high-ohm-box", {"test_voltage": ["0.5 kV"]}, True),
        (ESR, "multimeter", {}, False),
        (ESR, "lcr-meter", {"test_signal": ["a.c."]}, True),
        ({"component": "protective-earth"}, "strong-source", {"test_current": ["10 A"]}, True),
        ({"component": "protective-earth"}, "weak-source", {"test_current": ["10 mA"]}, False),
        ({**INSULATION, "requires": {"test_voltage": "250 V"}}, "insulation-tester",
         {"test_voltage": ["250 V", "500 V"]}, True),
        ({**INSULATION, "requires": {"test_voltage": "250 V"}}, "insulation-tester",
         {"test_voltage": ["500 V"]}, False),
        ({"max": "1 ohm", "requires": {"test_current": "1 A"}}, "multimeter", {}, False),
        ({"max": "1 ohm"}, "multimeter", {}, True),
    ],
)  # fmt: skip
def test_an_instrument_of_another_kind_is_refused_with_the_reason(
    spec: dict[str, Any], kind: str, offers: dict[str, list[str]] | None, fits: bool
) -> None:
    limits = resolved(spec)
    assert limits.takes(kind, offers) is fits
    top = [{"range": "1 Gohm", "accuracy": "1 %"}]
    held = read_bench({"instruments": {"m": {"kind": kind, "measures": {"ohm": top}}}})
    meter = replace(Bench(held.instruments).instrument("m"), offers=offers)
    if fits:
        judge(parse_quantity("0.5 ohm"), limits, instrument=meter)
        return
    with pytest.raises(ReadingError) as told:
        judge(parse_quantity("0.5 ohm"), limits, instrument=meter)
    assert limits.method is not None
    assert limits.method.text in told.value.message


def test_what_the_step_requires_is_told_in_the_verdict() -> None:
    spec = {**INSULATION, "requires": {"test_voltage": "250 V"}}
    assert "this limit requires a test voltage of 250 V" in verdict("20 Mohm", spec).sentence


def test_the_new_keys_of_a_bench_are_in_its_schema() -> None:
    assert is_valid(BENCH, "bench")
    assert dmm().input_resistance == 1_000_000
    for wrong in ({"input_resistance": "0 ohm"}, {"input_resistance": "5 V"}):
        with pytest.raises(ReadingError) as told:
            read_bench({"instruments": {"m": {"kind": "k", **wrong}}})
        assert told.value.key == ("instruments", "m", "input_resistance")
