"""``faulttree judge`` and its twin in Python: a verdict without a tree."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from faulttree.cli.judge import command
from faulttree.errors import FaulttreeError, ReadingError
from faulttree.reading import judge_text, read_bench

BENCH = """
instruments:
  dmm:
    kind: multimeter
    title: Handheld meter
    calibrated: 2026-03-02
    measures:
      V DC:
        - {range: 60 V, accuracy: 0.5 % + 3 digits, resolution: 10 mV}
      ohm:
        - {range: 600 ohm, accuracy: 0.9 % + 2 digits, resolution: 0.1 ohm}
  esr-1:
    kind: esr-meter
    measures:
      ohm:
        - {range: 100 ohm, accuracy: 2 % + 2 mohm}
"""
PART = ["--component", "electrolytic", "--capacitance", "220u", "--rated", "35V"]


def run(*arguments: str) -> tuple[int, str, str]:
    """Exit status, standard output and standard error, as the program words them."""
    result = CliRunner().invoke(command, arguments, standalone_mode=False)
    if isinstance(result.exception, FaulttreeError):
        return 2, result.stdout, str(result.exception)
    if result.exception is not None:
        raise result.exception
    return int(result.return_value or 0), result.stdout, result.stderr


def document(*arguments: str) -> Mapping[str, Any]:
    status, out, _ = run(*arguments, "--json")
    found: Mapping[str, Any] = json.loads(out)
    assert status == (0 if found.get("verdict", "inside") == "inside" else 1)
    return found


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["220 uF", "--nominal", "220 uF", "--tolerance", "20 %"], 0, "inside"),
        (["130 uF", "--nominal", "220 uF", "--tolerance", "20 %"], 1, "41 % below its value"),
        (["280 uF", "--nominal", "220 uF", "--tolerance", "M"], 1, "high"),
        (["5 V", "--min", "4.75 V", "--max", "5.25 V"], 0, "inside"),
        (["5.5 V", "--max", "5.25 V"], 1, "high"),
        (["-12.1", "--nominal", "-12 V", "--tolerance", "10 %"], 0, "inside"),
        (["-12,1 V", "--nominal", "-12 V", "--tolerance", "10 %"], 0, "inside"),
        (["-5", "--min", "-6", "--unit", "V"], 0, "inside"),
        (["100uF", "--nominal", "100u", "--tolerance", "-20 %, +80 %"], 0, "-20 % to +80 %"),
        (["OL", "--min", "1 Mohm"], 0, "over range"),
        (["2.4 ohm", *PART], 1, "3.3 times the largest ESR of a 220 µF 35 V part"),
        (["0.9 ohm", *PART], 0, "tired, not yet the fault"),
        (["0.9 ohm", *PART, "--state", "new"], 1, "high"),
        (["0.02 ohm", *PART, "--in-circuit"], 1, "lift one lead and repeat"),
        (["138.5", "--component", "pt100", "--temperature", "100"], 0, "inside"),
        (["4.8k", "--marking", "yellow violet red gold"], 0, "inside"),
        (["5.2k", "--marking", "4K7", "--tolerance", "5 %"], 1, "high"),
        (["230 VAC", "--component", "mains"], 0, "inside"),
        (["130", "--nominal", "220 uF", "--tolerance", "20 %", "--sure"], 1, "high"),
    ],
)
def test_a_verdict_and_its_status(arguments: list[str], status: int, said: str) -> None:
    found, out, err = run(*arguments)
    assert (found, err) == (status, "")
    assert said in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "no reading"),
        (["5 V"], "nothing to judge by"),
        (["abc", "--min", "3"], "does not start with a number"),
        (["1,250", "--min", "3"], "1.250 or 1250"),
        (["24 V", "--nominal", "220 uF", "--tolerance", "20 %"], "takes F"),
        (["230 VDC", "--component", "mains"], "V d.c."),
        (["130", "--nominal", "220 uF", "--tolerance", "20 %"], "Did you mean 130 µF?"),
        (["220n", "--nominal", "220 uF", "--tolerance", "20 %"], "--sure"),
        (["12.1", "--nominal", "-12 V", "--tolerance", "10 %"], "Did you mean -12.1 V?"),
        (["5 V", "--nominal", "5 V", "--tolerance", "5"], "--tolerance"),
        (["5 V", "--min", "6 V", "--max", "5 V"], "min is above max"),
        (["5 V", "--min", "3 V", "--quantity", "ESR"], "component"),
        (["5", "--component", "electrolitic"], "Did you mean electrolytic?"),
        (["2.4 ohm", "--component", "electrolytic", "--capacitance", "35 V"], "takes F"),
        (["2.4 ohm", "--component", "electrolytic", "--rated", "25 V"], "needs capacitance"),
        (["5", *PART], "not clear"),
        (["inductance=5 H", *PART], "no quantity"),
        (["5k", "--marking", "4K7"], "says no tolerance"),
        (["5k", "--marking", "4K7", "--nominal", "5k"], "one or the other"),
        (["--marking", "104"], "100 nF or 100 kΩ"),
        (["--marking", "brown black red grey"], "grey"),
        (["5 V", "--min", "3 V", "--confidence", "2"], "confidence"),
        (["5 V", "--min", "3 V", "--bench", "nowhere.yaml", "--instrument", "x"], "nowhere.yaml"),
    ],
)
def test_what_cannot_be_run_says_why_and_how_to_mend_it(arguments: list[str], said: str) -> None:
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert said in err
    assert "\n  " in err or "nowhere" in said


def test_value_esr_and_leakage_of_one_part_in_one_go() -> None:
    status, out, _ = run("130uF", "2.4 ohm", "leakage=40uA", *PART)
    assert status == 1
    lines = [line for line in out.splitlines() if not line.startswith("  ")]
    assert [line.split(": ")[:2] for line in lines] == [
        ["capacitance", "low"],
        ["ESR", "high"],
        ["leakage", "inside"],
    ]
    found = document("esr=0.5", "leakage=40uA", "capacitance=220uF", *PART)
    assert found["verdict"] == "inside"
    assert [part["quantity"] for part in found["verdicts"]] == ["ESR", "leakage", "capacitance"]
    mixed = document("220uF", "2.4 ohm", *PART)
    assert (mixed["verdict"], mixed["unit"]) == ("high", "ohm")


def test_repeated_readings_of_one_quantity_are_judged_together() -> None:
    found = document("21.4 V", "21.6 V", "--nominal", "34 V", "--tolerance", "10 %")
    assert found["value"] == 21.5
    assert found["readings"] == [21.4, 21.6]
    assert found["verdict"] == "low"


def test_the_document() -> None:
    found = document("130 uF", "--nominal", "220 uF", "--tolerance", "20 %")
    assert found["verdict"] == "low"
    assert found["value"] == 0.00013
    assert (found["unit"], found["lower"], found["upper"]) == ("F", 0.000176, 0.000264)
    assert found["uncertainty"] is None
    assert found["probability_inside"] is None
    assert "41 %" in found["text"]
    over = document("OL", "--max", "5 ohm")
    assert (over["verdict"], over["value"], over["over_range"]) == ("high", None, True)


def test_an_instrument_of_the_bench(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH)
    own = ["--bench", str(path), "--instrument"]
    limit = ["--nominal", "34 V", "--tolerance", "10 %"]
    assert document("33.8 V", *limit, *own, "dmm")["verdict"] == "inside"
    close = document("30.7 V", *limit, *own, "multimeter")
    assert close["verdict"] == "undecided"
    assert 0.05 < close["probability_inside"] < 0.95
    status, out, err = run("50 mohm", "--max", "49 mohm", *own, "dmm")
    assert status == 1
    assert "too close to call" in out
    assert "esr-1" in err
    status, _, err = run("33.8 V", *limit, *own, "scope")
    assert status == 2
    assert "dmm, esr-1" in err
    path.write_text("instruments: {m: {kind: k, measures: {V: [{range: 6 A, accuracy: 1 %}]}}}\n")
    status, _, err = run("5 V", *limit, *own, "m")
    assert status == 2
    assert f"{path}:1:" in err


def test_markings_are_decoded() -> None:
    assert run("--marking", "4K7J")[:2] == (0, "4K7J: 4.7 kΩ, tolerance ±5 %\n")
    found = document("--marking", "yellow violet red gold")
    assert (found["value"], found["unit"], found["tolerance"]) == (4700, "ohm", "5 %")
    assert (found["lower"], found["upper"]) == (4465, 4935)
    assert document("--marking", "104", "--unit", "F")["value"] == 1e-07


def test_the_twin_in_python() -> None:
    found = judge_text("130 uF", nominal="220 uF", tolerance="20 %")
    assert (found.outcome, found.is_good) == ("low", False)
    assert found.verdicts[0].outcome == "low"
    assert found.as_dict()["verdict"] == "low"
    assert "41 %" in found.sentence
    assert judge_text(5, minimum=4, maximum=6, unit="V").is_good
    both = judge_text(
        ["220 uF", "0.6 ohm"], component="electrolytic", capacitance="220 uF", rated="35 V"
    )
    assert [verdict.outcome for verdict in both.verdicts] == ["inside", "inside"]
    gear = read_bench(
        {"instruments": {"m": {"kind": "k", "measures": {"V": [{"range": 9, "accuracy": "9 V"}]}}}}
    )
    said = judge_text("5 V", minimum="4 V", maximum="6 V", bench=gear, instrument="m")
    assert (said.outcome, len(said.before)) == ("undecided", 1)
    with pytest.raises(ReadingError):
        judge_text("34 mV", nominal="34 V", tolerance="10 %")
    assert judge_text("34 mV", nominal="34 V", tolerance="10 %", sure=True).outcome == "low"


def test_help_shows_examples_and_every_rating() -> None:
    result = CliRunner().invoke(command, ["--help"])
    assert result.exit_code == 0
    for word in ("Example: faulttree judge", "--capacitance", "--tan-delta", "electrolytic"):
        assert word in result.output


class Shown(io.StringIO):
    """A terminal, as far as a program can tell."""

    def isatty(self) -> bool:
        return True


def test_a_verdict_fits_the_terminal_and_is_whole_in_a_pipe(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    arguments = ["130 uF", "--nominal", "220 uF", "--tolerance", "20 %"]
    shown, piped = Shown(), io.StringIO()
    for stream in (shown, piped):
        monkeypatch.setattr(sys, "stdout", stream)
        command.main(arguments, standalone_mode=False)
    lines = shown.getvalue().splitlines()
    assert all(len(line) <= 60 for line in lines), lines
    assert len(lines) > len(piped.getvalue().splitlines()) == 2
    assert " ".join(lines).split() == piped.getvalue().split()


def test_what_the_library_says_of_a_kind_counts(tmp_path: Path) -> None:
    (tmp_path / "trees").mkdir()
    (tmp_path / "shared").mkdir()
    bench = tmp_path / "bench.yaml"
    ranges = "measures: {ohm: [{range: 1 Gohm, accuracy: 5 %}]}"
    bench.write_text(f"instruments: {{box: {{kind: high-ohm-box, {ranges}}}}}\n")
    asked = ["20 Mohm", "--component", "insulation", "--protection", "I", "--instrument", "box"]
    places = ["--library", str(tmp_path), "--bench", str(bench)]
    assert run(*asked, *places)[0] == 2
    kind = "{title: Box, measures: [insulation resistance], offers: {test_voltage: [500 V]}}"
    (tmp_path / "shared" / "instruments.yaml").write_text(f"high-ohm-box: {kind}\n")
    status, out, _ = run(*asked, *places)
    assert (status, out[:6]) == (0, "inside")


def test_good_units_and_the_place_measured_are_options() -> None:
    good = ["--good", "45 ohm", "--good", "70 ohm"]
    status, out, _ = run("65 ohm", "--min", "40 ohm", "--max", "60 ohm", *good)
    assert status == 1
    assert "contradicts itself" in out
    status, out, _ = run("4.5 V", "--min", "4.75 V", "--source-resistance", "1 Mohm")
    assert (status, out[:14]) == (0, "inside: 4.95 V")
