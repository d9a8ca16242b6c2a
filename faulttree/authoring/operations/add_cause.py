"""Add a cause that the tree could not find: a fault, and a step to it at the cheapest place."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Any

from faulttree.authoring.cause import Cause, Test, new_id, step_of
from faulttree.authoring.edited_check import EditedCheck, Unfit
from faulttree.authoring.placement import Place, barred, places_on
from faulttree.authoring.proposal import Option, TreeProposal
from faulttree.authoring.replay import minutes_of, walk_again
from faulttree.authoring.shared_procedure import way_to_show
from faulttree.authoring.solved_case import Solved
from faulttree.errors import TreeError
from faulttree.odds import TableError, priors, table_from_tree
from faulttree.odds.current_order import minutes_walked
from faulttree.tree import Tree, assemble
from faulttree.tree.edit import DataEdits, Edits, FileChange
from faulttree.tree.finding import Finding
from faulttree.tree.graph import graph_of
from faulttree.walk.renames import counted_for
from faulttree.walk.state import State

History = Mapping[tuple[str, str], float]


def add_cause(
    solved: Solved,
    cause: Cause,
    test: Test,
    *,
    fitness: EditedCheck,
    history: History,
    search_minutes: float | None = None,
    at: tuple[str, str] | None = None,
    even_so: bool = False,
) -> TreeProposal:
    """Propose the fault and a step that leads to it, on the path of the case.

    Args:
        solved: the case.
        cause: the fault and its remedy.
        test: the test that showed it.
        fitness: the check of edited files of the library.
        history: confirmed cases, for the odds.
        search_minutes: minutes of the search off the tree.
        at: a place (step, outcome) to use instead of the cheapest; empty texts for the start.
        even_so: accept a place that the rules warn about.

    Raises:
        TreeError: a needed value is missing, or no place is possible.
    """
    adding = _Adding(solved, *_named(solved, cause, test), history)
    options, refused = adding.ranked(at)
    chosen, runner_up, found = _fit(adding, options, refused, fitness, even_so=even_so)
    why = _why(chosen, runner_up, refused, given=at is not None) + adding.as_well
    first = solved.minutes + _off_tree(adding, search_minutes)
    return TreeProposal(
        *("added", solved, adding.cause.fault, adding.test.step, why),
        *(chosen, runner_up, tuple(refused)),
        expected=(adding.before, chosen.expected),
        walk=(first, chosen.again),
        told_minutes=search_minutes is not None,
        findings=found,
        changes=(adding.change(chosen.place),),
    )


def _named(solved: Solved, cause: Cause, test: Test) -> tuple[Cause, Test]:
    """Cause and test with ids that the tree does not use for something else."""
    tree = solved.now
    taken = {*tree.bundle["tree"]["steps"], *tree.faults, *tree.stops}
    fault = cause.fault or solved.fault or new_id(cause.title, taken)
    if fault not in tree.faults and fault in taken:
        raise TreeError(
            f"`{fault}` is a step or stop of this tree.", remedy="Give --fault another."
        )
    taken.add(fault)
    if test.step in taken:
        raise TreeError(f"The tree has `{test.step}` already.", remedy="Give --step another name.")
    step = test.step or new_id(test.called, taken)
    bad = test.bad  # raises for missing values before anything is computed
    return replace(cause, fault=fault), replace(test, step=step, shows=bad)


@dataclass
class _Adding:
    solved: Solved
    cause: Cause
    test: Test
    history: History
    _changes: dict[tuple[str | int, ...], FileChange] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.tree = self.solved.now
        self.loose = self.cause.fault in self.tree.faults
        self.own = self.solved.again
        self.as_well = ""
        if self.test.powered or self.test.enters:
            self._like_its_neighbours()
        if self.test.unsaid:
            listed = "`, `".join(self.test.unsaid)
            self.as_well += f" The exits `{listed}` lead to the next step too (--lead EXIT=TARGET)."
        self.shown, self.test_minutes = way_to_show(self.test, self.tree)
        before = DataEdits(copy.deepcopy(self.tree.bundle["tree"]))
        self._put_fault(before, self.own.path, confirm=None)
        self.before = self._expected(self._tree(before.data))

    def _like_its_neighbours(self) -> None:
        """Copy the cautions of all similar steps of the case, and the prerequisite of the last.

        A similar step has the same ``live`` as the test and needs the unit opened.
        """
        test, like = self.test, []
        for visit in self.own.path:
            step = self.tree.steps.get(visit.step)
            if step is None or step.kind == "do" or step.live != test.powered:
                continue
            if set(step.access) & set(test.enters) or (test.powered and not test.enters):
                like.append(step)
        if not like:
            return
        shared = [name for name in like[0].cautions if all(name in s.cautions for s in like)]
        missing = [name for name in shared if name not in test.cautions]
        if missing:
            test = replace(test, cautions=(*test.cautions, *missing))
            self.as_well += (
                f" It has the cautions `{'`, `'.join(missing)}`, as similar steps here do."
            )
        safe = next((step for step in reversed(like) if step.after), None)
        if safe is not None and not test.after and not test.powered:
            test = replace(test, after=safe.after)
            self.as_well += f" It comes after `{'`, `'.join(safe.after)}`, as `{safe.id}` does."
        self.test = test

    # -- ranking -----------------------------------------------------------------------

    def ranked(self, at: tuple[str, str] | None) -> tuple[list[Option], list[tuple[str, str]]]:
        """The possible places, the cheapest first, and the other places with the reason.

        Only the place at the outcome that is named, where one is.
        """
        options: list[Option] = []
        refused: list[tuple[str, str]] = []
        for place in places_on(self.own):
            why = barred(self.own, place, self.test)
            option = None if why else self._tried(place)
            if option is not None:
                options.append(option)
            else:
                refused.append((str(place), why or "the case's own answers would not reach it"))
        options.sort(key=lambda one: (round(one.expected, 9), one.again, one.place.passed))
        if at is not None:
            options = [one for one in options if (one.place.step, one.place.outcome) == at]
            if not options:
                raise _nowhere(self.solved, [one for one in refused if at[0] in one[0]] or refused)
        return options, refused

    def _tried(self, place: Place) -> Option | None:
        edits = DataEdits(copy.deepcopy(self.tree.bundle["tree"]))
        self.edit(edits, place)
        tree = self._tree(edits.data)
        state = self.walk(tree)
        if state.end is None or (state.end.kind, state.end.id) != ("fault", self.cause.fault):
            return None
        return Option(place, self._expected(tree), minutes_of(state))

    def walk(self, tree: Tree) -> State:
        """Walk a tree with the answers of the case and the answer of the new test."""
        known = self.solved.answers
        return walk_again(tree, replace(known, outcomes={**known.outcomes, **self.shown}))

    def _tree(self, data: Mapping[str, Any]) -> Tree:
        procedures = {**(self.tree.bundle.get("procedures") or {}), **self.test.procedures}
        bundle = {**self.tree.bundle, "tree": data, "procedures": procedures}
        tree, _ = assemble(bundle, schema=False)
        assert tree is not None
        return tree

    def _expected(self, tree: Tree) -> float:
        return expected_minutes(tree, self.history)

    # -- the edit ----------------------------------------------------------------------

    def edit(self, edits: Edits, place: Place) -> None:
        """Add the step, the fault and the target that leads to them."""
        raw = self.tree.bundle["tree"]
        test, fault = self.test, self.cause.fault
        edits.set(place.keys, test.step)
        beside = place.step or str(raw["start"])
        edits.add(("steps",), test.step, step_of(test, fault, place.onward), after=beside)
        confirm = self.cause.confirm or (test.step, test.good)
        self._put_fault(edits, self.own.path[place.passed :], confirm)
        listed, module = raw.get("modules"), self.cause.module
        if module and isinstance(listed, list) and module not in listed:
            edits.append(("modules",), module)

    def _put_fault(self, edits: Edits, later: Any, confirm: tuple[str, str] | None) -> None:
        signs = dict(self._signs(later))
        proof = {"step": confirm[0], "gives": confirm[1]} if confirm else None
        if self.loose:
            self._add_to_fault(edits, signs, proof)
            return
        data = fault_data(self.cause, self.tree)
        if proof:
            data["confirm"] = proof
        if signs:
            data["signs"] = signs
        data["evidence"] = [self.solved.evidence()]
        edits.add(("faults",), self.cause.fault, data)

    def _add_to_fault(
        self, edits: Edits, signs: Mapping[str, str], proof: dict[str, str] | None
    ) -> None:
        """Add remedy, signs and evidence to a fault that the tree already has."""
        fault = self.cause.fault
        raw = self.tree.bundle["tree"]["faults"][fault]
        if proof and "confirm" not in raw:
            edits.add(("faults", fault), "confirm", proof)
        known = raw.get("signs")
        if isinstance(known, Mapping):
            for step, gives in signs.items():
                if step not in known:
                    edits.add(("faults", fault, "signs"), step, gives)
        elif signs:
            edits.add(("faults", fault), "signs", dict(signs))
        if proof:
            edits.into(("faults", fault), "evidence", self.solved.evidence())

    def _signs(self, later: Any) -> Iterator[tuple[str, str]]:
        """Signs: outcomes of the case at steps that are not on the new path to the fault.

        Without outcomes that contradict another path to the fault: the case left it there.
        """
        near = graph_of(self.tree).leading_to(self.cause.fault)
        for visit in later:
            step = self.tree.steps.get(visit.step)
            if step is None:
                continue
            known = [name for name in step.targets if name != "undecided"]
            away = visit.step in near and step.targets.get(visit.outcome) not in near
            if visit.outcome in known and len(known) > 1 and not away:
                yield visit.step, visit.outcome

    def change(self, place: Place) -> FileChange:
        """The edit as a file change."""
        if place.keys not in self._changes:
            editor = self.solved.file.editor()
            self.edit(editor, place)
            self._changes[place.keys] = editor.change()
        return self._changes[place.keys]


def expected_minutes(tree: Tree, history: History) -> float:
    """Expected minutes of a walk over the faults of a tree.

    The probability of each fault comes from its weight and from the confirmed cases.

    Args:
        tree: the tree.
        history: (module or family, fault) → confirmed cases.

    Raises:
        TreeError: steps of the tree need each other in a cycle.
    """
    try:
        table = table_from_tree(tree)
    except TableError as error:
        raise TreeError(error.message, remedy=error.remedy) from None
    shares = priors(table, counted_for(tree, history))
    weighed = replace(table, weights=tuple(shares[fault] for fault in table.faults))
    return minutes_walked(weighed, tree)


def fault_data(cause: Cause, tree: Tree) -> dict[str, Any]:
    """A new fault as a tree file has it.

    One case says little about how common a fault is, and the record counts it anyway. If
    the other faults have weights, the new one gets their median.
    """
    data = cause.as_data()
    weights = [fault.weight for fault in tree.faults.values() if fault.weight is not None]
    weight = cause.weight if cause.weight is not None else median(weights) if weights else None
    if weight is not None:
        data["weight"] = weight
    if cause.part_cost is not None:
        data["part_cost"] = cause.part_cost
    return data


def _fit(
    adding: _Adding,
    options: list[Option],
    refused: list[tuple[str, str]],
    fitness: EditedCheck,
    *,
    even_so: bool,
) -> tuple[Option, Option | None, tuple[Finding, ...]]:
    """The first two places without new findings; those before them go to ``refused``."""
    fit: list[Option] = []
    spoken: list[tuple[Option, tuple[Finding, ...]]] = []
    for option in options:
        found = fitness.new(adding.change(option.place))
        if found:
            spoken.append((option, found))
            refused.append((str(option.place), f"[{found[0].rule}] {found[0].message}"))
        else:
            fit.append(option)
        if len(fit) == 2:
            break
    if fit:
        return fit[0], fit[1] if len(fit) > 1 else None, ()
    warned = [one for one in spoken if all(finding.level != "error" for finding in one[1])]
    if even_so and warned:
        return warned[0][0], None, warned[0][1]
    if spoken:
        raise Unfit.because(spoken[0][1], adding.solved.path)
    raise _nowhere(adding.solved, refused)


def _nowhere(solved: Solved, refused: list[tuple[str, str]]) -> TreeError:
    why = "; ".join(f"{where}: {why}" for where, why in refused[:3])
    return TreeError(
        f"There is no place for this step on the path of case {solved.case.number}: {why}.",
        path=solved.path,
        remedy="Check its prerequisites (--after), its access and its cautions.",
    )


def _off_tree(adding: _Adding, told: float | None) -> float:
    """Minutes of the search off the tree: as given, else those of the test."""
    if told is not None:
        return told
    test, tree = adding.test, adding.tree
    entered = adding.solved.then.access
    opens = [tree.access[name].minutes for name in test.enters
             if name in tree.access and name not in entered]  # fmt: skip
    return adding.test_minutes + sum(opens)


def _why(
    chosen: Option, runner_up: Option | None, refused: list[tuple[str, str]], *, given: bool
) -> str:
    least = "as given" if given else "the least"
    where = str(chosen.place)
    text = f"{where[:1].upper()}{where[1:]}: {chosen.expected:.3g} min expected, {least}"
    if runner_up is not None and not given:
        text += f"; next best {runner_up.place}, {runner_up.expected:.3g} min"
    if refused and not given:
        text += f"; {len(refused)} other place{'s' * (len(refused) > 1)} will not do"
    return f"{text}."
