"""The words of a remark: harmless, folded to one spelling, cut into sentences and clauses."""

from __future__ import annotations

import html
import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

LONGEST = 4000
"""Characters of one remark that are read for its meaning; the rest is kept, not read."""


def words_in(text: str) -> frozenset[str]:
    """The words of a list that is written as one text."""
    return frozenset(text.split())


_TAG = re.compile(r"</?[A-Za-z][^<>]{0,300}>")
_ELISION = re.compile(r"\b([ldcnjmst]|qu|jusqu)'(?=\w)", re.IGNORECASE)
_MARK = re.compile(r"[^\W_]+|[.!?\n…]+(?=\s|$)|[,;:=()–—]|(?<=\s)-(?=\s)|±", re.UNICODE)
_ENDS = frozenset(".!?\n…")
_JOINS = words_in(
    "but instead then aber sondern dann stattdessen mais puis sino pero luego because since "
)
"""Words that begin a new clause."""


@dataclass(frozen=True, slots=True)
class Word:
    """One word: folded, with its place in the text, and the numbers of sentence and clause."""

    text: str
    start: int
    sentence: int
    clause: int


@dataclass(frozen=True)
class Words:
    """The words of a text.

    Attributes:
        words: the words, in order.
        asked: numbers of the sentences that end with a question mark.
    """

    words: tuple[Word, ...]
    asked: frozenset[int]


def cleaned(text: str) -> str:
    """A text without markup, control characters, marks of direction and apostrophes.

    Example:
        >>> cleaned("<b>Check&nbsp;F1</b>")
        ' Check F1 '
    """
    plain = html.unescape(_TAG.sub(" ", text[: 4 * LONGEST]))[:LONGEST]
    plain = unicodedata.normalize("NFKC", plain).replace("’", "'")
    kept = "".join(c if c == "\n" or unicodedata.category(c)[0] != "C" else " " for c in plain)
    # An elision is a word of its own; another apostrophe belongs to its word.
    return _ELISION.sub(r"\1 ", kept).replace("'", "")


@lru_cache(maxsize=20000)
def folded(word: str) -> str:
    """A word without case and accents.

    Example:
        >>> folded("Überbrückt")
        'uberbruckt'
    """
    spread = unicodedata.normalize("NFD", word.casefold())
    return "".join(c for c in spread if unicodedata.category(c) != "Mn")


def words_of(text: str) -> Words:
    """The words of a text, numbered by sentence and clause.

    Example:
        >>> [(word.text, word.clause) for word in words_of("Not F1, dont bridge it").words]
        [('not', 0), ('f1', 0), ('dont', 1), ('bridge', 1), ('it', 1)]
    """
    found: list[Word] = []
    asked = set()
    sentence = clause = 0
    for mark in _MARK.finditer(text):
        said = mark.group()
        if said[0] in _ENDS:
            if "?" in said:
                asked.add(sentence)
            sentence, clause = sentence + 1, clause + 1
        elif said[0].isalnum():
            word = folded(said)
            if word in _JOINS:
                clause += 1
            found.append(Word(word, mark.start(), sentence, clause))
        else:
            clause += 1
    return Words(tuple(found), frozenset(asked))
