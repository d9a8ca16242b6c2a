"""Add suspects to trees, each with the person who reported it.

A report never counts as a confirmation, and no report is dropped.
"""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from faulttree.authoring.cause import Cause, Test, new_id, same_title, step_of
from faulttree.authoring.edited_check import EditedCheck, Unfit
from faulttree.authoring.files import TreeFile
from faulttree.authoring.honest_ends import ends_of_unknown_cause
from faulttree.authoring.operations.add_cause import expected_minutes, fault_data
from faulttree.authoring.placement import Place, barred, places_on
from faulttree.authoring.replay import RecordedAnswers, walk_again
from faulttree.authoring.shared_procedure import with_procedure
from faulttree.errors import TreeError
from faulttree.tree import Library, Tree, assemble
from faulttree.tree.edit import ChangeSet, DataEdits, Edits, FileChange
from faulttree.walk.state import State

KINDS = ("reported", "documented", "contradicted")


@dataclass(frozen=True, slots=True)
class Statement:
    """The source of a suspect: who reported it, and when.

    ``kind`` is ``reported`` (a person), ``documented`` (a maker or a standard) or
    ``contradicted`` (examined and not so; then ``reason`` says what was seen).
    """

    source: str
    date: str
    kind: str = "reported"
    reason: str = ""

    def as_data(self) -> dict[str, str]:
        """The entry of ``evidence``.

        Raises:
            TreeError: the source is missing, or a contradiction has no reason.
        """
        if self.kind not in KINDS:
            remedy = "Only a repair on this bench confirms: use `faulttree write-up`."
            raise TreeError(f"A report cannot make a suspect `{self.kind}`.", remedy=remedy)
        if not self.source.strip():
            raise TreeError("The source of the suspect is missing.", remedy="Give --source.")
        if self.kind == "contradicted" and not self.reason.strip():
            raise TreeError("The reason of the contradiction is missing.", remedy="Give --reason.")
        said = {
            "kind": self.kind, "source": self.source, "date": self.date, "reason": self.reason,
        }  # fmt: skip
        return {key: value for key, value in said.items() if value}


@dataclass(frozen=True)
class SuspectAddition(ChangeSet):
    """The changes that add a suspect to trees; nothing is written yet.

    Attributes:
        fault: its id.
        trees: (id, change as text) of each tree.
        place: the place of its test; None for a loose suspect.
        unsaid: exits of its test, besides a good unit's, that lead onward.
    """

    RENAMED: ClassVar[Mapping[str, str]] = {"unsaid": "onward", "place": "position"}
    LEFT_OUT = frozenset(("changes", "trees"))
    EMPTY_AS_NONE = frozenset(("step",))

    fault: str
    trees: tuple[tuple[str, str], ...]
    place: Place | None = None
    step: str = ""
    unsaid: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        trees = [{"tree": tree, "done": done} for tree, done in self.trees]
        return {**super().as_dict(), "trees": trees}


def add_suspect(
    library: Library,
    target: str,
    cause: Cause,
    said: Statement,
    *,
    test: Test | None = None,
    at: tuple[str, str] | None = None,
    even_so: bool = False,
) -> SuspectAddition:
    """Add a suspect to a tree, or to every tree of a module.

    Args:
        library: whose trees.
        target: id of a tree (``family/complaint``), or a module.
        cause: the suspect; only a title (or the id of a known fault) is needed.
        said: the source.
        test: the test that would show it; None for a loose suspect and for a module.
        at: (step, outcome) the test comes after; None for the end where a unit most probably
            arrives if no known fault is the cause (:mod:`faulttree.authoring.honest_ends`).
        even_so: write in spite of new warnings.

    Raises:
        TreeError: there is no such tree or module, a value is missing, or a rule is broken.
    """
    evidence = said.as_data()
    fitness = EditedCheck(library)
    if "/" not in target:
        return _into_module(library, target, cause, evidence, fitness, test, even_so=even_so)
    adding = _Adding(library, target, cause, evidence)
    if test is None:
        change = adding.loose()
        fitness.accepted(change, even_so=even_so)
        return SuspectAddition(adding.fault, ((target, adding.done),), changes=(change,))
    test = with_procedure(test, library, adding.part)
    place, test, change = _with_test(adding, test, at, fitness, even_so=even_so)
    done = ((target, f"{adding.done}, with its test"),)
    return SuspectAddition(adding.fault, done, place, test.step, test.unsaid, changes=(change,))


def _into_module(
    library: Library,
    module: str,
    cause: Cause,
    evidence: Mapping[str, str],
    fitness: EditedCheck,
    test: Test | None,
    *,
    even_so: bool,
) -> SuspectAddition:
    if test is not None:
        remedy = "Add it to one tree with its test, or to the module without."
        raise TreeError("A test belongs to one tree.", remedy=remedy)
    trees = [name for name in library.own_trees() if _has_module(library, name, module)]
    if not trees:
        known = sorted({m for name in library.own_trees() for m in _modules(library, name)})
        listed = ", ".join(known[:8])
        raise TreeError(f"No tree has the module `{module}`.", remedy=f"There are: {listed}.")
    for name in trees:
        cause = _as_known(cause, TreeFile.of(library, name).tree)
    if not cause.fault:
        taken = {name for tree in trees for name in _names(library, tree)}
        cause = replace(cause, fault=new_id(cause.title, taken))
    changes, done = [], []
    for name in trees:
        adding = _Adding(library, name, replace(cause, module=cause.module or module), evidence)
        change = adding.loose()
        fitness.accepted(change, even_so=even_so)
        changes.append(change)
        done.append((name, adding.done))
    return SuspectAddition(cause.fault, tuple(done), changes=tuple(changes))


def _data(library: Library, name: str) -> Mapping[str, Any]:
    data = library.examine(name).data
    return data if isinstance(data, Mapping) else {}


def _modules(library: Library, name: str) -> set[str]:
    data = _data(library, name)
    faults = data.get("faults")
    listed = data.get("modules")
    found = {str(one) for one in listed} if isinstance(listed, list) else set()
    for fault in faults.values() if isinstance(faults, Mapping) else ():
        if isinstance(fault, Mapping) and isinstance(fault.get("module"), str):
            found.add(fault["module"])
    return found


def _has_module(library: Library, name: str, module: str) -> bool:
    return module in _modules(library, name)


def _names(library: Library, name: str) -> set[str]:
    data = _data(library, name)
    groups = [data.get(group) for group in ("steps", "faults", "stops")]
    return {str(one) for group in groups if isinstance(group, Mapping) for one in group}


def _as_known(cause: Cause, tree: Tree) -> Cause:
    """The cause with the id of the fault that has the same title, if the tree has one.

    Raises:
        TreeError: there is one, of another part or module.
    """
    same = same_title(tree, cause.title) if cause.title else None
    if cause.fault or same is None:
        return cause
    fault = tree.faults[same]
    if (cause.part or fault.part, cause.module or fault.module) != (fault.part, fault.module):
        raise TreeError(
            f"`{tree.id}` has a fault with this title already: `{fault.id}`"
            f"{f', part {fault.part}' if fault.part else ''}.",
            remedy=f"If it is the same one, give --fault {fault.id}; else give another title.",
        )
    return replace(cause, fault=fault.id)


class _Adding:
    """One suspect going into one tree."""

    def __init__(
        self, library: Library, name: str, cause: Cause, evidence: Mapping[str, str]
    ) -> None:
        self.file = TreeFile.of(library, name)
        self.tree = self.file.tree
        cause = _as_known(cause, self.tree)
        taken = {*self.tree.bundle["tree"]["steps"], *self.tree.stops}
        self.fault = cause.fault or new_id(cause.title, {*taken, *self.tree.faults})
        if self.fault in taken:
            remedy = "Give --fault another name."
            raise TreeError(f"`{self.fault}` is a step or stop of `{name}`.", remedy=remedy)
        self.cause = replace(
            cause, fault=self.fault, remedy=cause.remedy or "No remedy is known yet; test it first."
        )
        self.evidence = dict(evidence)
        self.known = self.fault in self.tree.faults
        self.done = "new suspect"
        if self.known:
            self.done = f"more evidence for “{self.tree.faults[self.fault].title}”"
        self.part = cause.part or (self.tree.faults[self.fault].part if self.known else "")

    def put(self, edits: Edits, confirm: tuple[str, str] | None = None) -> None:
        """Add the fault, or the new evidence of a known one."""
        if self.known:
            edits.into(("faults", self.fault), "evidence", self.evidence)
            return
        data = fault_data(self._weighed(), self.tree)
        if confirm is not None:
            data["confirm"] = {"step": confirm[0], "gives": confirm[1]}
        data["evidence"] = [self.evidence]
        edits.add(("faults",), self.fault, data)

    def _weighed(self) -> Cause:
        """The cause with the least weight of the other faults, unless a weight is given."""
        weights = [one.weight for one in self.tree.faults.values() if one.weight]
        if self.cause.weight is not None or not weights or self.evidence["kind"] == "documented":
            return self.cause
        return replace(self.cause, weight=min(weights))

    def loose(self) -> FileChange:
        """The change for a suspect without a test."""
        editor = self.file.editor()
        self.put(editor)
        return editor.change()


# -- with its test ---------------------------------------------------------------------


def _with_test(
    adding: _Adding,
    test: Test,
    at: tuple[str, str] | None,
    fitness: EditedCheck,
    *,
    even_so: bool,
) -> tuple[Place, Test, FileChange]:
    tree = adding.tree
    if adding.known and adding.fault not in tree.loose:
        remedy = "Leave the test, or name another suspect."
        raise TreeError(f"Steps lead to `{adding.fault}` already.", remedy=remedy)
    taken = {*tree.bundle["tree"]["steps"], *tree.faults, *tree.stops, adding.fault}
    name = test.step or new_id(test.called, taken)
    if name in taken:
        raise TreeError(f"The tree has `{name}` already.", remedy="Give --step another name.")
    test = replace(test, step=name, shows=test.bad)
    drafts = sorted(_drafts(adding, test, at), key=lambda one: one[0])
    if not drafts:
        raise _no_place(tree, at)
    refused: Unfit | None = None
    for _, place in drafts[:6]:
        editor = adding.file.editor()
        _put_test(adding, editor, test, place)
        change = editor.change()
        try:
            fitness.accepted(change, even_so=even_so)
        except Unfit as error:
            refused = refused or error
        else:
            return place, test, change
    assert refused is not None
    raise refused


def _no_place(tree: Tree, at: tuple[str, str] | None) -> TreeError:
    """The error for a test that fits nowhere."""
    if at is not None:
        message = f"The test cannot be placed after {at[0]}={at[1]}."
    elif ends_of_unknown_cause(tree):
        message = "The test fits before no end at which the known faults were tested."
    else:
        message = "This tree has no end at which a unit arrives when all its tests were good."
    remedy = "Name a place with --at STEP=OUTCOME, and check --after and --access."
    return TreeError(message, remedy=remedy)


def _drafts(
    adding: _Adding, test: Test, at: tuple[str, str] | None
) -> Iterator[tuple[tuple[float, float], Place]]:
    """((improbability, expected minutes), place) of every possible place.

    Improbability: minus the probability that the unit comes there if no known fault is the cause.
    """
    tree = adding.tree
    chances = ends_of_unknown_cause(tree)
    for place, state in _ends(tree):
        here = (place.step, place.outcome)
        wanted = here in chances if at is None else here == at
        if wanted and not barred(state, place, test):
            edits = DataEdits(copy.deepcopy(tree.bundle["tree"]))
            _put_test(adding, edits, test, place)
            procedures = {**(tree.bundle.get("procedures") or {}), **test.procedures}
            bundle = {**tree.bundle, "tree": edits.data, "procedures": procedures}
            new, _ = assemble(bundle, schema=False)
            if new is not None:
                yield (-chances.get(here, 0.0), expected_minutes(new, {})), place


def _put_test(adding: _Adding, edits: Edits, test: Test, place: Place) -> None:
    raw = adding.tree.bundle["tree"]
    edits.set(place.keys, test.step)
    step = step_of(test, adding.fault, place.onward)
    edits.add(("steps",), test.step, step, after=place.step or str(raw["start"]))
    adding.put(edits, (test.step, test.good))


def _made_ready(tree: Tree) -> dict[str, str]:
    """What the walk asks by itself before a step: checks before power, and the unit closed."""
    roles = ("before-power", "close")
    made = (step for step in tree.steps.values() if step.role in roles)
    return {step.id: good for step in made if (good := step.normal_outcome) is not None}


def _ends(tree: Tree) -> Iterator[tuple[Place, State]]:
    """Every place of the tree, each with a walk that passes it."""
    ways: dict[str, dict[str, str]] = {tree.start: _made_ready(tree)}
    facts = {one.id: one.values[0] for one in tree.properties.values() if one.values}
    todo, told = deque([tree.start]), set[tuple[str | int, ...]]()
    while todo:
        name = todo.popleft()
        for outcome, target in tree.steps[name].targets.items():
            way = {**ways[name], name: outcome}
            state = walk_again(tree, RecordedAnswers(way, facts=facts))
            for place in places_on(state):
                if place.keys not in told:
                    told.add(place.keys)
                    yield place, state
            if target in tree.steps and target not in ways:
                ways[target] = way
                todo.append(target)
