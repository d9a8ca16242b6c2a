"""How many people say it, and how far that moves the odds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from faulttree.tips.joined import Joined
from faulttree.tips.plain import cleaned, folded
from faulttree.tips.remarks import Remark

MOST = 3.0
"""No number of remarks moves the odds of a suspect by more than this factor; common practice."""

HALF = 2.0
"""So many voices move them half of the way, on top of one; common practice, no source."""

EXACT: Mapping[str, float] = {"designator": 1.0, "part": 0.75, "kind": 0.5, "area": 0.25}
"""How much a voice counts, by how exactly it names the suspect; common practice, no source."""


def voices(remarks: Iterable[Remark]) -> int:
    """How many independent voices remarks are: one author once, copies of one text once.

    Example:
        >>> voices([Remark(0, "Fuse!", "a"), Remark(1, "fuse", "b"), Remark(2, "Relay", "b")])
        1
    """
    joined, texts = Joined(), []
    for one in remarks:
        words = "".join(c for c in cleaned(one.text) if c.isalnum() or c.isspace())
        text = "text " + " ".join(folded(word) for word in words.split())
        author = f"author {one.author.casefold()}" if one.author else text
        joined.join(text, author)
        texts.append(text)
    return len({joined.top(text) for text in texts})


def factor(count_for: float, count_against: float = 0.0, exactness: str = "designator") -> float:
    """The factor on the odds of a suspect that voices for and against it give.

    ``MOST ** ((s - t) / (|s - t| + HALF))`` with s and t the voices times their exactness: 1
    without voices, always between 1/MOST and MOST.

    Example:
        >>> factor(0), round(factor(2), 2), factor(100) < MOST
        (1.0, 1.73, True)
    """
    pull = (count_for - count_against) * EXACT[exactness]
    return float(MOST ** (pull / (abs(pull) + HALF)))


def shifted(priors: Mapping[str, float], factors: Mapping[str, float]) -> dict[str, float]:
    """Probabilities with factors applied, scaled to the same sum."""
    moved = {name: share * factors.get(name, 1.0) for name, share in priors.items()}
    before, after = sum(priors.values()), sum(moved.values())
    return {name: share * before / after for name, share in moved.items()} if after else moved
