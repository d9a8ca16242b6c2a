"""What a case starts from: a tree that may be walked, and what is known of the unit."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.errors import TreeError

if TYPE_CHECKING:
    from faulttree.cases import Store
    from faulttree.tree import Library
    from faulttree.tree.model import Tree
    from faulttree.walk.state import State

__all__ = ["fit_tree", "known_of_linked", "origin_of", "priors_of"]


def fit_tree(library: Library, what: Path | str, even_unchecked: bool) -> Tree:
    """The tree, once nothing in it could mislead, or whoever asks has said to go on.

    Raises:
        TreeError: the first error in it, or what cannot be read.
    """
    from faulttree.rules import fit_to_walk

    examined = library.examine(what)
    wrong = fit_to_walk(examined)
    if examined.tree is None or (wrong and not even_unchecked):
        first = wrong[0]
        more = f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""
        raise TreeError(
            f"this tree could mislead: {first.message}{more}",
            path=first.path,
            line=first.line,
            column=first.column,
            remedy="'faulttree check' lists every error; --even-unchecked walks the tree anyway.",
        )
    return examined.tree


def priors_of(tree: Tree, store: Store) -> dict[str, float]:
    """Probabilities of the faults by weight and by the confirmed cases of the record."""
    from faulttree.cases.fault_counts import confirmed
    from faulttree.odds import priors
    from faulttree.walk.advisor import table_of
    from faulttree.walk.renames import counted_for

    return priors(table_of(tree), counted_for(tree, confirmed(store)))


def origin_of(library: Library, tree: Tree) -> list[str]:
    """The library a tree is from, and the shared items that replace others in it.

    Empty for a tree of the topmost library that replaces nothing and is not invented.
    """
    from faulttree.tree.layers import replacements

    layer = library.layer_of(tree.id)
    named = layer.about.invented or layer is not library
    lines = [f"Tree of {layer.about}."] if named else []
    return lines + [f"{one}." for one in replacements(library, tree)]


def known_of_linked(before: State, case: str) -> Mapping[str, str]:
    """What the case that goes on in another knows of the unit, for :func:`begin_intake`.

    Args:
        before: where the earlier case stands; it was opened.
        case: its id.
    """
    opened = before.opened
    assert opened is not None
    return {
        "model": str(opened.unit.get("model", "")),
        "serial": str(opened.unit.get("serial", "")),
        "who": opened.who,
        "owner_words": opened.owner_words or opened.complaint,
        "linked": case,
    }
