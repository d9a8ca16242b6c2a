"""Rules that compare the trees of a library."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from faulttree.tree import Examined, Tree


def facts_of(tree: Tree, examined: Examined) -> Mapping[str, Any]:
    """What comparing trees needs to know of one."""
    return {}


from collections.abc import Iterator, Sequence  # noqa: E402

from faulttree.rules.finding import Finding  # noqa: E402
from faulttree.tree import Library  # noqa: E402


def compare(library: Library, facts: Sequence[Mapping[str, Any]]) -> Iterator[Finding]:
    """Findings."""
    yield from ()
