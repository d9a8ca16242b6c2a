"""Units as people at a bench write them, and the one spelling each has here.

Every accepted spelling stands in one table that is built once: what is not in it is
refused, so no spelling is ever taken for another by falling through a rule.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Literal, NamedTuple

from faulttree.errors import ReadingError

__all__ = [
    "KIND_WORDS",
    "UNITS",
    "Kind",
    "Unit",
    "Written",
    "find_suffix",
    "parse_unit",
    "unit_text",
]

Kind = Literal["", "ac", "dc", "pp", "pk", "rms"]
"""Which value of a voltage or current is meant; empty where nobody said."""

KIND_WORDS: dict[str, str] = {
    "": "",
    "ac": "a.c.",
    "dc": "d.c.",
    "pp": "p-p",
    "pk": "peak",
    "rms": "r.m.s.",
}


class Unit(NamedTuple):
    """One unit of the house.

    Attributes:
        symbol: the spelling used in results and files.
        name: the quantity it measures.
        shown: the spelling used in sentences.
        symbols: spellings that take a prefix letter.
        words: spellings that take a prefix word.
        prefixes: the prefix letters that make sense with it; upper-case M is left out where
            a megaunit is never met at a bench and M more likely stands for milli or micro.
        kinds: whether a.c., d.c., peak-to-peak, peak and r.m.s. are told apart.
        signed: whether a value below zero has a meaning.
        share: whether a tolerance in % of the value has a meaning.
    """

    symbol: str
    name: str
    shown: str = ""
    symbols: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    prefixes: str = ""
    kinds: bool = False
    signed: bool = False
    share: bool = True


class Written(NamedTuple):
    """What a text after a number says: unit (None where it says none), prefix and kind.

    ``exponent`` is the power of ten; ``factor`` what else one such unit is in base units, and
    ``spelt`` then how it was written.
    """

    unit: str | None
    prefix: str = ""
    exponent: int = 0
    factor: str = "1"
    kind: Kind = ""
    spelt: str = ""

    @property
    def text(self) -> str:
        """The unit with its kind, as a file or a message spells it."""
        return unit_text(self.unit or "", self.kind)


# SI prefixes (SI brochure, table 7); hecto for hPa and centi for cm only.
EXPONENTS = {
    "p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "c": -2, "h": 2,
    "k": 3, "K": 3, "M": 6, "G": 9, "T": 12,
}  # fmt: skip
LETTER = {"u": "µ", "K": "k"}
PREFIX_WORDS = {
    "pico": "p", "nano": "n", "micro": "µ", "milli": "m", "kilo": "k",
    "mega": "M", "meg": "M", "giga": "G",
}  # fmt: skip

SMALL = "pnuµm"
_ALL = (
    Unit("V", "voltage", symbols=("V", "v"), words=("volt", "volts"),
         prefixes=SMALL + "kK", kinds=True, signed=True),
    Unit("A", "current", symbols=("A", "a"), words=("amp", "amps", "ampere", "amperes"),
         prefixes=SMALL + "kK", kinds=True, signed=True),
    Unit("ohm", "resistance", shown="Ω",
         symbols=("Ω", "ohm", "ohms", "Ohm", "Ohms", "OHM", "OHMS"), words=("ohm", "ohms"),
         prefixes=SMALL + "kKMGT"),
    Unit("F", "capacitance", symbols=("F",), words=("farad", "farads"), prefixes=SMALL),
    Unit("H", "inductance", symbols=("H",), words=("henry", "henries", "henrys"),
         prefixes=SMALL),
    Unit("Hz", "frequency", symbols=("Hz",), words=("hertz",), prefixes="mkKMG"),
    Unit("s", "time", symbols=("s", "sec", "secs"), words=("second", "seconds"),
         prefixes=SMALL),
    Unit("W", "power", symbols=("W", "w"), words=("watt", "watts"),
         prefixes=SMALL + "kK", signed=True),
    Unit("VA", "apparent power", symbols=("VA",), prefixes="mkK"),
    Unit("J", "energy", symbols=("J",), words=("joule", "joules"), prefixes=SMALL + "kK"),
    Unit("Wh", "energy drawn", symbols=("Wh", "wh", "WH"), prefixes="mkK"),
    Unit("Ah", "charge of a battery", symbols=("Ah", "ah", "AH"), prefixes="mu"),
    Unit("coulomb", "charge", words=("coulomb", "coulombs"), signed=True),
    Unit("degC", "temperature", shown="°C",
         words=("°C", "℃", "º C", "ºC", "° C", "degC", "deg C", "celsius", "Celsius"),
         signed=True, share=False),
    Unit("K", "absolute temperature", symbols=("K",), words=("kelvin",), share=False),
    Unit("dB", "level", symbols=("dB", "db", "DB"), signed=True, share=False),
    Unit("dBm", "power level", symbols=("dBm", "dbm", "DBM"), signed=True, share=False),
    Unit("%", "share", symbols=("%", "pct"), words=("percent", "per cent"),
         signed=True, share=False),
    Unit("Pa", "pressure", symbols=("Pa",), words=("pascal", "pascals"), prefixes="mhkKM",
         signed=True),
    Unit("rpm", "speed", symbols=("rpm", "RPM", "r/min", "rev/min", "1/min", "min⁻¹", "min-1")),
    Unit("lx", "illuminance", symbols=("lx", "lux"), words=("lux",), prefixes="mkK"),
    Unit("m", "length", words=("metre", "metres", "meter", "meters")),
    Unit("g", "mass", symbols=("g",), prefixes="mk"),
    Unit("N", "force", symbols=("N",), words=("newton", "newtons"), prefixes="mkK"),
    Unit("Nm", "torque", symbols=("Nm", "N m", "N·m"), prefixes="m", signed=True),
)  # fmt: skip

UNITS: dict[str, Unit] = {unit.symbol: unit for unit in _ALL}
UNITS[""] = Unit("", "plain number", signed=True)

# Spellings that are one fixed multiple of a base unit.
FIXED: dict[str, tuple[str, str]] = {
    "min": ("s", "60"), "mins": ("s", "60"), "minute": ("s", "60"), "minutes": ("s", "60"),
    "h": ("s", "3600"), "hr": ("s", "3600"), "hrs": ("s", "3600"),
    "hour": ("s", "3600"), "hours": ("s", "3600"),
    "bar": ("Pa", "100000"), "mbar": ("Pa", "100"),
    # One pound-force (4.4482216152605 N) on one square inch (25.4 mm)², both exact by definition.
    "psi": ("Pa", "6894.757293168361336722673445"), "PSI": ("Pa", "6894.757293168361336722673445"),
    "mm": ("m", "0.001"), "cm": ("m", "0.01"), "µm": ("m", "0.000001"),
    "um": ("m", "0.000001"),
    "mC": ("coulomb", "0.001"), "µC": ("coulomb", "0.000001"), "uC": ("coulomb", "0.000001"),
    "nC": ("coulomb", "0.000000001"),
}  # fmt: skip

# Lower-case and upper-case habits of the keyboard that nobody could read otherwise.
HABITS: dict[str, Written] = {
    "uf": Written("F", "µ", -6), "nf": Written("F", "n", -9), "pf": Written("F", "p", -12),
    "µf": Written("F", "µ", -6),
    **dict.fromkeys(("MFD", "mfd", "MFd", "uFd", "µFd", "ufd"), Written("F", "µ", -6)),
    **dict.fromkeys(("µµF", "uuF", "mmF", "MMF", "mmfd", "MMFD"), Written("F", "p", -12)),
    "uh": Written("H", "µ", -6), "µh": Written("H", "µ", -6), "UH": Written("H", "µ", -6),
    "nh": Written("H", "n", -9), "mh": Written("H", "m", -3),
    "kHZ": Written("Hz", "k", 3), "GHZ": Written("Hz", "G", 9), "Ghz": Written("Hz", "G", 9),
    "MHz": Written("Hz", "M", 6),
    "VOLTS": Written("V"), "VOLT": Written("V"), "AMPS": Written("A"), "AMP": Written("A"),
    "mVolt": Written("V", "m", -3), "mVolts": Written("V", "m", -3),
    "mAmp": Written("A", "m", -3), "mAmps": Written("A", "m", -3),
    "kR": Written("ohm", "k", 3), "KR": Written("ohm", "k", 3), "MR": Written("ohm", "M", 6),
    "SEC": Written("s"), "Sec": Written("s"), "°c": Written("degC"),
    "degrees C": Written("degC"), "degrees Celsius": Written("degC"),
    "degrees F": Written("degF", spelt="°F"),
    "UF": Written("F", "µ", -6), "NF": Written("F", "n", -9), "PF": Written("F", "p", -12),
    "hz": Written("Hz"), "HZ": Written("Hz"),
    "khz": Written("Hz", "k", 3), "KHZ": Written("Hz", "k", 3), "Khz": Written("Hz", "k", 3),
    "MHZ": Written("Hz", "M", 6), "Mhz": Written("Hz", "M", 6),
    "megohm": Written("ohm", "M", 6), "megohms": Written("ohm", "M", 6),
    "kilohm": Written("ohm", "k", 3), "kilohms": Written("ohm", "k", 3),
    "R": Written("ohm"), "r": Written("ohm"),
    **dict.fromkeys(
        ("°F", "℉", "degF", "deg F", "fahrenheit", "Fahrenheit"), Written("degF", spelt="°F")
    ),
}  # fmt: skip

# What is refused with a reason of its own, because two readings of it are possible.
DISPUTED: dict[str, str] = {
    "MF": "MF was once written for microfarad, and megafarad does not occur: write µF or uF",
    "mf": "mf could be milli- or, as once written, microfarad: write mF or µF",
    "MH": "Write mH for millihenry",
    **dict.fromkeys(
        ("MOHM", "MOHMS", "M OHM", "M OHMS"),
        "In capitals M could be mega or milli: write Mohm or mohm",
    ),
    "MV": "Write mV for millivolt, or kV: megavolts are not met at a bench",
    "MA": "Write mA for milliampere, or kA",
    "MW": "Write mW for milliwatt, or kW",
    "Ms": "Write ms for millisecond",
    "MS": "Write ms for millisecond",
    "mS": "S is siemens: write ms for millisecond",
    "S": "S is siemens: write s for second",
    "mhz": "mhz could be millihertz or megahertz: write mHz or MHz",
    "f": "Write F for farad",
    "C": "C could be degrees Celsius or coulomb: write degC or coulomb",
    "L": "If the meter shows over range, write OL",
}

_KIND = re.compile(
    r"^(?P<unit>.*?)\s*(?P<kind>"
    r"d\.?c\.?|a\.?c\.?|r\.?m\.?s\.?|peak[- ]to[- ]peak|pk-?pk|p-?p|peak|pk|p|eff|ss|[~∼⎓=])$",
    re.IGNORECASE,
)
_KINDS: dict[str, Kind] = {
    "dc": "dc", "ac": "ac", "rms": "rms", "peaktopeak": "pp", "pkpk": "pp", "pp": "pp",
    "peak": "pk", "pk": "pk", "p": "pk",
    "eff": "rms", "ss": "pp", "~": "ac", "∼": "ac", "⎓": "dc", "=": "dc",
}  # fmt: skip


def _prefixed(unit: Unit) -> dict[str, Written]:
    table = {symbol: Written(unit.symbol) for symbol in (*unit.symbols, *unit.words)}
    table.update({word.capitalize(): Written(unit.symbol) for word in unit.words if word.isalpha()})
    for letter in unit.prefixes:
        made = Written(unit.symbol, LETTER.get(letter, letter), EXPONENTS[letter])
        for symbol in unit.symbols:
            table[letter + symbol] = made
            table[f"{letter} {symbol}"] = made
    for word, letter in PREFIX_WORDS.items():
        if unit.prefixes:
            made = Written(unit.symbol, letter, EXPONENTS[letter])
            for spelt in (word, word.capitalize(), word.upper()):
                for symbol in (*unit.words, *unit.symbols):
                    table[spelt + symbol] = made
                    table[f"{spelt} {symbol}"] = made
    return table


@cache
def _spellings() -> dict[str, Written]:
    """Every accepted spelling of prefix and unit; "" and bare prefixes name no unit."""
    table: dict[str, Written] = {"": Written(None)}
    for letter in "pnuµmkKMGT":
        table[letter] = Written(None, LETTER.get(letter, letter), EXPONENTS[letter])
    for word, letter in PREFIX_WORDS.items():
        for spelt in (word, word.capitalize(), word.upper()):
            table[spelt] = Written(None, letter, EXPONENTS[letter])
    for unit in _ALL:
        for text, written in _prefixed(unit).items():
            table.setdefault(text, written)
    for text, (symbol, factor) in FIXED.items():
        table[text] = Written(symbol, "", 0, factor, spelt=text)
    table.update(HABITS)
    for text in DISPUTED:
        table.pop(text, None)
    return table


@lru_cache(maxsize=4096)
def find_suffix(text: str) -> Written | None:
    """What the text after a number says, or None where it is no known spelling.

    Args:
        text: without surrounding blanks, both code points of µ and Ω already made one.

    Raises:
        ReadingError: the spelling has more than one reading.
    """
    found = _spellings().get(text)
    if found is not None:
        return found
    if text in DISPUTED:
        raise ReadingError(
            f"the unit '{text}' can be read in two ways", remedy=_say(DISPUTED[text])
        )
    match = _KIND.match(text)
    if match is None or not match["unit"]:
        return None
    base = _spellings().get(match["unit"])
    if base is None and _KIND.match(match["unit"]):
        base = find_suffix(match["unit"])
    if base is None or base.unit is None or not UNITS[_own(base.unit)].kinds:
        return None
    kind = _KINDS[re.sub(r"[-. ]", "", match["kind"].lower())]
    # "VAC rms" says one thing twice: a.c. values are r.m.s. values unless said otherwise.
    if base.kind and {base.kind, kind} != {"ac", "rms"}:
        return None
    return base._replace(kind=kind)


def _own(symbol: str) -> str:
    return "degC" if symbol == "degF" else symbol


def _say(remedy: str) -> str:
    return f"{remedy}."


_SAME = str.maketrans({"μ": "µ", "\u2126": "Ω"})


@lru_cache(maxsize=1024)
def parse_unit(text: str) -> Written:
    """The unit a place expects, as a file spells it: ``V``, ``mV``, ``V DC``, ``ohm``, ``kΩ``.

    Args:
        text: the spelling; empty means a plain number.

    Raises:
        ReadingError: it is no unit known here, or could be two.
    """
    plain = text.strip().translate(_SAME)
    if plain == "":
        return Written("")
    if plain in {"m", "K"}:
        return Written(plain)
    found = find_suffix(plain)
    if found is None or found.unit is None:
        from difflib import get_close_matches

        known = [symbol for symbol in UNITS if symbol]
        near = get_close_matches(plain, known, n=1)
        hint = f"Did you mean {near[0]}? " if near else ""
        raise ReadingError(
            f"'{text[:40]}' is no unit known here", remedy=f"{hint}Known are {', '.join(known)}."
        )
    return found


def unit_text(symbol: str, kind: str = "") -> str:
    """A unit with its kind as a sentence spells it, such as ``V p-p`` or ``Ω``."""
    shown = UNITS[symbol].shown or symbol if symbol in UNITS else symbol
    return f"{shown} {KIND_WORDS[kind]}" if kind else shown
