"""Names in a tree file, held against what there is: targets, steps, states, {names}."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import Any

from faulttree.tree.bundle import STORE_KEYS
from faulttree.tree.filling import filled
from faulttree.tree.finding import FindingList
from faulttree.tree.model import Access, Property, Step, Store, Use, Where
from faulttree.tree.plain import as_texts
from faulttree.tree.scopes import Scope
from faulttree.tree.source import shown


class Names:
    """What a name can mean, as far as the tree is built.

    Attributes:
        ends: faults and stops of the tree.
        states: access states of the tree.
        stores, properties: those of the tree, by name.
        steps, uses: those built so far, by full id.
    """

    def __init__(
        self,
        findings: FindingList,
        ends: Mapping[str, Any],
        states: Mapping[str, Access],
        stores: Mapping[str, Store],
        properties: Mapping[str, Property],
    ) -> None:
        self.findings, self.ends, self.states = findings, ends, states
        self.stores, self.properties = stores, properties
        self.steps: dict[str, Step] = {}
        self.uses: dict[str, Use] = {}

    def target(self, scope: Scope, name: str, where: Where, *keys: str) -> None:
        """Report a target that names nothing here."""
        ends = self.ends if scope.use is None else scope.exits
        if name not in scope.steps and name not in ends:
            kinds = "step, fault or stop" if scope.use is None else "step or exit"
            message = f"`{shown(name)}` is no {kinds} of this file."
            remedy = self.findings.near(name, [*scope.steps, *ends])
            remedy = remedy or "Look at the spelling, or write what is missing."
            self.findings.add("unknown-target", message, remedy, where.under(*keys))

    def named(self, scope: Scope, name: str, where: Where, of_key: bool = False) -> str:
        """The full id of a step or use that a scope names."""
        full = scope.prefix + name
        if full not in self.steps and full not in self.uses and not scope.pending(name):
            known = [*scope.steps, *self.steps, *self.uses]
            remedy = self.findings.near(name, known) or "Name a step of this file."
            message = f"`{shown(name)}` is no step here."
            self.findings.add("unknown-step", message, remedy, where, of_key=of_key)
        return full

    def check(self, raw: Mapping[str, Any], where: Where) -> None:
        """Report access states and stores that the tree does not have."""
        self.check_access(raw, where)
        self.check_stores(raw, where)

    def check_access(self, raw: Mapping[str, Any], where: Where) -> None:
        """Report access states that the tree does not have."""
        for position, name in enumerate(as_texts(raw.get("access"))):
            if name not in self.states:
                message = f"The state `{shown(name)}` is not among `access`."
                remedy = (
                    self.findings.near(name, self.states)
                    or f"Add `{shown(name)}` to the tree's `access`."
                )
                self.findings.add(
                    "unknown-access", message, remedy, where.under("access", position)
                )

    def check_stores(self, raw: Mapping[str, Any], where: Where) -> None:
        """Report stores that the tree does not have."""
        for key in STORE_KEYS:
            for position, name in enumerate(as_texts(raw.get(key))):
                if name in self.stores or "{" in name:
                    continue
                message = f"The store `{shown(name)}` is not among `stores`."
                remedy = (
                    self.findings.near(name, self.stores)
                    or f"Add `{shown(name)}` to the tree's `stores`, with voltage and capacitance."
                )
                self.findings.add("unknown-store", message, remedy, where.under(key, position))

    def check_property(self, name: str, values: Iterable[str], where: Where) -> None:
        """Report a property, or a value of one, that is not known."""
        known = self.properties.get(name)
        if known is None or not known.values:
            remedy = self.findings.near(name, self.properties) or (
                f"Add `{shown(name)}` with `ask` and `values` to `properties`, or to "
                "shared/properties.yaml."
            )
            message = f"`{shown(name)}` is no known property of a unit."
            self.findings.add("unknown-property", message, remedy, where, of_key=True)
            return
        for value in values:
            if value not in known.values:
                message = f"`{shown(value)}` is no value of the property `{shown(name)}`."
                remedy = (
                    self.findings.near(value, known.values) or f"It has {', '.join(known.values)}."
                )
                self.findings.add("unknown-property", message, remedy, where)


def check_exit(scope: Scope, exit_: str, where: Where, findings: FindingList) -> None:
    """Report an exit that the procedure of a scope does not have."""
    if exit_ not in scope.exits:
        message = f"The procedure `{scope.procedure}` has no exit `{shown(exit_)}`."
        remedy = findings.near(exit_, scope.exits) or f"It has {', '.join(scope.exits)}."
        findings.add("unknown-exit", message, remedy, where, of_key=True)


def filled_in(scope: Scope, value: Any, where: Where, findings: FindingList) -> Any:
    """A value of a procedure with every {name} put in; the tree's own are left alone."""
    if scope.use is None:
        return value
    return filled(value, where, scope.given, partial(_unfilled, scope.takes, findings))


def _unfilled(takes: Sequence[str], findings: FindingList, name: str, where: Where) -> None:
    if name in takes:
        return
    message = f"`{{{shown(name)}}}` is nothing that this procedure takes."
    remedy = findings.near(name, takes) or f"Add `{shown(name)}` to `takes`."
    findings.add("unfilled-name", message, remedy, where)
