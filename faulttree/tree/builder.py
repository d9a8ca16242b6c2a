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

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from faulttree.errors import ReadingError, TreeError
from faulttree.tree import parts
from faulttree.tree.document import Document
from faulttree.tree.filling import filled, takes_of, wrong_unit
from faulttree.tree.model import Accepted, Access, Kind, Step, Tree, Use, Where
from faulttree.tree.plain import (
    as_list,
    as_mapping,
    as_number,
    as_text,
    as_texts,
    as_words,
    entries,
    joined,
)
from faulttree.tree.problems import Level, Problem, near
from faulttree.tree.schema import FileKind, findings
from faulttree.tree.source import shown

__all__ = ["MAX_STEPS", "assemble", "build"]

MAX_STEPS = 5_000
"""Steps of a tree once its procedures are inlined."""

MAX_PROBLEMS = 100
"""Problems of one tree that are listed."""

MAX_USES = 20
"""Procedures inside each other."""

KINDS: tuple[Kind, ...] = ("ask", "measure", "do", "use")
NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
CLOSING = "closing"


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
    finder = _Finder(documents or {})
    data = bundle.get("tree") if isinstance(bundle, Mapping) else None
    if schema and isinstance(bundle, Mapping):
        finder.check(data, "tree", "tree")
        for name, procedure in as_mapping(bundle.get("procedures")).items():
            if procedure is not None:
                finder.check(procedure, "procedure", f"procedure:{name}")
    if not isinstance(data, dict):
        return None, tuple(finder.problems.values())
    builder = _Builder(bundle, data, finder)
    if known_procedures is not None:
        builder.known_procedures = known_procedures
    tree = builder.tree()
    return tree, tuple(finder.problems.values())


class _Finder:
    """Collects problems, each once, and finds their places."""

    def __init__(self, documents: Mapping[str, Document]) -> None:
        self.documents = documents
        self.problems: dict[tuple[str, str, Where], Problem] = {}

    def add(
        self,
        rule: str,
        message: str,
        mend: str,
        where: Where,
        *,
        of_key: bool = False,
        level: Level = "error",
    ) -> None:
        if len(self.problems) > MAX_PROBLEMS or (rule, message, where) in self.problems:
            return
        if len(self.problems) == MAX_PROBLEMS:
            rule, level = "more-problems", "note"
            message, mend = (
                f"Only the first {MAX_PROBLEMS} problems are listed.",
                "Mend them first.",
            )
        document = self.documents.get(where.document)
        path = document.path if document else None
        line, column = document.place(where.keys, of_key) if document else (None, None)
        problem = Problem(rule, level, message, path, line, column, mend, where)
        self.problems[rule, message, where] = problem

    def near(self, word: str, known: Iterable[str]) -> str:
        """Words close to one that is not known; no longer looked for once enough is wrong."""
        return near(word, known) if len(self.problems) < MAX_PROBLEMS else ""

    def check(self, data: Any, kind: FileKind, name: str) -> None:
        """Hold a document against its schema."""
        for rule, message, mend, keys, of_key in findings(data, kind):
            self.add(rule, message, mend, Where(name, keys), of_key=of_key)


@dataclass(slots=True)
class _Holds:
    """What a use says of every step inside it."""

    access: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    live: bool = False
    in_circuit: Any = None
    source: str = ""


@dataclass(slots=True)
class _Entry:
    """What a use says of the first step inside it."""

    how: str = ""
    wait: float | None = None
    minutes: float | None = None


@dataclass(slots=True)
class _Scope:
    """One document at work: the tree itself, or a procedure for one use."""

    document: str
    steps: Mapping[str, Mapping[str, Any]]
    start: str = ""
    prefix: str = ""
    use: str | None = None
    procedure: str = ""
    exits: tuple[str, ...] = ()
    targets: Mapping[str, str] = field(default_factory=dict)
    takes: tuple[str, ...] = ()
    given: Mapping[str, Any] = field(default_factory=dict)
    parent: _Scope | None = None
    where: Where = field(default_factory=lambda: Where("tree", ()))
    cautions: tuple[str, ...] = ()
    holds: _Holds = field(default_factory=_Holds)
    entry: _Entry = field(default_factory=_Entry)
    uses: dict[str, _Scope] = field(default_factory=dict)

    def chain(self) -> list[str]:
        """The procedures at work here, outermost first."""
        above = self.parent.chain() if self.parent else []
        return [*above, self.procedure] if self.procedure else above


class _Builder:
    def __init__(self, bundle: Mapping[str, Any], data: Mapping[str, Any], finder: _Finder) -> None:
        self.bundle, self.data, self.finder = bundle, data, finder
        self.procedures = dict(entries(bundle.get("procedures")))
        self.known_procedures: Callable[[], Sequence[str]] = lambda: tuple(self.procedures)
        self.steps: dict[str, Step] = {}
        self.uses: dict[str, Use] = {}
        self.ends = {**as_mapping(data.get("faults")), **as_mapping(data.get("stops"))}
        self.states: dict[str, Access] = {}
        self.count = 0
        self.oversize = False

    # -- the whole ---------------------------------------------------------------------

    def tree(self) -> Tree | None:
        data = self.data
        top = _Scope("tree", dict(entries(data.get("steps"))), as_text(data.get("start")))
        self.ids()
        self.expand(top)
        closing = self.closing(top)
        if self.oversize:
            return None
        self.states = parts.access_states(
            source.get("access") for source in (data, *self.procedures.values())
        )
        for scope in (top, *closing):
            self.emit(scope)
        self.references(top)
        return Tree(
            id=as_text(self.bundle.get("id")),
            title=as_text(data.get("title")),
            family=as_text(data.get("family")),
            start=self.start(top),
            steps=self.steps,
            faults=parts.faults(data.get("faults")),
            stops=parts.stops(data.get("stops")),
            uses=self.uses,
            closing=tuple(scope.use for scope in closing if scope.use),
            modules=as_texts(data.get("modules")),
            symptoms=tuple(parts.symptoms(data.get("symptoms"))),
            cautions=as_texts(data.get("cautions")),
            access=self.states,
            ratings=parts.ratings(data.get("ratings")),
            accepted=tuple(self.accepted()),
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

    def start(self, top: _Scope) -> str:
        if top.start in top.steps:
            return self.resolve(top, top.start)[0]
        if top.start:
            mend = self.finder.near(top.start, top.steps) or "Name one of the steps."
            message = f"The start `{shown(top.start)}` is no step of this tree."
            self.finder.add("unknown-target", message, mend, Where("tree", ("start",)))
        return top.start

    # -- uses --------------------------------------------------------------------------

    def expand(self, scope: _Scope, depth: int = 0) -> None:
        """Open the procedures that a scope uses, theirs too."""
        self.count += len(scope.steps)
        for name, raw in scope.steps.items():
            if _kind(raw) != "use" or self.count > MAX_STEPS:
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
        self.oversize = True
        mend = "Look for procedures that use others several times over."
        self.finder.add("too-large", message, mend, Where("tree", ("steps",)))

    def open(self, scope: _Scope, use: str, raw: Mapping[str, Any], where: Where) -> _Scope | None:
        """The scope of one use, or None where it cannot be inlined."""
        name = as_text(raw.get("use"))
        chain = scope.chain()
        if name in chain:
            ring = " → ".join([*chain[chain.index(name) :], name])
            message = f"Procedures use each other in a ring: {ring}."
            mend = "Take one of these uses out."
            self.finder.add("procedure-ring", message, mend, where.under("use"))
            return None
        data = self.procedures.get(name)
        if data is None:
            broken = name in as_mapping(self.bundle.get("procedures"))
            if NAME.fullmatch(name) and not broken:
                mend = (
                    self.finder.near(name, self.known_procedures())
                    or "Write it in shared/procedures, or use another."
                )
                message = f"There is no procedure `{shown(name)}`."
                self.finder.add("unknown-procedure", message, mend, where.under("use"))
            return None
        child = _Scope(
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
        )
        child.given = self.given(scope, raw, data, where)
        self.procedure_names(child)
        if not child.steps or child.start not in child.steps:
            return None
        return child

    def procedure_names(self, scope: _Scope) -> None:
        """What is wrong with a procedure by itself."""
        document = scope.document
        for name in scope.exits:
            if name in scope.steps:
                message = f"`{shown(name)}` is a step and an exit."
                mend = "A target is one word; rename one of them."
                where = Where(document, ("steps", name))
                self.finder.add("duplicate-id", message, mend, where, of_key=True)
        if scope.start and scope.start not in scope.steps:
            mend = self.finder.near(scope.start, scope.steps) or "Name one of its steps."
            message = f"The start `{shown(scope.start)}` is no step of this procedure."
            self.finder.add("unknown-target", message, mend, Where(document, ("start",)))

    def given(
        self, scope: _Scope, raw: Mapping[str, Any], data: Mapping[str, Any], where: Where
    ) -> dict[str, Any]:
        """What fills the procedure's {names}, held against what it takes."""
        part = {"part": raw["part"]} if "part" in raw else {}
        given = {
            name: self.filled(scope, value, where)
            for name, value in {**part, **as_mapping(raw.get("with"))}.items()
        }
        takes = takes_of(data.get("takes"))
        procedure = shown(as_text(raw.get("use")))
        for name in takes:
            if name not in given:
                key = "`part`" if name == "part" else f"`with: {{{name}: …}}`"
                message = f"The procedure `{procedure}` takes `{name}`, which is not given."
                self.finder.add("procedure-takes", message, f"Add {key}.", where, of_key=True)
        for name in given:
            if name not in takes:
                at = where.under("part") if name == "part" else where.under("with", name)
                message = f"The procedure `{procedure}` does not take `{shown(name)}`."
                mend = (
                    self.finder.near(name, takes)
                    or "Take it out, or add it to the procedure's `takes`."
                )
                level: Level = "warning" if name == "part" else "error"
                self.finder.add("procedure-takes", message, mend, at, of_key=True, level=level)
        for name, unit in takes.items():
            wrong = wrong_unit(given.get(name), unit) if name != "part" else ""
            if wrong:
                message = f"`{shown(name)}` must be given in {shown(unit)}: {wrong}"
                mend = f"Write a figure with its unit, {shown(unit)} or a multiple."
                self.finder.add("procedure-takes", message, mend, where.under("with", name))
        return given

    def closing(self, top: _Scope) -> list[_Scope]:
        scopes: dict[str, _Scope] = {}
        for position, item in enumerate(as_list(self.data.get("closing"))):
            raw = {"use": item} if isinstance(item, str) else as_mapping(item)
            name = as_text(raw.get("use"))
            where = Where("tree", ("closing", position))
            if name in scopes:
                message = f"`{shown(name)}` stands twice in `closing`."
                self.finder.add("duplicate-id", message, "Keep one of them.", where)
                continue
            scope = self.open(top, f"{CLOSING}.{name}", raw, where) if name else None
            if scope is not None:
                self.expand(scope)
                scopes[name] = scope
        return list(scopes.values())

    # -- targets -----------------------------------------------------------------------

    def resolve(self, scope: _Scope, name: str) -> tuple[str, tuple[tuple[str, str], ...]]:
        """Where a target leads, and the exits taken on the way."""
        leaves: list[tuple[str, str]] = []
        while name not in scope.steps and scope.use is not None and name in scope.exits:
            leaves.append((scope.use, name))
            if scope.use.startswith(f"{CLOSING}.") and scope.parent and scope.parent.use is None:
                return f"{scope.use}:{name}", tuple(leaves)
            if name not in scope.targets or scope.parent is None:
                return f"{scope.use}:{name}", tuple(leaves)
            name, scope = scope.targets[name], scope.parent
        while name in scope.uses:
            scope = scope.uses[name]
            name = scope.start
        return (scope.prefix + name if name in scope.steps else name), tuple(leaves)

    def target(self, scope: _Scope, name: str, where: Where, *keys: str) -> None:
        """Report a target that names nothing here."""
        ends = self.ends if scope.use is None else scope.exits
        if name not in scope.steps and name not in ends:
            kinds = "step, fault or stop" if scope.use is None else "step or exit"
            message = f"`{shown(name)}` is no {kinds} of this file."
            mend = self.finder.near(name, [*scope.steps, *ends])
            mend = mend or "Look at the spelling, or write what is missing."
            self.finder.add("unknown-target", message, mend, where.under(*keys))

    def named(self, scope: _Scope, name: str, where: Where, of_key: bool = False) -> str:
        """The full id of a step or use that a scope names."""
        full = scope.prefix + name
        if full not in self.steps and full not in self.uses and not self.pending(scope, name):
            known = [*scope.steps, *self.steps, *self.uses]
            mend = self.finder.near(name, known) or "Name a step of this file."
            message = f"`{shown(name)}` is no step here."
            self.finder.add("unknown-step", message, mend, where, of_key=of_key)
        return full

    def pending(self, scope: _Scope, name: str) -> bool:
        """Whether a step is named that is not emitted yet."""
        head, _, rest = name.partition(".")
        if rest:
            return head in scope.uses and self.pending(scope.uses[head], rest)
        return head in scope.steps

    # -- steps -------------------------------------------------------------------------

    def emit(self, scope: _Scope) -> None:
        """Make the steps of a scope, uses opened where they stand."""
        if scope.use is not None:
            self.use(scope)
        for name, raw in scope.steps.items():
            where = Where(scope.document, ("steps", name))
            if name in scope.uses:
                child = scope.uses[name]
                self.hold(scope, child, self.filled(scope, raw, where), name, where)
                self.emit(child)
                self.check_exits(scope, child, raw, where)
            else:
                self.steps[scope.prefix + name] = self.step(scope, name, raw, where)

    def check_exits(
        self, scope: _Scope, child: _Scope, raw: Mapping[str, Any], where: Where
    ) -> None:
        for exit_name, target in child.targets.items():
            at = where.under("exits", exit_name)
            if exit_name not in child.exits:
                message = f"The procedure `{child.procedure}` has no exit `{shown(exit_name)}`."
                mend = (
                    self.finder.near(exit_name, child.exits) or f"It has {', '.join(child.exits)}."
                )
                self.finder.add("unknown-exit", message, mend, at, of_key=True)
            self.target(scope, target, at)
        for exit_name in child.exits:
            if exit_name not in child.targets:
                message = f"The exit `{exit_name}` of `{child.procedure}` leads nowhere."
                mend = f"Add `{exit_name}: <target>` to `exits`."
                self.finder.add(
                    "exit-without-target", message, mend, where.under("exits"), of_key=True
                )

    def use(self, scope: _Scope) -> None:
        assert scope.use is not None
        inside = list(_all_steps(scope))
        parent = scope.parent.use if scope.parent else None
        self.uses[scope.use] = Use(
            id=scope.use,
            procedure=scope.procedure,
            start=self.resolve(scope, scope.start)[0],
            exits={name: self.resolve(scope, name)[0] for name in scope.exits},
            steps=tuple(inside),
            title=as_text(self.procedures[scope.procedure].get("title")),
            given={name: as_text(value) for name, value in scope.given.items()},
            parent=parent,
            where=scope.where,
        )

    def hold(
        self, scope: _Scope, child: _Scope, raw: Mapping[str, Any], name: str, where: Where
    ) -> None:
        """What a use, and all around it, says of the steps inside."""
        above = scope.holds
        after = self.after(scope, raw, where)
        child.holds = _Holds(
            access=joined(as_texts(raw.get("access")), above.access),
            cautions=joined(as_texts(raw.get("cautions")), scope.cautions, above.cautions),
            after=joined(after, above.after),
            needs=joined(as_texts(raw.get("needs")), above.needs),
            conditions=joined(as_texts(raw.get("conditions")), above.conditions),
            live=raw.get("live") is True or above.live,
            in_circuit=raw.get("in_circuit") or above.in_circuit,
            source=as_text(raw.get("source")) or above.source,
        )
        self.check_access(raw, where)
        first = scope.entry if name == scope.start else _Entry()
        own = as_number(raw.get("minutes"))
        wait = self.wait(raw, where)
        child.entry = _Entry(
            how="\n".join(text for text in (first.how, as_text(raw.get("how"))) if text),
            wait=first.wait if wait is None else wait,
            minutes=first.minutes if own is None else own,
        )

    def after(self, scope: _Scope, raw: Mapping[str, Any], where: Where) -> tuple[str, ...]:
        return tuple(
            self.named(scope, name, where.under("after", position))
            for position, name in enumerate(as_texts(raw.get("after")))
        )

    def step(self, scope: _Scope, name: str, raw: Mapping[str, Any], where: Where) -> Step:
        kind = _kind(raw)
        raw = self.filled(scope, raw, where)
        targets, leaves = self.targets(scope, kind, raw, where)
        holds = scope.holds
        entry = scope.entry if name == scope.start else _Entry()
        minutes, wait = as_number(raw.get("minutes")), self.wait(raw, where)
        self.check_access(raw, where)
        in_circuit = raw.get("in_circuit") or (holds.in_circuit if kind == "measure" else None)
        limits = raw.get("limits")
        return Step(
            id=scope.prefix + name,
            kind=kind,
            text=as_text(raw.get(kind)),
            targets=targets,
            how="\n".join(text for text in (entry.how, as_text(raw.get("how"))) if text),
            needs=joined(as_texts(raw.get("needs")), holds.needs),
            minutes=entry.minutes if minutes is None else minutes,
            cautions=joined(as_texts(raw.get("cautions")), scope.cautions, holds.cautions),
            access=joined(as_texts(raw.get("access")), holds.access),
            after=joined(self.after(scope, raw, where), holds.after),
            live=raw.get("live") is True or holds.live,
            conditions=joined(as_texts(raw.get("conditions")), holds.conditions),
            wait=entry.wait if wait is None else wait,
            in_circuit=in_circuit if in_circuit in ("never", "allowed") else None,
            limits=self.limits(scope, limits) if isinstance(limits, dict) else None,
            unit=as_text(raw.get("unit")) or None,
            source=as_text(raw.get("source")) or holds.source,
            use=scope.use,
            leaves=leaves,
            where=where,
        )

    def targets(
        self, scope: _Scope, kind: Kind, raw: Mapping[str, Any], where: Where
    ) -> tuple[dict[str, str], dict[str, tuple[tuple[str, str], ...]]]:
        """Outcome → where it leads, and the exits it takes."""
        targets: dict[str, str] = {}
        leaves: dict[str, tuple[tuple[str, str], ...]] = {}
        for outcome, name, keys in self.outcomes(kind, raw, where):
            self.target(scope, name, where, *keys)
            targets[outcome], taken = self.resolve(scope, name)
            if taken:
                leaves[outcome] = taken
        return targets, leaves

    def outcomes(
        self, kind: Kind, raw: Mapping[str, Any], where: Where
    ) -> Iterator[tuple[str, str, tuple[str, ...]]]:
        """Each outcome with the target as written and its keys, ``outside`` spread."""
        key = {"ask": "answers", "measure": "results", "use": "exits"}.get(kind, "then")
        if kind in ("do", "measure") and isinstance(raw.get("then"), str):
            yield ("done" if kind == "do" else "taken"), raw["then"], ("then",)
        written = as_words(raw.get(key))
        limits = as_mapping(raw.get("limits"))
        for outcome, name in written.items():
            if outcome != "outside" or kind != "measure" or "bands" in limits:
                yield outcome, name, (key, outcome)
                continue
            for side in _sides(limits):
                if side in written:
                    message = f"`outside` stands beside `{side}`, which it already means."
                    mend = "Keep `outside`, or write `low` and `high` instead of it."
                    at = where.under(key, outcome)
                    self.finder.add("outside-beside", message, mend, at, of_key=True)
                else:
                    yield side, name, (key, outcome)

    def limits(self, scope: _Scope, value: Any) -> Any:
        """Limits with the steps of their formulas named in full."""
        if isinstance(value, dict):
            out = {key: self.limits(scope, item) for key, item in value.items()}
            if "formula" in value and isinstance(value.get("from"), dict):
                out["from"] = {
                    name: scope.prefix + step
                    if isinstance(step, str) and self.pending(scope, step)
                    else step
                    for name, step in value["from"].items()
                }
            return out
        return [self.limits(scope, item) for item in value] if isinstance(value, list) else value

    def filled(self, scope: _Scope, value: Any, where: Where) -> Any:
        """A value of a procedure with every {name} put in; the tree's own are left alone."""
        if scope.use is None:
            return value
        return filled(value, where, scope.given, partial(self.unfilled, scope.takes))

    def unfilled(self, takes: Sequence[str], name: str, where: Where) -> None:
        if name in takes:
            return
        message = f"`{{{shown(name)}}}` is nothing that this procedure takes."
        mend = self.finder.near(name, takes) or f"Add `{shown(name)}` to `takes`."
        self.finder.add("unfilled-name", message, mend, where)

    def wait(self, raw: Mapping[str, Any], where: Where) -> float | None:
        value = raw.get("wait")
        if not isinstance(value, str):
            return None
        from faulttree.reading.quantity import parse_duration

        try:
            return float(parse_duration(value))
        except ReadingError as error:
            mend = "Write a span of time with its unit: `30 s`, `2 min`, `1 h`."
            self.finder.add("bad-duration", error.message, mend, where.under("wait"))
            return None

    # -- the rest ----------------------------------------------------------------------

    def check_access(self, raw: Mapping[str, Any], where: Where) -> None:
        for position, name in enumerate(as_texts(raw.get("access"))):
            if name not in self.states:
                message = f"The state `{shown(name)}` is not among `access`."
                mend = (
                    self.finder.near(name, self.states)
                    or f"Add `{shown(name)}` to the tree's `access`."
                )
                self.finder.add("unknown-access", message, mend, where.under("access", position))

    def references(self, top: _Scope) -> None:
        """Steps that faults name."""
        for fault, raw in entries(self.data.get("faults")):
            where = Where("tree", ("faults", fault))
            step = as_mapping(raw.get("confirm")).get("step")
            if isinstance(step, str):
                self.named(top, step, where.under("confirm", "step"))

    def accepted(self) -> Iterator[Accepted]:
        """The tree's own, then those of each procedure at each place it is used."""
        yield from parts.accepted(self.data.get("accepted"))
        for use in self.uses.values():
            yield from parts.accepted(self.procedures[use.procedure].get("accepted"), use.id)


def _kind(raw: Mapping[str, Any]) -> Kind:
    for kind in KINDS:
        if kind in raw:
            return kind
    return "ask"


def _all_steps(scope: _Scope) -> Iterator[str]:
    for name in scope.steps:
        if name in scope.uses:
            yield from _all_steps(scope.uses[name])
        else:
            yield scope.prefix + name


def _sides(limits: Mapping[str, Any]) -> tuple[str, ...]:
    """The outcomes that ``outside`` stands for: those the limits can give."""
    if "component" in limits or "nominal" in limits or ("min" in limits) == ("max" in limits):
        return ("low", "high")
    return ("low",) if "min" in limits else ("high",)
