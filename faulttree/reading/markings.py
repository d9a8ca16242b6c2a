"""What is printed on a resistor or capacitor, decoded; and colour bands both ways (IEC 60062)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.quantity import EXACT, show_exact
from faulttree.reading.tolerance import LETTERS, Tolerance, read_tolerance
from faulttree.reading.typed import parse_quantity
from faulttree.reading.units import parse_unit

__all__ = ["COLOURS", "Marking", "decode_marking"]

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
        unit: ``ohm``, ``F`` or ``H``.
        tolerance: as marked, or None.
        tolerance_text: the same as it would be written in a tree.
        coefficient: temperature coefficient in ppm/K, or None.
    """

    text: str
    value: Decimal
    unit: str
    tolerance: Tolerance | None = None
    tolerance_text: str = ""
    coefficient: int | None = None

    @property
    def sentence(self) -> str:
        """The marking in words."""
        said = f"{self.text}: {show_exact(self.value, self.unit)}"
        if self.tolerance is not None:
            said += f", tolerance {self._tolerance_said()}"
        if self.coefficient is not None:
            said += f", {self.coefficient} ppm/K"
        return said

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
_PLAIN = re.compile(rf"(?P<value>.*?(?:F|Ω|ohm)) ?(?P<letter>[{_LETTERS}])?")
_SAME = str.maketrans({"μ": "µ", "\u2126": "Ω"})


def decode_marking(text: str, unit: str | None = None) -> Marking:
    """Decode what is printed on a part.

    Args:
        text: a letter code (``4K7``, ``R47J``, ``2n2K``), three digits with an optional
            letter (``104K``, picofarads on a capacitor), or colour bands by name
            (``yellow violet red gold``).
        unit: ``ohm``, ``F`` or ``H``, where the marking itself does not say: ``104`` is
            100 nF on a capacitor, 100 kΩ on a resistor and 100 mH on an inductor.

    Raises:
        ReadingError: it is no marking known here, or it could be two.
    """
    plain = text.strip().translate(_SAME)
    unit = _unit(unit)
    if unit == "H":
        return _inductor(text, plain)
    plain = re.sub(r"^([0-9]+)E([0-9]*)", r"\1R\2", plain) if unit != "F" else plain
    words = re.split(r"[\s,/-]+", plain.lower())
    if len(words) > 2 and all(SPELT.get(w, w) in POWERS for w in words):
        return _bands(text, [SPELT.get(word, word) for word in words])
    rated = _WITH_VOLTS.fullmatch(plain)
    if rated is not None and unit != "ohm":
        plain, unit = rated["code"], "F"
    small = _SMALL.fullmatch(plain)
    if small is not None and unit != "ohm":
        return _small_capacitor(text, small, unit)
    _refuse_two_ways(plain, text, unit)
    farad = None if unit == "ohm" else _FARAD.fullmatch(plain)
    if farad is not None and re.search("[0-9]", farad["code"]):
        code = farad["code"] if farad["code"][0].isdigit() else f"0{farad['code']}"
        value = parse_quantity(code, "F").value
        assert value is not None
        return _with_letter(text, value, "F", farad["letter"])
    code = None if unit == "F" and _THREE_AND_K.fullmatch(plain) else _CODE.fullmatch(plain)
    if code is not None and re.search("[0-9]", code["code"]):
        return _letter_code(text, code, unit)
    digits = _DIGITS.fullmatch(plain)
    if digits is not None:
        return _digit_code(text, digits, unit)
    written = _PLAIN.fullmatch(plain)
    if written is not None:
        read = parse_quantity(written["value"], unit)
        if read.value is not None and read.unit in {"ohm", "F"}:
            return _with_letter(text, read.value, read.unit, written["letter"])
    raise ReadingError(
        f"'{text[:40]}' is no marking known here",
        remedy="Write it like 4K7, R47J, 2n2K, 104K, or yellow violet red gold.",
    )


def _unit(unit: str | None) -> str | None:
    if unit is None:
        return None
    own = parse_unit(unit).unit
    if own not in {"ohm", "F", "H"}:
        raise ReadingError(
            f"no marking is decoded in {unit[:40]}", remedy="Name the part by ohm, F or H."
        )
    return own


def _inductor(text: str, plain: str) -> Marking:
    """An inductor's code, in µH. Common practice, no source."""
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


def _small_capacitor(text: str, code: re.Match[str], unit: str | None) -> Marking:
    number = Decimal(f"0{code['code']}".replace("R", "."))
    if unit is None:
        raise _two_ways(text, EXACT.scaleb(number, Decimal(-12)), number)
    return _with_letter(text, EXACT.scaleb(number, Decimal(-12)), "F", code["letter"])


def _letter_code(text: str, code: re.Match[str], unit: str | None) -> Marking:
    from rkm_codes import IEC60062_MAPS, from_rkm, set_prefs

    set_prefs(rkm_maps=IEC60062_MAPS)
    try:
        peer = from_rkm(code["code"])
    finally:
        set_prefs(rkm_maps=None)
    own = {"Ω": "ohm", "F": "F"}.get(str(getattr(peer, "units", "")))
    letters = re.sub("[0-9]", "", code["code"])
    if own is None or (unit is not None and unit != own and letters != "m"):
        raise ReadingError(
            f"'{text[:40]}' does not mark a part in {unit or 'ohm or F'}", remedy="Check the part."
        )
    own = unit or own
    plain = code["code"].replace("K", "k")
    value = parse_quantity(plain if plain[0].isdigit() else f"0{plain}", own)
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


def _digit_code(text: str, code: re.Match[str], unit: str | None) -> Marking:
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
