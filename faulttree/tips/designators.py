"""Reference designators in free text, with lists and ranges.

The letters are those of IEC 81346-2 (which replaced the list of IEC 60617 for designations)
and IEEE 315-1975 clause 22, as far as boards carry them, given from memory of both lists.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from faulttree.tips.plain import words_in

LETTERS = words_in(
    "R RV VR RP RN RT TH NTC PTC MOV C CX CY L FB D CR DZ ZD Z Q T TR VT U IC N A F FU K "
    "KA RL RLY RY S SW SA J JP X CN CON XP XS P PL M B BR BD BT G H HL LA LS E TP Y XT "
    "XTAL W DS FL OC OK V VD PS TC TF "
)
_LOWER = words_in("r c d q u f k j l s p ic tr vr zd sw ")
_LONG = frozenset("RCDQLU")
MOST = 64
"""A range of more parts than this is not a list that somebody meant."""

_ONE = r"(?<!\w)([A-Za-z]{1,4})(\d{1,4})(?![\w%°]|[.,]\d)"
_FIRST = re.compile(_ONE)
_TO = re.compile(
    r"\s*(-|–|—|\.\.+|…|\bto\b|\bthrough\b|\bthru\b|\bbis\b|\bhasta\b|\ba\b|\bà\b)\s*"
    r"(?:([A-Za-z]{1,4})(\d{1,4})|(\d{1,4}))(?![\w%°]|[.,]\d)",
    re.IGNORECASE,
)
_UNIT = r"\s*(?:[pnuµmkMG]?(?:F|H|V|A|W|Hz|Ω|ohms?)\b|[%°\d]|mm\b|min\b|times\b|x\b)"
_MORE = re.compile(
    r"\s*(/|,|&|\band\b|\bund\b|\bet\b|\by\b|\bor\b|\boder\b|\bou\b)\s*(\d{1,3})"
    rf"(?![\w:]|[.,]\d|{_UNIT})",
    re.IGNORECASE,
)
_SAFETY_CLASS = re.compile(r"[xy][123]$", re.IGNORECASE)
_CAPACITOR = re.compile(r"[µun]f\b|class|rated|suppress|entst|capac|kondens|conden|\bcap", re.I)
_SCREW = re.compile(r"screw|bolt|nut\b|schraub|vis\b|tornillo|torx|thread|key", re.I)


@dataclass(frozen=True, slots=True)
class Named:
    """Designators named at one place of a text."""

    start: int
    end: int
    designators: tuple[str, ...]


def designators_in(text: str) -> tuple[Named, ...]:
    """The designators of a text in order, lists and ranges written out.

    Example:
        >>> [one.designators for one in designators_in("not R3: C12-C14 or K1/2")]
        [('R3',), ('C12', 'C13', 'C14'), ('K1', 'K2')]
    """
    return tuple(_found(text))


def _found(text: str) -> Iterator[Named]:
    at = 0
    while (first := _FIRST.search(text, at)) is not None:
        at = first.end()
        letters, number = first.groups()
        if not _is_designator(text, first, letters, number):
            continue
        letters = letters.upper()
        names = [f"{letters}{number}"]
        if (to := _TO.match(text, at)) is not None:
            last = int(to[3] or to[4])
            same = to[2] is None or to[2].upper() == letters
            bare = to[2] is None and to[1].lower() not in ("-", "–", "to", "bis")
            if same and not bare and int(number) < last <= int(number) + MOST:
                names = [f"{letters}{n}" for n in range(int(number), last + 1)]
                at = to.end()
        while (more := _MORE.match(text, at)) is not None:
            names.append(f"{letters}{more[2]}")
            at = more.end()
        yield Named(first.start(), at, tuple(dict.fromkeys(names)))


def _is_designator(text: str, match: re.Match[str], letters: str, number: str) -> bool:
    if letters.upper() not in LETTERS or (not letters.isupper() and letters not in _LOWER):
        return False
    if len(number) > 3 and letters.upper() not in _LONG:
        return False
    around = text[max(0, match.start() - 24) : match.end() + 16]
    if _SAFETY_CLASS.match(match.group()) and _CAPACITOR.search(around):
        return False
    return not (letters.upper() in ("M", "T", "H") and _SCREW.search(around))
