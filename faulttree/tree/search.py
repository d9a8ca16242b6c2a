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

    Every word must be found somewhere in a tree's own words, spelt alike enough.

    Args:
        words: what was said; empty gives every tree in the order of its id.
        limit: at most so many.
    """
    from rapidfuzz.utils import default_process

    said = default_process(words).split()
    families = library.families
    matches = []
    for tree_id in library.trees():
        data = _data(library, tree_id)
        if data is None:
            continue
        texts = _texts(tree_id, data, families.get(str(data.get("family")), {}))
        score, by = _score(said, words, texts)
        if score >= ENOUGH:
            symptoms = tuple(_symptoms(data))
            title, family = str(data.get("title", tree_id)), str(data.get("family", ""))
            matches.append(Match(tree_id, title, family, score, by, symptoms))
    matches.sort(key=lambda match: (-match.score, match.tree))
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


def _score(said: list[str], words: str, texts: list[str]) -> tuple[float, str]:
    """How well the words fit, out of 100, and the text that fits best as a whole."""
    from rapidfuzz import fuzz
    from rapidfuzz.utils import default_process

    if not said:
        return 100.0, texts[0]
    own = {word for text in texts for word in default_process(text).split()}
    each = [max((_alike(word, other) for other in own), default=0.0) for word in said]
    if min(each) < ENOUGH:
        return 0.0, ""
    whole = [(fuzz.token_set_ratio(words, text, processor=default_process), text) for text in texts]
    best, by = max(whole)
    return 0.5 * (sum(each) / len(each)) + 0.5 * best, by


def _alike(word: str, other: str) -> float:
    from rapidfuzz import fuzz

    if other.startswith(word) and len(word) >= 3:
        return 95.0
    return fuzz.ratio(word, other)
