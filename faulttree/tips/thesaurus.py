"""The thesaurus: which words mean which component, action, sign or hazard."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

from faulttree.errors import TreeError
from faulttree.tips.plain import Word, words_of

if TYPE_CHECKING:
    from faulttree.tree import Library

SHORTEST = 5
"""Letters of the shortest word in which a typing error is corrected."""


@dataclass(frozen=True)
class Hazard:
    """A dangerous proposal: one entry of each list in one sentence.

    Attributes:
        implies: the action that it is; empty for none.
        wide: the words may stand in different sentences.
        caution: what can happen, and what to do instead.
    """

    name: str
    all: tuple[tuple[str, ...], ...]
    unless: tuple[str, ...]
    implies: str
    caution: str
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Mention:
    """Words of a text that mean an entry: the words ``first`` to ``last``, the last included.

    ``suspect`` is the entry that stands for all that is one suspect with it.
    """

    name: str
    role: str
    weak: int
    first: int
    last: int
    suspect: str = ""


@dataclass(frozen=True, slots=True)
class _Phrase:
    keys: tuple[str, ...]
    name: str
    role: str
    weak: int
    suspect: str
    language: str

    def at(self, first: int, last: int) -> Mention:
        """The phrase, found at a place."""
        return Mention(self.name, self.role, self.weak, first, last, self.suspect)


@dataclass
class Thesaurus:
    """Phrases by meaning; made by :func:`thesaurus_of`.

    Attributes:
        phrases: phrases by the key of their first word; the longest first.
        wider: kind → wider kind.
        hazards: what is dangerous.
    """

    phrases: Mapping[str, Sequence[_Phrase]]
    wider: Mapping[str, str]
    hazards: tuple[Hazard, ...]
    _keys: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @cached_property
    def _vocabulary(self) -> frozenset[str]:
        return frozenset(
            key for several in self.phrases.values() for one in several for key in one.keys
        )

    @cached_property
    def _open_ended(self) -> tuple[str, ...]:
        return tuple(key for key in self._vocabulary if "*" in key)

    @cached_property
    def _correctable(self) -> tuple[str, ...]:
        """Words in which typing errors are corrected: single words of components and things."""
        return tuple(sorted({
            one.keys[0] for several in self.phrases.values() for one in several
            if len(one.keys) == 1 and one.keys[0].isalpha()
            and (one.role == "kind" or (one.role == "action" and one.language == "en"))
            and len(one.keys[0]) > SHORTEST
        }))  # fmt: skip

    def keys_of(self, word: str) -> tuple[str, ...]:
        """The keys of phrases that a word fits: itself, its singular, open ends, a correction."""
        if word not in self._keys:
            if len(self._keys) > 50_000:
                self._keys.clear()
            self._keys[word] = tuple(self._fitting(word))
        return self._keys[word]

    def _fitting(self, word: str) -> Iterator[str]:
        known = self._vocabulary
        yield from (key for key in (word, f"={word}") if key in known)
        for ending, other in (("s", ""), ("es", ""), ("ies", "y")):
            if len(word) > 3 and word.endswith(ending):
                key = word.removesuffix(ending) + other
                if key in known and len(key) > 2:
                    yield key
        yield from (key for key in self._open_ended if _fits(word, key))
        if word not in known and (near := self._near(word)):
            yield near

    def _near(self, word: str) -> str:
        if len(word) < SHORTEST or not word.isalpha():
            return ""
        from rapidfuzz import process
        from rapidfuzz.distance import OSA

        most = 2 if len(word) > 8 else 1
        known = self._correctable
        found = process.extractOne(word, known, scorer=OSA.distance, score_cutoff=most)
        single = word.removesuffix("s")
        if found is None and single != word:
            found = process.extractOne(single, known, scorer=OSA.distance, score_cutoff=most)
        # People seldom miss the first letter; other words often differ by it alone.
        near = found is not None and found[0][0] == word[0]
        return str(found[0]) if found is not None and near else ""

    def mentions(self, words: Sequence[Word]) -> list[Mention]:
        """What the words mention, in order.

        The longest phrase of parts and the longest of actions counts at each place, with every
        entry that has it. Signs may overlap with them and with each other.
        """
        found: list[Mention] = []
        parts = self._longest(words, ("kind", "thing"))
        actions = self._longest(words, ("action",))
        for one in parts:
            over = [a for a in actions if a.first <= one.first and one.last <= a.last]
            longer = [a for a in over if a.last - a.first > one.last - one.first]
            if not any(a.first == one.first or (one.weak and one.role == "kind") for a in longer):
                found.append(one)
        found += [one for one in actions if not self._within(one, parts)]
        found += [
            phrase.at(at, last)
            for at in range(len(words))
            for phrase in self._starting(words[at].text)
            if phrase.role == "sign" and (last := self._end(phrase, words, at)) >= 0
        ]
        return sorted(found, key=lambda one: (one.first, -one.last))

    def _within(self, action: Mention, parts: Sequence[Mention]) -> bool:
        """Whether an action is only a word of a part's name: "test" in "test lead"."""
        return any(p.weak < 9 and p.first <= action.first and action.last <= p.last
                   for p in parts)  # fmt: skip

    def _longest(self, words: Sequence[Word], roles: Sequence[str]) -> list[Mention]:
        found: list[Mention] = []
        at = 0
        while at < len(words):
            best = [
                (last, len("".join(phrase.keys).strip("*=")), phrase)
                for phrase in self._starting(words[at].text)
                if phrase.role in roles and (last := self._end(phrase, words, at)) >= 0
            ]
            if not best:
                at += 1
                continue
            top = max(one[:2] for one in best)
            found += dict.fromkeys(one[2].at(at, one[0]) for one in best if one[:2] == top)
            at = top[0] + 1
        return found

    def _starting(self, word: str) -> Iterator[_Phrase]:
        for key in self.keys_of(word):
            yield from self.phrases.get(key, ())

    def _end(self, phrase: _Phrase, words: Sequence[Word], at: int) -> int:
        """The last word of a phrase that begins at a place; -1 where it does not stand there."""
        last = at + len(phrase.keys) - 1
        if last >= len(words) or words[last].sentence != words[at].sentence:
            return -1
        for key, word in zip(phrase.keys[1:], words[at + 1 : last + 1], strict=True):
            if key != word.text and key not in self.keys_of(word.text):
                return -1
        return last


def _fits(word: str, key: str) -> bool:
    inner = key.strip("*")
    if key.startswith("*"):
        return inner in word if key.endswith("*") else word.endswith(inner)
    return word.startswith(inner)


_KNOWN: WeakKeyDictionary[Library, Thesaurus] = WeakKeyDictionary()


def thesaurus_of(library: Library) -> Thesaurus:
    """The thesaurus of a library, on top of those of the lower libraries.

    Raises:
        TreeError: a file has errors, or an entry names one that does not exist.
    """
    known = _KNOWN.get(library)
    if known is None:
        known = _KNOWN[library] = make_thesaurus(library.thesaurus)
    return known


def make_thesaurus(data: Mapping[str, Mapping[str, Any]]) -> Thesaurus:
    """A thesaurus from plain data.

    Raises:
        TreeError: an entry names one that does not exist.
    """
    phrases: dict[str, list[_Phrase]] = {}
    hazards = []
    for name, entry in data.items():
        for other in _named(entry):
            if other not in data:
                remedy = "Correct the name in shared/thesaurus.yaml, or add the entry."
                raise TreeError(f"`{name}` names `{other}`, which is no entry.", remedy=remedy)
        if entry["role"] == "hazard":
            hazards.append(_hazard(name, entry))
        meaning = entry.get("adds_to", name)
        suspect = name if entry.get("apart") else entry.get("wider", meaning)
        for language, phrase in _phrases_of(entry):
            if phrase:
                one = _Phrase(
                    phrase, meaning, entry["role"], entry.get("weak", 0), suspect, language
                )
                phrases.setdefault(phrase[0], []).append(one)
    wider = {name: entry["wider"] for name, entry in data.items() if "wider" in entry}
    return Thesaurus(phrases, wider, tuple(hazards))


def _hazard(name: str, entry: Mapping[str, Any]) -> Hazard:
    return Hazard(
        name,
        tuple(tuple(some) for some in entry.get("all", ())),
        tuple(entry.get("unless", ())),
        entry.get("implies", ""),
        entry.get("caution", ""),
        entry.get("scope") == "remark",
    )


def _named(entry: Mapping[str, Any]) -> Iterator[str]:
    yield from (entry[key] for key in ("wider", "adds_to", "implies") if key in entry)
    for some in entry.get("all", ()):
        yield from some
    yield from entry.get("unless", ())


def _phrases_of(entry: Mapping[str, Any]) -> Iterator[tuple[str, tuple[str, ...]]]:
    for language, several in entry.items():
        if len(language) == 2:
            for phrase in several:
                parts = str(phrase).replace("-", " ").split()
                yield language, tuple(key for part in parts if (key := _key(part)))


def _key(part: str) -> str:
    """A word of a phrase, folded; its marks are kept."""
    before = part[: len(part) - len(part.lstrip("*="))]
    after = "*" if part.endswith("*") else ""
    inner = "".join(word.text for word in words_of(part.strip("*=")).words)
    return f"{before}{inner}{after}"
