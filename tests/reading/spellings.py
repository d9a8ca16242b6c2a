"""Random spellings of readings, each with the value that its writer meant.

Written from how the trade writes readings, from IEC 60062 (letter in place of the point),
ISO 80000-1 (writing of numbers and units) and the SI brochure, without knowledge of the parser.

Rule: a spelling is *clearly meant* when a technician who knows the unit of the place can
read it in one way only. That is so when

1. its unit is the unit of the place, written by symbol, name or a usual short form, or no unit
   is written and the unit of the place holds;
2. its decimal mark has one reading: a point, or a comma that is not followed by exactly three
   figures after one to three figures without a leading zero (`1,250` has two readings);
   thousands are set apart by a thin space (ISO 80000-1), by an apostrophe, or by the other of
   the two marks; an ordinary blank also stands between two numbers;
3. its prefix has one reading: the SI letter, or a letter of the wrong case that no other SI
   prefix in use with this unit claims (`K` for k, `N` and `U` at farads, `mv`). `MV`, `MA`,
   `mhz` and `mf` have two readings a million or more apart, or two traditions;
4. its letters have one reading at this place: `4E7` (point or exponent) and `5 m` at seconds
   (milli or minutes) have two.

Every other spelling must be refused: whatever value it gave, it would be wrong for some writers.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Spelling:
    """What somebody types at a place, and what it means.

    `unit` is the unit of the place; `value` is in this unit without prefix. `side` is "" for a
    value, ">" or "<" for a one-sided reading, "over" where the meter shows that it is over range.
    `clear` is False where the rule above demands a refusal; `value` then has no meaning.
    """

    text: str
    unit: str
    value: Fraction
    side: str = ""
    clear: bool = True


@dataclass(frozen=True)
class Writing:
    """How one unit is written: symbols, prefixes by spelling, full names."""

    symbols: tuple[str, ...]
    prefixes: tuple[tuple[str, int], ...] = (("", 0),)
    names: tuple[str, ...] = ()
    whole: tuple[tuple[str, int], ...] = ()
    """Short forms that carry their prefix and cannot be put together from the others."""
    points: tuple[tuple[str, int], ...] = ()
    """Letters that stand for the decimal point."""
    bare: tuple[tuple[str, int], ...] = (("", 0),)
    """Prefixes that are written without the unit."""
    negative: bool = False


MICRO = ("u", "µ", "μ")
MICROS = tuple((letter, -6) for letter in MICRO)
WORDS = (
    ("pico", -12),
    ("nano", -9),
    ("micro", -6),
    ("milli", -3),
    ("kilo", 3),
    ("mega", 6),
)
PLAIN = ("", 0)

VOLT = Writing(
    symbols=("V", "V", "V", "v"),
    prefixes=(PLAIN, PLAIN, *MICROS, ("m", -3), ("k", 3), ("K", 3)),
    names=("volt", "volts", "Volt", "Volts"),
    whole=(("VOLTS", 0), ("mVolt", -3), ("MV", 99)),
    points=(("V", 0), ("v", 0)),
    bare=(PLAIN, ("m", -3), ("k", 3)),
    negative=True,
)
DIRECT = Writing(
    symbols=("V", "VDC", "Vdc", "V DC", "V dc", "V d.c.", "VDC", "V=", "V⎓"),
    prefixes=(PLAIN, PLAIN, ("m", -3), ("k", 3)),
    negative=True,
)
ALTERNATING = Writing(
    symbols=("VAC", "Vac", "V AC", "V ac", "V a.c.", "V~", "Vrms", "V rms", "V RMS", "Veff"),
    prefixes=(PLAIN, PLAIN, ("m", -3), ("k", 3)),
)
AMPERE = Writing(
    symbols=("A", "A", "A", "a"),
    prefixes=(PLAIN, ("n", -9), *MICROS, ("m", -3), ("m", -3)),
    names=("amp", "amps", "ampere", "amperes", "Amps", "Ampere"),
    whole=(("AMPS", 0), ("MA", 99)),
    points=(("A", 0),),
    bare=(PLAIN, ("m", -3), ("u", -6), ("µ", -6)),
    negative=True,
)
OHM = Writing(
    symbols=("Ω", "Ω", "ohm", "ohms", "Ohm", "Ohms"),
    prefixes=(PLAIN, ("m", -3), ("k", 3), ("K", 3), ("M", 6), ("G", 9)),
    names=("ohm", "ohms"),
    whole=(
        ("OHM", 0),
        ("OHMS", 0),
        ("R", 0),
        ("R", 0),
        ("E", 0),
        ("kR", 3),
        ("kilohm", 3),
        ("kilohms", 3),
        ("megohm", 6),
        ("megohms", 6),
        ("Meg", 6),
        ("meg", 6),
        ("KOHM", 3),
        ("MOHM", 99),
    ),
    points=(("R", 0), ("R", 0), ("r", 0), ("k", 3), ("K", 3), ("M", 6), ("G", 9)),
    bare=(PLAIN, ("k", 3), ("K", 3), ("M", 6), ("G", 9)),
)
FARAD = Writing(
    symbols=("F", "F", "F", "f"),
    prefixes=(("p", -12), ("n", -9), *MICROS),
    names=("farad", "farads", "Farad"),
    whole=(
        ("mF", -3),
        ("uFd", -6),
        ("mfd", -6),
        ("MFD", -6),
        ("µµF", -12),
        ("UF", -6),
        ("NF", -9),
        ("PF", -12),
        ("MF", 99),
        ("mf", 99),
    ),
    points=(
        *(("p", -12), ("n", -9), ("u", -6), ("µ", -6), ("μ", -6)),
        *(("P", -12), ("N", -9), ("U", -6)),
    ),
    bare=(("p", -12), ("n", -9), *MICROS, ("P", -12), ("N", -9), ("U", -6)),
)
HENRY = Writing(
    symbols=("H", "H", "H", "h"),
    prefixes=(PLAIN, ("n", -9), *MICROS, ("m", -3)),
    names=("henry", "henries", "henrys", "Henry"),
    whole=(("UH", -6), ("MH", 99)),
    points=(("m", -3), ("u", -6), ("µ", -6), ("n", -9)),
    bare=(("n", -9), *MICROS, ("m", -3)),
)
HERTZ = Writing(
    symbols=("Hz", "Hz", "Hz", "HZ", "hz"),
    prefixes=(PLAIN, ("k", 3), ("K", 3)),
    names=("hertz", "Hertz"),
    whole=(("MHz", 6), ("Mhz", 6), ("MHZ", 6), ("GHz", 9), ("GHZ", 9), ("mhz", 99)),
    points=(("k", 3), ("M", 6)),
    bare=(PLAIN, ("k", 3), ("K", 3), ("M", 6)),
)
SECOND = Writing(
    symbols=("s", "s", "sec"),
    prefixes=(PLAIN, ("n", -9), *MICROS, ("m", -3)),
    names=("second", "seconds"),
    whole=(("secs", 0), ("SEC", 0), ("m", 99)),
)
WATT = Writing(
    symbols=("W", "W", "w"),
    prefixes=(PLAIN, PLAIN, ("m", -3), ("k", 3)),
    names=("watt", "watts", "Watts"),
    whole=(("MW", 99),),
    points=(("W", 0),),
    bare=(PLAIN, ("k", 3)),
)
CHARGE = Writing(
    symbols=("Ah", "Ah", "AH", "ah"),
    prefixes=(PLAIN, ("m", -3)),
    whole=(("MAH", 99),),
)
ENERGY = Writing(symbols=("Wh", "Wh", "WH", "wh"), prefixes=(PLAIN, ("m", -3), ("k", 3)))
PER_CENT = Writing(symbols=("%", "%", "per cent", "percent", "pct"), negative=True)
SPEED = Writing(symbols=("rpm", "RPM", "r/min", "1/min", "min⁻¹"))
DECIBEL = Writing(symbols=("dB", "dB", "db"), negative=True)
CELSIUS = Writing(
    symbols=("°C", "°C", "C", "℃", "ºC", "°c", "°", "deg C", "degC", "degrees C", "celsius"),
    negative=True,
)

PLACES: dict[str, tuple[Writing, ...]] = {
    "V": (VOLT, VOLT, DIRECT),
    "VAC": (ALTERNATING,),
    "A": (AMPERE,),
    "ohm": (OHM, OHM),
    "F": (FARAD, FARAD),
    "H": (HENRY,),
    "Hz": (HERTZ,),
    "s": (SECOND,),
    "W": (WATT,),
    "Ah": (CHARGE,),
    "Wh": (ENERGY,),
    "%": (PER_CENT,),
    "rpm": (SPEED,),
    "dB": (DECIBEL,),
    "°C": (CELSIUS,),
}

GAPS = ("", "", "", " ", " ", " ", "\u00a0", "\u202f", "\u2009", "  ")
MINUS = ("-", "-", "\u2212")


def _figures(pick: random.Random, most: int) -> str:
    return "".join(pick.choice("0123456789") for _ in range(pick.randint(1, most)))


def _number(pick: random.Random) -> tuple[str, str]:
    """Whole and fractional figures of a number as a meter shows it: at most six figures."""
    whole = str(pick.choice((0, pick.randint(1, 9), pick.randint(10, 99), pick.randint(100, 999))))
    places = pick.choice((0, 0, 1, 1, 2, 3))
    part = "".join(pick.choice("0123456789") for _ in range(places))
    return whole, part


def _value(whole: str, part: str) -> Fraction:
    return Fraction(int(whole + part), 10 ** len(part))


def _decimal(pick: random.Random, whole: str, part: str) -> str | None:
    """Write a number with a point or a comma. None where rule 2 calls it unclear."""
    if not part:
        return whole
    mark = pick.choice((".", ".", ","))
    if mark == "," and len(part) == 3 and whole != "0":
        return None
    if whole == "0" and mark == "." and pick.random() < 0.2:
        return f".{part}"
    return f"{whole}{mark}{part}"


def _thousands(pick: random.Random, whole: str, part: str) -> str:
    """Write four to seven figures with groups of three."""
    gap = pick.choice(("\u202f", "\u2009", "'", ",", "."))
    mark = {",": ".", ".": ","}.get(gap) or pick.choice((".", ","))
    return f"{int(whole):,}".replace(",", gap) + mark + part


def _powers(pick: random.Random, whole: str, part: str, power: int) -> str:
    """Write a number times a power of ten. A point keeps `E` from being read as a point."""
    raised = str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    form = pick.choice((f"e{power}", f"E{power}", f"×10^{power}", f" x 10^{power}", f"·10{raised}"))
    return f"{whole}.{part or '0'}{form}"


def _unit(pick: random.Random, writing: Writing) -> tuple[str, int]:
    """A unit with its prefix, as written, and its power of ten (99 where it has two readings)."""
    kind = pick.random()
    if writing.whole and kind < 0.25:
        return pick.choice(writing.whole)
    if writing.names and kind < 0.4:
        prefix, power = pick.choice((PLAIN, PLAIN, *WORDS))
        return prefix + pick.choice(writing.names).lower(), power
    prefix, power = pick.choice(writing.prefixes)
    return prefix + pick.choice(writing.symbols), power


def _sign(pick: random.Random, writing: Writing) -> tuple[str, int]:
    if writing.negative and pick.random() < 0.25:
        return pick.choice(MINUS), -1
    return ("+", 1) if writing.negative and pick.random() < 0.05 else ("", 1)


def plain(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """A number, a gap, and a unit: `4.7 kΩ`, `4,7kohm`, `-18 °C`."""
    whole, part = _number(pick)
    sign, factor = _sign(pick, writing)
    unit, power = _unit(pick, writing)
    written = _decimal(pick, whole, part)
    clear = power != 99 and written is not None
    gap = pick.choice(GAPS) or (" " if unit[0].isdigit() else "")
    text = f"{sign}{written or f'{whole},{part}'}{gap}{unit}"
    value = factor * _value(whole, part) * Fraction(10) ** (power if power != 99 else 0)
    return Spelling(text, place, value, clear=clear)


def bare(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """A number with a prefix or with nothing: `4.7k`, `100n`, `12`."""
    whole, part = _number(pick)
    prefix, power = pick.choice(writing.bare)
    written = _decimal(pick, whole, part)
    clear = written is not None
    text = (
        f"{written or f'{whole},{part}'}{pick.choice(('', '', ' ') if prefix else ('',))}{prefix}"
    )
    return Spelling(text, place, _value(whole, part) * Fraction(10) ** power, clear=clear)


def lettered(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """A letter in place of the point, IEC 60062: `4k7`, `R47`, `2n2`, `3V3`."""
    if not writing.points:
        return plain(pick, place, writing)
    whole, part = str(pick.randint(0, 999)), _figures(pick, 2)
    letter, power = pick.choice(writing.points)
    lead = "" if whole == "0" and letter in "Rnpu" and pick.random() < 0.7 else whole
    unit = pick.choice(("", "", "", pick.choice(writing.symbols[:2])))
    unit = "" if letter.upper() in ("R", "V", "A", "W") else unit
    value = _value(whole, part) * Fraction(10) ** power
    return Spelling(f"{lead}{letter}{part}{unit}", place, value)


def grouped(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """Thousands set apart: `4 700.0 Ω`, `12'500,5 V`, `1,234.5 V`."""
    whole, part = str(pick.randint(1000, 2_000_000)), _figures(pick, 2)
    text = f"{_thousands(pick, whole, part)} {pick.choice(writing.symbols)}"
    prefixless = writing.prefixes[0] == PLAIN
    return Spelling(text, place, _value(whole, part)) if prefixless else plain(pick, place, writing)


def power(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """A power of ten: `4.7e3 Ω`, `4.7×10^-6 F`."""
    whole, part = str(pick.randint(1, 9)), _figures(pick, 3)
    ten = pick.randint(-9, 6)
    text = f"{_powers(pick, whole, part, ten)} {pick.choice(writing.symbols)}"
    return Spelling(text, place, _value(whole, part) * Fraction(10) ** ten)


def one_sided(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """Above or below what the instrument shows: `>999 MΩ`, `< 0.1 Ω`, and over range."""
    if place != "ohm":
        return plain(pick, place, writing)
    if pick.random() < 0.3:
        shown = pick.choice(("OL", "O.L", ".OL", "0L", "ol", "OFL", "OVLD", "OVER"))
        return Spelling(
            shown + pick.choice(("", " MΩ", " kΩ", " ohm")), place, Fraction(0), side="over"
        )
    inner = plain(pick, place, writing)
    side = pick.choice("><")
    text = f"{side}{pick.choice(('', ' '))}{inner.text}"
    return Spelling(text, place, inner.value, side=side, clear=inner.clear)


def of_time(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """Minutes and hours: `5 min`, `1 min 30 s`, `1m30s`, `2 h`."""
    minutes, seconds = pick.randint(1, 59), pick.randint(1, 59)
    text, value = pick.choice(
        (
            (f"{minutes} min", 60 * minutes),
            (f"{minutes}min", 60 * minutes),
            (f"{minutes} minutes", 60 * minutes),
            (f"{minutes} h", 3600 * minutes),
            (f"{minutes} min {seconds} s", 60 * minutes + seconds),
            (f"{minutes}min {seconds}s", 60 * minutes + seconds),
            (f"{minutes}m{seconds}s", 60 * minutes + seconds),
            (f"{minutes} h {seconds} min", 3600 * minutes + 60 * seconds),
        )
    )
    return Spelling(text, place, Fraction(value))


def fahrenheit(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """Degrees Fahrenheit and kelvin at a place in degrees Celsius."""
    whole, part = _number(pick)
    written = _decimal(pick, whole, part)
    number = _value(whole, part)
    if pick.random() < 0.7:
        unit = pick.choice(("°F", "F", "deg F", "degF", "degrees F", "℉", "fahrenheit"))
        value = (number - 32) * Fraction(5, 9)
    else:
        unit, value = "K", number - Fraction("273.15")
    text = f"{written or f'{whole},{part}'} {unit}"
    return Spelling(text, place, value, clear=written is not None)


def unclear(pick: random.Random, place: str, writing: Writing) -> Spelling:
    """Spellings with two readings or none at this place."""
    figures = pick.randint(1, 9)
    other = {"V": "Ω", "VAC": "VDC", "ohm": "V", "A": "V"}.get(place, "A")
    texts = [f"{figures} {other}", f"{figures},{pick.randint(100, 999)} {writing.symbols[0]}"]
    texts += [f"{figures}.{figures}.{figures}", f"{figures} {writing.symbols[0]} {figures}"]
    texts += ["", "?", "ok", f"{figures}..{figures}", f"{figures} - {figures}"]
    texts += {"ohm": [f"{figures}E{figures}"], "s": [f"{figures} m"], "V": ["1 250 V"]}.get(
        place, []
    )
    return Spelling(pick.choice(texts), place, Fraction(0), clear=False)


Form = Callable[[random.Random, str, Writing], Spelling]
FORMS: tuple[Form, ...] = (
    *(plain, plain, plain, plain, bare, bare, lettered, lettered),
    *(grouped, power, one_sided, unclear),
)


def spellings(count: int, seed: int) -> Iterator[Spelling]:
    """Give `count` spellings; the same seed gives the same ones."""
    pick = random.Random(seed)
    special = {"s": of_time, "°C": fahrenheit}
    for _ in range(count):
        place = pick.choice(tuple(PLACES))
        form = pick.choice((*FORMS, special[place]) if place in special else FORMS)
        made = form(pick, place, pick.choice(PLACES[place]))
        edge = pick.choice(("", "", "", " "))
        yield Spelling(edge + made.text + edge, made.unit, made.value, made.side, made.clear)
