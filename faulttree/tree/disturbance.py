"""Which readings a step would spoil: it heats, cleans, moves or replaces what they read."""

from __future__ import annotations

import re
from collections.abc import Mapping

from faulttree.tree.model import Step, Tree

__all__ = ["names_part", "readings_of", "spoiled_readings"]


def readings_of(tree: Tree, part: str) -> tuple[str, ...]:
    """The steps outside the closing that measure a part: their text names it."""
    return tuple(
        name for name, step in tree.steps.items() if _measures(step) and names_part(step.text, part)
    )


def names_part(text: str, part: str) -> bool:
    """Whether the text of a step names a part.

    Example:
        >>> names_part("ESR of C1", "C1"), names_part("ESR of C12", "C1")
        (True, False)
    """
    return bool(part and re.search(rf"(?<![\w-]){re.escape(part)}(?![\w-])", text))


def spoiled_readings(tree: Tree) -> Mapping[str, tuple[str, ...]]:
    """Disturbing step → the steps whose readings it would spoil.

    A step that names no part (``of``) disturbs all of them.
    """
    found: dict[str, tuple[str, ...]] = {}
    for name, step in tree.steps.items():
        if not step.disturbs:
            continue
        parts = [readings_of(tree, part) for part in step.disturbs_of]
        every = tuple(one for one, other in tree.steps.items() if _measures(other))
        read = [one for of_part in parts for one in of_part] if step.disturbs_of else every
        found[name] = tuple(one for one in dict.fromkeys(read) if one != name)
    return found


def _measures(step: Step) -> bool:
    return step.kind == "measure" and step.role == "finding"
