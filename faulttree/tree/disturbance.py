"""Which readings a step would spoil: it heats, cleans, moves or replaces what they read."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from faulttree.tree.model import Fault, Step, Tree

__all__ = ["disturbed_before", "names_part", "readings_of", "spoiled_readings"]


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


def disturbed_before(tree: Tree, reading: str, made: Iterable[str]) -> tuple[Step, ...]:
    """The steps already made that disturbed what a reading is about, each once, in their order.

    A reading is about a part or module that its text names, and about the part and the module of
    a fault that it leads to or is a sign of. A step that names no part disturbs all readings.

    Args:
        tree: the tree of the steps.
        reading: the step that is read now.
        made: the steps made before, also those whose answer was taken back.

    Example:
        >>> disturbed_before(tree, "ripple", ["resolder"])[0].disturbs  # doctest: +SKIP
        ('heat',)
    """
    step = tree.steps.get(reading)
    if step is None or not _measures(step):
        return ()
    told = [fault for fault in tree.faults.values() if _tells(step, fault)]
    about = {name for fault in told for name in (fault.part, fault.module)}
    earlier = [tree.steps[name] for name in dict.fromkeys(made) if name in tree.steps]
    return tuple(
        one
        for one in earlier
        if one.disturbs and one.id != reading
        if not one.disturbs_of
        or any(part in about or names_part(step.text, part) for part in one.disturbs_of)
    )


def _tells(step: Step, fault: Fault) -> bool:
    return fault.id in step.targets.values() or step.id in fault.signs


def _measures(step: Step) -> bool:
    return step.kind == "measure" and step.role == "finding"
