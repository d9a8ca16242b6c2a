"""Quantities that follow from several readings, and their uncertainty."""

from __future__ import annotations

from math import sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faulttree.errors import ReadingError
from faulttree.reading import judge_text, parse_quantity, read_bench
from faulttree.reading.derived import DERIVED, derive, read_named
from faulttree.reading.uncertainty import coverage_factor


def meter(common: str | None = None) -> Any:
    row = {"range": "20 V", "accuracy": "0.5 %"} | ({"common": common} if common else {})
    return read_bench({"instruments": {"dmm": {"kind": "multimeter", "measures": {"V": [row]}}}})


@pytest.mark.parametrize(
    ("name", "typed", "value"),
    [
        # Two points of a load line, computed: 0.70 V / 10 A.
        ("internal-resistance", ["u1=12.60V", "i1=0.5A", "u2=11.90V", "i2=10.5A"], 0.07),
        ("load-regulation", ["idle=12.6V", "loaded=12V"], 5),
        # IEEE 43, from memory: the ratio after 10 min and 1 min.
        ("polarisation-index", ["r1min=100M", "r10min=250M"], 2.5),
        ("absorption-ratio", ["r30s=100M", "r60s=130M"], 1.3),
        ("ripple", ["pp=120mVpp", "level=12V"], 1),
        # Half the voltage is -6.0206 dB, half the power -3.0103 dB: computed.
        ("voltage-gain", ["input=1V", "output=0.5V"], -6.0206),
        ("power-gain", ["input=2W", "output=1W"], -3.0103),
    ],
)
def test_each_derived_quantity(name: str, typed: list[str], value: float) -> None:
    (found,) = derive(name, read_named(name, typed))
    assert float(found.value or 0) == pytest.approx(value, rel=1e-4)
    assert found.unit == DERIVED[name].unit


# GUM H.2, table H.2, from memory: five sets of voltage, current and phase angle.
SETS = {
    "v": ["5.007", "4.994", "5.005", "4.990", "4.999"],
    "i": ["19.663e-3", "19.639e-3", "19.640e-3", "19.685e-3", "19.678e-3"],
    "p": ["1.0456", "1.0438", "1.0468", "1.0428", "1.0433"],
}


@pytest.mark.parametrize(
    ("formula", "mean", "u"),
    # GUM H.2, table H.4, from memory: mean and its experimental standard deviation.
    [
        ("v / i * cos(p)", 127.732, 0.071),
        ("v / i * sin(p)", 219.847, 0.295),
        ("v / i", 254.260, 0.236),
    ],
)
def test_sets_of_readings_count_what_they_have_in_common(
    formula: str, mean: float, u: float
) -> None:
    typed = [f"{name}={text}" for name, texts in SETS.items() if name in formula for text in texts]
    verdict = judge_text(typed, derived=formula, unit="ohm", maximum="1 kohm").verdicts[0]
    assert float(verdict.reading.value or 0) == pytest.approx(mean, abs=6e-4)
    assert verdict.uncertainty == pytest.approx(u, abs=6e-4)


def test_without_sets_the_correlation_of_means_is_not_covered() -> None:
    # The same example with its means as independent inputs, u from table H.2, from memory: the
    # correlations are neglected, and the resistance gets 0.195 Ω for 0.071 Ω.
    from uncertainties import ufloat

    from faulttree.reading.formula import read_formula

    known = {"v": ufloat(4.9990, 0.0032), "i": ufloat(19.6610e-3, 0.0095e-3)}
    known["p"] = ufloat(1.04446, 0.00075)
    assert read_formula("v / i * cos(p)").spread(known) == pytest.approx(0.195, abs=2e-3)


def test_a_common_gain_error_cancels_where_the_formula_lets_it() -> None:
    taken = read_named("load-regulation", ["idle=12.6V", "loaded=12V"])
    u = {
        common: derive("load-regulation", taken, instrument=meter(common).instrument("dmm"))[0]
        for common in (None, "0.3 %", "0.5 %")
    }
    # 105 % · 0.5 %/√3 · √2 where both errors are independent: computed by hand.
    assert u[None].uncertainty == pytest.approx(105 * 0.005 / sqrt(3) * sqrt(2), rel=1e-6)
    assert u["0.3 %"].uncertainty == pytest.approx(105 * 0.004 / sqrt(3) * sqrt(2), rel=1e-6)
    assert u["0.5 %"].uncertainty == pytest.approx(0, abs=1e-6)


@given(st.floats(1, 19), st.floats(1, 19), st.sampled_from([None, "0.2 %", "0.5 %"]))
def test_a_difference_against_the_general_formula(a: float, b: float, common: str | None) -> None:
    # GUM 5.2.2: u² = u₁² + u₂² - 2 cov, where the covariance is that of the common gain.
    taken = {"a": [parse_quantity(f"{a} V")], "b": [parse_quantity(f"{b} V")]}
    (found,) = derive("a - b", taken, unit="V", instrument=meter(common).instrument("dmm"))
    gain = {None: 0.0, "0.2 %": 0.002, "0.5 %": 0.005}[common]
    variance = (0.005**2 * (a * a + b * b) - 2 * gain**2 * a * b) / 3
    assert (found.uncertainty or 0) ** 2 == pytest.approx(variance, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("typed", "name", "why"),
    [
        (["u1=12V", "i1=1A", "u2=11V"], "internal-resistance", "needs the reading i2"),
        (["12V"], "ripple", "does not say which reading"),
        (["idle=12V", "idle=12V", "loaded=11V"], "load-regulation", "not in sets"),
        (["idle=OL", "loaded=11V"], "load-regulation", "over range"),
        (["idle=12V", "loaded=0V"], "load-regulation", "cannot be worked out"),
        (["idle=1.2V x10", "loaded=12V"], "load-regulation", "how it was taken"),
        (["idle=12V", "loaded=11V", "more=1V"], "load-regulation", "has no reading"),
        (["a=1V"], "log(a)", "calls a function"),
    ],
)
def test_what_cannot_be_derived_is_refused(typed: list[str], name: str, why: str) -> None:
    with pytest.raises(ReadingError, match=why):
        judge_text(typed, derived=name, maximum="100 %")


@pytest.mark.parametrize("common", ["0.6 %", "3 digits", "1 % + 1 digit", "0.3 % of range"])
def test_a_common_part_is_a_part_of_the_share_of_the_reading(common: str) -> None:
    with pytest.raises(ReadingError) as caught:
        meter(common)
    assert caught.value.key[-1] == "common"


def test_coverage_factors_of_few_readings() -> None:
    # GUM table G.2, column 95.45 %, from memory.
    for freedom, k in ((1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28)):
        assert coverage_factor(freedom) == pytest.approx(k, abs=0.006)
    assert coverage_factor() == 2
    verdict = judge_text(["10.01 V", "9.99 V"], maximum="20 V").verdicts[0]
    assert verdict.expanded_uncertainty == pytest.approx(13.97 * 0.01, rel=1e-3)
