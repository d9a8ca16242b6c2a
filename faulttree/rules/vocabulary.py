"""Words of outcomes, tests and faults, as far as rules compare them.

English only: a library in another language is neither helped nor blamed by them.
"""

from __future__ import annotations

import re
from functools import lru_cache


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


SOUND = _set(
    """
    good ok okay fine sound intact whole tight firm clean clear free freely even straight right
    correct complete undamaged safe pass passed passes healthy normal usual secure smooth
    """
)
"""Words of an outcome that finds a thing as it should be."""

WRONG = _set(
    """
    bad damaged broken blown burnt cracked loose dirty worn stuck bent blocked torn missing
    wrong swollen leaking leaky corroded shorted short open stiff seized wet charged fail failed
    fails dead faulty melted split jammed earthed unbalanced flat high low unsafe
    """
)
"""Words of an outcome or exit that finds a thing as it should not be."""

DENIED = re.compile(r"\b(?:not|no|never|without|nor|free (?:of|from))[\s-]+\S+", re.IGNORECASE)

# What stands in nearly every step says nothing about which part it looks at.
COMMON = _set(
    """
    the its for both all still again part same other any than then after before while near off
    out over under this that set are was does has have with from into onto one two first second
    reading measure measured resistance voltage current capacitance across between lowest
    highest worst each every cold warm pin pins and but what which how when where
    """
)

TURNED = re.compile(
    r"\b(?:inputs?|feeds?|feeding|fed|drives?|driving|control voltage|lifted|removed|taken|off|"
    r"without|alone|disconnected|pulled|swapped|exchanged|replaced|bypass\w*|past|bridged|"
    r"known[- ]good|new|pressing|pressed|bending|bent|tapping|tapped|warming|cooling|still)\b",
    re.IGNORECASE,
)

FREED = re.compile(
    r"\b(?:one|either|its|both)\s+(?:lead|end|wire|leg|tag|side)s?\s+"
    r"(?:lifted|off|free|out|cut|taken off)\b",
    re.IGNORECASE,
)
"""A part set free at one end, so that it alone is measured."""

OF_THE_PART = re.compile(r"\b(?:drop|drift|swing|ripple)\b", re.IGNORECASE)
"""What a powered reading says of the part itself, not of what feeds it."""

UNCHANGED = frozenset({"same", "unchanged", "no-change", "no-difference", "no-better"})


@lru_cache(maxsize=20_000)
def stems(text: str) -> frozenset[str]:
    """The telling words of a text, each cut to what its forms have in common.

    A word that is denied (`not sound`, `no power`) is left out.
    """
    plain = DENIED.sub(" ", text.lower().replace("-", " "))
    return frozenset(
        _stem(word) for word in re.findall(r"[a-z]+", plain) if len(word) > 2 and word not in COMMON
    )


@lru_cache(maxsize=20_000)
def denied(text: str) -> frozenset[str]:
    """The words that a text says are not so: `sound` of `What is not sound?`."""
    plain = text.lower()
    if "no " not in plain and "not " not in plain:
        return frozenset()
    return frozenset(re.findall(r"\b(?:not|no)\s+([a-z]{3,})\b", plain))


def _stem(word: str) -> str:
    for ending in ("ing", "ed", "es", "s"):
        if word.endswith(ending) and len(word) - len(ending) >= 3 and not word.endswith("ss"):
            word = word[: -len(ending)]
            break
    if len(word) > 3 and word.endswith("e"):
        word = word[:-1]
    if len(word) > 3 and word[-1] == word[-2] and word[-1] not in "sl":
        word = word[:-1]
    return word


def _said(outcome: str) -> frozenset[str]:
    return frozenset(outcome.lower().split("-"))


def is_sound(outcome: str) -> bool:
    """Whether an outcome by its name finds a thing as it should be."""
    said = _said(outcome)
    return bool(said & SOUND) and not said & WRONG and not said & {"not", "no"}


def is_wrong(outcome: str) -> bool:
    """Whether an outcome or exit by its name finds a thing as it should not be."""
    said = _said(outcome)
    return bool(said & WRONG) and not said & SOUND


@lru_cache(maxsize=20_000)
def turned_round(text: str) -> bool:
    """Whether a test looks at what is left, not at the part it names.

    With the part lifted, bypassed or exchanged, or at the input of it, a good reading blames
    that very part. One lead lifted only frees the part to be measured.
    """
    return TURNED.search(FREED.sub(" ", text)) is not None


def is_unchanged(outcome: str) -> bool:
    """Whether an outcome by its name says that a trial made no difference."""
    return outcome in UNCHANGED or outcome.startswith("stays")
