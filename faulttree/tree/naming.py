"""Names in a tree file, held against what there is: targets, steps, states, {names}."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from faulttree.tree.filling import filled
from faulttree.tree.finder import Finder
from faulttree.tree.model import Access, Step, Use, Where
from faulttree.tree.plain import as_texts
from faulttree.tree.scopes import Scope
from faulttree.tree.source import shown

__all__ = ["Names", "filled_in"]


class Names:
    """What a name can mean, as far as the tree is built.

    Attributes:
        ends: faults and stops of the tree.
        states: access states of the tree.
        steps, uses: those built so far, by full id.
    """

    def __init__(
        self, finder: Finder, ends: Mapping[str, Any], states: Mapping[str, Access]
    ) -> None:
        self.finder, self.ends, self.states = finder, ends, states
        self.steps: dict[str, Step] = {}
        self.uses: dict[str, Use] = {}

    def target(self, scope: Scope, name: str, where: Where, *keys: str) -> None:
        """Report a target that names nothing here."""
        ends = self.ends if scope.use is None else scope.exits
        if name not in scope.steps and name not in ends:
            kinds = "step, fault or stop" if scope.use is None else "step or exit"
            message = f"`{shown(name)}` is no {kinds} of this file."
            mend = self.finder.near(name, [*scope.steps, *ends])
            mend = mend or "Look at the spelling, or write what is missing."
            self.finder.add("unknown-target", message, mend, where.under(*keys))

    def named(self, scope: Scope, name: str, where: Where, of_key: bool = False) -> str:
        """The full id of a step or use that a scope names."""
        full = scope.prefix + name
        if full not in self.steps and full not in self.uses and not scope.pending(name):
            known = [*scope.steps, *self.steps, *self.uses]
            mend = self.finder.near(name, known) or "Name a step of this file."
            message = f"`{shown(name)}` is no step here."
            self.finder.add("unknown-step", message, mend, where, of_key=of_key)
        return full

    def check_access(self, raw: Mapping[str, Any], where: Where) -> None:
        """Report access states that the tree does not have."""
        for position, name in enumerate(as_texts(raw.get("access"))):
            if name not in self.states:
                message = f"The state `{shown(name)}` is not among `access`."
                mend = (
                    self.finder.near(name, self.states)
                    or f"Add `{shown(name)}` to the tree's `access`."
                )
                self.finder.add("unknown-access", message, mend, where.under("access", position))


def filled_in(scope: Scope, value: Any, where: Where, finder: Finder) -> Any:
    """A value of a procedure with every {name} put in; the tree's own are left alone."""
    if scope.use is None:
        return value
    return filled(value, where, scope.given, partial(_unfilled, scope.takes, finder))


def _unfilled(takes: Sequence[str], finder: Finder, name: str, where: Where) -> None:
    if name in takes:
        return
    message = f"`{{{shown(name)}}}` is nothing that this procedure takes."
    mend = finder.near(name, takes) or f"Add `{shown(name)}` to `takes`."
    finder.add("unfilled-name", message, mend, where)
