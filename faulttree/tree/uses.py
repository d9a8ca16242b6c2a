"""Inline the shared procedures that a tree uses, and report errors in a use."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from faulttree.tree.filling import RatingName, takes_of, wrong_unit
from faulttree.tree.finding import FindingList, Level
from faulttree.tree.model import NOT_SAFE, Where
from faulttree.tree.naming import check_exit, filled_in
from faulttree.tree.plain import as_list, as_mapping, as_text, as_texts, as_words, entries
from faulttree.tree.scopes import BEFORE_POWER, CLOSING, Scope, kind_of
from faulttree.tree.source import shown

MAX_STEPS = 5_000
"""Greatest number of steps of a tree after its procedures are inlined."""

MAX_USES = 20
"""Greatest depth of procedures that use each other."""

NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class Uses:
    """Inlines the procedures of one tree.

    Args:
        listed: the procedures of the bundle by name, including those with errors.
        findings: collects the findings.
        known: returns the names in the library; called only for an unknown name. By default
            the names of the bundle.
        ratings: the tree's ratings with their units; a procedure may be given one by its name.

    Attributes:
        oversize: whether the tree would be too large.
    """

    def __init__(
        self,
        listed: Mapping[str, Any],
        findings: FindingList,
        known: Callable[[], Sequence[str]] | None = None,
        ratings: Mapping[str, str] | None = None,
    ) -> None:
        self.listed, self.findings = listed, findings
        self.ratings = ratings or {}
        self.procedures = dict(entries(listed))
        self.known = known or (lambda: tuple(self.procedures))
        self.count = 0
        self.oversize = False

    def expand(self, scope: Scope, depth: int = 0) -> None:
        """Inline the procedures that a scope uses, recursively."""
        self.count += len(scope.steps)
        for name, raw in scope.steps.items():
            if kind_of(raw) != "use" or self.count > MAX_STEPS:
                continue
            where = Where(scope.document, ("steps", name))
            if depth >= MAX_USES:
                self.too_large(f"Procedures are used inside each other more than {MAX_USES} deep.")
                continue
            child = self.open(scope, scope.prefix + name, raw, where)
            if child is not None:
                scope.uses[name] = child
                self.expand(child, depth + 1)
        if self.count > MAX_STEPS:
            self.too_large(f"More than {MAX_STEPS} steps once procedures are inlined.")

    def too_large(self, message: str) -> None:
        """Report that no tree can be built."""
        self.oversize = True
        remedy = "Check for procedures that use others many times."
        self.findings.add("too-large", message, remedy, Where("tree", ("steps",)))

    def open(self, scope: Scope, use: str, raw: Mapping[str, Any], where: Where) -> Scope | None:
        """The scope of one use, or None if it cannot be inlined."""
        name = as_text(raw.get("use"))
        chain = scope.chain()
        if name in chain:
            ring = " → ".join([*chain[chain.index(name) :], name])
            message = f"Procedures use each other in a cycle: {ring}."
            remedy = "Take one of these uses out."
            self.findings.add("procedure-ring", message, remedy, where.under("use"))
            return None
        data = self.procedures.get(name)
        if data is None:
            if NAME.fullmatch(name) and name not in self.listed:
                self.unknown(name, where.under("use"))
            return None
        child = Scope(
            document=f"procedure:{name}",
            steps=dict(entries(data.get("steps"))),
            start=as_text(data.get("start")),
            prefix=f"{use}.",
            use=use,
            procedure=name,
            exits=as_texts(data.get("exits")),
            targets=as_words(raw.get("exits")),
            parent=scope,
            where=where,
            cautions=as_texts(data.get("cautions")),
            takes=tuple(takes_of(data.get("takes"))),
            role=scope.role,
        )
        child.given = self.given(scope, raw, data, where)
        self.procedure_names(child)
        if not child.steps or child.start not in child.steps:
            return None
        return child

    def unknown(self, name: str, where: Where) -> None:
        """Report a procedure that the library does not have."""
        near = self.findings.near(name, self.known())
        remedy = near or "Write it in shared/procedures, or use another."
        message = f"There is no procedure `{shown(name)}`."
        self.findings.add("unknown-procedure", message, remedy, where)

    def procedure_names(self, scope: Scope) -> None:
        """Report errors within a procedure."""
        document = scope.document
        for name in scope.exits:
            if name in scope.steps:
                message = f"`{shown(name)}` is a step and an exit."
                remedy = "A target is one word; rename one of them."
                where = Where(document, ("steps", name))
                self.findings.add("duplicate-id", message, remedy, where, of_key=True)
        if scope.start and scope.start not in scope.steps:
            remedy = self.findings.near(scope.start, scope.steps) or "Name one of its steps."
            message = f"The start `{shown(scope.start)}` is no step of this procedure."
            self.findings.add("unknown-target", message, remedy, Where(document, ("start",)))

    def given(
        self, scope: Scope, raw: Mapping[str, Any], data: Mapping[str, Any], where: Where
    ) -> dict[str, Any]:
        """The values for the procedure's {names}, checked against its parameters."""
        part = {"part": raw["part"]} if "part" in raw else {}
        given = {
            name: filled_in(scope, value, where, self.findings)
            for name, value in {**part, **as_mapping(raw.get("with"))}.items()
        }
        takes = takes_of(data.get("takes"))
        procedure = shown(as_text(raw.get("use")))
        for name in takes:
            if name not in given:
                key = "`part`" if name == "part" else f"`with: {{{name}: …}}`"
                message = f"The procedure `{procedure}` takes `{name}`, which is not given."
                self.findings.add("procedure-takes", message, f"Add {key}.", where, of_key=True)
        for name in given:
            if name not in takes:
                at = where.under("part") if name == "part" else where.under("with", name)
                message = f"The procedure `{procedure}` does not take `{shown(name)}`."
                remedy = (
                    self.findings.near(name, takes)
                    or "Take it out, or add it to the procedure's `takes`."
                )
                level: Level = "warning" if name == "part" else "error"
                self.findings.add("procedure-takes", message, remedy, at, of_key=True, level=level)
        for name, unit in takes.items():
            if name != "part":
                self.figure(given, name, unit, where.under("with", name))
        return given

    def figure(self, given: dict[str, Any], name: str, unit: str, where: Where) -> None:
        """Check a figure that a procedure is given; the name of a rating stands for its value."""
        value = given.get(name)
        handed_on = as_mapping(as_mapping(value).get("from")).get("rating")
        rating = as_text(handed_on or value)
        if unit not in ("", "text") and rating in self.ratings:
            value, given[name] = f"1 {self.ratings[rating]}", RatingName(rating)
        wrong = wrong_unit(value, unit)
        if wrong:
            message = f"`{shown(name)}` must be given in {shown(unit)}: {wrong}"
            remedy = f"Write a figure with its unit, {shown(unit)} or a multiple."
            self.findings.add("procedure-takes", message, remedy, where)

    def closing(self, top: Scope, listed: Any) -> list[Scope]:
        """The scopes of the closing procedures, each opened once."""
        scopes: dict[str, Scope] = {}
        for position, item in enumerate(as_list(listed)):
            raw = {"use": item} if isinstance(item, str) else as_mapping(item)
            name = as_text(raw.get("use"))
            where = Where("tree", ("closing", position))
            if name in scopes:
                message = f"`{shown(name)}` occurs twice in `closing`."
                self.findings.add("duplicate-id", message, "Keep one of them.", where)
                continue
            scope = self.open(top, f"{CLOSING}.{name}", raw, where) if name else None
            if scope is not None:
                scope.role = "closing"
                self.expand(scope)
                scopes[name] = scope
        return list(scopes.values())

    def before_power(self, top: Scope, listed: Any) -> dict[str, Scope]:
        """The scopes of the checks before power by id, in order, each opened once.

        The first exit passes and leads nowhere; the others lead where the entry says, else
        to the built-in stop.
        """
        scopes: dict[str, Scope] = {}
        for position, item in enumerate(as_list(listed)):
            raw = {"use": item} if isinstance(item, str) else as_mapping(item)
            name = as_text(raw.get("id")) or as_text(raw.get("use"))
            where = Where("tree", ("before_power", position))
            if name in scopes:
                message = f"`{shown(name)}` occurs twice in `before_power`."
                remedy = "Give the second one an `id` of its own."
                self.findings.add("duplicate-id", message, remedy, where)
                continue
            scope = self.open(top, f"{BEFORE_POWER}.{name}", raw, where) if name else None
            if scope is None:
                continue
            scope.role = "before-power"
            self.check_power_exits(scope, where)
            scope.targets = {exit_: scope.targets.get(exit_, NOT_SAFE) for exit_ in scope.exits[1:]}
            self.expand(scope)
            scopes[name] = scope
        return scopes

    def check_power_exits(self, scope: Scope, where: Where) -> None:
        """Report errors in the targets of one check before power."""
        for exit_ in scope.targets:
            at = where.under("exits", exit_)
            check_exit(scope, exit_, at, self.findings)
            if scope.exits and exit_ == scope.exits[0]:
                message = f"`{shown(exit_)}` is the exit that passes; it leads nowhere."
                remedy = "Take it out of `exits`."
                self.findings.add("unknown-exit", message, remedy, at, of_key=True)
