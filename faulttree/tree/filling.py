"""Parameters of a procedure, and replacing its {names} by the given values."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from faulttree.errors import ReadingError
from faulttree.tree.model import Where
from faulttree.tree.plain import as_text, as_texts
from faulttree.tree.source import shown

BRACES = re.compile(r"\{([a-z0-9]+(?:-[a-z0-9]+)*)\}")
NAMES = frozenset(
    ("answers", "results", "then", "exits", "use", "access", "cautions", "needs", "after")
)
"""Keys whose values are names; {names} in them are not replaced."""


@dataclass(frozen=True, slots=True)
class RatingName:
    """A rating of the tree, given to a procedure in the place of a figure.

    Attributes:
        name: the rating.
    """

    name: str

    def __str__(self) -> str:
        return self.name

    @property
    def formula(self) -> dict[str, Any]:
        """The value of the rating, as limits write it."""
        return {"formula": "rating", "from": {"rating": self.name}}


def filled(
    value: Any,
    where: Where,
    given: Mapping[str, Any],
    missing: Callable[[str, Where], None],
) -> Any:
    """Replace every {name} in a value of a procedure's step, once and literally.

    A text that is one {name} only becomes a formula where a rating is given for it.

    Args:
        value: a text, or lists and mappings with texts in them.
        where: its place, for findings.
        given: name → value.
        missing: called with each name that is not given, and the place of its text.
    """
    if isinstance(value, str):
        if "{" not in value:
            return value
        whole = BRACES.fullmatch(value)
        rating = given.get(whole.group(1)) if whole else None
        if isinstance(rating, RatingName):
            return rating.formula

        def put(match: re.Match[str]) -> str:
            name = match.group(1)
            if name in given:
                return as_text(given[name])
            missing(name, where)
            return match.group()

        return BRACES.sub(put, value)
    if isinstance(value, dict):
        return {
            key: item if key in NAMES else filled(item, where.under(key), given, missing)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [filled(item, where.under(i), given, missing) for i, item in enumerate(value)]
    return value


def takes_of(value: Any) -> dict[str, str]:
    """Names a procedure takes, each with its unit or an empty text."""
    if isinstance(value, dict):
        return {name: as_text(unit) for name, unit in value.items()}
    return dict.fromkeys(as_texts(value), "")


def wrong_unit(value: Any, unit: str) -> str:
    """The error in a value that must have a unit, or an empty text."""
    text = as_text(value)
    if value is None or unit in ("", "text") or BRACES.search(text):
        return ""
    from faulttree.reading.typed import parse_quantity
    from faulttree.reading.units import parse_unit

    try:
        bare = parse_quantity(text, unit).bare
        return f"`{shown(text)}` names no unit." if bare else ""
    except ReadingError as error:
        refused = error.message
    try:
        wanted, read = parse_unit(unit), parse_quantity(text)
    except ReadingError as error:
        return error.message
    return "" if wanted.kind == "" and read.unit == wanted.unit else refused
