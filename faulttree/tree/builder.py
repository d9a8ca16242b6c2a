"""From plain data to the frozen model: procedures inlined, names resolved, nothing guessed.

Two doors: :func:`build` for a bundle that must be right, :func:`assemble` for one that may
not be and where everything wrong is wanted at once.

How a ``use`` becomes steps, beyond what the model says:

- Steps of a procedure are ``<use>.<step>``; a target that names the use leads to the
  procedure's first step; an exit leads on to where the use says, and the step that takes it
  records the (use, exit) pairs in :attr:`Step.leaves`, innermost first.
- What a ``use`` step says of ``access``, ``cautions``, ``after``, ``needs``, ``live``,
  ``conditions``, ``in_circuit`` and ``source`` holds at every step inside; of the last two
  a step's own word comes first. Its ``how``, ``wait`` and
  ``minutes`` belong to the first step inside: ``how`` is put before that step's own, the
  other two count where that step gives none.
- ``after``, ``confirm`` and ``signs`` may name a use; they keep the use's id, whose outcome
  is the exit.
- A closing procedure is ``closing.<procedure>``; its exits lead to the pseudo-targets
  ``closing.<procedure>:<exit>``, which name no step, fault or stop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from faulttree.errors import TreeError
from faulttree.tree import parts
from faulttree.tree.document import Document
from faulttree.tree.finder import Finder
from faulttree.tree.model import Accepted, Tree, Use, Where
from faulttree.tree.naming import Names
from faulttree.tree.plain import as_mapping, as_text, as_texts, entries
from faulttree.tree.problems import Problem
from faulttree.tree.scopes import Scope
from faulttree.tree.source import shown
from faulttree.tree.steps import Steps
from faulttree.tree.uses import Uses

__all__ = ["assemble", "build"]


def build(bundle: Mapping[str, Any], *, strict: bool = True) -> Tree:
    """The model from plain data; how a stored tree text comes back.

    Args:
        bundle: ``id``, ``tree``, ``procedures`` (name → plain data), ``cautions`` and
            ``instruments`` (name → plain data), as :attr:`Tree.bundle` holds them.
        strict: refuse data with errors. A tree from the record is built with False: it
            was walked as it is, and a newer program must not lock its case.

    Raises:
        TreeError: at the first error, its ``key`` naming the place in the document; where
            not strict, only for data that no tree can be built from at all.
    """
    tree, problems = assemble(bundle, schema=strict)
    for problem in problems if strict or tree is None else ():
        if problem.level == "error":
            raise problem.error()
    if tree is None:
        raise TreeError("This is no tree.", mend="Give a mapping with title, start, steps.")
    return tree


def assemble(
    bundle: Mapping[str, Any],
    documents: Mapping[str, Document] | None = None,
    *,
    schema: bool = True,
    known_procedures: Callable[[], Sequence[str]] | None = None,
) -> tuple[Tree | None, tuple[Problem, ...]]:
    """The model wherever it can be built, and everything wrong on the way.

    Args:
        bundle: as for :func:`build`.
        documents: the files behind it by name (``tree``, ``procedure:<name>``), so that
            problems know their line and column.
        schema: whether to hold the data against the schemas.
        known_procedures: names the names the library has, asked only when one is unknown.

    Returns:
        The tree and the problems. There is no tree only where there is no mapping to build
        it from, or where it would be too large to be followed.
    """
    finder = Finder(documents or {})
    data = bundle.get("tree") if isinstance(bundle, Mapping) else None
    if schema and isinstance(bundle, Mapping):
        finder.check(data, "tree", "tree")
        for name, procedure in as_mapping(bundle.get("procedures")).items():
            if procedure is not None:
                finder.check(procedure, "procedure", f"procedure:{name}")
    if not isinstance(data, dict):
        return None, tuple(finder.problems.values())
    tree = Builder(bundle, data, finder, known_procedures).tree()
    return tree, tuple(finder.problems.values())


class Builder:
    """One tree at work."""

    def __init__(
        self,
        bundle: Mapping[str, Any],
        data: Mapping[str, Any],
        finder: Finder,
        known_procedures: Callable[[], Sequence[str]] | None,
    ) -> None:
        self.bundle, self.data, self.finder = bundle, data, finder
        self.opened = Uses(as_mapping(bundle.get("procedures")), finder, known_procedures)

    def tree(self) -> Tree | None:
        """The tree; None where it would be too large."""
        data, procedures = self.data, self.opened.procedures
        top = Scope("tree", dict(entries(data.get("steps"))), as_text(data.get("start")))
        self.ids()
        self.opened.expand(top)
        closing = self.opened.closing(top, data.get("closing"))
        if self.opened.oversize:
            return None
        states = parts.access_states(
            source.get("access") for source in (data, *procedures.values())
        )
        ends = {**as_mapping(data.get("faults")), **as_mapping(data.get("stops"))}
        names = Names(self.finder, ends, states)
        steps = Steps(names, procedures, self.finder)
        for scope in (top, *closing):
            steps.emit(scope)
        self.references(top, names)
        return Tree(
            id=as_text(self.bundle.get("id")),
            title=as_text(data.get("title")),
            family=as_text(data.get("family")),
            start=self.start(top),
            steps=names.steps,
            faults=parts.faults(data.get("faults")),
            stops=parts.stops(data.get("stops")),
            uses=names.uses,
            closing=tuple(scope.use for scope in closing if scope.use),
            modules=as_texts(data.get("modules")),
            symptoms=tuple(parts.symptoms(data.get("symptoms"))),
            cautions=as_texts(data.get("cautions")),
            access=states,
            ratings=parts.ratings(data.get("ratings")),
            accepted=tuple(self.accepted(names.uses)),
            known_cautions=parts.cautions(self.bundle.get("cautions")),
            known_instruments=parts.instruments(self.bundle.get("instruments")),
            bundle=self.bundle,
        )

    def ids(self) -> None:
        """Steps, faults and stops share one namespace."""
        seen: dict[str, str] = {}
        for group in ("steps", "faults", "stops"):
            for name in as_mapping(self.data.get(group)):
                if name in seen:
                    message = f"`{shown(name)}` is in `{seen[name]}` already."
                    mend = "Steps, faults and stops share one set of names; rename one."
                    where = Where("tree", (group, name))
                    self.finder.add("duplicate-id", message, mend, where, of_key=True)
                seen.setdefault(name, group)

    def start(self, top: Scope) -> str:
        """Full id of the first step."""
        if top.start in top.steps:
            return top.resolve(top.start)[0]
        if top.start:
            mend = self.finder.near(top.start, top.steps) or "Name one of the steps."
            message = f"The start `{shown(top.start)}` is no step of this tree."
            self.finder.add("unknown-target", message, mend, Where("tree", ("start",)))
        return top.start

    def references(self, top: Scope, names: Names) -> None:
        """Steps that faults name."""
        for fault, raw in entries(self.data.get("faults")):
            where = Where("tree", ("faults", fault))
            step = as_mapping(raw.get("confirm")).get("step")
            if isinstance(step, str):
                names.named(top, step, where.under("confirm", "step"))

    def accepted(self, uses: Mapping[str, Use]) -> Iterator[Accepted]:
        """The tree's own, then those of each procedure at each place it is used."""
        yield from parts.accepted(self.data.get("accepted"))
        for use in uses.values():
            yield from parts.accepted(self.opened.procedures[use.procedure].get("accepted"), use.id)
