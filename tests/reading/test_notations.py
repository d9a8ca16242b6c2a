"""Notations that people type at a bench, and markings of everyday parts."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner
from eseries import E96, series

from faulttree.cli.judge import command
from faulttree.errors import ReadingError
from faulttree.reading import judge_text, parse_quantity
from faulttree.reading.markings import decode_marking
from faulttree.reading.tolerance import read_tolerance


@pytest.mark.parametrize(
    ("text", "place", "value", "kind"),
    [
        ("45 MFD", "F", "45E-6", ""),
        ("4.7 uFd", "F", "4.7E-6", ""),
        ("100 µµF", "F", "100E-12", ""),
        ("33U", "F", "33E-6", ""),
        ("100N", "F", "100E-9", ""),
        ("33P", "F", "33E-12", ""),
        ("4N7", "F", "4.7E-9", ""),
        ("2U2", "F", "2.2E-6", ""),
        ("10uh", "H", "10E-6", ""),
        ("3v3", "V", "3.3", ""),
        ("6A3", "A", "6.3", ""),
        ("5 kHZ", "Hz", "5E3", ""),
        ("2 GHZ", "Hz", "2E9", ""),
        ("5 mVolt", "V", "5E-3", ""),
        ("12 VOLTS", "V", "12", ""),
        ("2 AMPS", "A", "2", ""),
        ("1kR", "ohm", "1E3", ""),
        ("47E", "ohm", "47", ""),
        ("230 Vrms", "V ac", "230", "ac"),
        ("230 V~", "V", "230", "ac"),
        ("12 V⎓", "V", "12", "dc"),
        ("12 V=", "V", "12", "dc"),
        ("20 mVss", "V pp", "0.02", "pp"),
        ("230 Veff", "V", "230", "rms"),
        ("77F", "degC", "25", ""),
        ("23°", "degC", "23", ""),
        ("23 °c", "degC", "23", ""),
        ("23 degrees C", "degC", "23", ""),
        ("90 SEC", "s", "90", ""),
        ("1m30s", "s", "90", ""),
        ("1 min 30 s", "s", "90", ""),
        ("230 VAC rms", "V ac", "230", "ac"),
        ("3 dBm", "dBm", "3", ""),
        # 1 psi = 6894.757 Pa: NIST SP 811, appendix B.8.
        ("1 psi", "Pa", "6894.757293168362", ""),
    ],
)
def test_notations_of_the_bench(text: str, place: str, value: str, kind: str) -> None:
    read = parse_quantity(text, place)
    assert read.value is not None
    assert float(read.value) == pytest.approx(float(value), rel=1e-12)
    assert read.kind == kind


@pytest.mark.parametrize("text", [".OL MΩ", "inf ohm", "OFL", "OVLD"])
def test_what_meters_show_over_range(text: str) -> None:
    assert parse_quantity(text, "ohm").over_range


@pytest.mark.parametrize(
    ("text", "place", "why"),
    [
        ("4E7", "ohm", "printed on a part"),
        ("1.", "ohm", "over range"),
        ("1:30", "s", "minutes and seconds"),
        ("5 m", "s", "minutes or milliseconds"),
        ("12 MOHM", "ohm", "two ways|disputed"),
        ("----", "ohm", "no reading"),
    ],
)
def test_what_could_be_two_things_is_refused(text: str, place: str, why: str) -> None:
    with pytest.raises(ReadingError, match=why):
        parse_quantity(text, place)


# -- markings -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "value", "high"),
    [
        ("104K100", None, "100E-9", "0.1"),
        ("104K50", "F", "100E-9", "0.1"),
        ("106K025", None, "10E-6", "0.1"),
        ("8R2C", "ohm", "8.2", "0.0025"),
        ("8R2C", "F", "8.2E-12", "0.25E-12"),
        ("4E7", None, "4.7", None),
        # Inductors in µH: common practice, no source.
        ("101", "H", "100E-6", None),
        ("101K", "H", "100E-6", "0.1"),
        ("100", "H", "10E-6", None),
        ("4R7M", "H", "4.7E-6", "0.2"),
        ("R47", "H", "0.47E-6", None),
        ("47N", "H", "47E-9", None),
    ],
)
def test_markings_of_everyday_parts(
    text: str, unit: str | None, value: str, high: str | None
) -> None:
    found = decode_marking(text, unit)
    assert found.value == Decimal(value)
    share = None if found.tolerance is None else found.tolerance.high
    assert share == (None if high is None else Decimal(high))


@pytest.mark.parametrize(
    ("text", "unit", "why"),
    [
        ("107C", None, "voltage"),
        ("106J", "F", "voltage"),
        ("105D", None, "voltage"),
        ("8R2C", None, "could be"),
        ("101", "banana", "no unit"),
        ("101", "V", "no marking"),
        ("abc", "H", "inductor"),
    ],
)
def test_markings_that_are_not_taken_for_something_else(
    text: str, unit: str | None, why: str
) -> None:
    with pytest.raises(ReadingError, match=why):
        decode_marking(text, unit)


def test_eia_96_is_the_e96_series_with_a_factor() -> None:
    # EIA-96, from memory: 01 = 100 … 96 = 976. The series: IEC 60063 through `eseries`.
    factors = {"Z": -3, "Y": -2, "X": -1, "A": 0, "B": 1, "C": 2, "D": 3, "E": 4, "F": 5}
    codes = {}
    for at, value in enumerate(series(E96), 1):
        for letter, power in factors.items():
            found = decode_marking(f"{at:02}{letter}", code="eia-96")
            assert found.value == Decimal(int(value)).scaleb(power)
            assert found.tolerance_text == "1 %"
            codes[found.value] = found.text
        for other, letter in {"R": "Y", "S": "X", "H": "B"}.items():
            same = decode_marking(f"{at:02}{other}", code="eia-96").value
            assert codes[same] == f"{at:02}{letter}"
    assert len(codes) == 96 * len(factors)
    assert decode_marking("01C", code="eia-96").value == 10_000


@pytest.mark.parametrize("text", ["22R", "22E", "47R", "01C", "10F"])
def test_two_figures_and_a_letter_are_asked_about(text: str) -> None:
    with pytest.raises(ReadingError, match="EIA-96"):
        decode_marking(text)


def test_two_figures_and_a_letter_are_read_once_their_code_is_said() -> None:
    assert decode_marking("22R", code="iec-60062").value == 22
    assert decode_marking("22E", code="iec-60062").value == 22
    assert decode_marking("22R", code="eia-96").value == Decimal("1.65")
    assert judge_text("22.4 ohm", marking="22RJ").outcome == "inside"
    for text in ("00C", "97C", "47K", "4K7"):
        with pytest.raises(ReadingError, match="EIA-96"):
            decode_marking(text, code="eia-96")
    with pytest.raises(ReadingError, match="no code of markings"):
        decode_marking("4K7", code="own")


@pytest.mark.parametrize(
    ("text", "unit", "said"),
    [
        # Common practice, no source: L for milliohms, two figures in pF, the bridge.
        ("2L2", None, "2.2 mΩ"),
        ("5L", "ohm", "5 mΩ"),
        ("L50J", None, "500 µΩ, tolerance ±5 %"),
        ("47", "F", "47 pF"),
        ("47K", "F", "47 pF, tolerance ±10 %"),
        ("5D", "F", "5 pF, tolerance ±500 fF"),
        ("black", None, "0 Ω, a jumper"),
        ("000", "ohm", "0 Ω, a jumper"),
        ("2A104J", None, "100 nF, tolerance ±5 %, 100 V"),
        ("1H105K", "F", "1 µF, tolerance ±10 %, 50 V"),
        ("0J106M", "F", "10 µF, tolerance ±20 %, 6.3 V"),
        ("104K100", None, "100 nF, tolerance ±10 %, 100 V"),
        # Inscriptions of fuses: IEC 60127-1, from memory.
        ("T3.15AL250V", None, "3.15 A, 250 V, time-lag, low breaking capacity"),
        ("F 500 mA H 250 V", None, "500 mA, 250 V, quick acting, high breaking capacity"),
        ("FF2A", None, "2 A, very quick acting"),
    ],
)
def test_what_everyday_parts_say(text: str, unit: str | None, said: str) -> None:
    assert decode_marking(text, unit).sentence == f"{text}: {said}"


def test_voltage_letters_are_preferred_numbers() -> None:
    # ISO 3, series R10: 10^(n/10), rounded; 3.5 and 4.5 are common practice, no source.
    for at, letter in enumerate("ABCDEFGHJK"):
        volts = decode_marking(f"1{letter}104J").voltage
        assert volts is not None
        assert float(volts) == pytest.approx(10 * 10 ** (at / 10), rel=0.013)


def test_a_fuse_is_judged_by_its_inscription() -> None:
    # 1 A with a largest drop of 200 mV: IEC 60127-2, from memory.
    assert judge_text("0.19 ohm", marking="T1AL250V").outcome == "inside"
    assert judge_text("0.21 ohm", marking="T1AL250V").outcome == "high"
    assert judge_text("OL", marking="T1AL250V").outcome == "high"


def test_the_unit_of_the_readings_tells_the_kind_of_part() -> None:
    for unit in (None, "F"):
        found = judge_text("95 nF", marking="104K", unit=unit)
        assert found.outcome == "inside"
    assert judge_text("95 uH", marking="101K").outcome == "inside"


# -- tolerances ---------------------------------------------------------------------------------


def test_a_tolerance_to_one_side_is_refused_and_a_pair_may_begin_with_either() -> None:
    with pytest.raises(ReadingError, match="one side"):
        read_tolerance("+25 %", "F", "", Decimal("1E-6"))
    found = read_tolerance("+80 -20 %", "F", "", Decimal("1E-6"))
    assert (found.low, found.high) == (Decimal("-0.2"), Decimal("0.8"))
    for text in ("OL ppm", "infppm", "OLppm"):
        with pytest.raises(ReadingError):
            read_tolerance(text, "V", "", Decimal(5))


# -- the command --------------------------------------------------------------------------------


def test_a_minus_with_a_blank_is_a_sign() -> None:
    said = CliRunner().invoke(command, ["- 5 V", "--min", "-6 V"], standalone_mode=False)
    assert said.exception is None
    assert said.return_value == 0


def test_an_overdue_calibration_is_told(tmp_path: Path) -> None:
    bench = tmp_path / "bench.yaml"
    for due, told in (("2001-01-01", True), ("9999-01-01", False)):
        bench.write_text(
            f"instruments: {{m: {{kind: multimeter, due: {due}, measures: "
            "{V: [{range: 10 V, accuracy: 1 %}]}}}\n"
        )
        said = CliRunner().invoke(
            command,
            ["5 V", "--max", "9 V", "--bench", str(bench), "--instrument", "m"],
            standalone_mode=False,
        )
        assert ("calibration of m was due" in said.stderr) == told


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["5 V=", "--component", "usb-port"], 0, "inside: 5 V d.c."),
        (["----", "--max", "1 ohm"], 2, "over range, or no reading"),
        (["-4.7k", "--nominal", "4k7", "--tolerance", "5 %"], 2, "cannot be below zero"),
        (["-4.7k", "--min", "-5k", "--unit", "V", "--sure"], 0, "inside: -4.7 kV"),
        (["24 °C", "--nominal", "25 °C", "--tolerance", "1.8 °F"], 0, "limit 1 K"),
        (["3 dBm", "--nominal", "4 dBm", "--tolerance", "1 dB"], 0, "1 dB below its value"),
        (["100N", "--max", "1 ohm"], 2, "is in N (newton), and this place takes Ω"),
        # At the end of the platinum curve its limits lie beyond it.
        (["18.5 ohm", "--component", "pt100", "--temperature", "-200"], 0, "inside"),
        (["12.1 V", "--component", "supply-rail", "--rail", "12 V"], 0, "inside"),
        (["12.1 V", "--component", "battery", "--chemistry", "lead-acid", "--cells", "6"], 0, "in"),
    ],
)
def test_what_was_refused_or_misread_at_the_command_line(
    arguments: list[str], status: int, said: str
) -> None:
    from faulttree.errors import FaulttreeError

    result = CliRunner().invoke(command, arguments, standalone_mode=False)
    if isinstance(result.exception, FaulttreeError):
        assert (status, said in str(result.exception)) == (2, True), str(result.exception)
    else:
        assert (status, said in result.output) == (result.return_value, True), result.output
