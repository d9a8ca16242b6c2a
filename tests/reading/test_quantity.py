"""Quantities as people write them: read exactly, or refused."""

from __future__ import annotations

import random
import re
import string
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from eseries import E24, E96, series
from hypothesis import example, given, settings
from hypothesis import strategies as st

from faulttree.errors import ReadingError
from faulttree.reading import (
    Quantity,
    parse_duration,
    parse_quantity,
    parse_unit,
    show,
    unit_text,
)
from faulttree.reading.quantity import rounded
from tests.support.counts import examples

DOCS = Path(__file__).parent.parent.parent / "docs" / "verdicts.md"
THIN, NARROW = "\u2009", "\u202f"

# typed, the unit of the place, value in the base unit, unit, kind
READINGS = [
    ("150u", "F", "150E-6", "F", ""),
    ("150 µF", None, "150E-6", "F", ""),
    ("150 μF", None, "150E-6", "F", ""),
    ("150uF", None, "150E-6", "F", ""),
    ("150uf", "F", "150E-6", "F", ""),
    ("150UF", "F", "150E-6", "F", ""),
    ("4700uF", "F", "4700E-6", "F", ""),
    ("30 mF", "F", "0.030", "F", ""),
    ("150 microfarad", "F", "150E-6", "F", ""),
    ("33R", None, "33", "ohm", ""),
    ("33 ohm", None, "33", "ohm", ""),
    ("33 Ω", None, "33", "ohm", ""),
    ("33 \u2126", None, "33", "ohm", ""),
    ("138.5 ohm", None, "138.5", "ohm", ""),
    ("4k7", "ohm", "4700", "ohm", ""),
    ("4K7", "ohm", "4700", "ohm", ""),
    ("4k7 ohm", None, "4700", "ohm", ""),
    ("4R7", None, "4.7", "ohm", ""),
    ("R47", None, "0.47", "ohm", ""),
    ("2n2", "F", "2.2E-9", "F", ""),
    ("2n2F", None, "2.2E-9", "F", ""),
    ("6p8", "F", "6.8E-12", "F", ""),
    ("10M", "ohm", "10E6", "ohm", ""),
    ("3V3", None, "3.3", "V", ""),
    ("1M", "ohm", "1E6", "ohm", ""),
    ("1 M", "ohm", "1E6", "ohm", ""),
    ("1 m", "ohm", "1E-3", "ohm", ""),
    ("1 mega", "ohm", "1E6", "ohm", ""),
    ("2 MEG", "ohm", "2E6", "ohm", ""),
    ("2 megohm", None, "2E6", "ohm", ""),
    ("10 K", "ohm", "10E3", "ohm", ""),
    ("10 KHz", "Hz", "10E3", "Hz", ""),
    ("12,5 V", None, "12.5", "V", ""),
    ("0,250 V", None, "0.250", "V", ""),
    ("12,3456 V", None, "12.3456", "V", ""),
    ("1.250 V", None, "1.250", "V", ""),
    (".5 V", None, "0.5", "V", ""),
    ("5. V", None, "5", "V", ""),
    ("1.2e-3", "V", "0.0012", "V", ""),
    ("1e-3", "V", "0.001", "V", ""),
    ("1E+3", "ohm", "1000", "ohm", ""),
    ("-12.1", "V", "-12.1", "V", ""),
    ("−12.1 V", None, "-12.1", "V", ""),
    ("– 12.1 V", None, "-12.1", "V", ""),
    ("+5 V", None, "5", "V", ""),
    (f"12.5{THIN}V", None, "12.5", "V", ""),
    (f"12.5{NARROW}V", None, "12.5", "V", ""),
    ("12.5\u00a0V", None, "12.5", "V", ""),
    (f"10{THIN}000{THIN}Ω", None, "10000", "ohm", ""),
    (f"-1{NARROW}250{NARROW}V", None, "-1250", "V", ""),
    ("3 mVpp", None, "0.003", "V", "pp"),
    ("3 mV p-p", None, "0.003", "V", "pp"),
    ("230 VAC", None, "230", "V", "ac"),
    ("230 V a.c.", None, "230", "V", "ac"),
    ("12 V DC", None, "12", "V", "dc"),
    ("12 VDC", "V", "12", "V", "dc"),
    ("12 V", "V dc", "12", "V", "dc"),
    ("12", "V AC", "12", "V", "ac"),
    ("5 Vrms", None, "5", "V", "rms"),
    ("5 V peak", None, "5", "V", "pk"),
    ("20 mA dc", None, "0.020", "A", "dc"),
    ("5 ma", "A", "0.005", "A", ""),
    ("85 %", None, "85", "%", ""),
    ("10 %", "%", "10", "%", ""),
    ("23 °C", None, "23", "degC", ""),
    ("23 C", "degC", "23", "degC", ""),
    ("300 K", "K", "300", "K", ""),
    ("300 K", "degC", "26.85", "degC", ""),
    ("26.85 °C", "K", "300", "K", ""),
    ("212 °F", "degC", "100", "degC", ""),
    ("-40 °F", None, "-40", "degC", ""),
    ("2 min", "s", "120", "s", ""),
    ("1.5 bar", "Pa", "150000", "Pa", ""),
    ("20 mbar", "Pa", "2000", "Pa", ""),
    ("-3 dB", None, "-3", "dB", ""),
    ("2800 rpm", None, "2800", "rpm", ""),
    ("1.5k", "rpm", "1500", "rpm", ""),
    ("450 lx", None, "450", "lx", ""),
    ("450 lux", None, "450", "lx", ""),
    ("5.5 mm", None, "0.0055", "m", ""),
    ("short", "ohm", "0", "ohm", ""),
    ("20", "mV", "0.020", "V", ""),
    ("20 V", "mV", "20", "V", ""),
    ("82", "uF", "82E-6", "F", ""),
    (4700, "ohm", "4700", "ohm", ""),
    (4.7, "V", "4.7", "V", ""),
    (0.1, "V", "0.1", "V", ""),
    (Decimal("0.1"), "V", "0.1", "V", ""),
]


@pytest.mark.parametrize(("text", "place", "value", "unit", "kind"), READINGS)
def test_a_reading_is_read_exactly(
    text: str | int | float, place: str | None, value: str, unit: str, kind: str
) -> None:
    read = parse_quantity(text, place)
    assert (read.value, read.unit, read.kind, read.over_range) == (
        Decimal(value),
        unit,
        kind,
        False,
    )


@pytest.mark.parametrize(
    "text",
    [
        "OL",
        "ol",
        "0L",
        "0.L",
        "O.L",
        "∞",
        "inf",
        "infinite",
        "over range",
        "OL Ω",
        "0L MΩ",
        f"OL{THIN}kΩ",
        "+OL",
    ],
)
def test_over_range_has_no_value(text: str) -> None:
    read = parse_quantity(text, "ohm")
    assert (read.value, read.over_range, read.unit) == (None, True, "ohm")


def test_open_and_short_are_said_of_a_resistance_only() -> None:
    assert parse_quantity("open", "ohm").over_range
    assert parse_quantity("open").unit == "ohm"
    for word in ("open", "short"):
        for place in ("F", "V", "A"):
            with pytest.raises(ReadingError):
                parse_quantity(word, place)


def refusals() -> list[tuple[str, str]]:
    """The refusals that the docs promise, from the docs."""
    section = DOCS.read_text().split("### What is refused")[1].split("###")[0]
    rows = re.findall(r"^\| `(.*?)` \| (.*?) \| .*? \|$", section, re.MULTILINE)
    assert len(rows) > 30
    return rows


@pytest.mark.parametrize(("text", "place"), refusals())
def test_what_the_docs_call_refused_is_refused(text: str, place: str) -> None:
    with pytest.raises(ReadingError) as caught:
        parse_quantity(text, None if place == "*nothing*" else place)
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("text", "place", "named"),
    [
        ("5 A", "V", ["A", "V"]),
        ("150 uF", "ohm", ["F", "Ω"]),
        ("230 VDC", "V AC", ["V d.c.", "V a.c."]),
        ("3 Vpp", "V", ["V p-p", "V"]),
        ("5 V", "", ["V", "plain number"]),
        ("33R", "F", ["Ω", "F"]),
    ],
)
def test_another_unit_is_refused_with_both_named(text: str, place: str, named: list[str]) -> None:
    with pytest.raises(ReadingError) as caught:
        parse_quantity(text, place)
    for name in named:
        assert name in caught.value.message


def test_the_two_ways_of_an_ambiguous_comma_are_named() -> None:
    with pytest.raises(ReadingError) as caught:
        parse_quantity("1,250 V", "V")
    assert "1.250" in caught.value.message
    assert "1250" in caught.value.message


@pytest.mark.parametrize("value", [True, None, [], {}, b"5", float("nan"), "", "   ", "5" * 100])
def test_what_is_no_text_or_number_is_refused(value: object) -> None:
    with pytest.raises(ReadingError):
        parse_quantity(value)  # type: ignore[arg-type]


def test_a_unit_unknown_is_refused_with_the_nearest() -> None:
    with pytest.raises(ReadingError) as caught:
        parse_unit("ohmm")
    assert "ohm" in (caught.value.remedy or "")
    assert parse_unit("mV").exponent == -3


def test_durations_are_seconds() -> None:
    # By the definition of minute and hour in the SI brochure, table 8.
    cases = {"2 min": 120.0, "90 s": 90.0, "1.5 h": 5400.0, "90": 90.0, "500 ms": 0.5}
    assert {text: parse_duration(text) for text in cases} == cases
    for text in ("-1 s", "OL", "5 V", "soon"):
        with pytest.raises(ReadingError):
            parse_duration(text)


def test_people_read_three_digits_prefix_and_unit() -> None:
    shown = {
        ("138.5", "ohm", ""): "139 Ω",
        ("0.00004705", "F", ""): "47.1 µF",
        ("999.6E-3", "V", ""): "1 V",
        ("0.003", "V", "pp"): "3 mV p-p",
        ("23.456", "degC", ""): "23.5 °C",
        ("1234567", "ohm", ""): "1.23 MΩ",
        ("0", "V", ""): "0 V",
        ("-12.1", "V", ""): "-12.1 V",
        ("1450", "rpm", ""): "1450 rpm",
    }
    assert {key: show(Decimal(key[0]), key[1], key[2]) for key in shown} == shown


# -- every notation, read back -------------------------------------------------------------------

PREFIXES = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "": 0, "k": 3, "M": 6}
UNITS = {
    "ohm": (("ohm", "Ω", "\u2126", "ohms", "Ohm"), "pnuµμmkM"),
    "F": (("F",), "pnuµμm"),
    "V": (("V",), "nuµμmk"),
    "A": (("A",), "pnuµμmk"),
    "H": (("H",), "nuµμm"),
    "Hz": (("Hz",), "mkM"),
    "s": (("s",), "pnuµμm"),
    "W": (("W",), "nuµμmk"),
}
WORDS = {"p": "pico", "n": "nano", "u": "micro", "m": "milli", "k": "kilo", "M": "mega"}
KINDS = {"ac": ("AC", " AC", "ac", " a.c."), "dc": ("DC", " DC"), "pp": ("pp", " p-p", " pk-pk")}


def written(rng: random.Random) -> tuple[str, str, Decimal, str, str]:
    """A random quantity in a random notation: text, place, value, unit, kind."""
    unit = rng.choice(list(UNITS))
    spellings, prefixes = UNITS[unit]
    prefix = rng.choice(["", *prefixes])
    whole, part = rng.randrange(0, 1000), rng.randrange(0, 10 ** rng.randrange(1, 4))
    fraction = str(part)
    value = Decimal(f"{whole}.{fraction}").scaleb(PREFIXES[prefix])
    notations: list[Callable[[], str]] = [
        lambda: f"{whole}.{fraction}{prefix}{rng.choice(spellings)}",
        lambda: f"{whole}.{fraction} {prefix}{rng.choice(spellings)}",
        lambda: f"{whole}.{fraction}{NARROW}{prefix}{rng.choice(spellings)}",
        lambda: f"{whole}.{fraction}{prefix}",
        lambda: f"{whole}.{fraction}e{PREFIXES[prefix]}",
        lambda: f"{whole}.{fraction}E{PREFIXES[prefix]:+d} {rng.choice(spellings)}",
        lambda: f"{whole}{prefix}{fraction}" if prefix else f"{whole}.{fraction}",
        lambda: f"{whole}{prefix}{fraction} {spellings[0]}" if prefix else f"{whole}.{fraction}",
    ]
    if len(fraction) != 3 or whole == 0:
        notations.append(lambda: f"{whole},{fraction} {prefix}{rng.choice(spellings)}")
    if (unit, prefix) == ("s", "m"):
        # The letter alone may also mean minutes, and is refused.
        del notations[3], notations[5:7]
    if prefix in WORDS:
        notations.append(lambda: f"{whole}.{fraction} {WORDS[prefix]}")
        notations.append(lambda: f"{whole}.{fraction} {WORDS[prefix]} {spellings[0]}")
    if unit == "ohm" and not prefix:
        notations.append(lambda: f"{whole}R{fraction}")
    text = rng.choice(notations)()
    kind = ""
    if unit in {"V", "A"} and text.endswith(unit) and rng.random() < 0.5:
        kind = rng.choice(list(KINDS))
        text += rng.choice(KINDS[kind])
    if rng.random() < 0.2:
        text, value = rng.choice("-−") + text, -value
    return text, f"{unit} {kind}" if kind else unit, value, unit, kind


def test_ten_thousand_random_quantities_in_every_notation_are_read_back() -> None:
    rng = random.Random(20_260_301)
    for _ in range(10_000):
        text, place, value, unit, kind = written(rng)
        read = parse_quantity(text, place)
        assert (read.value, read.unit, read.kind) == (value, unit, kind), text


def test_all_preferred_values_are_read_in_letter_code_and_in_plain() -> None:
    # IEC 60063 through the `eseries` package; the letter code is IEC 60062.
    for value in (*series(E24), *series(E96)):
        plain = Decimal(str(value))
        for letter, power in (("R", 0), ("k", 3), ("M", 6)):
            code = f"{plain:f}".replace(".", letter) if plain % 1 else f"{plain:f}{letter}"
            assert parse_quantity(code, "ohm").value == plain.scaleb(power), code
            assert parse_quantity(f"{plain} {letter.replace('R', '')}ohm").value == plain.scaleb(
                power
            )


def test_plain_notations_agree_with_a_reference_library() -> None:
    # `quantiphy` reads these without surprise; its values are binary floats.
    from quantiphy import Quantity as Peer

    for text in ("150uF", "150 µF", "4.7kohm", "1.2e-3V", "-12.1V", "3.3 nF", "10 MHz", "250 mA"):
        assert float(parse_quantity(text).value or 0) == pytest.approx(float(Peer(text)), rel=1e-12)


# -- no text surprises -------------------------------------------------------------------------

NEAR = st.text(
    alphabet="0123456789.,-+−eE kKmMuµμnpRVAFHzΩohmsWC°%OLacdcp \u2009\u202f∞±<>()/_", max_size=40
)


@settings(max_examples=examples(1500))
@given(
    st.one_of(st.text(max_size=40), NEAR),
    st.sampled_from([None, "V", "ohm", "F", "V AC", "degC", "s", "", "%"]),
)
@example("1e999999999999", "V")
@example("0" * 40, None)
@example("٣٤", "V")
@example("1\ud800", None)
def test_no_text_raises_anything_but_a_reading_error(text: str, place: str | None) -> None:
    try:
        read = parse_quantity(text, place)
    except ReadingError:
        return
    undisputed(text, read)


def undisputed(text: str, read: Quantity) -> None:
    """The digits of an accepted text are the digits of its value, in their order."""
    if read.value is None:
        assert re.search(r"(?i)o\.?l|0\.?l|∞|inf|over|open|ofl|ovl|^\s*[<>≤≥]", text)
        return
    assert abs(read.value) < Decimal("1E40")
    plain = text.strip()
    if read.value == 0:
        assert not re.search("[1-9]", plain.lower().split("e")[0]) or "°" in plain
        return
    if read.unit in {"degC", "K", "Pa", "s"}:
        return
    mantissa = re.split(r"[eE](?=[+-]?[0-9])", plain)[0]
    digits = "".join(char for char in mantissa if char in string.digits).strip("0")
    shown = "".join(str(digit) for digit in read.value.as_tuple().digits).strip("0")
    assert digits == shown, text
    assert (read.value < 0) == (plain[0] in "-−‐‑‒–\ufe63\uff0d"), text


@settings(max_examples=examples(300))
@given(st.decimals(-10_000, 10_000, allow_nan=False, places=4), st.sampled_from("VAFH"))
def test_a_plain_decimal_keeps_its_value(value: Decimal, unit: str) -> None:
    assert parse_quantity(f"{value} {unit}").value == value


@pytest.mark.soak
def test_a_hundred_thousand_random_texts_surprise_nobody() -> None:
    rng = random.Random(7)
    alphabet = string.printable + "µμΩ\u2126−∞°±\u2009\u202f٣"
    for _ in range(100_000):
        text = "".join(rng.choice(alphabet) for _ in range(rng.randrange(41)))
        try:
            undisputed(text, parse_quantity(text, rng.choice([None, "V", "ohm", "F"])))
        except ReadingError:
            continue


def test_importing_the_room_imports_nothing_heavy() -> None:
    code = (
        "import sys, faulttree.reading as r; r.judge_text, r.read_bench, r.RATINGS;"
        "r.judge(r.parse_quantity('5 V'), r.resolve_limits({'min': '3 V'}));"
        "bad = {'numpy','scipy','uncertainties','quantiphy','rkm_codes','yaml','click'} "
        "& set(sys.modules); sys.exit(f'{bad}' if bad else 0)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@given(
    st.integers(-(10**9), 10**9), st.integers(-18, 3), st.integers(2, 9),
    st.sampled_from(["V", "ohm", "F"]),
)  # fmt: skip
def test_values_are_shown_as_a_reference_library_shows_them(
    number: int, power: int, digits: int, unit: str
) -> None:
    # `quantiphy` renders engineering prefixes from binary floats, so it gets the rounded value.
    from quantiphy import Quantity as Peer

    value = rounded(Decimal(number).scaleb(power), digits)
    want = Peer(float(value), unit_text(unit)).render(prec="full", form="si")
    assert show(value, unit, digits=digits) == want.replace(" u", " µ")
