"""The description of a library: its title, and whether its data is invented."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from faulttree.tree.document import read_document
from faulttree.tree.schema import refusals, shape_of

FILE = "library.yaml"

INVENTED = " (invented data)"
"""What stands after the title of an invented library, and of each of its trees."""


@dataclass(frozen=True, slots=True)
class About:
    """The title of a library; ``invented`` marks data made up for a demonstration.

    Example:
        >>> str(About("Demonstration", invented=True))
        'Demonstration (invented data)'
    """

    title: str
    invented: bool = False

    def __str__(self) -> str:
        return self.title + INVENTED * self.invented


def read_about(root: Path, name: str) -> About:
    """Read ``library.yaml`` at the root of a library.

    Args:
        root: the folder of the library.
        name: the title where the file is missing or gives none.

    Raises:
        TreeError: the file cannot be read, or has other content; the error has the place.
    """
    path = root / FILE
    if not path.is_file():
        return About(name)
    document = read_document(path, shape=shape_of("library"), name="library")
    for found in refusals(document.data, "library"):
        raise found.located(document).error()
    return About(str(document.data.get("title") or name), document.data.get("invented") is True)
