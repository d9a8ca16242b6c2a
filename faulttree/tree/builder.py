"""Build the immutable model of a tree from plain data: inline procedures, resolve names.

There are two functions: :func:`build` raises at the first error, :func:`assemble` collects all
errors.

How a ``use`` becomes steps, in addition to the description in the model:

- Steps of a procedure are ``<use>.<step>``; a target that names the use leads to the
  procedure's first step; an exit leads on to where the use says, and the step that takes it
  records the (use, exit) pairs in :attr:`Step.leaves`, innermost first.
- What a ``use`` step says of ``access``, ``cautions``, ``after``, ``needs``, ``live``,
  ``conditions``, ``in_circuit`` and ``source`` holds at every step inside; of the last two
  a step's own word comes first. Its ``how``, ``wait``, ``minutes`` and ``stop_if``
  belong to the first step inside: ``how`` is put before that step's own, ``stop_if`` is
  added to it, the other two count where that step gives none.
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
from faulttree.tree.about import INVENTED
from faulttree.tree.document import Document
from faulttree.tree.finding import Finding, FindingList
from faulttree.tree.ids import RESERVED_SINCE_2
from faulttree.tree.model import MAINS, Accepted, PowerCheck, Tree, Use, When, Where, is_invented
from faulttree.tree.naming import Names
from faulttree.tree.plain import as_list, as_mapping, as_text, as_texts, as_words, entries
from faulttree.tree.schema import refusals
from faulttree.tree.scopes import Scope
from faulttree.tree.source import shown
from faulttree.tree.steps import Steps
from faulttree.tree.uses import Uses


def build(bundle: Mapping[str, Any], *, strict: bool = True) -> Tree:
    """Build the model from plain data, for example from a stored tree text.

    Args:
        bundle: ``id``, ``tree``, ``procedures`` (name → plain data), ``cautions`` and
            ``instruments`` (name → plain data), as :attr:`Tree.bundle` holds them.
        strict: refuse data with errors. A tree from the record is built with False: it
            was walked in this form, and a newer program must be able to open its case.

    Raises:
        TreeError: at the first error; ``key`` is its place in the document. If not strict,
            only for data from which no tree can be built.
    """
    tree, findings = assemble(bundle, schema=strict)
    for finding in findings if strict or tree is None else ():
        if finding.level == "error":
            raise finding.error()
    if tree is None:
        raise TreeError("This is not a tree.", remedy="Give a mapping with title, start, steps.")
    return tree


def assemble(
    bundle: Mapping[str, Any],
    documents: Mapping[str, Document] | None = None,
    *,
    schema: bool = True,
    known_procedures: Callable[[], Sequence[str]] | None = None,
) -> tuple[Tree | None, tuple[Finding, ...]]:
    """Build the model as far as possible and collect all findings.

    Args:
        bundle: as for :func:`build`.
        documents: the files behind it by name (``tree``, ``procedure:<name>``), so that
            findings know their line and column.
        schema: whether to check the data against the schemas.
        known_procedures: returns the names in the library; called only for an unknown name.

    Returns:
        The tree and the findings. The tree is None only if there is no mapping to build it
        from, or if it would be too large.
    """
    findings = FindingList(documents or {})
    data = bundle.get("tree") if isinstance(bundle, Mapping) else None
    if schema and isinstance(bundle, Mapping):
        refused = list(refusals(data, "tree", "tree"))
        for name, procedure in as_mapping(bundle.get("procedures")).items():
            if procedure is not None:
                refused += refusals(procedure, "procedure", f"procedure:{name}")
        for finding in refused:
            findings.put(finding)
    if not isinstance(data, dict):
        return None, findings.all()
    tree = Builder(bundle, data, findings, known_procedures).tree()
    return tree, findings.all()


class Builder:
    """The state while one tree is built."""

    def __init__(
        self,
        bundle: Mapping[str, Any],
        data: Mapping[str, Any],
        findings: FindingList,
        known_procedures: Callable[[], Sequence[str]] | None,
    ) -> None:
        self.bundle, self.data, self.findings = bundle, data, findings
        ratings = {
            name: as_text(rating.get("unit")) for name, rating in entries(data.get("ratings"))
        }
        procedures = as_mapping(bundle.get("procedures"))
        self.opened = Uses(procedures, findings, known_procedures, ratings)

    def tree(self) -> Tree | None:
        """The tree; None if it would be too large."""
        data = self.data
        top = Scope("tree", dict(entries(data.get("steps"))), as_text(data.get("start")))
        self.ids()
        self.exposing()
        self.opened.expand(top)
        closing = self.opened.closing(top, data.get("closing"))
        power = self.opened.before_power(top, data.get("before_power"))
        if self.opened.oversize:
            return None
        said = self.parts(checks_power=bool(power))
        ends = {**as_mapping(data.get("faults")), **as_mapping(data.get("stops")), **said["stops"]}
        names = Names(self.findings, ends, said["access"], said["stores"], said["properties"])
        steps = Steps(names, self.opened.procedures, self.findings)
        for scope in (top, *closing, *power.values()):
            steps.emit(scope)
        steps.close(said["access"])
        self.references(top, names)
        for scope in power.values():
            for exit_, target in scope.targets.items():
                names.target(top, target, scope.where, "exits", exit_)
        return Tree(
            **said,
            start=self.start(top),
            steps=names.steps,
            uses=names.uses,
            closing=tuple(scope.use for scope in closing if scope.use),
            accepted=tuple(self.accepted(names.uses)),
            before_power=tuple(self.power_checks(power, names)),
            closing_when=self.closing_when(closing, names),
            bundle=self.bundle,
        )

    def parts(self, *, checks_power: bool) -> dict[str, Any]:
        """The fields of the tree that do not depend on its steps."""
        data, bundle = self.data, self.bundle
        files = (data, *self.opened.procedures.values())
        cautions = as_texts(data.get("cautions"))
        return {
            "id": as_text(bundle.get("id")),
            "title": as_text(data.get("title")) + INVENTED * is_invented(bundle),
            "family": as_text(data.get("family")),
            "faults": parts.faults(data.get("faults")),
            "stops": parts.stops(data.get("stops"), checks_power=checks_power),
            "modules": as_texts(data.get("modules")),
            "symptoms": tuple(parts.symptoms(data.get("symptoms"))),
            "cautions": cautions,
            "access": parts.access_states(source.get("access") for source in files),
            "ratings": parts.ratings(data.get("ratings")),
            "properties": parts.properties(data.get("properties"), bundle.get("properties")),
            "stores": parts.stores(data.get("stores"), mains=MAINS in cautions),
            "known_cautions": parts.cautions(bundle.get("cautions")),
            "known_instruments": parts.instruments(bundle.get("instruments")),
        }

    def ids(self) -> None:
        """Steps, faults and stops share one namespace."""
        seen: dict[str, str] = {}
        for group in ("steps", "faults", "stops"):
            for name in as_mapping(self.data.get(group)):
                if name in seen:
                    message = f"`{shown(name)}` is in `{seen[name]}` already."
                    remedy = "Steps, faults and stops share one set of names; rename one."
                    where = Where("tree", (group, name))
                    self.findings.add("duplicate-id", message, remedy, where, of_key=True)
                seen.setdefault(name, group)
                if name in RESERVED_SINCE_2 and self.says_safety():
                    message = f"`{shown(name)}` is a word of the format since version 2."
                    remedy = "Rename it: `faulttree rename` does so everywhere it is meant."
                    where = Where("tree", (group, name))
                    self.findings.add(
                        "later-word", message, remedy, where, of_key=True, level="note"
                    )

    def says_safety(self) -> bool:
        """Whether the file uses the keys whose steps go by the words kept back later."""
        states = as_mapping(self.data.get("access")).values()
        return (
            "before_power" in self.data
            or "stores" in self.data
            or any("close" in as_mapping(state) for state in states)
        )

    def exposing(self) -> None:
        """States that expose a hazard and cannot be closed."""
        documents = {"tree": self.data}
        documents |= {f"procedure:{name}": raw for name, raw in self.opened.procedures.items()}
        for document, data in documents.items():
            for name, raw in entries(data.get("access")):
                if raw.get("exposes") and not isinstance(raw.get("close"), dict):
                    message = f"`{shown(name)}` exposes a hazard, and nothing closes it."
                    remedy = "Add `close: {minutes: …, how: …}` to it."
                    where = Where(document, ("access", name))
                    self.findings.add("close-missing", message, remedy, where, of_key=True)

    def start(self, top: Scope) -> str:
        """Full id of the first step."""
        if top.start in top.steps:
            return top.resolve(top.start)[0]
        if top.start:
            remedy = self.findings.near(top.start, top.steps) or "Name one of the steps."
            message = f"The start `{shown(top.start)}` is no step of this tree."
            self.findings.add("unknown-target", message, remedy, Where("tree", ("start",)))
        return top.start

    def references(self, top: Scope, names: Names) -> None:
        """Steps that faults name."""
        for fault, raw in entries(self.data.get("faults")):
            where = Where("tree", ("faults", fault))
            for at, confirm in _each(raw.get("confirm"), where.under("confirm")):
                step = as_mapping(confirm).get("step")
                if isinstance(step, str):
                    names.named(top, step, at.under("step"))
        for position, symptom in enumerate(as_list(self.data.get("symptoms"))):
            for index, step in enumerate(as_texts(as_mapping(symptom).get("seen_at"))):
                at = Where("tree", ("symptoms", position, "seen_at", index))
                names.named(top, step, at)
        for name, raw in entries(self.data.get("steps")):
            if isinstance(raw.get("property"), str):
                at = Where("tree", ("steps", name, "property"))
                names.check_property(raw["property"], as_words(raw.get("answers")), at)

    def power_checks(self, power: Mapping[str, Scope], names: Names) -> Iterator[PowerCheck]:
        """The checks before power, in order."""
        for name, scope in power.items():
            assert scope.use is not None
            yield PowerCheck(name, scope.use, self.when(scope, names))

    def closing_when(self, closing: Sequence[Scope], names: Names) -> dict[str, When]:
        """Closing use → the condition under which it is run, where it has one."""
        conditions = ((scope.use, self.when(scope, names)) for scope in closing)
        return {use: when for use, when in conditions if when and use}

    def when(self, scope: Scope, names: Names) -> When:
        """The condition of the entry in ``before_power`` or ``closing`` behind a scope."""
        group, position = scope.where.keys
        entry = as_mapping(as_list(self.data.get(str(group)))[int(position)])
        when = parts.when(entry.get("when"))
        for key, values in when.items():
            names.check_property(key, values, scope.where.under("when", key))
        return when

    def accepted(self, uses: Mapping[str, Use]) -> Iterator[Accepted]:
        """Accepted findings of the tree, then of each procedure at each place of use."""
        yield from parts.accepted(self.data.get("accepted"))
        for use in uses.values():
            yield from parts.accepted(self.opened.procedures[use.procedure].get("accepted"), use.id)


def _each(value: Any, where: Where) -> Iterator[tuple[Where, Any]]:
    """The items of a list with their places; a single item at the place itself."""
    if isinstance(value, list):
        yield from ((where.under(position), item) for position, item in enumerate(value))
    else:
        yield where, value
