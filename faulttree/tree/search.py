"""Finding a tree by what is said of a unit: complaint, family, module or model."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree.document import read_document
from faulttree.tree.library import Library
from faulttree.tree.schema import shape_of

__all__ = ["Match", "find"]

ENOUGH = 62.0
"""Out of 100: below it a word counts as not found. Set by trial on the shipped library."""

BEHIND = 25.0
"""A tree so much behind the best is left out: it would only be noise. Set by trial."""

SECOND_HAND = 0.85
"""What a complaint counts that is told of the whole family, beside one of the tree itself."""

IDLE = frozenset(
    (  # noqa: SIM905 - one word a line would fill a page
        "a an and at by but for from has have i in is it its my of on or our so that the then "
        "there this to was we when while with you your"
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


def find(words: str, library: Library, *, limit: int = 10) -> tuple[Match, ...]:
    """The trees that fit ``words``, the best first; typos are allowed.

    Most of the words must be found among a tree's own, spelt alike enough: people tell more
    than a tree knows. Words that say nothing are passed over.

    Args:
        words: what was said; empty gives every tree in the order of its id.
        limit: at most so many.
    """
    spoken = text_words(words)
    said = [word for word in spoken if word not in IDLE] or spoken
    families = library.families
    matches = []
    for tree_id in library.trees():
        data = _data(library, tree_id)
        if data is None:
            continue
        family = families.get(str(data.get("family")), {})
        told = family.get("complaints") if isinstance(family, Mapping) else None
        voiced = [str(complaint) for complaint in told or ()]
        score, by = _score(said, _texts(tree_id, data, family), voiced)
        if score >= ENOUGH:
            symptoms = tuple(_symptoms(data))
            title, family = str(data.get("title", tree_id)), str(data.get("family", ""))
            matches.append(Match(tree_id, title, family, score, by, symptoms))
    matches.sort(key=lambda match: (-match.score, match.tree))
    matches = [match for match in matches if match.score >= matches[0].score - BEHIND]
    return tuple(matches[:limit] if limit else matches)


def _data(library: Library, tree_id: str) -> Mapping[str, Any] | None:
    """A tree's plain data; a file that cannot be read is `check`'s matter, not a match."""
    try:
        data = read_document(library.path_of(tree_id), shape=shape_of("tree")).data
    except TreeError:
        return None
    return data if isinstance(data, Mapping) else None


def _symptoms(data: Mapping[str, Any]) -> Iterable[str]:
    listed = data.get("symptoms")
    for symptom in listed if isinstance(listed, list) else ():
        yield str(symptom.get("text", "")) if isinstance(symptom, Mapping) else str(symptom)


def _texts(tree_id: str, data: Mapping[str, Any], family: Mapping[str, Any]) -> list[str]:
    """The tree's own words: its id, title, symptoms, modules, models and family's title."""
    texts = [tree_id.replace("/", " ").replace("-", " "), str(data.get("title", ""))]
    texts += _symptoms(data)
    modules = data.get("modules")
    texts += [str(module).replace("-", " ") for module in modules or () if module]
    ratings = data.get("ratings")
    for rating in ratings.values() if isinstance(ratings, Mapping) else ():
        models = rating.get("models") if isinstance(rating, Mapping) else None
        texts += [str(model).replace("-", " ") for model in models or ()]
    if isinstance(family, Mapping):
        texts.append(str(family.get("title", "")))
    return [text for text in texts if text]


def _score(said: list[str], texts: list[str], voiced: list[str]) -> tuple[float, str]:
    """How well the words fit, out of 100, and the text that fits best as a whole.

    Args:
        said: the words, those that say nothing left out.
        texts: the tree's own.
        voiced: complaints of its family, which count less.
    """
    from rapidfuzz import fuzz
    from rapidfuzz.utils import default_process

    if not said:
        return 100.0, texts[0]
    weighed = [*((text, 1.0) for text in texts), *((text, SECOND_HAND) for text in voiced)]
    own = {word: weight for text, weight in reversed(weighed) for word in text_words(text)}
    each = [_best(word, own) for word in said]
    found = [score for score, fits in each if fits]
    if 2 * len(found) < len(each):
        return 0.0, ""
    together = " ".join(said)
    whole = [
        (weight * fuzz.token_set_ratio(together, text, processor=default_process), text)
        for text, weight in weighed
    ]
    best, by = max(whole)
    return 0.5 * (sum(found) / len(each)) + 0.5 * best, by


def text_words(text: str) -> list[str]:
    """The words of a text in small letters, without marks."""
    from rapidfuzz.utils import default_process

    return list(default_process(text).split())


def _best(word: str, own: Mapping[str, float]) -> tuple[float, bool]:
    """How well the likest of some weighed words fits, out of 100, and whether it does."""
    likeness = [
        (weight * alike, alike) for other, weight in own.items() if (alike := _alike(word, other))
    ]
    score, alike = max(likeness, default=(0.0, 0.0))
    return score, alike >= ENOUGH


def _alike(word: str, other: str) -> float:
    from rapidfuzz import fuzz

    if word == other:
        return 100.0
    if min(len(word), len(other)) < 3:
        return 0.0
    return 95.0 if other.startswith(word) else fuzz.ratio(word, other)
