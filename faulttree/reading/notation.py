"""From the text of a reading to an exact value in base units, or a refusal that says why.

General notations are read by general libraries well enough, but those give binary floats
and take ``33R`` for 33e27, ``4k7`` for 4 of a unit "k7" and ``12,5 V`` for 125 V. A verdict
that hangs on such a slip is worse than none, so the notation is read here, exactly, and
the libraries are the peers that the tests compare with.
"""

from __future__ import annotations

import re
from decimal import Decimal

from faulttree.errors import ReadingError
from faulttree.reading.quantity import EXACT, MAX_EXPONENT, Quantity
from faulttree.reading.units import UNITS, Kind, Written, find_suffix, parse_unit, unit_text

MAX_TEXT = 80
MAX_DIGITS = 28
ZERO_CELSIUS = Decimal("273.15")

_SAME = str.maketrans(
    {
        "μ": "µ",  # U+03BC, U+00B5
        "\u2126": "Ω",
        "−": "-", "\u2010": "-", "\u2011": "-", "\u2012": "-", "–": "-", "\ufe63": "-",
        "\uff0d": "-", "\uff0b": "+",
        "\u00a0": " ", "\u2002": " ", "\u2003": " ", "\u2004": " ", "\u2005": " ",
        "\u2006": " ", "\u2007": " ", "\u2008": " ", "\u2009": " ", "\u200a": " ",
        "\u202f": " ", "\t": " ",
    }
)  # fmt: skip

# ISO 80000-1 groups digits in threes by a thin space; an ordinary one may be a slip.
_THIN_GROUPS = re.compile(r"^([+\-−]?)(\d{1,3}(?:[\u2009\u202f]\d{3})+)(?![\u2009\u202f]?\d)")
# Groups of three where the other mark, or an apostrophe, leaves no doubt: 1,234.5 or 1.234,5.
_OTHER_GROUPS = re.compile(
    r"^([+-]?)([1-9][0-9]{0,2}(?:(?:,[0-9]{3})+(?=[.])|(?:[.][0-9]{3})+(?=,)|(?:['’][0-9]{3})+))"
    r"(?:[.,]([0-9]+))?(?![0-9.,'’])"
)
_TEN_TO = re.compile(
    r"(?<=[0-9]) *[x×*·⋅] *10(?:\^ ?([+−-]?[0-9]{1,2})|([⁺⁻]?[⁰¹²³⁴⁵⁶⁷⁸⁹]{1,2}))(?![0-9])"
)
_RAISED = str.maketrans("⁺⁻⁰¹²³⁴⁵⁶⁷⁸⁹−", "+-0123456789-")
_NUMBER = re.compile(
    r"(?P<sign>[+-]?) ?(?P<number>(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))"
    r"(?P<exponent>[eE][+-]?[0-9]{1,3}(?![0-9]))? *(?P<rest>.*)",
    re.DOTALL,
)
_CODE = re.compile(
    r"(?P<sign>[+-]?)(?:(?P<whole>[0-9]+)(?P<letter>[RrVvAWkKMGTmuµnp])|(?P<lead>[Rruµnp]))"
    r"(?P<part>[0-9]+) *(?P<rest>.*)",
    re.DOTALL,
)
# A lone zero in front of the comma leaves no doubt: nobody writes thousands so.
_THOUSANDS = re.compile(r"(?!0,)[0-9]+,[0-9]{3}")

# Capital prefixes, which only a place for farads or henries leaves no doubt about.
CAPITALS = {"N": Written(None, "n", -9), "U": Written(None, "µ", -6), "P": Written(None, "p", -12)}
# Units whose letter is also met as a prefix or as another unit.
LIKE_PREFIX = {"N": " (newton)", "F": " (farad)", "K": " (kelvin)"}
_OVER = frozenset(
    {"ofl", "ovld", "ovl",
     "ol", "o.l", "o.l.", "ol.", ".ol", "0l", "0.l", "0l.", "o l", "∞", "inf", "infinity",
     "infinite", "over", "over range", "overrange", "over-range", "overload"}
)  # fmt: skip
_OPEN = frozenset({"open", "open circuit", "open-circuit"})
_SHORT = frozenset({"short", "shorted", "short circuit", "short-circuit"})


def parse_alone(text: str | int | float | Decimal, unit: str | None) -> Quantity:
    """Read a quantity that has no test frequency behind it."""
    expected = None if unit is None else parse_unit(unit)
    plain = _plain(text)
    word = _word(plain, str(text), expected)
    if word is not None:
        return word
    spent = _minutes_and_seconds(plain, expected)
    if spent is not None:
        return Quantity(spent, "s", text=str(text))
    _refuse_habits(plain, str(text), expected)
    if expected is not None and expected.unit in {"F", "H"}:
        plain = _CAPITAL_CODE.sub(lambda m: f"{m[1]}{m[2].lower()}{m[3]}", plain)
    sign, number, written, signed = _take_apart(plain, str(text), expected)
    bare = written.unit is None and not written.prefix
    written = _settle(written, expected, str(text), bare=bare)
    value = _scaled(sign + number, written, str(text))
    symbol = written.unit or ""
    if symbol == "degF":
        value, symbol = _from_fahrenheit(value), "degC"
    value, symbol = _to_scale(value, symbol, expected)
    return Quantity(
        value=value,
        unit=symbol,
        kind=written.kind,
        text=str(text),
        prefix="" if bare else written.prefix,
        spelt="" if bare else written.spelt,
        bare=bare,
        signed=signed,
    )


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:39] + "…"


def _refuse(text: str, why: str, remedy: str) -> ReadingError:
    return ReadingError(f"'{_short(text)}' {why}", remedy=remedy)


def _plain(text: object) -> str:
    """The text with one code point for each sign, or a number's shortest text."""
    if isinstance(text, bool) or not isinstance(text, str | int | float | Decimal):
        raise ReadingError(
            f"{_short(repr(text))} is no reading", remedy="Write a number and a unit."
        )
    if isinstance(text, float) and text != text:
        raise ReadingError("a reading that is not a number says nothing", remedy="Measure again.")
    if isinstance(text, int) and abs(text) >= 10**MAX_EXPONENT:
        raise ReadingError("the number is too large to be a reading", remedy="Check the number.")
    said = str(text)
    if len(said) > MAX_TEXT:
        raise _refuse(said, "is too long to be a reading", "Write one number and one unit.")
    said = _THIN_GROUPS.sub(lambda m: m[1] + re.sub(r"[\u2009\u202f]", "", m[2]), said.strip())
    said = _OTHER_GROUPS.sub(_join_groups, said.translate(_SAME).strip())
    if not said:
        raise ReadingError("nothing was typed", remedy="Write a number and a unit, or OL.")
    return said


def _join_groups(match: re.Match[str]) -> str:
    whole = re.sub("[^0-9]", "", match[2])
    return f"{match[1]}{whole}.{match[3]}" if match[3] else f"{match[1]}{whole}"


def join_power_of_ten(text: str) -> str:
    """``4.7 × 10^3 ohm`` and ``4.7·10³ ohm`` as ``4.7e+3 ohm``, so that × 10 is no probe."""

    def joined(match: re.Match[str]) -> str:
        return f"e{int((match[1] or match[2]).translate(_RAISED)):+d}"

    return _TEN_TO.sub(joined, text)


def _word(plain: str, text: str, expected: Written | None) -> Quantity | None:
    """Over range, open or short, alone or with a unit behind it; None where it is neither."""
    said = plain.lower()
    if said[0] == "-" and said[1:].strip() in _OVER:
        raise _refuse(
            text, "is over range below zero", "Swap the leads or take a larger range, then repeat."
        )
    if said in _OPEN or said in _SHORT:
        return _open_or_short(said in _OPEN, text, expected)
    if said in _OVER or said.lstrip("+") in _OVER:
        return _over(text, Written(None), expected)
    for word in (".ol", "ol", "0l", "∞", "o.l", "0.l", "infinity", "inf", "ofl", "ovld", "over"):
        if said.startswith(word):
            tail = plain[len(word) :].strip()
            written = find_suffix(tail) if tail else None
            if written is not None and written.unit is not None:
                return _over(text, written, expected)
    return None


_CAPITAL_CODE = re.compile("^([0-9]+)([NUP])([0-9]+)")
_CLOCK = re.compile(
    r"(?:([0-9]{1,3}) ?h ?)?([0-9]{1,3})(?: ?min| ?m(?=[0-9]{1,2} ?s))"
    r"(?: ?([0-5]?[0-9]) ?(?:s|sec))?",
    re.IGNORECASE,
)


def _minutes_and_seconds(plain: str, expected: Written | None) -> Decimal | None:
    """``1m30s``, ``1 min 30 s``, ``2 h 5 min`` in seconds; None where it is none of these."""
    if expected is not None and expected.unit != "s":
        return None
    match = _CLOCK.fullmatch(plain)
    if match is None or (match[1] is None and match[3] is None):
        return None
    return Decimal(match[1] or 0) * 3600 + Decimal(match[2]) * 60 + Decimal(match[3] or 0)


def _refuse_habits(plain: str, text: str, expected: Written | None) -> None:
    """Spellings that mean one thing at one place and another at the next."""
    wants = None if expected is None else expected.unit
    if re.fullmatch("-{2,}", plain):
        raise _refuse(text, "is over range, or no reading", "Write OL where it is over range.")
    if re.fullmatch("[0-9]+:[0-9]{1,2}", plain):
        raise _refuse(
            text, "could be minutes and seconds, or hours and minutes", "Write 1m30s, or 90 min."
        )
    if wants == "ohm" and re.fullmatch("1 ?[.]", plain):
        raise _refuse(text, "is over range on some meters, or one", "Write OL, or 1.0.")
    if wants == "ohm" and re.fullmatch("[0-9]+E[0-9]+", plain):
        whole, part = plain.split("E")
        raise _refuse(
            text,
            f"could be {whole}.{part} Ω as printed on a part, or {whole} with {part} zeros",
            f"Write {whole}R{part}, or {whole}e+{part}.",
        )


def _over(text: str, written: Written, expected: Written | None) -> Quantity:
    settled = _settle(written, expected, text, bare=written.unit is None)
    symbol = "degC" if settled.unit == "degF" else settled.unit or ""
    return Quantity(None, symbol, settled.kind, over_range=True, text=text)


def _open_or_short(is_open: bool, text: str, expected: Written | None) -> Quantity:
    if expected is not None and expected.unit != "ohm":
        raise _refuse(
            text,
            f"says a resistance, and this place takes {expected.text or 'a plain number'}",
            "Write what the meter shows, or OL for over range.",
        )
    if is_open:
        return Quantity(None, "ohm", over_range=True, text=text)
    return Quantity(Decimal(0), "ohm", text=text)


def _take_apart(plain: str, text: str, expected: Written | None) -> tuple[str, str, Written, bool]:
    """Sign, decimal number, what follows it, and whether a sign was typed."""
    code = _CODE.fullmatch(plain)
    if code is not None:
        written = _code_unit(code, text)
        number = f"{code['whole'] or '0'}.{code['part']}"
        return code["sign"], number, written, bool(code["sign"])
    match = _NUMBER.fullmatch(plain)
    if match is None:
        raise _refuse(text, "does not start with a number", "Write it like 4.7 kohm, 4k7 or OL.")
    number, rest = match["number"], match["rest"].rstrip()
    _check_comma(number, rest, text)
    written = _suffix(rest, text, expected, spaced=" " in plain[: match.start("rest")])
    number = number.replace(",", ".").rstrip(".")
    return match["sign"], number + (match["exponent"] or ""), written, bool(match["sign"])


def _check_comma(number: str, rest: str, text: str) -> None:
    if _THOUSANDS.fullmatch(number) and (rest == "1/min" or not rest[:1].isdigit()):
        decimal, thousands = number.replace(",", "."), number.replace(",", "")
        raise _refuse(
            text,
            f"could be {decimal} or {thousands}",
            "Write it with a point for the decimals and nothing between thousands.",
        )
    if number.endswith(","):
        raise _refuse(text, "ends in a comma", "Write the decimals, or leave the comma out.")
    if rest[:1] in {".", ","} or (rest[:1].isdigit() and rest != "1/min"):
        raise _refuse(
            text,
            "is more than one number, or has signs between thousands",
            "Write one number, with nothing between thousands.",
        )


def _suffix(rest: str, text: str, expected: Written | None, *, spaced: bool) -> Written:
    """What follows the number; the letters that may be unit or prefix are settled here."""
    wants = None if expected is None else expected.unit
    if rest in {"C", "c", "°", "°c"} and wants in {"degC", "K"}:
        return Written("degC")
    if rest == "F" and wants in {"degC", "degF", "K"}:
        return Written("degF", spelt="°F")
    if rest == "E" and wants in {"ohm", None}:
        return Written("ohm")
    if rest in CAPITALS and wants in {"F", "H"} and rest in "NUP":
        return CAPITALS[rest]
    if (rest, wants) in {("C", "coulomb"), ("f", "F"), ("h", "H")}:
        return Written(wants)
    if rest == "m" and wants == "m":
        raise _refuse(text, "could be metres or thousandths", "Write mm, cm or metre.")
    if rest == "K":
        return _kelvin_or_kilo(text, wants, spaced=spaced)
    try:
        written = find_suffix(rest)
    except ReadingError as error:
        raise _refuse(
            text, f"ends in '{_short(rest)}', which is disputed", error.remedy or ""
        ) from None
    if written is None:
        raise _refuse(
            text,
            f"ends in '{_short(rest)}', which is no unit known here",
            "Write one number and one unit, like 4.7 kohm, 150 uF or 3 mV p-p.",
        )
    return written


def _kelvin_or_kilo(text: str, wants: str | None, *, spaced: bool) -> Written:
    if wants in {"K", "degC"}:
        return Written("K")
    if (wants is None and not spaced) or (wants and "k" in UNITS[_own(wants)].prefixes):
        return Written(None, "k", 3)
    raise _refuse(text, "could be kelvin or kilo", "Write k for kilo, or kelvin.")


def _code_unit(code: re.Match[str], text: str) -> Written:
    """Unit and prefix of a marking code such as 4k7, R47, 2n2F or 3V3 (IEC 60062)."""
    letter, rest = code["letter"] or code["lead"], code["rest"].rstrip()
    own = {"R": "ohm", "r": "ohm", "V": "V", "v": "V", "A": "A", "W": "W"}.get(letter)
    prefix = Written(None) if own else find_suffix(letter)
    tail = find_suffix(f"{own}{rest}" if own in {"V", "A"} else rest)
    if prefix is None or tail is None or tail.prefix or tail.factor != "1":
        raise _refuse(
            text,
            f"ends in '{_short(rest)}', which does not fit a marking code",
            "Write it like 4k7, 4k7 ohm or 2n2F.",
        )
    if own is not None and tail.unit not in {None, own}:
        raise _refuse(text, f"says both {own} and {tail.text}", "Write one unit.")
    if tail.unit is not None and prefix.prefix:
        _check_prefix(prefix.prefix, tail.unit, text)
    return Written(own or tail.unit, prefix.prefix, prefix.exponent, "1", tail.kind)


def _settle(written: Written, expected: Written | None, text: str, *, bare: bool) -> Written:
    """The unit of the place where none was typed; a refusal where another was."""
    if expected is None:
        return written
    if written.unit is None:
        if bare:
            return expected
        _check_prefix(written.prefix, expected.unit or "", text)
        return written._replace(unit=expected.unit, kind=expected.kind)
    if not _same_dimension(written.unit, expected.unit):
        raise _refuse(
            text,
            f"is in {written.text}{LIKE_PREFIX.get(written.text, '')}, and this place takes "
            f"{expected.text or 'a plain number'}",
            "Check the meter's setting, or which quantity is asked for.",
        )
    kind = _common_kind(written.kind, expected.kind)
    if kind is None:
        raise _refuse(
            text,
            f"is in {written.text}, and this place takes {expected.text}",
            "A.c., d.c., peak, peak-to-peak and r.m.s. values are different figures: "
            "measure the one that is asked for.",
        )
    return written._replace(kind=kind)


def _check_prefix(prefix: str, unit: str, text: str) -> None:
    """A prefix alone must make sense with the unit of the place: ``3 M`` of volts does not."""
    if (unit, prefix) == ("s", "m") and "milli" not in text.lower():
        raise _refuse(text, "could be minutes or milliseconds", "Write min or ms.")
    if unit == "" or prefix in UNITS[_own(unit)].prefixes or (unit == "rpm" and prefix == "k"):
        return
    shown = unit_text(unit)
    raise _refuse(
        text,
        f"says {prefix}{shown}, which is not met at a bench",
        f"Write the unit out; m is milli, M is mega, u or µ is micro. This place takes {shown}.",
    )


def _own(unit: str) -> str:
    return "degC" if unit == "degF" else unit


TEMPERATURES = frozenset({"degC", "degF", "K"})


def _same_dimension(one: str | None, other: str | None) -> bool:
    return one == other or (one in TEMPERATURES and other in TEMPERATURES)


def _common_kind(read: Kind, expected: Kind) -> Kind | None:
    """The kind both agree on. Unsaid takes what the other says, but a peak must be said:
    plain volts are d.c. or r.m.s., and a peak-to-peak value is nearly three times that.
    """
    if read == expected or not read:
        return expected
    # A.c. volts and amperes are r.m.s. values unless said otherwise. Common practice, no source.
    if {read, expected} == {"ac", "rms"}:
        return expected
    if not expected and read not in {"pp", "pk"}:
        return read
    return None


def _scaled(number: str, written: Written, text: str) -> Decimal:
    mantissa, _, exponent = number.lower().partition("e")
    power = int(exponent or 0) + written.exponent
    digits = mantissa.strip("+-").replace(".", "").lstrip("0")
    if len(digits) > MAX_DIGITS:
        raise _refuse(text, "has more digits than any meter shows", "Write fewer digits.")
    value = Decimal(f"{mantissa}E{power}")
    if value.is_zero():
        return Decimal(0)
    if abs(value.adjusted()) > MAX_EXPONENT:
        raise _refuse(text, "is beyond anything a meter shows", "Check the exponent.")
    if written.factor != "1":
        value = EXACT.multiply(value, Decimal(written.factor))
    return value


def _from_fahrenheit(value: Decimal) -> Decimal:
    ninth = EXACT.divide(EXACT.multiply(EXACT.subtract(value, Decimal(32)), Decimal(5)), Decimal(9))
    return ninth.quantize(Decimal("1E-20"), context=EXACT).normalize(EXACT)


def _to_scale(value: Decimal, symbol: str, expected: Written | None) -> tuple[Decimal, str]:
    """A temperature in the scale the place expects."""
    wants = None if expected is None else expected.unit
    if symbol == "K" and wants in {"degC", "degF"}:
        return EXACT.subtract(value, ZERO_CELSIUS), "degC"
    if symbol == "degC" and wants == "K":
        return EXACT.add(value, ZERO_CELSIUS), "K"
    return value, symbol
