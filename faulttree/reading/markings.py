"""What is printed on a resistor, capacitor, inductor or fuse, decoded (IEC 60062 and others)."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.quantity import EXACT, show_exact
from faulttree.reading.tolerance import LETTERS, Tolerance, read_tolerance
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import parse_unit

__all__ = ["CODES", "COLOURS", "Marking", "decode_marking"]

# IEC 60062, from memory: digit and power of ten.
COLOURS: dict[str, int] = {
    "black": 0,
    "brown": 1,
    "red": 2,
    "orange": 3,
    "yellow": 4,
    "green": 5,
    "blue": 6,
    "violet": 7,
    "grey": 8,
    "white": 9,
}
POWERS: dict[str, int] = {**COLOURS, "gold": -1, "silver": -2, "pink": -3}
# The same standard: tolerance in per cent. Grey is left out: editions differ.
TOLERANCES: dict[str, str] = {
    "brown": "1",
    "red": "2",
    "orange": "0.05",
    "yellow": "0.02",
    "green": "0.5",
    "blue": "0.25",
    "violet": "0.1",
    "gold": "5",
    "silver": "10",
    "pink": "20",
}
# The same standard: temperature coefficient in ppm/K, the sixth band.
COEFFICIENTS: dict[str, int] = {
    "black": 250,
    "brown": 100,
    "red": 50,
    "orange": 15,
    "yellow": 25,
    "green": 20,
    "blue": 10,
    "violet": 5,
    "grey": 1,
}
SPELT = {"gray": "grey", "purple": "violet"}
DISPUTED_GREY = "grey as tolerance means 0.05 % in one edition and 0.01 % in another"


@dataclass(frozen=True, slots=True)
class Marking:
    """A decoded marking.

    Attributes:
        text: as printed.
        value: in the base unit.
        unit: ``ohm``, ``F``, ``H``, or ``A`` of a fuse.
        tolerance: as marked, or None.
        tolerance_text: the same as it would be written in a tree.
        coefficient: temperature coefficient in ppm/K, or None.
        voltage: rated voltage [V], where it is marked.
        words: what else the marking says.
    """

    text: str
    value: Decimal
    unit: str
    tolerance: Tolerance | None = None
    tolerance_text: str = ""
    coefficient: int | None = None
    voltage: Decimal | None = None
    words: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The marking in words."""
        said = f"{self.text}: {show_exact(self.value, self.unit)}"
        if self.tolerance is not None:
            said += f", tolerance {self._tolerance_said()}"
        if self.coefficient is not None:
            said += f", {self.coefficient} ppm/K"
        if self.voltage is not None:
            said += f", {show_exact(self.voltage, 'V')}"
        return ", ".join([said, *self.words])

    def _tolerance_said(self) -> str:
        assert self.tolerance is not None
        low, high = self.tolerance.low, self.tolerance.high
        if not self.tolerance.relative:
            return f"±{show_exact(high, self.unit)}"
        if low == -high:
            return f"±{show_exact(high * 100)} %"
        return f"{show_exact(low * 100)} % to +{show_exact(high * 100)} %"


_LETTERS = "".join(LETTERS)
_CODE = re.compile(
    rf"(?P<code>[0-9]*[RKkMGTmuµnp][0-9]*)(?: ?(?P<letter>[{_LETTERS}]))?"
    r"(?: ?±? ?(?P<percent>[0-9.]+ ?%))?"
)
_DIGITS = re.compile(rf"(?P<digits>[0-9]{{2,3}})(?P<power>[0-9])(?P<letter>[{_LETTERS}])?")
# 33uF, 4n7F: the sign of the farad, though the letter F alone also means 1 %.
_FARAD = re.compile(rf"(?P<code>[0-9]*[pnuµm][0-9]*) ?F(?: ?(?P<letter>[{_LETTERS}]))?")
# 104K100: three figures, tolerance and rated voltage.
_WITH_VOLTS = re.compile(rf"(?P<code>[0-9]{{3}}[{_LETTERS}])(?P<volts>[0-9]{{2,4}})")
# 8R2C: 8.2 pF within 0.25 pF on a capacitor, 8.2 Ω within 0.25 % on a resistor.
_SMALL = re.compile(r"(?P<code>[0-9]*R[0-9]+)(?P<letter>[BCD])")
# Codes of inductors: figures and a power of ten in µH, R for the point in µH, N in nH.
_INDUCTOR = re.compile(
    rf"(?:(?P<digits>[0-9]{{2}})(?P<power>[0-9])|(?P<point>[0-9]*[RN][0-9]*))(?P<letter>[{_LETTERS}])?"
)
# Behind a value so large such a letter more likely is a voltage than a tolerance.
VOLTAGE_LETTERS = {Decimal("1E-6"): frozenset("BCDFG"), Decimal("10E-6"): frozenset("BCDFGJ")}
# 104K: ten times 10⁴ pF within 10 %, or 104 thousand ohms.
_THREE_AND_K = re.compile(r"[0-9]{3}[KM]")
# Two figures of EIA-96 from 01 to 96 and the letter of a factor.
_EIA_96 = re.compile("(?P<figures>0[1-9]|[1-8][0-9]|9[0-6])(?P<letter>[ZYRXSABHCDEF])")
_FACTORS = {
    "Z": -3, "Y": -2, "R": -2, "X": -1, "S": -1, "A": 0, "B": 1, "H": 1,
    "C": 2, "D": 3, "E": 4, "F": 5,
}  # fmt: skip
CODES = ("iec-60062", "eia-96")
_MILLIOHM = re.compile(rf"(?P<code>[0-9]*L[0-9]+|[0-9]+L)(?: ?(?P<letter>[{_LETTERS}]))?")
_FIGURES = re.compile(rf"(?P<figures>[1-9][0-9]?)(?P<letter>[{_LETTERS}])?")
# Rated voltage: the power of ten, and a letter for the figures, which are the R10 series of
# preferred numbers (ISO 3) and two more. Common practice, no source.
VOLTAGES = {
    "A": Decimal(1), "B": Decimal("1.25"), "C": Decimal("1.6"), "D": Decimal(2),
    "E": Decimal("2.5"), "F": Decimal("3.15"), "G": Decimal(4), "H": Decimal(5),
    "J": Decimal("6.3"), "K": Decimal(8), "V": Decimal("3.5"), "W": Decimal("4.5"),
}  # fmt: skip
_VOLTS_BEFORE = re.compile(
    rf"(?P<power>[0-4])(?P<letter>[{''.join(VOLTAGES)}])(?P<code>[0-9]{{3}}[{_LETTERS}]?)"
)
# IEC 60127-1, from memory.
SPEEDS = {
    "FF": "very quick acting", "F": "quick acting", "M": "medium time-lag",
    "T": "time-lag", "TT": "long time-lag",
}  # fmt: skip
CAPACITIES = {"L": "low", "H": "high", "E": "enhanced"}
_FUSE = re.compile(
    r"(?P<speed>FF|F|M|TT|T) ?(?P<current>[0-9]+(?:[.,][0-9]+)?) ?(?P<unit>mA|A)"
    r" ?(?P<capacity>[LHE])? ?(?:(?P<volts>[0-9]{2,3}) ?V[~=]?)?"
)
_PLAIN = re.compile(rf"(?P<value>.*?(?:F|Ω|ohm)) ?(?P<letter>[{_LETTERS}])?")
_SAME = str.maketrans({"μ": "µ", "\u2126": "Ω"})


def decode_marking(text: str, unit: str | None = None, code: str = "") -> Marking:
    """Decode what is printed on a part.

    Args:
        text: a letter code (``4K7``, ``R47J``, ``2n2K``, ``2L2`` in mΩ), figures in picofarads
            on a capacitor (``104K``, ``2A104J`` with its voltage, ``47``), the inscription of a
            fuse (``T3.15AL250V``), or colour bands by name (``yellow violet red gold``).
        unit: ``ohm``, ``F`` or ``H``, where the marking itself does not say: ``104`` is
            100 nF on a capacitor, 100 kΩ on a resistor and 100 mH on an inductor.
        code: one of :data:`CODES` for two figures and a letter: ``22R`` is 22 Ω by IEC 60062
            and 1.65 Ω by EIA-96.

    Raises:
        ReadingError: it is no marking known here, or it could be two.

    Example:
        >>> decode_marking("2A104J").sentence
        '2A104J: 100 nF, tolerance ±5 %, 100 V'
        >>> decode_marking("01C", code="eia-96").sentence
        '01C: 10 kΩ, tolerance ±1 %'
    """
    plain = text.strip().translate(_SAME)
    unit = _unit(unit)
    short = _short_code(text, plain, unit, code)
    if short is not None:
        return short
    if unit not in {"F", "H"}:
        plain = re.sub(r"^([0-9]+)E([0-9]{0,2})(?![0-9])", r"\1R\2", plain)
    for decoder in _DECODERS:
        found = decoder(text, plain, unit)
        if found is not None:
            return found
    raise ReadingError(
        f"'{text[:40]}' is no marking known here",
        remedy="Write it like 4K7, R47J, 2n2K, 104K, or yellow violet red gold.",
    )


def _short_code(text: str, plain: str, unit: str | None, code: str) -> Marking | None:
    """Two figures and a letter, which EIA-96 and IEC 60062 read in two ways."""
    if code not in {"", *CODES}:
        raise ReadingError(
            f"'{code[:40]}' is no code of markings", remedy=f"Choose one of {', '.join(CODES)}."
        )
    if unit in {None, "ohm"} and code != "iec-60062":
        found = _EIA_96.fullmatch(plain.upper())
        if found is not None:
            return _three_signs(text, found, unit, declared=code == "eia-96")
    if code == "eia-96":
        raise ReadingError(
            f"'{text[:40]}' is no marking by EIA-96",
            remedy="Write it like 01C: 01 to 96, a letter.",
        )
    return None


def _three_signs(text: str, code: re.Match[str], unit: str | None, *, declared: bool) -> Marking:
    """Two figures and a letter by EIA-96: a value of the E96 series and its factor, ± 1 %."""
    # The E96 series is 10^(n/96) to three digits (IEC 60063).
    number = round(100 * 10 ** ((int(code["figures"]) - 1) / 96))
    value = EXACT.scaleb(Decimal(number), Decimal(_FACTORS[code["letter"]]))
    if declared:
        return Marking(
            text, value, "ohm", Tolerance(Decimal("-0.01"), Decimal("0.01"), True), "1 %"
        )
    other = "Ω" if code["letter"] in "RE" else ""
    if unit is None and code["letter"] in LETTERS and not text.startswith("0"):
        other = "pF"
    common = f"{int(code['figures'])} {other} or " if other else ""
    raise ReadingError(
        f"'{text[:40]}' could be {common}{show_exact(value, 'ohm')} by EIA-96",
        remedy="Say the code of the marking: eia-96 or iec-60062. A part of 1 % in a small chip "
        "size has EIA-96.",
    )


def _fuse(text: str, plain: str, unit: str | None) -> Marking | None:
    """The inscription of a miniature fuse (IEC 60127-1, from memory)."""
    code = _FUSE.fullmatch(plain)
    if code is None or unit is not None:
        return None
    number = Decimal(code["current"].replace(",", "."))
    current = EXACT.scaleb(number, Decimal(-3 if code["unit"] == "mA" else 0))
    words: tuple[str, ...] = (SPEEDS[code["speed"]],)
    if code["capacity"]:
        words += (f"{CAPACITIES[code['capacity']]} breaking capacity",)
    volts = Decimal(code["volts"]) if code["volts"] else None
    return Marking(text, current, "A", voltage=volts, words=words)


def _colours(text: str, plain: str, unit: str | None) -> Marking | None:
    names = [SPELT.get(word, word) for word in re.split(r"[\s,/-]+", plain.lower())]
    if unit in {None, "ohm"} and (names == ["black"] or re.fullmatch("0{1,4}|0R0*|R0+", plain)):
        return Marking(text, Decimal(0), "ohm", words=("a jumper",))
    if len(names) > 2 and all(name in POWERS for name in names):
        return _bands(text, names)
    return None


def _with_voltage(text: str, plain: str, unit: str | None) -> Marking | None:
    """Figures in pF with the rated voltage behind (``104K100``) or coded in front (``2A104J``)."""
    if unit not in {None, "F"}:
        return None
    behind, before = _WITH_VOLTS.fullmatch(plain), _VOLTS_BEFORE.fullmatch(plain)
    if behind is not None:
        return replace(decode_marking(behind["code"], "F"), text=text, voltage=Decimal(behind[2]))
    if before is None:
        return None
    volts = EXACT.scaleb(VOLTAGES[before["letter"]], Decimal(before["power"]))
    return replace(decode_marking(before["code"], "F"), text=text, voltage=volts.normalize())


def _milliohm(text: str, plain: str, unit: str | None) -> Marking | None:
    """``L`` stands for the decimal point of a value in mΩ. Common practice, no source."""
    code = _MILLIOHM.fullmatch(plain)
    if code is None or unit not in {None, "ohm"}:
        return None
    value = EXACT.scaleb(Decimal(f"0{code['code'].replace('L', '.')}"), Decimal(-3))
    return _with_letter(text, value, "ohm", code["letter"])


def _picofarad(text: str, plain: str, unit: str | None) -> Marking | None:
    """One or two figures are picofarads on a capacitor. Common practice, no source."""
    code = _FIGURES.fullmatch(plain)
    if code is None or unit not in {None, "F"} or (unit is None and code["letter"] in {"K", "M"}):
        return None
    number = Decimal(code["figures"])
    if unit is None:
        raise _two_ways(text, EXACT.scaleb(number, Decimal(-12)), number)
    return _with_letter(text, EXACT.scaleb(number, Decimal(-12)), "F", code["letter"])


def _in_farad(text: str, plain: str, unit: str | None) -> Marking | None:
    farad = None if unit == "ohm" else _FARAD.fullmatch(plain)
    if farad is None or not re.search("[0-9]", farad["code"]):
        return None
    code = farad["code"] if farad["code"][0].isdigit() else f"0{farad['code']}"
    value = parse_quantity(code, "F").value
    assert value is not None
    return _with_letter(text, value, "F", farad["letter"])


def _written_out(text: str, plain: str, unit: str | None) -> Marking | None:
    written = _PLAIN.fullmatch(plain)
    if written is None:
        return None
    read = parse_quantity(written["value"], unit)
    if read.value is None or read.unit not in {"ohm", "F"}:
        return None
    return _with_letter(text, read.value, read.unit, written["letter"])


def _unit(unit: str | None) -> str | None:
    if unit is None:
        return None
    own = parse_unit(unit).unit
    if own not in {"ohm", "F", "H"}:
        raise ReadingError(
            f"no marking is decoded in {unit[:40]}", remedy="Name the part by ohm, F or H."
        )
    return own


def _inductor(text: str, plain: str, unit: str | None) -> Marking | None:
    """An inductor's code, in µH. Common practice, no source."""
    if unit != "H":
        return None
    code = _INDUCTOR.fullmatch(plain)
    if code is None or (code["point"] and not re.search("[0-9]", code["point"])):
        raise ReadingError(
            f"'{text[:40]}' is no marking of an inductor known here",
            remedy="Write it like 101K (100 µH), 4R7M (4.7 µH) or 47N (47 nH).",
        )
    if code["point"]:
        exponent = -6 if "R" in code["point"] else -9
        number = Decimal(re.sub("[RN]", ".", f"0{code['point']}").rstrip("."))
    else:
        number, exponent = Decimal(code["digits"]), int(code["power"]) - 6
    value = EXACT.scaleb(number, Decimal(exponent))
    if not code["letter"]:
        return Marking(text, value, "H")
    low, high = LETTERS[code["letter"]]
    share = Tolerance(low / 100, high / 100, relative=True)
    return Marking(text, value, "H", share, f"{high} %" if low == -high else f"{low} %, +{high} %")


def _small_capacitor(text: str, plain: str, unit: str | None) -> Marking | None:
    code = _SMALL.fullmatch(plain)
    if code is None or unit == "ohm":
        return None
    number = Decimal(f"0{code['code']}".replace("R", "."))
    if unit is None:
        raise _two_ways(text, EXACT.scaleb(number, Decimal(-12)), number)
    return _with_letter(text, EXACT.scaleb(number, Decimal(-12)), "F", code["letter"])


def _letter_code(text: str, plain: str, unit: str | None) -> Marking | None:
    """A letter for the decimal point (IEC 60062): R, K, M, G, T of ohms; p, n, µ, m of farads."""
    _refuse_two_ways(plain, text, unit)
    code = None if unit == "F" and _THREE_AND_K.fullmatch(plain) else _CODE.fullmatch(plain)
    if code is None or not re.search("[0-9]", code["code"]):
        return None
    letter = re.sub("[0-9]", "", code["code"])
    own = "ohm" if letter in "RkKMGT" else "F"
    if unit is not None and unit != own and letter != "m":
        raise ReadingError(
            f"'{text[:40]}' does not mark a part in {unit}", remedy="Check the part."
        )
    own = unit or own
    written = code["code"].replace("K", "k")
    value = parse_quantity(written if written[0].isdigit() else f"0{written}", own)
    assert value.value is not None
    if code["percent"]:
        tolerance = read_tolerance(code["percent"], own, "", value.value)
        return Marking(text, value.value, own, tolerance, code["percent"])
    return _with_letter(text, value.value, own, code["letter"])


def _refuse_two_ways(plain: str, text: str, unit: str | None) -> None:
    if unit is None and _THREE_AND_K.fullmatch(plain):
        pico = _three_digits(plain[:2], plain[2], "F")
        ohms = parse_quantity(plain.replace("K", "k"), "ohm").value
        assert ohms is not None
        raise _two_ways(text, pico, ohms)


def _two_ways(text: str, farad: Decimal, ohm: Decimal) -> ReadingError:
    return ReadingError(
        f"'{text[:40]}' could be {show_exact(farad, 'F')} or {show_exact(ohm, 'ohm')}",
        remedy="Say whether it is a capacitor (F) or a resistor (ohm).",
    )


def _three_digits(digits: str, power: str, unit: str) -> Decimal:
    """Figures and a power of ten; on a capacitor in pF, where 8 and 9 stand for -2 and -1
    (common practice, no source).
    """
    exponent = int(power)
    if unit == "F":
        exponent = (exponent - 10 if power in "89" else exponent) - 12
    return EXACT.scaleb(Decimal(digits), Decimal(exponent))


def _digit_code(text: str, plain: str, unit: str | None) -> Marking | None:
    code = _DIGITS.fullmatch(plain)
    if code is None:
        return None
    digits, power = code["digits"], code["power"]
    if unit is None and not code["letter"]:
        farad, ohm = (_three_digits(digits, power, own) for own in ("F", "ohm"))
        raise _two_ways(text, farad, ohm)
    own = unit or "F"
    return _with_letter(text, _three_digits(digits, power, own), own, code["letter"])


def _with_letter(text: str, value: Decimal, unit: str, letter: str | None) -> Marking:
    if not letter:
        return Marking(text, value, unit)
    for least, letters in VOLTAGE_LETTERS.items():
        if unit == "F" and value >= least and letter in letters:
            raise ReadingError(
                f"'{text[:40]}' is {show_exact(value, 'F')}, and {letter} behind it may be a "
                "voltage or a tolerance",
                remedy=f"Decode it without {letter}, and give the tolerance as a figure.",
            )
    tolerance = read_tolerance(letter, unit, "", value)
    return Marking(text, value, unit, tolerance, letter)


def _bands(text: str, colours: Sequence[str]) -> Marking:
    count = len(colours)
    if not 3 <= count <= 6:
        raise ReadingError(f"{count} bands are no resistor's", remedy="Name three to six bands.")
    figures = 2 if count < 5 else 3
    number = ""
    for colour in colours[:figures]:
        if colour not in COLOURS:
            raise ReadingError(f"{colour} is no digit", remedy="Read the bands from the other end.")
        number += str(COLOURS[colour])
    value = EXACT.scaleb(Decimal(int(number)), Decimal(POWERS[colours[figures]]))
    if count == 3:
        return Marking(text, value, "ohm", Tolerance(Decimal("-0.2"), Decimal("0.2"), True), "20 %")
    said = colours[figures + 1]
    if said == "grey":
        raise ReadingError(
            DISPUTED_GREY, remedy="Look the part up and write its tolerance as a figure."
        )
    if said not in TOLERANCES:
        raise ReadingError(f"{said} is no tolerance", remedy="Read the bands from the other end.")
    percent = f"{TOLERANCES[said]} %"
    return Marking(
        text,
        value,
        "ohm",
        read_tolerance(percent, "ohm", "", value),
        percent,
        _coefficient(colours[5]) if count == 6 else None,
    )


def _coefficient(colour: str) -> int:
    if colour not in COEFFICIENTS:
        raise ReadingError(
            f"{colour} is no temperature coefficient", remedy="Read the bands from the other end."
        )
    return COEFFICIENTS[colour]


_DECODERS: tuple[Callable[[str, str, str | None], Marking | None], ...] = (
    _inductor,
    _fuse,
    _colours,
    _with_voltage,
    _milliohm,
    _small_capacitor,
    _picofarad,
    _in_farad,
    _letter_code,
    _digit_code,
    _written_out,
)
