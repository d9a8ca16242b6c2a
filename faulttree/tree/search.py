"""Finding a tree by what is said of a unit: complaint, family, module or model."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from weakref import WeakKeyDictionary

from faulttree.errors import TreeError
from faulttree.tree.document import read_document
from faulttree.tree.library import Library
from faulttree.tree.schema import shape_of

ENOUGH = 50.0
"""Out of 100: a tree below it does not fit. Set by trial on the shipped library."""

BEHIND = 30.0
"""A tree so much behind the best is left out: it would only be noise. Set by trial."""

ALIKE = 0.82
"""Likeness of two spellings, from 0 to 1, from which one may be a slip for the other."""

OF_FAMILY = 60.0
"""Points for the right family, where the words name one; the complaint gives the rest."""

STRANGE = 0.45
"""What a tree of another family than the one named keeps of its points."""

FIRST_TESTS = "any-device/first-tests"
"""The tree with the first tests of any device: for units that no other tree fits."""

IDLE = frozenset(
    (  # noqa: SIM905 - one word a line would fill a page
        "a an and any anymore as at be been but by do does did for from had has have he her his i "
        "if in is it its just like me more my now of on only or our please she so some that the "
        "them then there they this thing to very was we were when while with you your"
    ).split()
)
"""Words that say nothing of a complaint; "no", "not" and "off" do."""


@dataclass(frozen=True, slots=True)
class Match:
    """A tree that fits what was said: how well out of 100, and by which of its words."""

    tree: str
    title: str
    family: str
    score: float
    by: str
    symptoms: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Described:
    """What a tree says of itself: words for its family, and texts for its complaint."""

    tree: str
    title: str
    family: str
    names: Sequence[frozenset[str]]
    texts: Mapping[str, frozenset[str]]
    symptoms: tuple[str, ...]

    @property
    def named(self) -> frozenset[str]:
        """The words of all names of its family."""
        return frozenset().union(*self.names)

    @property
    def words(self) -> frozenset[str]:
        """All its words."""
        return self.named.union(*self.texts.values())


def find(words: str, library: Library, *, limit: int = 10) -> tuple[Match, ...]:
    """The trees that fit ``words``, the best first; typos are allowed.

    Words are compared by their stems (Porter's algorithm for English). A rare word counts
    more than a frequent one, by the logarithm of trees over trees that have it. Words that
    name a family put its trees first; among them, and where no family is named, the words of
    the complaint decide. Everyday phrases with one meaning ("dead", "does not start") come
    from ``shared/words.yaml``.

    Args:
        words: what was said; empty gives every tree in the order of its id.
        limit: at most so many.

    Returns:
        The trees that fit; none where most of what was said is strange to all of them. The
        tree :data:`FIRST_TESTS` fits no complaint better than another and is left out.

    Example:
        >>> from faulttree.tree import shipped_library
        >>> find("soldering station stays cold", shipped_library())[0].tree
        'soldering-station/does-not-heat'
    """
    meanings, known = _catalogue(library)
    said = _tokens(words, meanings)
    if not said:
        matches = [_match(tree, 100.0, tree.title) for tree in known]
        return tuple(matches[:limit] if limit else matches)
    known = [tree for tree in known if tree.tree != FIRST_TESTS]
    matches = sorted(_scored(said, known), key=lambda match: (-match.score, match.tree))
    matches = [match for match in matches if match.score >= matches[0].score - BEHIND]
    return tuple(matches[:limit] if limit else matches)


Meanings = Mapping[str, Sequence[Sequence[str]]]
_CATALOGUES: WeakKeyDictionary[Library, tuple[Meanings, Sequence[_Described]]] = WeakKeyDictionary()
"""A library is read once, so what its trees say of themselves is too."""


def _catalogue(library: Library) -> tuple[Meanings, Sequence[_Described]]:
    """The meanings of phrases, and what each tree says of itself."""
    if library not in _CATALOGUES:
        meanings = _meanings(library)
        trees = (_described(library, tree_id, meanings) for tree_id in library.trees())
        _CATALOGUES[library] = meanings, [tree for tree in trees if tree is not None]
    return _CATALOGUES[library]


def _scored(said: Sequence[str], trees: Sequence[_Described]) -> Iterator[Match]:
    """The trees with enough points."""
    count = Counter(word for tree in trees for word in tree.words)
    weight = {word: _weight(word, count, len(trees)) for word in said}
    total = sum(weight.values())
    named = {tree.family: _names_family(said, weight, tree.names) for tree in trees}
    best_family = max(named.values(), default=0.0)
    for tree in trees:
        share, by = max(
            ((_share(said, weight, words), text) for text, words in tree.texts.items()),
            default=(0.0, tree.title),
        )
        # What one text says best, and a little for what the others add.
        together = _share(said, weight, tree.words - tree.named)
        complaint = 0.7 * share + 0.3 * together
        family = named[tree.family]
        if best_family > 0:
            rest = total - family
            points = OF_FAMILY * family / best_family
            points += (100 - OF_FAMILY) * (complaint / rest if rest > 0 else 1.0)
            score = points if family == best_family else STRANGE * points
        else:
            score = 100 * complaint / total
        if score >= ENOUGH:
            yield _match(tree, min(score, 100.0), by)


def _names_family(
    said: Sequence[str], weight: Mapping[str, float], names: Sequence[frozenset[str]]
) -> float:
    """The weight of the words that name a family: more than half of one of its names."""
    shares = [
        _share(said, weight, name)
        for name in names
        if 2 * sum(_best(word, frozenset(said)) for word in name) > len(name)
    ]
    return max(shares, default=0.0)


def _match(tree: _Described, score: float, by: str) -> Match:
    return Match(tree.tree, tree.title, tree.family, score, by, tree.symptoms)


def _weight(word: str, count: Mapping[str, int], trees: int) -> float:
    """How much a word tells: the rarer, the more. A strange word counts as the rarest."""
    likest = max((of for own, of in count.items() if _alike(word, own) >= ALIKE), default=1)
    return math.log(1 + trees / likest)


def _share(said: Sequence[str], weight: Mapping[str, float], own: frozenset[str]) -> float:
    """The weight of the words said that are found among some words, each as far as it is."""
    return sum(weight[word] * _best(word, own) for word in said)


def _best(word: str, own: frozenset[str]) -> float:
    """Likeness of the likest word, from 0 to 1; 0 where none is alike."""
    if word in own:
        return 1.0
    likest = max((_alike(word, other) for other in own), default=0.0)
    return likest if likest >= ALIKE else 0.0


@cache
def _alike(word: str, other: str) -> float:
    """Likeness of two spellings; meanings and short words are only like themselves."""
    from rapidfuzz import fuzz

    if word == other:
        return 1.0
    if min(len(word), len(other)) < 4 or word.startswith("=") or other.startswith("="):
        return 0.0
    return fuzz.ratio(word, other) / 100


# -- words -----------------------------------------------------------------------------


def _tokens(text: str, meanings: Mapping[str, Sequence[Sequence[str]]]) -> list[str]:
    """The stems of a text without idle words, each meaning found in it as ``=<name>``.

    The words of a phrase whose meaning is found are not counted again.
    """
    spoken = _plain_words(text)
    stems = [_stem(word) for word in spoken]
    used: set[int] = set()
    found: list[str] = []
    for at, name in _phrases(stems, meanings):
        if used.isdisjoint(at):
            used.update(at)
            found.append(name)
    rest = [
        stem
        for at, (word, stem) in enumerate(zip(spoken, stems, strict=True))
        if at not in used and word not in IDLE
    ]
    told = list(dict.fromkeys([*rest, *found]))
    return told or list(dict.fromkeys(stems))


def _phrases(
    stems: Sequence[str], meanings: Mapping[str, Sequence[Sequence[str]]]
) -> list[tuple[range, str]]:
    """Where the words of a phrase stand one after another, the longest phrases first."""
    found = [
        (range(at, at + len(phrase)), name)
        for name, phrases in meanings.items()
        for phrase in phrases
        for at in range(len(stems) - len(phrase) + 1)
        if all(
            _alike(said, own) >= ALIKE
            for said, own in zip(stems[at : at + len(phrase)], phrase, strict=True)
        )
    ]
    return sorted(found, key=lambda place: (-len(place[0]), place[0].start))


def _plain_words(text: str) -> list[str]:
    """The words of a text in small letters; ``doesn't`` becomes ``does not``."""
    lower = re.sub(r"[’`´]", "'", text.casefold())
    lower = re.sub(r"\bcan't\b", "can not", re.sub(r"\bwon't\b", "will not", lower))
    lower = re.sub(r"n't\b", " not", lower)
    return re.findall(r"[^\W_]+", lower)


@cache
def _stemmer() -> Any:
    import snowballstemmer

    return snowballstemmer.stemmer("porter")


@cache
def _stem(word: str) -> str:
    return str(_stemmer().stemWord(word))


def _meanings(library: Library) -> dict[str, tuple[tuple[str, ...], ...]]:
    """Meaning → the phrases that say it, as stems, the longest first."""
    try:
        table = library.words
    except TreeError:
        return {}
    found = {}
    for name, phrases in table.items():
        listed = phrases if isinstance(phrases, list) else ()
        stems = {tuple(_stem(word) for word in _plain_words(str(phrase))) for phrase in listed}
        found[f"={name}"] = tuple(sorted(stems, key=len, reverse=True))
    return found


# -- trees -----------------------------------------------------------------------------


def _described(
    library: Library, tree_id: str, meanings: Mapping[str, Sequence[Sequence[str]]]
) -> _Described | None:
    """What a tree says of itself; None for a file that cannot be read: `check` reports it."""
    try:
        data = read_document(library.path_of(tree_id), shape=shape_of("tree")).data
    except TreeError:
        return None
    if not isinstance(data, Mapping):
        return None
    family, _, complaint = tree_id.partition("/")
    known = library.families.get(family, {})
    known = known if isinstance(known, Mapping) else {}
    named = [family.replace("-", " "), str(known.get("title", "")), *_texts(known.get("called"))]
    named += [model.replace("-", " ") for model in _models(data)]
    symptoms = tuple(_symptoms(data))
    texts = [complaint.replace("-", " "), str(data.get("title", "")), *symptoms]
    texts += [module.replace("-", " ") for module in _texts(data.get("modules"))]
    names = tuple(dict.fromkeys(frozenset(_tokens(text, {})) for text in named if text))
    own = frozenset().union(*names)
    return _Described(
        tree=tree_id,
        title=str(data.get("title", tree_id)),
        family=family,
        names=names,
        texts={text: frozenset(_tokens(text, meanings)) - own for text in texts if text.strip()},
        symptoms=symptoms,
    )


def _symptoms(data: Mapping[str, Any]) -> Iterator[str]:
    listed = data.get("symptoms")
    for symptom in listed if isinstance(listed, list) else ():
        yield str(symptom.get("text", "")) if isinstance(symptom, Mapping) else str(symptom)


def _texts(value: Any) -> Iterable[str]:
    return [str(item) for item in value if item] if isinstance(value, list) else ()


def _models(data: Mapping[str, Any]) -> Iterator[str]:
    """Models that the tree knows ratings or properties of."""
    for group in ("ratings", "properties"):
        table = data.get(group)
        for entry in table.values() if isinstance(table, Mapping) else ():
            models = entry.get("models") if isinstance(entry, Mapping) else None
            yield from (str(model) for model in models or ())
